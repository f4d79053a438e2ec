"""A recording on disk: what is written is read back, and what does not hold is told with its line."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers import Instant, LinkLostError, Profile, Recording, RecordingError, read_recording
from drivers.link_event import LinkEvent

resource = pytest.importorskip("resource")  # not on Windows

START = datetime(2026, 1, 2, 3, 4, 5, 6, tzinfo=UTC)
HEAD = (
    '{"fretledger_bytes": 1, "port": "p", "profile": "", "profile_sha256": "", '
    '"started": "2026-01-02T03:04:05+00:00", "monotonic_ns": 5}\n'
)
OPEN = '{"event": "open", "ns": 1, "mid_frame": false}\n'


def clock() -> Callable[[], Instant]:
    ticks = iter(range(1_000_000))
    return lambda: Instant(at=START + timedelta(seconds=(tick := next(ticks))), monotonic_ns=7 + tick * 1_000_000_001)


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    def write_text(text: str) -> Path:
        path = tmp_path / "r.jsonl"
        path.write_text(text, encoding="utf-8")
        return path

    return write_text


def test_everything_a_link_tells_is_read_back(tmp_path: Path, caliper: Profile) -> None:
    path, time = tmp_path / "r.jsonl", clock()
    arrived = Instant(at=START, monotonic_ns=123)
    with Recording(path, port="/dev/ttyUSB0", profile=caliper, clock=time) as recording:
        recording.events.on_form(None)
        recording.events.on_form(b"\x00\xff")
        recording.events.on_open(True)
        recording.events.on_chunk(bytes(range(256)), arrived)
        recording.events.on_chunk(b"", arrived)
        recording.events.on_battery(87)
        recording.events.on_end(LinkLostError("the cable is out", gauge="g", port="p"))
        recording.events.on_end(None)

    found = read_recording(path)

    assert (found.port, found.profile, found.profile_sha256) == ("/dev/ttyUSB0", "caliper-mm", caliper.sha256)
    assert (found.started, found.cut) == (Instant(at=START, monotonic_ns=7), False)
    told = [(one.kind, one.data, one.mid_frame, one.percent, one.error and str(one.error)) for one in found.events]
    assert told == [
        ("form", None, False, 0, None),
        ("form", b"\x00\xff", False, 0, None),
        ("open", None, True, 0, None),
        ("chunk", bytes(range(256)), False, 0, None),
        ("chunk", b"", False, 0, None),
        ("battery", None, False, 87, None),
        ("end", None, False, 0, "the cable is out"),
        ("end", None, False, 0, None),
    ]
    assert [one.when for one in found.events if one.kind == "chunk"] == [arrived, arrived]
    assert found.events[0].when.monotonic_ns == 7 + 1_000_000_001


def test_every_event_is_written_before_the_next_is_heard(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    with Recording(path, port="p") as recording:
        for number in range(3):
            recording.events.on_battery(number)
            assert [one.percent for one in read_recording(path).events] == list(range(number + 1))


def test_what_comes_after_closing_is_left_out(tmp_path: Path) -> None:
    recording = Recording(tmp_path / "r", port="p")
    recording.close()
    recording.events.on_battery(1)

    assert read_recording(tmp_path / "r").events == ()
    assert recording.trouble == ""


def test_a_file_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / "r").write_text("mine", encoding="utf-8")

    with pytest.raises(
        RecordingError, match=r"^recording '.*r' exists already and is never written over; give another"
    ):
        Recording(tmp_path / "r", port="p")

    assert (tmp_path / "r").read_text(encoding="utf-8") == "mine"


def test_a_folder_that_is_missing_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"cannot be written \(No such file or directory\), nothing more is rec"):
        Recording(tmp_path / "no" / "r", port="p")


def test_a_full_disk_is_told_once_and_the_rest_is_used(small_disk: Path) -> None:
    (small_disk / "other").write_bytes(b"x" * (2**20 - 8192))
    told: list[str] = []
    with Recording(small_disk / "r", port="p", on_trouble=told.append) as recording:
        for _ in range(2000):
            recording.events.on_battery(50)

    found = read_recording(small_disk / "r")

    assert len(told) == 1
    assert told[0].startswith(
        f"recording '{small_disk / 'r'}' cannot be written (No space left on device), nothing more"
    )
    assert recording.trouble == told[0]
    assert 0 < len(found.events) < 2000
    assert {one.percent for one in found.events} == {50}


def test_a_last_line_that_is_cut_is_told_and_the_rest_used(write: Callable[[str], Path]) -> None:
    found = read_recording(write(HEAD + OPEN + OPEN[:-9]))

    assert found.cut
    assert [one.kind for one in found.events] == ["open"]


CHUNK = {"event": "chunk", "ns": 1, "at": "2026-01-02T03:04:05+00:00", "hex": "00"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param("", r"must begin with a whole header line; give the file of a recording", id="empty"),
        pytest.param(HEAD[:-1], r"must begin with a whole header line", id="header cut"),
        pytest.param("12.34\n", r"line 1 must be one JSON object, got b'12\.34'; record anew", id="another file"),
        pytest.param(HEAD.replace(": 1,", ": 2,"), r"line 1 must have fretledger_bytes 1, a newer", id="newer"),
        pytest.param(HEAD.replace('"port": "p", ', ""), r"line 1 must have the keys fretledger_bytes, port", id="port"),
        pytest.param(HEAD.replace("+00:00", "+01:00"), r"line 1 must have a time in UTC", id="not UTC"),
        pytest.param(HEAD.replace("+00:00", ""), r"line 1 must have a time in UTC", id="naive"),
        pytest.param(HEAD.replace("5}", "true}"), r"line 1 must have another monotonic_ns than True", id="a bool"),
        pytest.param(HEAD + OPEN + "\xff\n", r"line 3 must be one JSON object", id="no JSON"),
        pytest.param(HEAD + "[]\n" + OPEN, r"line 2 must be one JSON object, got b'\[\]'", id="a list"),
        pytest.param(HEAD + "[" * 100_000 + "\n", r"line 2 must be one JSON object", id="nested"),
        pytest.param(HEAD + OPEN.replace("open", "shut"), r"line 2 must have an event, one of form,", id="unknown"),
        pytest.param(HEAD + OPEN.replace('"open"', "[]"), r"line 2 must have an event", id="no event"),
        pytest.param(HEAD + OPEN.replace("false", "0"), r"line 2 must have another mid_frame than 0", id="mid_frame"),
        pytest.param(HEAD + OPEN.replace("1,", f"{1 << 62},"), r"line 2 must have a ns below 2 to the", id="large"),
        pytest.param(HEAD + OPEN.replace("}", ', "more": 1}'), r"line 2 must have the keys event, ns, mid", id="more"),
        pytest.param(HEAD + json.dumps(CHUNK | {"hex": "0g"}) + "\n", r"line 2 must have pairs of hex", id="hex"),
        pytest.param(HEAD + json.dumps(CHUNK | {"at": "noon"}) + "\n", r"line 2 must have a time in UTC", id="time"),
    ],
)  # fmt: skip
def test_what_does_not_hold_is_told_with_its_line(write: Callable[[str], Path], text: str, words: str) -> None:
    with pytest.raises(RecordingError, match=rf"^recording '.*r\.jsonl' {words}") as caught:
        read_recording(write(text))

    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"cannot be read \(No such file or directory\); give the file of a rec"):
        read_recording(tmp_path / "none")


def test_events_are_values() -> None:
    one = LinkEvent(kind="battery", when=Instant(at=START, monotonic_ns=1), percent=3)

    assert one == LinkEvent(kind="battery", when=Instant(at=START, monotonic_ns=1), percent=3)
