"""What a gauge sent, byte for byte with the times, in a file of JSON Lines.

The first line is the header; every further line is one `LinkEvent` with ``ns`` nanoseconds since the header on the
monotonic clock. A chunk keeps the wall clock as well, so that replaying gives the very same readings::

    {"fretledger_bytes": 1, "port": "/dev/ttyUSB0", "profile": "caliper-mm", "profile_sha256": "...",
     "started": "2026-01-02T03:04:05.000006+00:00", "monotonic_ns": 123456789}
    {"event": "open", "ns": 51000000, "mid_frame": false}
    {"event": "chunk", "ns": 900000000, "at": "2026-01-02T03:04:05.900006+00:00", "hex": "31322e33340d0a"}
    {"event": "end", "ns": 2000000000, "error": null}
"""

import json
import logging
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from drivers.errors import LinkLostError, RecordingError
from drivers.input_file import MOST_RECORDING, read_input
from drivers.link_event import LinkEvent, as_events
from drivers.profiles.profile import Profile
from drivers.reading import Clock, Instant, system_clock
from drivers.transports.link import LinkEvents

log = logging.getLogger(__name__)

FORMAT: Final = 1
_HEAD: Final = "fretledger_bytes"
_SHOWN: Final = 60


def _loud(text: str) -> None:
    log.error("%s", text)


class Recording:
    """Writes what a link tells; ``events`` is the tap to give to a `drivers.Gauge` or beside other events.

    Every event is on its way to the disk before the next one is heard. A file that cannot be written any further is
    told once to ``on_trouble``, and ``trouble`` says it from then on; the gauge itself is not disturbed.

    Raises:
        RecordingError: If the file exists already or cannot be written.
    """

    def __init__(
        self,
        path: Path,
        *,
        port: str,
        profile: Profile | None = None,
        clock: Clock = system_clock,
        on_trouble: Callable[[str], None] = _loud,
    ) -> None:
        self.path = path
        self.trouble = ""
        self._on_trouble = on_trouble
        self._lock = threading.Lock()  # between the link's thread and whoever closes
        start = clock()
        self._start_ns = start.monotonic_ns
        self.events: LinkEvents = as_events(self.take, clock)
        head = {
            _HEAD: FORMAT, "port": port, "profile": profile.name if profile else "",
            "profile_sha256": profile.sha256 if profile else "", "started": start.at.isoformat(),
            "monotonic_ns": start.monotonic_ns,
        }  # fmt: skip
        try:
            self._file: FileIO | None = FileIO(path, "xb")
            self._write(head)
        except FileExistsError as error:
            words = "exists already and is never written over; give another name"
            raise RecordingError(words, file=str(path)) from error
        except OSError as error:
            raise RecordingError(_unwritable(error), file=str(path)) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; what comes after that is not recorded."""
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None

    def take(self, event: LinkEvent) -> None:
        """Write one event; a fault is told, never raised."""
        with self._lock:
            if self._file is None:
                return
            try:
                self._write(_line_of(event, self._start_ns))
            except OSError as error:
                self.trouble = str(RecordingError(_unwritable(error), file=str(self.path)))
                self._file.close()
                self._file = None
        if self.trouble:
            self._on_trouble(self.trouble)

    def _write(self, line: Mapping[str, Any]) -> None:
        if self._file is None:
            return
        left = json.dumps(line, ensure_ascii=False).encode() + b"\n"
        while left:  # a nearly full disk takes a part, and tells only at the next attempt
            left = left[self._file.write(left) :]


def _unwritable(error: OSError) -> str:
    why = error.strerror or error
    return f"cannot be written ({why}), nothing more is recorded; see to the disk and record anew"


def _line_of(event: LinkEvent, start_ns: int) -> dict[str, Any]:
    line: dict[str, Any] = {"event": event.kind, "ns": event.when.monotonic_ns - start_ns}
    match event.kind:
        case "form":
            line["hex"] = None if event.data is None else event.data.hex()
        case "open":
            line["mid_frame"] = event.mid_frame
        case "chunk":
            line |= {"at": event.when.at.isoformat(), "hex": (event.data or b"").hex()}
        case "battery":
            line["percent"] = event.percent
        case "end":
            line["error"] = None if event.error is None else str(event.error)
    return line


# -- reading ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What a recording holds.

    Attributes:
        port: Where the gauge was.
        profile: Name of the profile that it was read by, empty if it was only listened to.
        profile_sha256: Hash of that profile's file.
        started: When the recording began.
        events: What the link told, in order.
        cut: Whether the last line was cut off, as by a computer that lost its power, and is left out.
    """

    port: str
    profile: str
    profile_sha256: str
    started: Instant
    events: tuple[LinkEvent, ...]
    cut: bool


def read_recording(path: Path) -> Recorded:
    """Return what a recording holds; a last line that was cut off is left out and told in ``cut``.

    Raises:
        RecordingError: If the file cannot be read or a line does not hold; the error names the line.
    """
    try:
        content = read_input(path, most_bytes=MOST_RECORDING)
    except OSError as error:
        words = f"cannot be read ({error.strerror or error}); give the file of a recording"
        raise RecordingError(words, file=str(path)) from error
    *lines, rest = content.split(b"\n")
    if not lines:
        raise RecordingError("must begin with a whole header line; give the file of a recording", file=str(path))
    head = _header(path, lines[0])
    events = tuple(_event(path, number, line, head) for number, line in enumerate(lines[1:], start=2))
    return Recorded(
        port=head["port"], profile=head["profile"], profile_sha256=head["profile_sha256"], started=head["started"],
        events=events, cut=bool(rest),
    )  # fmt: skip


def _header(path: Path, line: bytes) -> dict[str, Any]:
    head = _values(path, 1, line, {
        _HEAD: int, "port": str, "profile": str, "profile_sha256": str, "started": str, "monotonic_ns": int,
    })  # fmt: skip
    if head[_HEAD] != FORMAT:
        raise _wrong(path, 1, f"must have {_HEAD} {FORMAT}, a newer program wrote this", line)
    started = Instant(at=_time(path, 1, line, head["started"]), monotonic_ns=head["monotonic_ns"])
    return head | {"started": started}


_EVENT_KEYS: Final[Mapping[str, Mapping[str, type | tuple[type, ...]]]] = {
    "form": {"hex": (str, type(None))},
    "open": {"mid_frame": bool},
    "chunk": {"at": str, "hex": str},
    "battery": {"percent": int},
    "end": {"error": (str, type(None))},
}


def _event(path: Path, number: int, line: bytes, head: Mapping[str, Any]) -> LinkEvent:
    kind = _object(path, number, line).get("event")
    if not isinstance(kind, str) or kind not in _EVENT_KEYS:
        raise _wrong(path, number, f"must have an event, one of {', '.join(_EVENT_KEYS)}", line)
    values = _values(path, number, line, {"event": str, "ns": int, **_EVENT_KEYS[kind]})
    started: Instant = head["started"]
    at = (
        _time(path, number, line, values["at"])
        if kind == "chunk"
        else started.at + timedelta(microseconds=values["ns"] // 1000)
    )
    error = values.get("error")
    return LinkEvent(
        kind=kind,  # type: ignore[arg-type] # one of the keys
        when=Instant(at=at, monotonic_ns=started.monotonic_ns + values["ns"]),
        data=_bytes(path, number, line, values.get("hex")),
        mid_frame=values.get("mid_frame", False),
        percent=values.get("percent", 0),
        error=None if error is None else LinkLostError(error, gauge="", port=head["port"]),
    )


def _object(path: Path, number: int, line: bytes) -> dict[str, Any]:
    with suppress(ValueError, RecursionError):
        found = json.loads(line)
        if isinstance(found, dict):
            return found
    raise _wrong(path, number, "must be one JSON object", line)


def _values(path: Path, number: int, line: bytes, keys: Mapping[str, type | tuple[type, ...]]) -> dict[str, Any]:
    found = _object(path, number, line)
    if found.keys() != keys.keys():
        raise _wrong(path, number, f"must have the keys {', '.join(keys)} and no others", line)
    for name, kind in keys.items():
        value = found[name]
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise _wrong(path, number, f"must have another {name} than {value!r}"[:_SHOWN], line)
        if type(value) is int and abs(value) >= 1 << 62:
            raise _wrong(path, number, f"must have a {name} below 2 to the power of 62", line)
    return found


def _bytes(path: Path, number: int, line: bytes, text: str | None) -> bytes | None:
    try:
        return None if text is None else bytes.fromhex(text)
    except ValueError as error:
        raise _wrong(path, number, "must have pairs of hexadecimal digits as hex", line) from error


def _time(path: Path, number: int, line: bytes, text: str) -> datetime:
    with suppress(ValueError):
        at = datetime.fromisoformat(text)
        if at.utcoffset() == timedelta(0):
            return at.astimezone(UTC)
    raise _wrong(path, number, "must have a time in UTC such as 2026-01-02T03:04:05+00:00", line)


def _wrong(path: Path, number: int, rule: str, line: bytes) -> RecordingError:
    shown = repr(line if len(line) <= _SHOWN else line[:_SHOWN] + b"...")
    return RecordingError(f"line {number} {rule}, got {shown}; record anew, or mend the line", file=str(path))
