"""Notice when the computer's wall clock jumps: every reading carries the wall clock and the steady one.

Nothing is stored for it: the two times of the readings are the note, and stay with them.
"""

from dataclasses import dataclass
from typing import Final

JUMP_NS: Final = 50_000_000
"""How far the wall clock may move against the steady one between two readings of a session, nanoseconds."""
_NS_PER_S: Final = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """The wall clock moved by ``step_ns`` (positive: forward) before a reading; ``anew``: the computer was started."""

    session: str
    gauge: str
    sequence: int
    step_ns: int
    anew: bool

    def words(self) -> str:
        """Say what happened before which reading."""
        where = f"before reading {self.sequence} of {self.gauge} in session {self.session}"
        if self.anew:
            return f"the computer was started anew {where}; its readings stay in the order they were taken"
        way = "forward" if self.step_ns > 0 else "back"
        return (
            f"the clock of the computer went {way} by {abs(self.step_ns) / _NS_PER_S:.3f} s {where} "
            "(it was set, or the computer slept); the readings stay in the order they were taken"
        )


class ClockWatch:
    """Compare the two clocks of each reading with those of the reading before it in its session."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[int, int]] = {}

    def see(self, session: str, gauge: str, sequence: int, taken_at_ns: int, monotonic_ns: int) -> Jump | None:
        """Take in a reading, in the order of commits, and return the jump that lies before it, if any.

        One without a steady clock (0) did not come from a bench, and is compared with none.
        """
        if not monotonic_ns:
            return None
        before = self._last.get(session)
        self._last[session] = taken_at_ns, monotonic_ns
        if before is None:
            return None
        passed_ns = monotonic_ns - before[1]
        step_ns = taken_at_ns - before[0] - passed_ns
        if abs(step_ns) <= JUMP_NS:
            return None
        return Jump(session=session, gauge=gauge, sequence=sequence, step_ns=step_ns, anew=passed_ns < 0)
