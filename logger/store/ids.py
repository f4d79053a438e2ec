"""Make identifiers that sort by the time they were made."""

import uuid
from typing import Final

_NS_PER_MS: Final = 1_000_000
_RANDOM_BYTES: Final = 8
_VERSION: Final = 7
_VARIANT: Final = 0b10


def new_id(now_ns: int, random_bytes: bytes) -> str:
    """Make a version 7 UUID that sorts by ``now_ns``, to 1/4096 of a millisecond.

    Source: RFC 9562, 5.7 (layout) and 6.2 method 3: the twelve bits of ``rand_a`` hold the fraction of the
    millisecond. Two ids of the same 244 ns are in no particular order; a wall clock that steps back makes ids
    that sort earlier.

    Args:
        now_ns: UTC wall clock, nanoseconds since 1970.
        random_bytes: at least 8 bytes from a source that does not repeat; 62 bits of them are used.

    Raises:
        ValueError: if the time does not fit 48 bits of milliseconds, or there are too few random bytes.
    """
    milliseconds, rest_ns = divmod(now_ns, _NS_PER_MS)
    if not 0 <= milliseconds < 1 << 48:
        raise ValueError(f"now_ns must lie between 1970 and the year 10889, got {now_ns}")
    if len(random_bytes) < _RANDOM_BYTES:
        raise ValueError(f"random_bytes must be at least {_RANDOM_BYTES} bytes, got {len(random_bytes)}")
    fraction = (rest_ns << 12) // _NS_PER_MS
    random = int.from_bytes(random_bytes[:_RANDOM_BYTES], "big") & ((1 << 62) - 1)
    return str(uuid.UUID(int=milliseconds << 80 | _VERSION << 76 | fraction << 64 | _VARIANT << 62 | random))
