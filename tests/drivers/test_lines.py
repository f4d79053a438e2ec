import tracemalloc
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.frames.lines import LineBuffer


@pytest.mark.parametrize(
    ("stream", "lines"),
    [
        pytest.param(b"1\n2\n", [b"1", b"2"], id="line feed"),
        pytest.param(b"1\r2\r", [b"1", b"2"], id="carriage return"),
        pytest.param(b"1\r\n2\r\n", [b"1", b"2"], id="both"),
        pytest.param(b"\r\n\n\r1\n", [b"1"], id="empty lines are left out"),
        pytest.param(b"1\n2", [b"1"], id="no end yet"),
        pytest.param(b"", [], id="nothing"),
    ],
)
def test_lines_end_with_any_line_end(stream: bytes, lines: list[bytes]) -> None:
    assert LineBuffer().feed(stream) == lines


def test_a_line_is_kept_until_its_end_comes() -> None:
    buffer = LineBuffer()

    assert buffer.feed(b"12.") == []
    assert buffer.pending == b"12."
    assert buffer.feed(b"34\r") == [b"12.34"]
    assert buffer.pending == b""


@pytest.mark.parametrize(("length", "lost"), [(8, 0), (9, 1)])
def test_only_a_line_over_the_limit_is_lost(length: int, lost: int) -> None:
    buffer = LineBuffer(limit=8)

    lines = buffer.feed(b"x" * length + b"\n1.0\n")

    assert lines[-1] == b"1.0"
    assert len(lines) == 2 - lost
    assert buffer.lost == lost


def test_a_lost_line_shows_its_beginning() -> None:
    buffer = LineBuffer(limit=4)

    buffer.feed(b"abcdef")
    buffer.feed(b"ghi\n")

    assert (buffer.last_lost, buffer.lost) == (b"abcd", 1)


def test_a_dropped_half_line_is_never_glued_to_what_follows() -> None:
    buffer = LineBuffer()
    buffer.feed(b"1.2")

    assert buffer.drop() == b"1.2"
    assert buffer.feed(b"3.4\n") == [b"3.4"]
    assert (buffer.lost, buffer.last_lost) == (1, b"1.2")


def test_dropping_nothing_counts_nothing() -> None:
    buffer = LineBuffer()

    assert buffer.drop() == b""
    assert buffer.lost == 0


def test_dropping_ends_an_overlong_line() -> None:
    buffer = LineBuffer(limit=4)
    buffer.feed(b"x" * 9)

    assert buffer.drop() == b""
    assert buffer.feed(b"3.4\n") == [b"3.4"]
    assert buffer.lost == 1


def test_a_line_without_its_beginning_is_skipped() -> None:
    buffer = LineBuffer()
    buffer.skip_line()

    assert buffer.feed(b".34\n5.6\n") == [b"5.6"]
    assert buffer.lost == 1


def test_noise_without_line_ends_takes_no_memory() -> None:
    buffer = LineBuffer()
    chunk = bytes(range(14, 256)) * 17
    buffer.feed(chunk)
    tracemalloc.start()
    try:
        for _ in range(2_000):  # 8 MB
            assert buffer.feed(chunk) == []
            assert len(buffer.pending) <= 256
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert kept < 10_000
    assert buffer.lost == 1
    assert buffer.feed(b"\n1.0\n") == [b"1.0"]


@given(
    st.lists(st.one_of(st.sampled_from([b"\r", b"\n", b"\r\n", b"1.23", b"123456789"]), st.binary(max_size=4))),
    st.data(),
)
@example([b"123456789", b"\r", b"\n", b"1.23", b"\n"], None)
@settings(max_examples=150, derandomize=True, deadline=None)
def test_cutting_the_stream_elsewhere_changes_nothing(pieces: list[bytes], data: st.DataObject | None) -> None:
    stream = b"".join(pieces)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream))))) if data else list(range(len(stream)))
    whole, cut = LineBuffer(limit=8), LineBuffer(limit=8)

    expected = whole.feed(stream)
    edges = pairwise([0, *cuts, len(stream)])
    lines = [line for start, end in edges for line in cut.feed(stream[start:end])]

    assert lines == expected
    assert (cut.pending, cut.lost, cut.last_lost) == (whole.pending, whole.lost, whole.last_lost)
