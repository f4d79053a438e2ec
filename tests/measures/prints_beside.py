"""How late events of the page come while three sheets for the shop are printed at once.

`python tests/measures/prints_beside.py` measures the invented neck into a store first. What it tells is the time from
publishing a snapshot to its coming out of an event stream; figures depend on the machine, their ratio to the idle line
is what counts.
"""

import http.client
import io
import json
import tempfile
import threading
import time
from pathlib import Path

from dashboard.server import serve
from logger.demo.run import DemoOptions, run_demo
from logger.door import Answer, Door
from logger.looking import Looking
from logger.store import StoreReader

EVERY_S, IDLE_S, ROUNDS, TAIL_S = 0.06, 3.0, 3, 0.3
PAPERS = ("a4", "letter", "a4")


class _NoPage:
    url = "http://127.0.0.1:1/"

    def stop(self) -> None:
        """Nothing is served while the demo runs."""


def _listen(port: int, late: list[float]) -> None:
    link = http.client.HTTPConnection("127.0.0.1", port)
    link.request("GET", "/feed")
    stream = link.getresponse()
    while line := stream.readline():
        if line.startswith(b"data: {"):
            late.append(1e3 * (time.perf_counter() - json.loads(line[6:])["at_s"]))


def _publish(door: Door) -> None:
    version = 1
    while not door.closed:
        version += 1
        door.publish({"version": version, "at_s": time.perf_counter()})
        time.sleep(EVERY_S)


def _print(port: int, paper: str) -> None:
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=300)
    link.request("GET", f"/sheet.pdf?for=shop&paper={paper}")
    reply = link.getresponse()
    if reply.status != 200:
        raise SystemExit(reply.read().decode())
    reply.read()


def _tell(name: str, late: list[float]) -> None:
    several = sorted(late)
    late.clear()
    print(f"{name}: {len(several)} events, median {several[len(several) // 2]:.1f} ms, worst {several[-1]:.1f} ms")


def main() -> None:
    """Print how late events come, idle and while sheets are printed."""
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "demo.db"
        options = DemoOptions(seconds=12, seed=7, browser=False, store=store)
        run_demo(options, lambda _door, *, port: _NoPage(), stop=threading.Event(), out=io.StringIO())
        with StoreReader(store) as reader:
            session = reader.sessions()[0].id
        door = Door(lambda _id, _action: Answer(done=True), Looking(store, current=session).ask)
        door.publish({"version": 1, "at_s": time.perf_counter()})
        page = serve(door)
        port = int(page.url.rstrip("/").rsplit(":", 1)[1])
        door.ask("record", {})  # judged once before
        late: list[float] = []
        threading.Thread(target=_listen, args=(port, late), daemon=True).start()
        threading.Thread(target=_publish, args=(door,), daemon=True).start()
        time.sleep(1)
        late.clear()
        time.sleep(IDLE_S)
        _tell("idle", late)
        for number in range(1, ROUNDS + 1):
            begun = time.perf_counter()
            printing = [threading.Thread(target=_print, args=(port, paper)) for paper in PAPERS]
            for one in printing:
                one.start()
            for one in printing:
                one.join()
            time.sleep(TAIL_S)
            _tell(f"three sheets, round {number}, {time.perf_counter() - begun - TAIL_S:.1f} s", late)
        door.close()
        page.stop()


if __name__ == "__main__":
    main()
