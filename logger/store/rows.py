"""What the session store keeps: plain values, one class per table.

Times ``..._ns`` are nanoseconds: ``at_ns``, ``taken_at_ns`` and their like are UTC wall clock since 1970, for people;
``monotonic_ns`` is the bench's monotonic clock, comparable only within one ``boot_id``. Lengths ``..._nm`` are integer
nanometres. Whole numbers fit 64 bits with a sign.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentRow:
    """An instrument as it was first described; key ``id``."""

    id: str
    created_at_ns: int
    description: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentRevision:
    """An instrument's description (TOML text) from ``at_ns`` on; key ``instrument``, ``revision``. Edits add one."""

    instrument: str
    revision: int
    at_ns: int
    name: str
    description: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRow:
    """One sitting at one bench, over one revision of an instrument; key ``id``. ``limits`` is TOML text."""

    id: str
    instrument: str
    revision: int
    started_at_ns: int
    monotonic_ns: int
    boot_id: str
    software: str
    people: str = ""
    note: str = ""
    limits: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionEnd:
    """A session was closed, and why; key ``session``."""

    session: str
    at_ns: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionGauge:
    """A gauge that took part in a session; key ``session``, ``gauge``.

    ``description`` is JSON text: resolution_mm, u_mm, zero_u_mm (standard uncertainties). ``profile_sha256`` is the
    hash of the profile's bytes as they were used.
    """

    session: str
    gauge: str
    kind: str
    description: str
    profile: str
    profile_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """One value from a gauge; key ``session``, ``gauge``, ``sequence``. ``kind`` None: not assigned to a feature.

    ``feet`` names the two frets under a rocker's feet, ``6-8``. Readings of one gauge and ``round`` share a zero error.
    ``low_nm`` and ``high_nm`` bound a value that was bracketed, ``span_nm`` is the distance of the feet where the kind
    needs it. ``unit`` and ``raw`` are as the gauge sent them.
    """

    session: str
    gauge: str
    sequence: int
    kind: str | None = None
    fret: int | None = None
    place: str | None = None
    feet: str | None = None
    round: str | None = None
    value_nm: int
    low_nm: int | None = None
    high_nm: int | None = None
    span_nm: int | None = None
    unit: str
    raw: bytes
    status: str
    taken_at_ns: int
    monotonic_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeBack:
    """A reading is not to be used: who says so, when and why; key ``session``, ``number``."""

    session: str
    number: int
    gauge: str
    sequence: int
    at_ns: int
    who: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reassignment:
    """A reading belongs to another feature (or, ``kind`` None, to none); key ``session``, ``number``.

    The one with the highest number holds.
    """

    session: str
    number: int
    gauge: str
    sequence: int
    kind: str | None = None
    fret: int | None = None
    place: str | None = None
    feet: str | None = None
    round: str | None = None
    at_ns: int
    who: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Skip:
    """A feature of the sheet was passed over; key ``session``, ``number``."""

    session: str
    number: int
    kind: str
    fret: int | None = None
    place: str | None = None
    feet: str | None = None
    at_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRequest:
    """A feature of the sheet is to be measured after all, or once more; key ``session``, ``number``.

    ``ask`` is ``unskip`` or ``repeat``. Skips and requests of a session stand in the order of their numbers.
    """

    session: str
    number: int
    ask: str
    kind: str
    fret: int | None = None
    place: str | None = None
    feet: str | None = None
    at_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPurpose:
    """What a session is for when it is not the measuring of an instrument; key ``session``.

    ``purpose`` is ``study``; ``description`` is JSON text with its parts, people, trials and order.
    """

    session: str
    purpose: str
    description: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """Temperature and relative humidity at the bench; key ``session``, ``number``. Thousandths, so 21.5 °C is 21500."""

    session: str
    number: int
    at_ns: int
    temperature_mc: int
    humidity_mpercent: int
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """What a gauge of that name is worth from ``at_ns`` on; key ``name``, ``number``.

    ``description`` is JSON text as `logger.gauges` writes it: worth, days until a check is due, and the source.
    """

    name: str
    number: int
    at_ns: int
    kind: str
    description: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeCheck:
    """A gauge was checked at known sizes, against revision ``revision`` of its worth; key ``id``.

    ``kind`` is ``zero``, ``block`` or ``hysteresis``. One without a result was broken off.
    """

    id: str
    gauge: str
    revision: int
    at_ns: int
    kind: str
    who: str
    temperature_mc: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPoint:
    """One reading of a check; key ``gauge_check``, ``number``.

    ``u_nominal_nm`` is the standard uncertainty of the known size, ``direction`` is ``up``, ``down`` or empty, and
    ``replaces`` is the number of the point that this one stands for when a reading was taken back.
    """

    gauge_check: str
    number: int
    replaces: int | None = None
    nominal_nm: int
    u_nominal_nm: int
    direction: str
    value_nm: int
    unit: str
    raw: bytes
    at_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """What a check came to, as JSON text; key ``gauge_check``."""

    gauge_check: str
    at_ns: int
    result: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRow:
    """An instrument's sealed account; key ``id``. ``number`` counts the store's records from 1, without a gap.

    ``sessions`` is a JSON list of ids. ``document`` is canonical JSON, ``sha256`` its hash in hex, ``signature`` is by
    ``key`` (both hex), ``certificate`` is the shop's for that key, as JSON text, or empty. ``previous`` is the hash of
    the record before it, empty for the first; ``names`` is the id of the record that this one reopens, or empty.
    """

    id: str
    instrument: str
    sessions: str
    number: int
    at_ns: int
    document: str
    sha256: str
    signature: str
    key: str
    certificate: str
    previous: str
    names: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that belongs to an instrument, and maybe to one session or feature of it; key ``id``.

    ``path`` is where its content lies, from the store's folder: ``attachments/`` and the content's hash.
    """

    id: str
    at_ns: int
    instrument: str
    session: str | None = None
    kind: str | None = None
    fret: int | None = None
    place: str | None = None
    feet: str | None = None
    name: str
    media_type: str
    size: int
    sha256: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AttachmentNote:
    """Who says what of an attached file; key ``attachment``, ``number``. The one with the highest number holds."""

    attachment: str
    number: int
    at_ns: int
    who: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFactor:
    """What a session was worked with: ``seating``, ``glue``, ``caul``, ``wire_lot``, ``blade``, ``wood``...

    Key ``session``, ``number``. Of one name the row with the highest number holds.
    """

    session: str
    number: int
    at_ns: int
    name: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionNote:
    """What a person noted of a session; key ``session``, ``number``, from 1.

    ``text`` may have several lines. ``replaces`` is the number of the note that this one stands for, None for a new
    one; an empty text takes that one away. ``audience`` is ``shop``, or ``customer`` where the customer's sheet has it.
    """

    session: str
    number: int
    at_ns: int
    who: str
    text: str
    replaces: int | None = None
    audience: str = "shop"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreEvent:
    """Something that happened to the store itself; key ``number``, from 1. ``description`` is JSON text."""

    number: int
    at_ns: int
    kind: str
    description: str


Row = (
    InstrumentRow
    | InstrumentRevision
    | SessionRow
    | SessionEnd
    | SessionGauge
    | ReadingRow
    | TakeBack
    | Reassignment
    | Skip
    | SheetRequest
    | SessionPurpose
    | Climate
    | Gauge
    | GaugeCheck
    | CheckPoint
    | CheckResult
    | RecordRow
    | Attachment
    | AttachmentNote
    | SessionFactor
    | StoreEvent
    | SessionNote
)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptReading:
    """A reading as it stands now.

    ``row`` has the feature of the newest reassignment, ``original`` is what was kept first, ``taken_back`` is the first
    row that took it back, if any did.
    """

    row: ReadingRow
    taken_back: TakeBack | None
    original: ReadingRow
