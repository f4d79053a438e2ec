"""What the neck at the bench is worked with, told on a page: its wire, the blade that cut its slots, and the like."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from logger.door import Action, Answer
from logger.errors import InputFileError, StoreError
from logger.factors import FACTORS, checked_factors, factors_of, keep_factors
from logger.instrument import Instrument
from logger.kept import utc_text
from logger.store import SessionFactor, Store, StoreReader

MOST_SEEN: Final = 50
"""What a page is told of earlier wires, blades and the like, of each so many."""

Told = dict[str, Any]


def worked_json(reader: StoreReader, session: str, neck: Instrument) -> Told:
    """Return what a session is worked with as plain JSON values, with what the store knows of it.

    ``now`` has of every factor the value that holds (empty for none), where it is from (``bench``, ``file`` or
    nothing) and since when; ``seen`` what other sessions were worked with, the newest first.

    Raises:
        StoreError: the store cannot be read.
    """
    rows, stated = reader.factors(session), factors_of(neck)
    uses = reader.factor_uses(without=session)
    seen = {name: [{"value": one.value, "visits": one.sessions, "last": utc_text(one.last_ns)}
                   for one in uses if one.name == name][:MOST_SEEN] for name in FACTORS}  # fmt: skip
    return {"now": [_now(name, rows, stated) for name in FACTORS], "seen": seen, "wire": _wire_facts(neck)}


def _now(name: str, rows: Sequence[SessionFactor], stated: Mapping[str, str]) -> Told:
    noted = max((one for one in rows if one.name == name), key=lambda one: one.number, default=None)
    if noted is not None:
        return {"name": name, "value": noted.value, "from": "bench", "at": utc_text(noted.at_ns)}
    value = stated.get(name, "")
    return {"name": name, "value": value, "from": "file" if value else "", "at": None}


def _wire_facts(neck: Instrument) -> Told:
    """Return the sizes of the wire that the instrument's description states, in mm."""
    stock = neck.stock
    sizes = {"piece_mm": stock.piece_mm, "crown_width_mm": stock.crown_width_mm, "barb_pitch_mm": stock.barb_pitch_mm,
             "barb_length_mm": stock.barb_length_mm, "radius_mm": stock.radius_mm}  # fmt: skip
    return {"pieces": stock.pieces, **sizes}


class WorkedWith:
    """Notes what the session at the bench is worked with.

    Args:
        store: where to.
        session: the session at the bench.
        neck: what it measures; None where it measures no instrument.
        on_change: told when something was noted.
    """

    def __init__(self, store: Store, session: str, neck: Instrument | None, on_change: Callable[[], None]) -> None:
        self._store = store
        self._session = session
        self._neck = neck
        self._on_change = on_change

    def note(self, action: Action) -> Answer:
        """Keep what an action's ``factors`` tell where it is new; answer once it is on disk."""
        given = action.get("factors")
        if self._neck is None:
            return Answer(done=False, text="a study measures no neck: there is nothing to say of wire and blade")
        if not isinstance(given, Mapping):
            return Answer(done=False, text="what a neck is worked with must be named, like wire, lot or blade")
        try:
            keep_factors(self._store, self._session, checked_factors(given), stated=factors_of(self._neck))
        except (InputFileError, StoreError) as error:
            return Answer(done=False, text=str(error))
        self._on_change()
        return Answer(done=True, text="kept")
