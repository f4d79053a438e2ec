"""Pair other machines with the bench: a short code that is shown at the bench, and what a paired browser may do.

A code is good once and for ten minutes, a link for the days that it was made for. Everything is kept in memory: when
the bench ends, every pairing and every link ends with it.
"""

import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import Final

CODE_DIGITS: Final = 6
CODE_LASTS_S: Final = 600.0
TRIES: Final = 5
TRIES_WITHIN_S: Final = 60.0
"""Five tries a minute are fifty for one code of a million: common practice, no source."""
TOKEN_BYTES: Final = 32
MOST_LINKS: Final = 20
LINK_DAYS: Final = (7, 1, 30)
"""How many days a link may hold; the first is offered first."""
_DAY_S: Final = 86_400.0


class Role(Enum):
    """What a browser may do: everything and pair others, everything, look on, nothing."""

    BENCH = "bench"
    PAIRED = "paired"
    READER = "reader"
    STRANGER = "stranger"


class TooManyTriesError(Exception):
    """Codes were tried too often; ``wait_s`` says in how many seconds another may be tried."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"codes may be tried {TRIES} times a minute; wait {wait_s:.0f} s")
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """A pairing code and how many seconds it is still good."""

    digits: str
    left_s: float

    @property
    def spaced(self) -> str:
        """Return the digits in two groups, as they are read out."""
        half = CODE_DIGITS // 2
        return f"{self.digits[:half]} {self.digits[half:]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A link to look on.

    Attributes:
        token: what its address ends with.
        name: whom it is for.
        made_at: when it was made, aware, UTC.
        until: until when it holds.
        ends_s: the same on the steady clock, which nobody sets.
    """

    token: str
    name: str
    made_at: datetime
    until: datetime
    ends_s: float


class Pairing:
    """The code of the moment, the browsers that are paired, and the links to look on; safe from any thread."""

    def __init__(
        self, *, clock: Callable[[], float] = time.monotonic, on_new_code: Callable[[Code], None] = lambda _code: None,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:  # fmt: skip
        self._clock = clock
        self._wall = now
        self._on_new_code = on_new_code
        self._lock = threading.Lock()
        self._tried_s: deque[float] = deque(maxlen=TRIES)
        self._paired: set[str] = set()
        self._links: dict[str, Link] = {}
        self._digits, self._made_s = "", float("-inf")

    def code(self) -> Code:
        """Return the code of the moment; one that is too old is replaced."""
        with self._lock:
            fresh = self._renew() if self._clock() - self._made_s >= CODE_LASTS_S else None
            now = self._now()
        if fresh:
            self._on_new_code(fresh)
        return now

    def pair(self, digits: str) -> str | None:
        """Return the token of a newly paired browser, or None where the code is another; a code is good once.

        Raises:
            TooManyTriesError: codes were tried too often, by whomever.
        """
        self.code()  # never compare with one that is too old
        with self._lock:
            self._count_try()
            given = "".join(digits.split())
            if not secrets.compare_digest(given.encode(), self._digits.encode()):
                return None
            token = secrets.token_urlsafe(TOKEN_BYTES)
            self._paired.add(token)
            fresh = self._renew()
        self._on_new_code(fresh)
        return token

    def add_link(self, name: str, *, days: int) -> Link | None:
        """Return a new link to look on for somebody, or None when there are `MOST_LINKS`."""
        with self._lock:
            self._drop_ended()
            if len(self._links) >= MOST_LINKS:
                return None
            made_at = self._wall()
            link = Link(token=secrets.token_urlsafe(TOKEN_BYTES), name=name, made_at=made_at,
                        until=made_at + timedelta(days=days), ends_s=self._clock() + days * _DAY_S)  # fmt: skip
            self._links[link.token] = link
            return link

    def revoke(self, token: str) -> bool:
        """End a link; False when there is none of this token."""
        with self._lock:
            return self._links.pop(token, None) is not None

    def links(self) -> list[Link]:
        """Return all links that hold, the oldest first."""
        with self._lock:
            self._drop_ended()
            return list(self._links.values())

    def link(self, token: str) -> Link | None:
        """Return the link of a token, None where there is none that holds."""
        with self._lock:
            self._drop_ended()
            return self._links.get(token)

    def role(self, token: str) -> Role:
        """Return what the browser that carries a token may do."""
        with self._lock:
            self._drop_ended()
            if token in self._paired:
                return Role.PAIRED
            return Role.READER if token in self._links else Role.STRANGER

    def _drop_ended(self) -> None:
        now_s = self._clock()
        self._links = {token: one for token, one in self._links.items() if now_s < one.ends_s}

    def _count_try(self) -> None:
        now_s = self._clock()
        if len(self._tried_s) == TRIES and now_s - self._tried_s[0] < TRIES_WITHIN_S:
            raise TooManyTriesError(TRIES_WITHIN_S - (now_s - self._tried_s[0]))
        self._tried_s.append(now_s)

    def _renew(self) -> Code:
        self._digits = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
        self._made_s = self._clock()
        return self._now()

    def _now(self) -> Code:
        return Code(digits=self._digits, left_s=self._made_s + CODE_LASTS_S - self._clock())
