"""A bench whose sheet is done, without the time that measuring takes."""

import json
import random

from logger.begin import default_gauges, open_session
from logger.bench import Bench
from logger.demo.neck import DESCRIPTION, invent
from logger.gauge_file import worth
from logger.instrument import parse_instrument
from logger.kept import feet_text
from logger.limits import default_limits
from logger.sheet import round_of, standard_items
from logger.store import ReadingRow, SessionGauge, Store

SEED, NOISE_MM, LEAF_NM = 7, 0.002, 50_000
NOW_NS, SECOND_NS = 1_780_000_000_000_000_000, 10**9
GAUGES = {
    "caliper": "demo caliper",
    "depth_indicator": "demo depth indicator",
    "rocker": "demo rocker",
    "leaves": "leaves",
}


def measured(store: Store) -> Bench:
    """Return a bench whose sheet is done: every feature of the demo's neck, as its gauges would have told it."""
    instrument, neck_ = parse_instrument(DESCRIPTION, where="the demo's instrument"), invent(SEED)
    limits, specs = default_limits(instrument.kind), default_gauges()
    session = open_session(store, instrument, limits, resume=False)
    for kind, name in GAUGES.items():
        store.put(SessionGauge(session=session, gauge=name, kind=kind, description=json.dumps(worth(specs[kind])),
                               profile="", profile_sha256=""))  # fmt: skip
    rng = random.Random(SEED)
    rows = []
    for number, item in enumerate(standard_items(instrument), start=1):
        asked = item.feature
        nm = round(1e6 * (neck_.true_mm(asked) + rng.gauss(0, NOISE_MM * (item.gauge_kind != "leaves"))))
        low = nm // LEAF_NM * LEAF_NM if item.gauge_kind == "leaves" else None
        rows.append(ReadingRow(
            session=session, gauge=GAUGES[item.gauge_kind], sequence=number, kind=asked.kind, fret=asked.fret,
            place=asked.place, feet=feet_text(asked.feet), round=round_of(item), unit="mm", raw=b"", status="ok",
            value_nm=nm if low is None else low + LEAF_NM // 2, low_nm=low,
            high_nm=None if low is None else low + LEAF_NM,
            taken_at_ns=NOW_NS + number * SECOND_NS, monotonic_ns=number * SECOND_NS,
        ))  # fmt: skip
    for future in [store.submit(row) for row in rows]:
        future.result(timeout=30)
    return Bench(store, instrument, limits, specs=specs, demo=True)
