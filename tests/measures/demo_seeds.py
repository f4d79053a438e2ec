"""Run the demo for every seed through the whole chain and count what it missed.

    demo_seeds.py --first 1 --last 50 --seconds 3

Exit status 1 if any seed missed a planted fault or flagged something else.
"""

import argparse
import json
import subprocess
import sys
from pathlib import Path

COMMAND = str(Path(sys.executable).with_name("fretledger"))


def main() -> int:
    """Run the seeds, print one line each and one JSON object at the end."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--last", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=3)
    given = parser.parse_args()
    totals = {"found": 0, "missed": 0, "false": 0, "lost": 0}
    for seed in range(given.first, given.last + 1):
        arguments = ["demo", "--seconds", str(given.seconds), "--seed", str(seed), "--no-browser"]
        done = subprocess.run([COMMAND, *arguments], capture_output=True, text=True, check=False)
        result = json.loads(done.stdout.splitlines()[-1])
        result["lost"] = result["readings"] - result["durable"]
        for name in totals:
            totals[name] += result[name]
        print(seed, done.returncode, {name: result[name] for name in totals}, result["wire_to_durable_ms"], flush=True)
    print(json.dumps(totals))
    return 1 if totals["missed"] or totals["false"] or totals["lost"] else 0


if __name__ == "__main__":
    sys.exit(main())
