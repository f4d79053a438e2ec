"""The recorder: every reading gets its feature, is kept, and is acknowledged after the commit."""

import sqlite3
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.reading import Reading
from logger.begin import default_gauges, open_session
from logger.features import Feature
from logger.gauge_file import GaugeSpec
from logger.instrument import Instrument, parse_instrument
from logger.kept import lost_words
from logger.limits import default_limits
from logger.recorder import Hooks, Recorder
from logger.sheet import Item, Sheet
from logger.store import ReadingRow, Store, StoreReader

SLOT = Feature(kind="slot_width", fret=1, place="bass")
SEATED = Feature(kind="seated_height", fret=1, place="bass")
NEXT = Feature(kind="seated_height", fret=2, place="bass")
INSTRUMENT = 'name = "n"\nscale_mm = 645\nfrets = 20\n'


@pytest.fixture
def neck() -> Instrument:
    return parse_instrument(INSTRUMENT, where="test")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "s.db") as one:
        yield one


def _sheet() -> Sheet:
    return Sheet([
        Item(stage="slots", feature=SLOT),
        Item(stage="seating", feature=SEATED),
        Item(stage="seating", feature=NEXT),
    ])


def _recorder(store: Store, neck: Instrument, hooks: Hooks | None = None, session: str | None = None) -> Recorder:
    session = session or open_session(store, neck, default_limits("bass"), resume=False)
    return Recorder(store, session, _sheet(), specs=default_gauges(), hooks=hooks or Hooks())


def _reading(gauge: str, sequence: int, value_nm: int = 1_100_000) -> Reading:
    return Reading(
        gauge=gauge,
        sequence=sequence,
        value_nm=value_nm,
        unit="mm",
        raw=b"1.100",
        taken_at=datetime.now(UTC),
        monotonic_ns=time.monotonic_ns(),
    )


def _words(recorder: Recorder) -> list[tuple[str | None, int | None, str]]:
    return [(one.row.kind, one.row.fret, one.row.gauge) for one in recorder.kept().readings]


def test_typed_leaves_then_typed_height(store: Store, neck: Instrument):
    recorder = _recorder(store, neck)

    assert recorder.typed("0.55 0.575", "mm").done
    assert recorder.typed("43.3", "thou").done

    assert _words(recorder) == [("slot_width", 1, "leaves"), ("seated_height", 1, "typed depth indicator")]
    slot, height = (one.row for one in recorder.kept().readings)
    assert (slot.low_nm, slot.high_nm) == (550_000, 575_000)
    assert (height.value_nm, height.unit, height.raw) == (1_099_820, "thou", b"43.3")


@pytest.mark.parametrize("text", ["", "0,55", "nan", "1e3", "0.60 0.55", "abc"])
def test_what_cannot_be_read_is_refused_and_advances_nothing(store: Store, neck: Instrument, text: str):
    recorder = _recorder(store, neck)

    answer = recorder.typed(text, "mm")

    assert not answer.done
    assert answer.text
    assert recorder.sheet_state()[0] == Item(stage="slots", feature=SLOT)
    assert recorder.kept().readings == []


@pytest.mark.parametrize(
    ("before", "text", "message"),
    [
        pytest.param([], "0.55", "slot width is typed as two leaves", id="one number for a slot"),
        pytest.param(["0.5 0.6"], "1.1 1.2", "height of the seated fret is one number, not two leaves", id="leaves"),
    ],
)
def test_a_typed_value_of_the_wrong_form_is_refused(
    store: Store, neck: Instrument, before: list[str], text: str, message: str
):
    recorder = _recorder(store, neck)
    for each in before:
        assert recorder.typed(each, "mm").done

    answer = recorder.typed(text, "mm")

    assert not answer.done
    assert message in answer.text
    assert len(recorder.kept().readings) == len(before)


def test_unknown_unit_is_refused(store: Store, neck: Instrument):
    assert "unit must be mm, in or thou" in _recorder(store, neck).typed("1", "cm").text


def test_a_gauge_that_does_not_measure_the_next_feature_is_kept_unassigned(store: Store, neck: Instrument):
    recorder = _recorder(store, neck)
    first = recorder.add_gauge("rocker", GaugeSpec(kind="rocker"))

    recorder.take(_reading("rocker", first)).result()

    assert _words(recorder) == [(None, None, "rocker")]
    assert recorder.sheet_state()[0] == Item(stage="slots", feature=SLOT)


def test_the_acknowledgement_comes_after_the_commit(store: Store, neck: Instrument):
    seen: list[int] = []

    def on_durable(row: ReadingRow) -> None:
        with StoreReader(store.path) as reader:
            seen.append(reader.count(row.session))

    recorder = _recorder(store, neck, Hooks(on_durable=on_durable))
    for text in ("0.5 0.6", "1.1", "1.2"):
        recorder.typed(text, "mm")
    store.close()

    assert seen == [1, 2, 3]


def test_a_request_sent_again_after_a_restart_is_not_taken_twice(store: Store, neck: Instrument):
    session = open_session(store, neck, default_limits("bass"), resume=False)
    assert _recorder(store, neck, session=session).typed("0.5 0.6", "mm", token="page-1").done

    again = _recorder(store, neck, session=session)

    assert again.typed("0.5 0.6", "mm", token="page-1").text == "taken before"
    assert again.typed("1.1", "mm", token="page-2").done
    assert len(again.kept().readings) == 2


def test_take_back_keeps_the_reading_and_asks_again(store: Store, neck: Instrument):
    recorder = _recorder(store, neck)
    recorder.typed("0.5 0.6", "mm")

    assert recorder.take_back().done

    (one,) = recorder.kept().readings
    assert one.taken_back is not None
    assert recorder.sheet_state()[0] == Item(stage="slots", feature=SLOT)
    with store.reader() as reader:
        assert [kept.taken_back is not None for kept in reader.readings()] == [True]
    assert not recorder.take_back().done


def test_take_back_of_a_named_reading(store: Store, neck: Instrument):
    recorder = _recorder(store, neck)
    for text in ("0.5 0.6", "1.1", "1.2"):
        recorder.typed(text, "mm")

    assert recorder.take_back(("leaves", 1)).done
    assert not recorder.take_back(("leaves", 1)).done
    assert not recorder.take_back(("leaves", 9)).done
    assert [one.taken_back is None for one in recorder.kept().readings] == [False, True, True]


def test_skip_and_repeat(store: Store, neck: Instrument):
    recorder = _recorder(store, neck)

    assert not recorder.repeat().done
    assert recorder.skip().done
    recorder.typed("1.1", "mm")
    assert recorder.repeat().done
    item, _ = recorder.sheet_state()
    assert item is not None
    assert (item.feature, item.repeat, item.of) == (SEATED, 2, 2)


def test_a_done_sheet_still_keeps_what_is_typed(store: Store, neck: Instrument):
    recorder = _recorder(store, neck)
    for text in ("0.5 0.6", "1.1", "1.2", "1.3"):
        assert recorder.typed(text, "mm").done

    assert _words(recorder)[-1] == (None, None, "typed")
    assert not recorder.skip().done


def test_a_resumed_session_goes_on_where_it_was(store: Store, neck: Instrument):
    session = open_session(store, neck, default_limits("bass"), resume=False)
    first = _recorder(store, neck, session=session)
    first.skip()
    first.typed("1.1", "mm")
    first.typed("1.2", "mm")
    first.take_back()

    again = _recorder(store, neck, session=open_session(store, neck, default_limits("bass"), resume=True))

    assert again.session == session
    assert again.sheet_state()[0] == Item(stage="seating", feature=NEXT)
    again.typed("1.25", "mm")
    assert [one.row.sequence for one in again.kept().readings] == [1, 2, 3]


def test_skips_and_requests_stand_after_a_restart(store: Store, neck: Instrument):
    session = open_session(store, neck, default_limits("bass"), resume=False)
    recorder = _recorder(store, neck, session=session)
    assert not recorder.unskip().done
    recorder.skip()
    recorder.typed("1.1", "mm")
    assert recorder.repeat().text == "once more: fret 1, bass: height of the seated fret"

    again = _recorder(store, neck, session=session)

    assert again.kept().skipped == SLOT
    assert again.sheet_state()[0] == Item(stage="seating", feature=SEATED, repeat=2, of=2)
    assert again.unskip().text == "asked again: fret 1, bass: slot width"
    assert again.kept().skipped is None
    third = _recorder(store, neck, session=session)
    assert third.sheet_state()[0] == Item(stage="slots", feature=SLOT)
    assert not third.unskip().done


def test_a_typed_reading_after_the_sheet_is_kept_and_said_to_belong_nowhere(store: Store, neck: Instrument):
    recorder = _recorder(store, neck)
    for text in ("0.5 0.6", "1.1", "1.2"):
        assert recorder.typed(text, "mm").text == ""

    assert recorder.typed("1.3", "mm").text == "kept, but the sheet is done: it belongs to no feature"
    assert recorder.kept().readings[-1].row.kind is None


def test_lost_readings_are_named_with_their_values(store: Store, neck: Instrument):
    recorder = _recorder(store, neck)
    assert lost_words(recorder.lost) == ""
    recorder.skip()
    recorder.add_gauge("dial", GaugeSpec(kind="depth_indicator"))
    recorder.take(_reading("dial", 1)).result()
    with pytest.raises(Exception, match="dial"):
        recorder.take(_reading("dial", 1, value_nm=9_000)).result()
    store.close()

    assert lost_words(recorder.lost) == (
        "1 not kept, measure again: dial 0.0090 mm (fret 2, bass: height of the seated fret)"
    )


def test_the_same_key_with_other_content_is_an_error_and_the_reading_is_asked_again(store: Store, neck: Instrument):
    refused: list[str] = []
    recorder = _recorder(store, neck, Hooks(on_refused=refused.append))
    recorder.skip()
    recorder.add_gauge("dial", GaugeSpec(kind="depth_indicator"))
    recorder.take(_reading("dial", 1)).result()

    clash = recorder.take(_reading("dial", 1, value_nm=9))
    with pytest.raises(Exception, match="dial"):
        clash.result()
    store.close()

    assert len(refused) == 1
    assert [one.row.value_nm for one in recorder.kept().readings] == [1_100_000]
    assert recorder.sheet_state()[0] == Item(stage="seating", feature=NEXT)


def test_a_first_typed_reading_does_not_hold_the_bench_while_the_store_is_locked(
    store: Store, neck: Instrument, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("logger.recorder.PATIENCE_S", 0.2)
    recorder = _recorder(store, neck)
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")  # nobody else writes now
        with ThreadPoolExecutor(1) as typing:
            typed = typing.submit(recorder.typed, "0.5 0.6", "mm")
            assert recorder.kept().readings == []  # what the page shows is not held up
            assert typed.result(30).text.startswith("taken, but not on disk yet")
        other.execute("ROLLBACK")

    deadline = time.monotonic() + 30
    while not recorder.kept().readings and time.monotonic() < deadline:
        time.sleep(0.02)
    (kept,) = recorder.kept().readings
    assert kept.row.kind == "slot_width"
    assert recorder.typed("1.1", "mm").done
