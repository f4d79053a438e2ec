"""How much of a request is taken in: little, but for attached files, which waitress writes to the disk as they come."""

import contextlib
import socket
from copy import copy
from typing import Any, Final

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.utilities import RequestEntityTooLarge

from dashboard.guard import ATTACH_PATH, MAX_BODY_BYTES, MAX_FILE_BYTES, too_large

BODY_LIMIT_BYTES: Final = 2 * MAX_BODY_BYTES
FILE_LIMIT_BYTES: Final = MAX_FILE_BYTES + MAX_BODY_BYTES
"""Waitress' own limits stand behind the guard's; both answer with the same sentence."""
DRAIN_BYTES: Final = 64 * 1024 * 1024
"""How much of a refused body is thrown away, so that whoever still sends it can read the answer."""


class _TooLarge(RequestEntityTooLarge):  # type: ignore[misc]  # waitress has no types
    """The refusal in one line, as the guard words it."""

    def to_response(self, _ident: str | None = None) -> tuple[str, list[tuple[str, str]], bytes]:
        """Return status, headers and body."""
        line = f"{self.code} {self.reason}"
        return line, [("Content-Type", "text/plain; charset=utf-8")], f"{line}: {self.body}\n".encode()


class _Parser(HTTPRequestParser):  # type: ignore[misc]  # waitress has no types
    """Reads one request; the head says how long its body may be."""

    adj: Any
    path: str
    error: Any

    def received(self, data: bytes) -> int:
        """Take in what came, and say in a sentence when it is too long."""
        taken: int = super().received(data)
        if isinstance(self.error, RequestEntityTooLarge) and not isinstance(self.error, _TooLarge):
            self.error = _TooLarge(too_large(self.path))
        return taken

    def parse_header(self, header_plus: bytes) -> None:
        """Read the head, and let the body of an attached file be as long as such a file may be."""
        super().parse_header(header_plus)
        if self.command == "POST" and self.path == ATTACH_PATH:
            self.adj = copy(self.adj)
            self.adj.max_request_body_size = FILE_LIMIT_BYTES


class Channel(HTTPChannel):  # type: ignore[misc]  # waitress has no types
    """A connection whose requests have these limits.

    A connection that is closed on bytes nobody read is reset, and the answer is lost with it: a refused body is read
    and thrown away first.
    """

    parser_class: Any = _Parser
    requests: list[Any]
    will_close: bool
    adj: Any
    socket: socket.socket
    _refused = False
    _drained: int | None = None

    def received(self, data: bytes) -> bool:
        """Take in what came, and note that a body was refused."""
        taken: bool = super().received(data)
        self._refused = self._refused or any(isinstance(one.error, _TooLarge) for one in self.requests)
        return taken

    def readable(self) -> bool:
        """Tell whether there may be something to read, if only to be thrown away."""
        return self._drained is not None or bool(super().readable())

    def handle_read(self) -> None:
        """Read, or throw away the rest of a refused body."""
        if self._drained is None:
            super().handle_read()
            return
        try:
            self._drained += len(self.recv(self.adj.recv_bytes))
        except OSError:
            self._drained = DRAIN_BYTES
        if self._drained >= DRAIN_BYTES:
            self.handle_close()

    def handle_close(self) -> None:
        """Close; after a refusal only once the other side has ended, or has sent too much all the same."""
        if not self._refused or self._drained is not None:
            super().handle_close()
            return
        self._drained, self.will_close = 0, False
        with contextlib.suppress(OSError):  # the other side may be gone
            self.socket.shutdown(socket.SHUT_WR)
