"""A store in a folder of its own, and rows of an invented bench to put into it."""

import hashlib
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logger.store import (
    Attachment,
    AttachmentNote,
    CheckPoint,
    CheckResult,
    Climate,
    Gauge,
    GaugeCheck,
    InstrumentRevision,
    InstrumentRow,
    ReadingRow,
    Reassignment,
    RecordRow,
    Row,
    SessionEnd,
    SessionFactor,
    SessionGauge,
    SessionNote,
    SessionPurpose,
    SessionRow,
    SheetRequest,
    Skip,
    Store,
    StoreEvent,
    TakeBack,
)
from logger.store.attached import keep_content

PICTURE = b"of a slot"
"""The content of an attached file; the store does not ask what it is."""
PICTURE_SHA256 = hashlib.sha256(PICTURE).hexdigest()
MakeReading = Callable[..., ReadingRow]


def _is_open(connection: sqlite3.Connection) -> bool:
    try:
        return connection.total_changes >= 0
    except sqlite3.ProgrammingError:
        return False


@pytest.fixture(autouse=True)
def nothing_left_open(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    made: list[sqlite3.Connection] = []
    true_connect = sqlite3.connect

    def connect(*args: Any, **options: Any) -> sqlite3.Connection:
        made.append(true_connect(*args, **options))
        return made[-1]

    monkeypatch.setattr(sqlite3, "connect", connect)
    yield
    threads = [thread.name for thread in threading.enumerate() if thread.name.startswith("writer of")]
    assert threads == [], "every writer thread has ended"
    assert [connection for connection in made if _is_open(connection)] == [], "every connection is closed"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.create(path) as made:
        yield made


@pytest.fixture
def opening() -> list[Row]:
    """The rows that a session begins with: an instrument, its first revision, the session, a gauge."""
    return [
        InstrumentRow(id="neck", created_at_ns=1, description='name = "test neck"'),
        InstrumentRevision(instrument="neck", revision=1, at_ns=1, name="test neck", description='name = "test neck"'),
        SessionRow(
            id="s1", instrument="neck", revision=1, started_at_ns=2, monotonic_ns=3, boot_id="b", software="test"
        ),
        SessionGauge(session="s1", gauge="caliper", kind="caliper", description="{}", profile="p", profile_sha256="0"),
    ]


@pytest.fixture
def reading() -> MakeReading:
    def make(sequence: int = 1, **changes: object) -> ReadingRow:
        values: dict[str, object] = {
            "session": "s1",
            "gauge": "caliper",
            "sequence": sequence,
            "kind": "slot_width",
            "fret": 7,
            "place": "treble",
            "value_nm": 584_200,
            "unit": "in",
            "raw": b"+0.0230in\r",
            "status": "ok",
            "taken_at_ns": 10,
            "monotonic_ns": 20,
        }
        return ReadingRow(**(values | changes))  # type: ignore[arg-type]

    return make


def put_together(store: Store, rows: list[Row]) -> None:
    for future in [store.submit(row) for row in rows]:
        future.result(10)


@pytest.fixture
def started(store: Store, opening: list[Row]) -> Store:
    """A store with a session begun."""
    put_together(store, opening)
    return store


@pytest.fixture
def amendments() -> list[Row]:
    return [
        TakeBack(session="s1", number=1, gauge="caliper", sequence=1, at_ns=30, who="me", why="jaws tilted"),
        Reassignment(
            session="s1",
            number=2,
            gauge="caliper",
            sequence=1,
            kind="slot_width",
            fret=8,
            place="bass",
            at_ns=31,
            who="me",
            why="wrong slot",
        ),
        Skip(session="s1", number=3, kind="slot_width", fret=9, place="bass", at_ns=32),
        SessionEnd(session="s1", at_ns=40, reason="done"),
    ]


@pytest.fixture
def of_gauges() -> list[Row]:
    """A gauge, a check of it, and what goes with a session besides its readings."""
    return [
        Gauge(name="caliper", number=1, at_ns=50, kind="caliper", description="{}"),
        GaugeCheck(id="c1", gauge="caliper", revision=1, at_ns=51, kind="block", who="me", temperature_mc=21_500),
        CheckPoint(
            gauge_check="c1",
            number=1,
            nominal_nm=10_000_000,
            u_nominal_nm=500,
            direction="",
            value_nm=10_010_000,
            unit="mm",
            raw=b"10.01",
            at_ns=52,
        ),
        CheckResult(gauge_check="c1", at_ns=53, result="{}"),
        Climate(session="s1", number=4, at_ns=54, temperature_mc=-20_000, humidity_mpercent=100_000, who="me"),
        SessionPurpose(session="s1", purpose="study", description="{}"),
        SheetRequest(session="s1", number=5, ask="unskip", kind="slot_width", fret=9, place="bass", at_ns=55),
    ]


@pytest.fixture
def store_record() -> RecordRow:
    """The first record of a chain; its document is not one, which the store does not look into."""
    return RecordRow(
        id="r1", instrument="neck", sessions='["s1"]', number=1, at_ns=60, document="{}", sha256="1".zfill(64),
        signature="00", key="00", certificate="", previous="", names="",
    )  # fmt: skip


@pytest.fixture
def store_attachment() -> Attachment:
    return Attachment(
        id="a1", at_ns=61, instrument="neck", session="s1", kind="slot_width", fret=7, place="bass", name="slot.jpg",
        media_type="image/jpeg", size=len(PICTURE), sha256=PICTURE_SHA256, path=f"attachments/{PICTURE_SHA256}",
    )  # fmt: skip


@pytest.fixture
def full(
    started: Store, reading: MakeReading, amendments: list[Row], of_gauges: list[Row], store_record: RecordRow,
    store_attachment: Attachment,
) -> Store:  # fmt: skip
    """A store with a row in every table."""
    factor = SessionFactor(session="s1", number=6, at_ns=62, name="glue", value="hide glue")
    keep_content(started.path, PICTURE)
    note = AttachmentNote(attachment=store_attachment.id, number=1, at_ns=63, who="Ada", note="before dressing")
    event = StoreEvent(number=1, at_ns=63, kind="a kind of later versions", description="")
    put_together(started, [reading(), *amendments, *of_gauges, store_record, store_attachment, note, factor, event])
    noted = SessionNote(session="s1", number=1, at_ns=64, who="Ada", text="hums\nat fret 9", audience="customer")
    put_together(started, [noted])
    return started


@pytest.fixture
def query() -> Callable[..., list[tuple[object, ...]]]:
    """Ask a file with a fresh read-only connection that the package has no part in."""

    def ask(path: Path, statement: str) -> list[tuple[object, ...]]:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
            return connection.execute(statement).fetchall()

    return ask
