"""How a neck was fretted: the wire, its lot, the blade, the wood and the like, by session."""

from types import MappingProxyType
from typing import Final

from logger.instrument import Instrument

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


def factors_of(neck: Instrument) -> dict[str, str]:
    """Return the factors that a session's instrument states; what it does not state is left out."""
    tables = {"wire": neck.wire, "board": neck.board}
    return {name: str(tables[table][key]) for name, table, key in _STATED if str(tables[table].get(key, "")).strip()}
