import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.store import new_id

TIMES = st.integers(0, (1 << 48) * 1_000_000 - 1)
RANDOM = st.binary(min_size=8, max_size=16)


def test_published_example_is_reproduced() -> None:
    # Source: RFC 9562, appendix A.6: 2022-02-22T14:22:22-05:00, rand_a CC3, rand_b 18C4DC0C0C07398F.
    # rand_a is the fraction of the millisecond here: 0xCC3 / 4096 ms = 797 607.4 ns, so 797 608 ns is the first in it.
    made = new_id(1_645_557_742_000 * 1_000_000 + 797_608, bytes.fromhex("18C4DC0C0C07398F"))

    assert made == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


@given(TIMES, RANDOM)
def test_layout_is_version_7(now_ns: int, random_bytes: bytes) -> None:
    # Source: RFC 9562, 5.7: 48 bits of milliseconds, 4 bits 0111, 12 bits, 2 bits 10, 62 bits.
    made = uuid.UUID(new_id(now_ns, random_bytes))

    assert made.variant == uuid.RFC_4122
    assert made.version == 7
    assert made.int >> 80 == now_ns // 1_000_000
    assert made.int & (1 << 62) - 1 == int.from_bytes(random_bytes[:8], "big") & (1 << 62) - 1


@given(TIMES, TIMES, RANDOM, RANDOM)
def test_later_ids_sort_later(first_ns: int, second_ns: int, one: bytes, two: bytes) -> None:
    earlier, later = sorted((first_ns, second_ns))
    if (later - earlier) * 4096 >= 1_000_000:
        assert new_id(earlier, one) < new_id(later, two)


@pytest.mark.parametrize(
    ("now_ns", "random_bytes", "words"),
    [
        pytest.param(-1, bytes(8), r"^now_ns must lie between 1970 and the year 10889, got -1$", id="before 1970"),
        pytest.param((1 << 48) * 1_000_000, bytes(8), r"^now_ns must lie between", id="beyond 48 bits"),
        pytest.param(0, bytes(7), r"^random_bytes must be at least 8 bytes, got 7$", id="short of random bytes"),
    ],
)
def test_what_does_not_fit_is_refused(now_ns: int, random_bytes: bytes, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        new_id(now_ns, random_bytes)
