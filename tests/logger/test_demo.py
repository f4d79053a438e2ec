"""The invented neck, and the demo through real pseudo-terminals and a real store."""

import io
import itertools
import json
import sys
import threading
import time
from pathlib import Path

import pytest

from logger.cli import run
from logger.demo.neck import DESCRIPTION, FRETS, JOIN_FRET, KEEP_APART, invent
from logger.demo.run import DemoOptions, run_demo
from logger.door import Door, PageServer
from logger.features import LIKELY_MM, Feature
from logger.instrument import parse_instrument
from logger.sheet import standard_items

needs_terminals = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")


class _Page:
    url = "http://127.0.0.1:1/"

    def stop(self) -> None:
        """Nothing to stop."""


def _serve(door: Door, *, port: int) -> PageServer:
    return _Page()


@pytest.mark.parametrize("seed", range(1, 51))
def test_every_seed_plants_one_fault_of_each_sort(seed: int):
    neck = invent(seed)
    checks = [one.check for one in neck.planted]
    frets = sorted({one.fret for one in neck.planted})

    assert set(checks) == {
        "proud_end", "uneven_seating", "middle_high", "tilted_fret", "tang_clearance", "barb_bite", "high_fret", "hump",
    }  # fmt: skip
    fretted = sorted({one.fret for one in neck.planted if one.check != "hump"})
    assert len(fretted) == 6
    assert set(frets) - set(fretted) <= {JOIN_FRET}
    assert min(b - a for a, b in itertools.pairwise(fretted)) >= KEEP_APART
    assert len(neck.planted) == len({(one.check, one.fret, one.place) for one in neck.planted})


@pytest.mark.parametrize("seed", [1, 7, 31])
def test_planted_sizes_are_those_of_the_geometry(seed: int):
    neck = invent(seed)

    for one in neck.planted:
        seated = [
            neck.true_mm(Feature(kind="seated_height", fret=one.fret, place=place))
            for place in ("bass", "centre", "treble")
        ]
        if one.check == "uneven_seating":
            assert one.size_mm == pytest.approx(max(seated) - min(seated), abs=1e-4)
        if one.check == "high_fret":
            step = neck.true_mm(Feature(kind="fret_step", fret=one.fret, place=one.place))
            assert one.size_mm == pytest.approx(step, abs=0.02)  # the neighbours scatter


@pytest.mark.parametrize("seed", range(1, 51))
def test_no_seed_holds_what_would_be_asked_about_as_not_likely(seed: int):
    sheet = [item.feature for item in standard_items(parse_instrument(DESCRIPTION, where="the demo's instrument"))]
    neck = invent(seed)

    asked = [one for one in sheet if one.kind in LIKELY_MM]
    assert len(asked) > 200
    outside = [one for one in asked if not LIKELY_MM[one.kind][0] + 0.05 < neck.true_mm(one) < LIKELY_MM[one.kind][1]]
    assert outside == []


def test_seeds_differ_and_repeat():
    assert invent(3).planted == invent(3).planted
    assert invent(3).planted != invent(4).planted
    assert all(1 <= one.fret <= FRETS for one in invent(3).planted)


@needs_terminals
@pytest.mark.once
@pytest.mark.parametrize("seed", [7, 12])
def test_the_demo_finds_what_is_planted_and_nothing_else(seed: int, tmp_path: Path):
    out, store, acks = io.StringIO(), tmp_path / "demo.db", tmp_path / "acks.jsonl"
    options = DemoOptions(seconds=4, seed=seed, browser=False, store=store, acks=acks)

    status = run_demo(options, _serve, stop=threading.Event(), out=out)

    first, *_, last = out.getvalue().splitlines()
    result = json.loads(last)
    assert (status, first) == (0, "ready http://127.0.0.1:1/")
    assert (result["missed"], result["false"]) == (0, 0)
    assert result["readings"] == result["durable"] == 316
    assert len(acks.read_text().splitlines()) == 316


@needs_terminals
def test_a_demo_that_stays_shows_its_page_until_it_is_stopped(tmp_path: Path):
    doors: list[Door] = []
    options = DemoOptions(seconds=3, seed=7, browser=False, stay=True, store=tmp_path / "demo.db")
    stop, status = threading.Event(), list[int]()

    def serve(door: Door, *, port: int) -> PageServer:
        doors.append(door)
        return _Page()

    worker = threading.Thread(target=lambda: status.append(run_demo(options, serve, stop=stop, out=io.StringIO())))
    worker.start()
    seen, give_up = 0, time.monotonic() + 60
    while not doors or doors[0].snapshot().get("state") != "done":
        assert time.monotonic() < give_up
        if doors:
            doors[0].wait(seen, timeout_s=1.0)
            seen = doors[0].snapshot()["version"]
        else:
            worker.join(0.05)

    worker.join(1.0)
    assert worker.is_alive()
    stop.set()
    worker.join(30)
    assert status == [0]


@pytest.mark.parametrize(
    ("given", "terminal", "stays"),
    [
        pytest.param((), False, True, id="a browser is opened"),
        pytest.param(("--seconds", "20"), True, False, id="told to end"),
        pytest.param(("--no-browser",), True, True, id="somebody reads the address"),
        pytest.param(("--no-browser",), False, False, id="in a script"),
        pytest.param(("--no-browser", "--stay"), False, True, id="told to stay"),
        pytest.param(("--seconds", "20", "--no-browser", "--stay"), False, True, id="fast, and told to stay"),
    ],
)
def test_the_page_stays_where_somebody_looks_at_it(
    monkeypatch: pytest.MonkeyPatch, given: tuple[str, ...], terminal: bool, stays: bool
):
    asked: list[DemoOptions] = []
    monkeypatch.setattr("logger.demo.run.run_demo", lambda options, *_, **__: asked.append(options) or 0)
    monkeypatch.setattr("sys.stdout", io.StringIO())
    monkeypatch.setattr("sys.stdout.isatty", lambda: terminal)

    assert run(["demo", *given], _serve) == 0
    assert [one.stay for one in asked] == [stays]


@needs_terminals
def test_demo_then_readings_then_evaluate_give_the_same_flags(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    store = tmp_path / "demo.db"
    shown = io.StringIO()
    run_demo(DemoOptions(seconds=4, seed=5, browser=False, store=store), _serve, stop=threading.Event(), out=shown)
    demo = json.loads(shown.getvalue().splitlines()[-1])
    neck, gauges, limits = (tmp_path / f"{name}.toml" for name in ("neck", "gauges", "limits"))

    assert (
        run(
            [
                "readings",
                "--store",
                str(store),
                "--instrument-to",
                str(neck),
                "--gauges-to",
                str(gauges),
                "--limits-to",
                str(limits),
            ],
            _serve,
        )
        == 0
    )
    (tmp_path / "r.csv").write_text(capsys.readouterr().out)
    assert (
        run(
            [
                "evaluate",
                str(tmp_path / "r.csv"),
                "--instrument",
                str(neck),
                "--gauges",
                str(gauges),
                "--limits",
                str(limits),
                "--json",
            ],
            _serve,
        )
        == 1
    )
    judged = json.loads(capsys.readouterr().out)

    failed = [
        {
            "check": one["check"],
            "fret": one["fret"],
            "place": one["place"],
            "value_mm": round(one["value_mm"], 4),
            "verdict": "fail",
        }
        for one in judged["verdicts"]
        if one["verdict"] == "fail"
    ]
    assert failed == demo["flags"]


@needs_terminals
def test_a_demo_that_is_stopped_early_says_what_it_missed(tmp_path: Path):
    out, stop = io.StringIO(), threading.Event()
    stop.set()

    status = run_demo(DemoOptions(seconds=60, seed=1, browser=False), _serve, stop=stop, out=out)

    assert status == 1
    assert json.loads(out.getvalue().splitlines()[-1])["missed"] > 0
