"""The page in front of a real bench and a real store: a long session in three tabs, and cues that wait for the disk."""

import contextlib
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from logger.begin import default_gauges, open_session
from logger.bench import Bench, Trouble
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.store import ReadingRow, SessionGauge, Store, connect

pytestmark = [pytest.mark.browser, pytest.mark.once]

Look = Callable[..., Any]
NECK = parse_instrument('name = "Long (invented)"\nkind = "steel-string"\nscale_mm = 645\nfrets = 20\n', where="a test")
PLACES = ("bass", "centre", "treble")
MANY, MORE = 1000, 12
WORTH = '{"resolution_mm": 0.001, "u_mm": 0.003, "zero_u_mm": 0.002}'
VOICE = """
window.said = [];
Object.defineProperty(window, 'speechSynthesis', {value: {
  getVoices: () => [{name: 'invented'}], cancel: () => {}, speak: (words) => window.said.push([words.lang, words.text]),
  addEventListener: () => {},
}});
"""


@contextlib.contextmanager
def sitting(path: Path, readings: int) -> Iterator[Bench]:
    """A bench in its seating stage with so many heights kept, fret after fret, several times over."""
    trouble = Trouble()
    with Store.create(path, on_trouble=trouble) as store:
        limits = default_limits(NECK.kind)
        session = open_session(store, NECK, limits, resume=False)
        store.put(SessionGauge(session=session, gauge="depth", kind="depth_indicator", description=WORTH, profile="p",
                               profile_sha256="0"))  # fmt: skip
        places = [(fret, place) for fret in range(1, 21) for place in PLACES]
        rows = [
            ReadingRow(session=session, gauge="depth", sequence=number + 1, kind="seated_height",
                       fret=places[number % 60][0], place=places[number % 60][1], round="seating",
                       value_nm=1_100_000 + 1000 * (number % 7), unit="mm", raw=b"", status="ok",
                       taken_at_ns=1_750_000_000_000_000_000 + number * 10**9, monotonic_ns=number * 10**9)
            for number in range(readings)
        ]  # fmt: skip
        for future in [store.submit(row) for row in rows]:
            future.result(timeout=30)
        bench = Bench(store, NECK, limits, specs=default_gauges())
        trouble.listener = bench.on_trouble
        bench.start()
        while (shown := bench.recorder.sheet_state()[0]) and shown.stage != "seating" and readings < 60:
            assert bench.door.act(f"pass {shown.stage}", {"do": "skip_stage"}).done
        try:
            yield bench
        finally:
            bench.stop(reason="test over")


def count(path: Path) -> int:
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as kept:
        found: int = kept.execute("SELECT count(*) FROM reading").fetchone()[0]
    return found


def test_three_tabs_follow_a_session_of_a_thousand_readings(tmp_path: Path, page_of: Look) -> None:
    with sitting(tmp_path / "long.db", MANY) as bench:
        first = page_of(bench.door)
        others = [page_of(url=first.page.url) for _ in range(2)]
        for looker in (first, *others):
            looker.page.wait_for_function(f"() => fretledger.snap?.seq === {MANY}")
        wanted = [f"1.1{n:02d}" for n in range(MORE)]
        first.page.locator("#typed").focus()
        for text in wanted:  # the page redraws meanwhile: every reading is judged, in all three tabs
            first.page.keyboard.type(text, delay=1)
            first.page.keyboard.press("Enter")
        for looker in (first, *others):
            looker.page.wait_for_function(f"() => fretledger.snap?.seq === {MANY + MORE}")
            expect(looker.page.locator("#reading .number")).to_have_text(wanted[-1])
            assert looker.problems == []
        with bench.store.reader() as reader:
            typed = [one.row.value_nm for one in reader.readings(bench.session)][MANY:]
    assert typed == [round(float(text) * 1e6) for text in wanted]


@pytest.fixture
def hearing(tmp_path: Path, page_of: Look, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Path, Page]]:
    """A page that hears and speaks, before a bench with bass end and centre of fret 1 measured."""
    monkeypatch.setattr(connect, "BUSY_TIMEOUT_S", 0.01)
    path = tmp_path / "held.db"
    with sitting(path, 1) as bench:
        looker = page_of(bench.door)
        page: Page = looker.page
        page.add_init_script(VOICE)
        page.evaluate("() => ['sound', 'speech'].forEach((name) => fretledger.keep(name, 'on'))")
        page.reload()
        expect(page.locator("#next")).to_contain_text("Fret 1, centre", timeout=20_000)
        page.locator("#neck").click()  # browsers let a page sound only after a touch
        page.wait_for_function("() => fretledger.tones.state() === 'running'")
        page.keyboard.type("1.100\n")
        page.wait_for_function("() => said.length === 1 && fretledger.tones.played.length === 1")
        yield path, page
        assert looker.problems == []


def test_tone_and_speech_wait_for_the_disk(hearing: tuple[Path, Page]) -> None:
    path, page = hearing
    heard = "() => [fretledger.tones.played, said]"
    before = [["pass"], [["en-GB", "Pass. fret 1, treble end"]]]
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")  # nobody else writes now
        page.keyboard.type("1.300\n")
        expect(page.locator("#warnings")).to_contain_text("another program has locked the database")
        assert (page.evaluate(heard), count(path)) == (before, 2)
        other.execute("ROLLBACK")
    page.wait_for_function("() => said.length === 2 && fretledger.tones.played.length === 2")
    assert page.evaluate(heard) == [["pass", "fail"], [*before[1], ["en-GB", "Fail. fret 2, bass end"]]]
    assert count(path) == 3
