"""Pair other machines with the bench: a short code that is shown at the bench, and what a paired browser may do.

A code is good once and for ten minutes. Everything is kept in memory: when the bench ends, every pairing and every
link ends with it.
"""

import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Final

CODE_DIGITS: Final = 6
CODE_LASTS_S: Final = 600.0
TRIES: Final = 5
TRIES_WITHIN_S: Final = 60.0
"""Five tries a minute are fifty for one code of a million: common practice, no source."""
TOKEN_BYTES: Final = 32
MOST_LINKS: Final = 20


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


class Pairing:
    """The code of the moment, the browsers that are paired, and the links to look on; safe from any thread."""

    def __init__(
        self, *, clock: Callable[[], float] = time.monotonic, on_new_code: Callable[[Code], None] = lambda _code: None
    ) -> None:
        self._clock = clock
        self._on_new_code = on_new_code
        self._lock = threading.Lock()
        self._tried_s: deque[float] = deque(maxlen=TRIES)
        self._paired: set[str] = set()
        self._links: list[str] = []
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

    def add_link(self) -> str | None:
        """Return the token of a new link to look on, or None when there are `MOST_LINKS`."""
        with self._lock:
            if len(self._links) >= MOST_LINKS:
                return None
            self._links.append(secrets.token_urlsafe(TOKEN_BYTES))
            return self._links[-1]

    def revoke(self, token: str) -> bool:
        """End a link; False when there is none of this token."""
        with self._lock:
            if token not in self._links:
                return False
            self._links.remove(token)
            return True

    def links(self) -> list[str]:
        """Return the tokens of all links, the oldest first."""
        with self._lock:
            return list(self._links)

    def role(self, token: str) -> Role:
        """Return what the browser that carries a token may do."""
        with self._lock:
            if token in self._paired:
                return Role.PAIRED
            return Role.READER if token in self._links else Role.STRANGER

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
