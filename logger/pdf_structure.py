"""Check that bytes are a whole PDF: from its end back to every table of objects that it names.

Source: ISO 32000-1:2008, 7.5 (file structure): header 7.5.2, cross-reference table 7.5.4, trailer 7.5.5,
cross-reference stream 7.5.8; from memory. The objects' content is not looked into.
"""

import re
from typing import Final

_HEADER: Final = re.compile(rb"%PDF-(1\.[0-7]|2\.0)\s")
_END: Final = re.compile(rb"startxref\s+([0-9]{1,10})\s+%%EOF[\s\0]*\Z")
_TAIL: Final = 1024
_PART: Final = re.compile(rb"\s*([0-9]{1,7})\s+([0-9]{1,7})\s*[\r\n]\s*")
_ENTRY_BYTES: Final = 20
_ENTRY: Final = re.compile(rb"([0-9]{10}) ([0-9]{5}) ([nf])(?: \r| \n|\r\n)")
_TRAILER: Final = re.compile(rb"\s*trailer\s*<<(.*?)>>\s*startxref", re.DOTALL)
_STREAM: Final = re.compile(rb"\s*[0-9]{1,10}\s+[0-9]{1,5}\s+obj\s*<<(.{1,8192}?)>>\s*stream\r?\n", re.DOTALL)
_OBJECT: Final = re.compile(rb"\s*([0-9]{1,10})\s+([0-9]{1,5})\s+obj\b")
_ROOT: Final = re.compile(rb"/Root\s+[0-9]{1,10}\s+[0-9]{1,5}\s+R")
_PREVIOUS: Final = re.compile(rb"/Prev\s+([0-9]{1,10})")
_MOST_TABLES: Final = 1000


def pdf_problem(content: bytes) -> str:
    """Return what does not hold of a PDF, in words that follow "it"; empty where nothing."""
    if not _HEADER.match(content):
        return "does not begin with a version of PDF from 1.0 to 2.0"
    end = _END.search(content, max(0, len(content) - _TAIL))
    if end is None:
        return "does not end as a PDF does: it was cut short, or something was added behind it"
    place: int | None = int(end[1])
    seen: set[int] = set()
    while place is not None:
        if place in seen or len(seen) >= _MOST_TABLES:
            return "names its tables of objects in a circle"
        seen.add(place)
        problem, place = _table(content, place)
        if problem:
            return problem
    return ""


def _table(content: bytes, place: int) -> tuple[str, int | None]:
    """Return what does not hold of the table of objects at a place, and where the table before it lies."""
    if content.startswith(b"xref", place):
        problem, behind = _plain_entries(content, place + len(b"xref"))
        found = None if problem else _TRAILER.match(content, behind)
    else:
        problem, found = "", _STREAM.match(content, place)
        if found is not None and b"/XRef" not in found[1]:
            found = None
    if problem:
        return problem, None
    if found is None:
        return "has no table of objects where its end says", None
    if b"/Encrypt" in found[1]:
        return "is locked; print it into a PDF that is not", None
    if not _ROOT.search(found[1]):
        return "has a table of objects that names no document", None
    before = _PREVIOUS.search(found[1])
    return "", None if before is None else int(before[1])


def _plain_entries(content: bytes, place: int) -> tuple[str, int]:
    """Return what does not hold of the entries of a plain table, and where they end."""
    while part := _PART.match(content, place):
        first, count = int(part[1]), int(part[2])
        place = part.end()
        for number in range(first, first + count):
            entry = _ENTRY.match(content, place)
            if entry is None:
                return "has a table of objects that is damaged", place
            place += _ENTRY_BYTES
            if entry[3] == b"n" and not _is_object(content, int(entry[1]), number):
                return f"has no object {number} where its table says", place
    return "", place


def _is_object(content: bytes, place: int, number: int) -> bool:
    found = _OBJECT.match(content, place)
    return found is not None and int(found[1]) == number
