"""How much of a request is taken in: little, but for attached files, which waitress writes to the disk as they come."""

from copy import copy
from typing import Any, Final

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser

from dashboard.guard import ATTACH_PATH, MAX_BODY_BYTES, MAX_FILE_BYTES

BODY_LIMIT_BYTES: Final = 2 * MAX_BODY_BYTES
FILE_LIMIT_BYTES: Final = MAX_FILE_BYTES + MAX_BODY_BYTES
"""Waitress' own limits stand behind the guard's, which answers with a sentence."""


class _Parser(HTTPRequestParser):  # type: ignore[misc]  # waitress has no types
    """Reads one request; the head says how long its body may be."""

    adj: Any

    def parse_header(self, header_plus: bytes) -> None:
        """Read the head, and let the body of an attached file be as long as such a file may be."""
        super().parse_header(header_plus)
        if self.command == "POST" and self.path == ATTACH_PATH:
            self.adj = copy(self.adj)
            self.adj.max_request_body_size = FILE_LIMIT_BYTES


class Channel(HTTPChannel):  # type: ignore[misc]  # waitress has no types
    """A connection whose requests have these limits."""

    parser_class: Any = _Parser
