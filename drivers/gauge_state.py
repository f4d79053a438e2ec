"""How a gauge is: connected or not, still or not, what came last."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from drivers.steady import Steadiness

Status = Literal["connecting", "alive", "silent", "lost", "closed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeState:
    """How a gauge is.

    Attributes:
        name: The gauge's name.
        status: "connecting" before the first attempt has ended, then "alive" or "lost", in the end "closed". "silent"
            is connected without a byte for longer than its profile allows.
        since: When it became so, aware UTC.
        detail: What there is to say about it, for people.
        last_raw: The last frame that came, whether it was a number or not; empty if none did.
        readings: How many readings there have been.
        unreadable: How many frames were no numbers, or were thrown away because a part was missing.
        battery_percent: Charge of its battery, None if it does not tell.
        steadiness: How still it is, None unless it streams and is captured when it settles.
    """

    name: str
    status: Status
    since: datetime
    detail: str
    last_raw: bytes = b""
    readings: int = 0
    unreadable: int = 0
    battery_percent: int | None = None
    steadiness: Steadiness | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Backoff:
    """How long to wait before connecting again: ``first_s`` seconds, then twice as long each time up to ``limit_s``."""

    first_s: float = 0.2
    limit_s: float = 5.0

    def delay_s(self, attempt: int) -> float:
        """Return the seconds to wait before attempt number ``attempt``, counted from 0."""
        return min(self.limit_s, self.first_s * 2.0 ** min(attempt, 64))


def silent_words(quiet_s: float) -> str:
    """Return what there is to say about a gauge that is connected and has sent nothing for ``quiet_s`` seconds."""
    return f"nothing came for {quiet_s:.1f} s; switch the gauge on, or see to its battery"
