"""Time what all records say together over many necks: judged for the first time, asked again, and with one neck more.

    many_judged.py [--necks 1000] [--folder FOLDER]

Every invented neck has 51 readings. Printed as one JSON object, in seconds:

* ``command``: `learn`, as ``fretledger lessons`` runs it, everything judged;
* ``cold``: from the first question of a page until all is judged in the background;
* ``page``: the middle and the longest answer to that page meanwhile;
* ``commit_us``: microseconds of one durable commit (middle, 99 in 100) alone and while the background judges;
* ``warm``: the page's question asked again; ``one_more``: after one neck more, until it is judged, and the answer then.
"""

import argparse
import json
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "shop"))

from necks import neck

from logger.judgements import Judgements
from logger.lessons import learn
from logger.looking import Looking
from logger.store import Skip, Store, StoreReader


def build(folder: Path, necks: int) -> Path:
    store = folder / "necks.db"
    for number in range(1, necks + 1) if not store.exists() else ():
        proud, wood, blade = number * 7 % 5, ("plum", "pear")[number % 2], f"blade {number * 20 // necks}"
        neck(folder, store, number, proud=proud, slot_mm=0.58 - number % 50 * 1e-4, wood=wood, blade=blade,
             lot=str(number % 9), day=number % 250 + 1)  # fmt: skip
    return store


def seconds(work: Any) -> tuple[float, Any]:
    began_s = time.perf_counter()
    found = work()
    return time.perf_counter() - began_s, found


def commits(store: Store, session: str, numbers: Any, until: Any) -> list[float]:
    """Keep one row after another and return the microseconds that each took."""
    took = []
    while not until():
        row = Skip(session=session, number=next(numbers), kind="slot_width", fret=1, place="bass", at_ns=0)
        took.append(1e6 * seconds(lambda row=row: store.put(row))[0])
        time.sleep(0.02)
    return sorted(took)


def shares(sorted_: list[float]) -> list[int]:
    return [round(sorted_[int(share * (len(sorted_) - 1))]) for share in (0.5, 0.99)]


def run(folder: Path, necks: int) -> dict[str, Any]:
    path = build(folder, necks)
    command_s, _ = seconds(lambda: learn(path))
    with StoreReader(path) as reader:
        newest = reader.sessions()[-1].id
        numbers = iter(range(reader.next_number(newest), sys.maxsize))
    answers: list[float] = []
    with Store.open(path) as store:
        end_s = time.monotonic() + 5
        alone = commits(store, newest, numbers, lambda: time.monotonic() > end_s)
        judgements = Judgements(path, background=True)
        looking = Looking(path, current="", judgements=judgements)
        began_s = asked_s = time.monotonic()

        def done() -> bool:
            nonlocal asked_s
            if time.monotonic() < asked_s:
                return False
            took_s, told = seconds(lambda: looking.ask("shop", {}))
            answers.append(took_s)
            asked_s = time.monotonic() + 1.5
            assert not told["judging"]["trouble"], told["judging"]
            return bool(told["judging"]["judged"] == told["judging"]["of"] and answers[1:])

        beside = commits(store, newest, numbers, done)
        cold_s = time.monotonic() - began_s
    warm_s, told = seconds(lambda: looking.ask("shop", {}))
    neck(folder, path, necks + 1, day=251)
    began_s = time.monotonic()
    while looking.ask("shop", {})["lessons"]["necks"] == told["lessons"]["necks"]:
        time.sleep(0.05)
    more_s = time.monotonic() - began_s
    judgements.keep(judgements.of(newest))  # type: ignore[arg-type] - as if it were new: the answer is made again
    again_s, _ = seconds(lambda: looking.ask("shop", {}))
    judgements.close()
    return {
        "necks": told["lessons"]["necks"], "command": round(command_s, 1), "cold": round(cold_s, 1),
        "page": [round(statistics.median(answers), 3), round(max(answers), 3)],
        "commit_us": {"alone": shares(alone), "judging": shares(beside), "commits": [len(alone), len(beside)]},
        "warm": round(warm_s, 3), "one_more": [round(more_s, 2), round(again_s, 3)],
        "load": [round(one, 1) for one in os.getloadavg()],
    }  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--necks", type=int, default=1000)
    parser.add_argument("--folder", type=Path, help="where the store is kept and used again")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        print(json.dumps(run(given.folder or Path(temporary), given.necks), indent=2))
    return 0


if __name__ == "__main__":
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    sys.exit(main())
