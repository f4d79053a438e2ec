"""Any bytes, cut anywhere: finite numbers or reasons, one for each frame, in bounded memory."""

import random
from collections.abc import Callable, Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.frames import bcd13, caliper24
from drivers.frames.gatt_number import GattNumberDecoder
from drivers.frames.labelled import LabelledTextDecoder
from drivers.frames.lines import LineBuffer
from drivers.frames.number import Number
from drivers.frames.stream import (
    LONGEST_MESSAGE,
    MOST_TOGETHER,
    BurstReader,
    Decode,
    Decoded,
    FrameReader,
    LineReader,
    MessageReader,
)
from drivers.frames.text import TextDecoder
from drivers.reading import LARGEST_NM

SINT32_UM_AS_METRES = bytes((0x10, 0xFA, 0x01, 0x27, 1, 0, 0))  # signed 32 bits, 10^-6, metre
READERS: dict[str, Callable[[], FrameReader]] = {
    "text": lambda: LineReader(TextDecoder().decode),
    "labelled": lambda: LineReader(LabelledTextDecoder().decode),
    "caliper24_hex": lambda: LineReader(caliper24.decode_hex),
    "bcd13_hex": lambda: LineReader(bcd13.decode_hex),
    "caliper24": lambda: BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02),
    "bcd13": lambda: BurstReader(bcd13.decode_bytes, size=7, pause_s=0.02),
    "message text": lambda: MessageReader(TextDecoder().decode),
    "message caliper24": lambda: MessageReader(caliper24.decode_bytes),
    "self-describing": lambda: MessageReader(GattNumberDecoder(SINT32_UM_AS_METRES).decode),
}
PAUSE = b""
#: Bytes as noise has them, and bytes of which gauges make frames.
CHUNKS = st.one_of(st.binary(max_size=40), st.text(alphabet="0123456789.,+- mMinAFEx\r\n", max_size=40).map(str.encode))
LINE_NUMBERS = [f"{step / 100:.2f}".encode() for step in (0, 7, 1234, -59, 2540)]


def frame24(steps: int) -> bytes:
    """The three bytes of a caliper that shows ``steps`` hundredths of a millimetre."""
    return (abs(steps) | (steps < 0) << 20).to_bytes(3, "little")


def read(reader: FrameReader, chunks: Iterable[bytes], *, mid_frame: bool = False) -> list[Decoded]:
    """Everything that a connection gives; an empty chunk is a pause."""
    found = reader.begin(mid_frame)
    for chunk in chunks:
        found += reader.feed(chunk) if chunk else reader.pause()
    return found + reader.end()


def values(found: Iterable[Decoded]) -> list[int]:
    return [one.number.value_nm for one in found if one.number is not None]


def cut(sent: bytes, rng: random.Random) -> list[bytes]:
    """The same bytes in chunks of 1 to 9."""
    chunks = []
    while sent:
        size = rng.randint(1, 9)
        chunks.append(sent[:size])
        sent = sent[size:]
    return chunks


def kept_bytes(reader: FrameReader) -> int:
    """How many bytes a reader holds between two calls."""
    held = [value for value in vars(reader).values() if isinstance(value, bytes)]
    for lines in (value for value in vars(reader).values() if isinstance(value, LineBuffer)):
        held += [value for value in vars(lines).values() if isinstance(value, bytes)]
    return sum(map(len, held))


@pytest.mark.parametrize("name", READERS)
@given(chunks=st.lists(CHUNKS, max_size=30), mid_frame=st.booleans())
def test_any_bytes_give_finite_numbers_or_reasons(name: str, chunks: list[bytes], mid_frame: bool) -> None:
    for one in read(READERS[name](), chunks, mid_frame=mid_frame):
        assert (one.number is None) is bool(one.reason)
        if one.number is not None:
            assert type(one.number.value_nm) is int
            assert abs(one.number.value_nm) <= LARGEST_NM


@pytest.mark.parametrize("name", READERS)
def test_a_flood_is_held_in_bounded_memory(name: str) -> None:
    """Two megabytes without a line end and without a pause; the refusals are few too."""
    reader, found, most = READERS[name](), 0, 0
    reader.begin(False)
    for _ in range(500):
        found += len(reader.feed(b"\x0f7.\x00" * 1000))
        most = max(most, kept_bytes(reader))
    found += len(reader.pause()) + len(reader.end())

    assert most <= 7 * (MOST_TOGETHER + 1)
    assert found <= 501


@pytest.mark.parametrize("name", READERS)
@given(before=st.lists(CHUNKS, max_size=10), mid_frame=st.booleans())
def test_a_connection_leaves_nothing_to_the_next(name: str, before: list[bytes], mid_frame: bool) -> None:
    reader = READERS[name]()
    read(reader, before)
    frames = [b"1.00\r\n", PAUSE, frame24(100), PAUSE, b"000064\n", PAUSE]

    assert read(reader, frames, mid_frame=mid_frame) == read(READERS[name](), frames, mid_frame=mid_frame)


@given(
    picks=st.lists(st.sampled_from(LINE_NUMBERS), max_size=20),
    garbage=st.lists(st.binary(max_size=30).map(lambda noise: bytes(set(noise) - set(b"0123456789\r\n"))), max_size=20),
    seed=st.integers(0, 2**32),
)
def test_every_line_is_delivered_once_with_garbage_between(picks: list[bytes], garbage: list[bytes], seed: int) -> None:
    rng = random.Random(seed)
    lines = picks + garbage
    rng.shuffle(lines)
    sent = b"".join(line + rng.choice((b"\r", b"\n", b"\r\n")) for line in lines)

    found = read(LineReader(TextDecoder().decode), cut(sent, rng))

    assert [one.raw for one in found if one.number] == [line for line in lines if line in LINE_NUMBERS]
    assert [one.raw for one in found] == [line for line in lines if line]


@pytest.mark.parametrize("at", range(1, 7))
def test_a_line_cut_by_the_end_of_a_connection_is_refused_once(at: int) -> None:
    reader = LineReader(TextDecoder().decode)

    first = read(reader, [b"1.00\r\n" + b"123.45"[:at]])
    second = read(reader, [b"123.45"[at:] + b"\r\n2.00\r\n"], mid_frame=True)

    assert values(first + second) == [1_000_000, 2_000_000]
    assert [one.reason for one in (*first, *second) if one.reason] == [
        "the connection ended in mid-line",
        "the beginning of the first line may be missing",
    ]


def test_a_line_that_is_too_long_is_refused_in_its_place() -> None:
    """What came last decides what is shown as the gauge's state."""
    found = read(LineReader(TextDecoder().decode), [b"1.00\n" + b"7" * 300 + b"\n" + b"8" * 400 + b"\n2.00\n"])

    assert [bool(one.number) for one in found] == [True, False, False, True]
    assert [one.raw[:1] for one in found] == [b"1", b"7", b"8", b"2"]
    assert {one.reason for one in found if one.reason} == {"a line was too long to be a gauge's"}


@given(
    bursts=st.lists(st.lists(st.integers(-9999, 9999), min_size=1, max_size=MOST_TOGETHER), max_size=8),
    seed=st.integers(0, 2**32),
)
def test_every_binary_frame_is_delivered_once(bursts: list[list[int]], seed: int) -> None:
    rng = random.Random(seed)
    chunks = [chunk for burst in bursts for chunk in (*cut(b"".join(map(frame24, burst)), rng), PAUSE)]

    found = read(BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02), chunks)

    assert values(found) == [steps * 10_000 for burst in bursts for steps in burst]


@given(
    frames=st.lists(st.integers(-9999, 9999), min_size=1, max_size=5),
    at=st.integers(0, 15),
    noise=st.binary(min_size=1, max_size=8).filter(lambda noise: len(noise) % 3),
)
def test_garbage_inside_a_burst_refuses_the_burst(frames: list[int], at: int, noise: bytes) -> None:
    whole = b"".join(map(frame24, frames))

    found = read(BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02), [whole[:at] + noise + whole[at:], PAUSE])

    assert values(found) == []
    assert found


@given(frames=st.lists(st.integers(-9999, 9999), min_size=2, max_size=6), lost=st.integers(0, 17))
def test_a_burst_that_lacks_a_byte_is_refused(frames: list[int], lost: int) -> None:
    whole = b"".join(map(frame24, frames))
    at = lost % len(whole)

    assert (
        values(read(BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02), [whole[:at] + whole[at + 1 :], PAUSE]))
        == []
    )


def test_one_frame_that_is_none_refuses_all_of_its_burst() -> None:
    """Noise as long as a frame shifts nothing by the count of bytes; that a frame in it is none tells of it."""
    ones = b"\xff\xff\xff"
    whole = frame24(100) + frame24(1234)
    found = read(
        BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02), [whole[:4] + ones + whole[4:], PAUSE, whole, PAUSE]
    )

    assert [one.raw for one in found] == [frame24(100), whole[3:4] + ones[:2], ones[:1] + whole[4:], *_thirds(whole)]
    assert values(found) == [1_000_000, 12_340_000]  # of the burst after it
    assert found[0].reason == "a frame that came together with it is none, so its own beginning is not certain"


def _thirds(sent: bytes) -> list[bytes]:
    return [sent[at : at + 3] for at in range(0, len(sent), 3)]


@given(cut_at=st.integers(1, 2), rest=st.lists(st.integers(0, 9999), min_size=1, max_size=4))
def test_a_frame_cut_by_a_pause_gives_no_number(cut_at: int, rest: list[int]) -> None:
    """The halves stand in two bursts; frames behind the second half would be shifted."""
    frame = frame24(1234)
    second = frame[cut_at:] + b"".join(map(frame24, rest))

    assert (
        values(read(BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02), [frame[:cut_at], PAUSE, second, PAUSE]))
        == []
    )


def test_until_the_first_pause_of_a_late_connection_nothing_counts() -> None:
    sent = [frame24(100), frame24(200), PAUSE, PAUSE, frame24(300), PAUSE]

    found = read(BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02), sent, mid_frame=True)

    assert values(found) == [3_000_000]
    assert found[0].reason == "the beginning of the first frame may be missing"


def test_a_binary_frame_without_a_pause_after_it_is_refused() -> None:
    found = read(BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02), [frame24(100)])

    assert [(one.number, one.reason) for one in found] == [(None, "the connection ended in mid-frame")]


def test_after_a_flood_binary_frames_count_again() -> None:
    flood = [frame24(100)] * (MOST_TOGETHER + 1)

    found = read(BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02), [*flood, PAUSE, frame24(200), PAUSE])

    assert found[0].reason.startswith(
        "frames must have pauses of more than 0.02 s between them, bytes came without one"
    )
    assert values(found) == [2_000_000]


@given(messages=st.lists(st.one_of(st.sampled_from(LINE_NUMBERS), st.binary(min_size=1, max_size=700)), max_size=20))
def test_every_message_is_one_frame(messages: list[bytes]) -> None:
    found = read(MessageReader(TextDecoder().decode), messages)

    assert [one.raw for one in found] == [message[:LONGEST_MESSAGE] for message in messages]


def test_a_decoder_that_fails_otherwise_is_not_hidden() -> None:
    """Only a refused frame is a reason; a fault of the program is a fault."""

    def broken(frame: bytes) -> Number:
        raise ZeroDivisionError

    decode: Decode = broken
    with pytest.raises(ZeroDivisionError):
        LineReader(decode).feed(b"1\n")
