"""How a neck was fretted: the wire, its lot, the blade, the wood and the like, by session."""

import time
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Final

from logger.errors import InputFileError
from logger.instrument import Instrument
from logger.names import text_fault
from logger.store import SessionFactor, Store

MOST_TEXT: Final = 200
"""Characters of a factor's value."""

FACTORS: Final = MappingProxyType({
    "seating": "seating method", "glue": "glue", "caul": "caul", "wire": "wire", "lot": "wire lot", "blade": "blade",
    "wood": "wood",
})  # fmt: skip
"""Every factor that lessons are told by, in words."""
_STATED: Final = (
    ("wire", "wire", "name"),
    ("lot", "wire", "lot"),
    ("blade", "wire", "blade"),
    ("wood", "board", "wood"),
)


def factors_of(neck: Instrument, noted: Iterable[SessionFactor] = ()) -> dict[str, str]:
    """Return the factors of a session; what nobody states is left out.

    Args:
        neck: the session's instrument, whose description states some.
        noted: what was noted at the bench, in order; the newest of a name holds, and an empty one takes it back.
    """
    tables = {"wire": neck.wire, "board": neck.board}
    found = {name: str(tables[table].get(key, "")) for name, table, key in _STATED}
    found |= {one.name: one.value for one in sorted(noted, key=lambda one: one.number)}
    return {name: value for name, value in found.items() if value.strip()}


def parse_factors(texts: Sequence[str]) -> dict[str, str]:
    """Return the factors that texts like ``seating=pressed`` name.

    Raises:
        InputFileError: a text is none, names no factor or one that was named already, or says nothing of it.
    """
    found: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if name not in FACTORS or not equals or len(value) > MOST_TEXT or not value.isprintable():
            known = ", ".join(FACTORS)
            raise InputFileError(
                f"--factor must be NAME=WHAT, like seating=pressed, with a name of {known}, got {text[:80]!r}"
            )
        if not value.strip():
            raise InputFileError(
                f"--factor {name}= must say what it is, got nothing; leave it away where nobody knows, or say none"
            )
        if name in found:
            raise InputFileError(
                f"--factor {name} must be given once, got {found[name][:40]!r} and {value.strip()[:40]!r}; keep one"
            )
        found[name] = value.strip()
    return found


def checked_factors(given: Mapping[str, object]) -> dict[str, str]:
    """Return the factors that a page tells; an empty one says that nobody knows.

    Raises:
        InputFileError: a name is none of a factor's, or what is told of it is no line of text, or too long.
    """
    found: dict[str, str] = {}
    for name, value in given.items():
        if name not in FACTORS:
            raise InputFileError(f"what a neck is worked with is one of {', '.join(FACTORS)}, got {name[:40]!r}")
        if not isinstance(value, str):
            raise InputFileError(f"the {FACTORS[name]} must be a text, got {str(value)[:40]!r}; write its name")
        if fault := text_fault(f"the {FACTORS[name]}", value.strip(), most=MOST_TEXT):
            raise InputFileError(fault)
        found[name] = value.strip()
    return found


def keep_factors(
    store: Store, session: str, wanted: Mapping[str, str], *, stated: Mapping[str, str] = MappingProxyType({})
) -> None:
    """Note the factors of a session that differ from what was noted before.

    Args:
        store: where to.
        session: which.
        wanted: what is told; an empty text takes back what was noted or stated.
        stated: what the instrument's description says where nothing was noted; saying it again keeps nothing.

    Raises:
        StoreError: they cannot be kept.
    """
    with store.reader() as reader:
        before = sorted(reader.factors(session), key=lambda one: one.number)
    known = {**stated, **{one.name: one.value for one in before}}
    number = before[-1].number + 1 if before else 0
    for name, value in wanted.items():
        if known.get(name, "") != value:
            store.put(SessionFactor(session=session, number=number, at_ns=time.time_ns(), name=name, value=value))
            number += 1
