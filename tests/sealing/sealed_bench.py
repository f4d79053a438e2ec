"""An invented neck, measured once, and benches with keys of known bytes: for tests alone."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.door import Door, PageServer
from logger.limits import default_limits, limits_toml
from logger.sealing.keys import SigningKey
from logger.sealing.seal import choose, seal
from logger.store import (
    Attachment,
    AttachmentNote,
    CheckPoint,
    CheckResult,
    Climate,
    Gauge,
    GaugeCheck,
    ReadingRow,
    Reassignment,
    RecordRow,
    Row,
    SessionEnd,
    SessionFactor,
    SessionGauge,
    SessionNote,
    SessionRow,
    Skip,
    Store,
    TakeBack,
)

Record = Callable[..., int]
"""Runs a `record` command and returns its exit status."""
Lines = Callable[[], tuple[list[str], str]]
"""Returns the lines printed since the last call, and what came on stderr."""
NECK = 'name = "Invented neck"\nkind = "steel-string"\nscale_mm = 645.0\nfrets = 20\n'
WORTH = {"resolution_mm": 0.001, "u_mm": 0.003, "zero_u_mm": 0.002}
PAPER = b"neck of invented maple, board of invented ebony\n"
PAPER_SHA256 = hashlib.sha256(PAPER).hexdigest()
NOW_NS = 1_700_000_000_000_000_000
KEY = SigningKey(Ed25519PrivateKey.from_private_bytes(b"\x01" * 32))
OTHER_KEY = SigningKey(Ed25519PrivateKey.from_private_bytes(b"\x02" * 32))
SHOP = SigningKey(Ed25519PrivateKey.from_private_bytes(b"\x03" * 32))


def no_page(_door: Door, *, port: int) -> PageServer:
    raise AssertionError("no page is served")


def reading(sequence: int, value_nm: int, place: str, /, **changes: Any) -> ReadingRow:
    row = ReadingRow(
        session="s1", gauge="depth", sequence=sequence, kind="seated_height", fret=7, place=place, value_nm=value_nm,
        unit="mm", raw=b"+1.100\r\n\xff", status="ok", taken_at_ns=NOW_NS + sequence, monotonic_ns=sequence,
    )  # fmt: skip
    return replace(row, **changes)


def sitting(session: str = "s1", *, first: int = 1) -> list[Row]:
    """A session over fret 7, whose treble end stands proud."""
    values = ((1_100_000, "bass"), (1_100_000, "centre"), (1_190_000, "treble"))
    return [
        SessionRow(id=session, instrument="neck", revision=1, started_at_ns=NOW_NS, monotonic_ns=1, boot_id="b",
                   software="fretledger 0.0", people="Ada", note="for a customer by name",
                   limits=limits_toml(default_limits("steel-string"))),
        SessionGauge(session=session, gauge="depth", kind="depth_indicator", description=json.dumps(WORTH),
                     profile="depth-indicator-mm", profile_sha256="ab" * 32),
        *(reading(first + index, value, place, session=session) for index, (value, place) in enumerate(values)),
    ]  # fmt: skip


def more() -> list[Row]:
    """What else the first session has: a row of everything."""
    return [
        reading(8, 9_000_000, "bass", low_nm=1, high_nm=2, span_nm=3, feet="6-8", round="r"),
        reading(9, 5_000_000, "bass", kind=None, fret=None, place=None),
        TakeBack(session="s1", number=1, gauge="depth", sequence=8, at_ns=NOW_NS, who="Ada", why="slipped"),
        Reassignment(session="s1", number=2, gauge="depth", sequence=9, kind="crown_height", at_ns=NOW_NS, who="Ada",
                     why="of the wire"),
        Skip(session="s1", number=3, kind="seated_height", fret=8, place="bass", at_ns=NOW_NS),
        Climate(session="s1", number=4, at_ns=NOW_NS, temperature_mc=21_500, humidity_mpercent=48_000, who="Ada"),
        SessionFactor(session="s1", number=5, at_ns=NOW_NS, name="glue", value="hide glue"),
        SessionNote(session="s1", number=1, at_ns=NOW_NS, who="Ada", text="hums\nat fret 9", audience="customer"),
        SessionNote(session="s1", number=2, at_ns=NOW_NS, who="Ada", text="hums at fret 8", replaces=1),
        SessionEnd(session="s1", at_ns=NOW_NS + 10**12, reason="done"),
        Gauge(name="depth", number=1, at_ns=NOW_NS, kind="depth_indicator", description=json.dumps(WORTH)),
        GaugeCheck(id="c1", gauge="depth", revision=1, at_ns=NOW_NS, kind="block", who="Ada", temperature_mc=21_000),
        CheckPoint(gauge_check="c1", number=1, nominal_nm=10**7, u_nominal_nm=500, direction="", value_nm=10_001_000,
                   unit="mm", raw=b"10.001", at_ns=NOW_NS),
        CheckResult(gauge_check="c1", at_ns=NOW_NS, result='{"good": true}'),
        Attachment(id="a1", at_ns=NOW_NS, instrument="neck", session="s1", name="neck.txt",
                   media_type="text/plain", size=len(PAPER), sha256=PAPER_SHA256, path=f"attachments/{PAPER_SHA256}"),
        AttachmentNote(attachment="a1", number=1, at_ns=NOW_NS, who="Ada", note="the woods"),
    ]  # fmt: skip


def keep(store: Store, rows: list[Row]) -> None:
    for future in [store.submit(row) for row in rows]:
        future.result(10)


@dataclass(slots=True)
class Sealer:
    """Seals what the store holds, a second later each time; ``new`` tells whether the last call made a record."""

    store: Store
    now_ns: int = NOW_NS
    new: bool = False

    def __call__(self, key: SigningKey = KEY, *, certificate: dict[str, str] | None = None) -> RecordRow:
        self.now_ns += 10**9
        with self.store.reader() as reader:
            sessions = choose(reader, session=None, name="Invented neck")
        row, self.new = seal(
            self.store, sessions, key, certificate=certificate, software="fretledger test", now_ns=self.now_ns
        )
        return row
