"""What a name and a note may be, and how a text from outside is shown in a line that tells what is wrong with it."""

import re
from typing import Final

MOST_NAME: Final = 120
"""Characters of a name: of a gauge, an instrument, a round, a session, a person."""
MOST_NOTE: Final = 500
"""Characters of a note or a reason."""
_SHOWN: Final = 60
_MOST_LINE: Final = 1000
_UNBROKEN: Final = re.compile(r"\S{300,}")
_CONTROL: Final = re.compile(r"[\x00-\x1f\x7f-\x9f]")


def brief(text: str) -> str:
    """Return a text in quotes, cut behind 60 characters."""
    return repr(text) if len(text) <= _SHOWN else f"{text[:_SHOWN]!r}..."


def text_fault(what: str, text: str, *, most: int = MOST_NAME) -> str:
    """Return what is wrong with a text as a name or a note of ``what``, empty where nothing is."""
    if len(text) > most:
        return f"{what} must have at most {most} characters, got {len(text)}; shorten it"
    if not text.isprintable():
        return f"{what} must be one line of plain text, got {brief(text)}; leave control characters away"
    return ""


def short_line(text: str) -> str:
    """Return a text as one line for a terminal: no control characters, what is too long for anybody to read cut."""
    line = _UNBROKEN.sub(lambda found: f"{found[0][:_SHOWN]}...", " ".join(text.split()))
    line = _CONTROL.sub(lambda found: f"\\x{ord(found[0]):02x}", line)
    return line if len(line) <= _MOST_LINE else f"{line[: _MOST_LINE - 300]} ... {line[-290:]}"
