"""What pages ask of all benches at once, kept as rows arrive: counts and sums of readings, sizes of visits, the rack.

Triggers keep it with the owner's rights, whoever sends, so that no bench's login may write it, and an older program at
a bench keeps it too. Sums are whole numbers, so that what is kept is what the view `reading_now` would say, to the last
digit. ``shop init`` makes the triggers anew and counts once more from the rows.
"""

from typing import Final

from logger.shop.tables import BENCH_ROLE, READER_ROLE, SCHEMA, place
from logger.store.schema import Step

SUMMARY: Final = "reading_summary"
VISIT: Final = "visit_summary"
RACK: Final = "rack_summary"
_KEY: Final = "store, session, gauge, sequence"
_OF: Final = "(x.store, x.session, x.gauge, x.sequence) = (r.store, r.session, r.gauge, r.sequence)"
_BEFORE: Final = "NOT EXISTS (SELECT FROM added n WHERE (n.store, n.entry) = (x.store, x.entry))"
# LIMIT keeps the planner to one look at an index for each row: it knows nothing of how few rows a statement added.
_MOVED: Final = f"""LEFT JOIN LATERAL (SELECT x.store, x.kind FROM {place("reassignment")} x
        WHERE {_OF}{{also}} ORDER BY x.number DESC LIMIT 1) {{name}} ON true"""
_GONE: Final = f"""LEFT JOIN LATERAL (SELECT true AS gone FROM {place("take_back")} x
        WHERE {_OF}{{also}} LIMIT 1) t ON true"""
_KIND: Final = "coalesce(CASE WHEN {0}.store IS NULL THEN r.kind ELSE {0}.kind END, '')"
_TOUCHED: Final = f"(SELECT DISTINCT {_KEY} FROM added) d JOIN {place('reading')} r USING ({_KEY})"
_KEEP: Final = f"""INSERT INTO {place(SUMMARY)} AS s (store, kind, readings, total_nm, total_nm2)
        SELECT store, kind, sum(sign), sum(sign * value_nm), sum(sign * value_nm * value_nm) FROM ({{rows}}) c
        GROUP BY store, kind ORDER BY store, kind
        ON CONFLICT (store, kind) DO UPDATE SET readings = s.readings + excluded.readings,
            total_nm = s.total_nm + excluded.total_nm, total_nm2 = s.total_nm2 + excluded.total_nm2"""


def _rows(source: str, kind: str, joins: str, sign: int) -> str:
    return (f"SELECT r.store, {kind} AS kind, r.value_nm::numeric AS value_nm, {sign} AS sign FROM {source} {joins} "
            "WHERE t.gone IS NULL")  # fmt: skip


_NOW: Final = _MOVED.format(also="", name="a")
_WAS: Final = _MOVED.format(also=f" AND {_BEFORE}", name="b")
_TAKEN: Final = _GONE.format(also="")
_ROWS: Final = {
    "reading": _rows("added r", _KIND.format("a"), f"{_NOW} {_TAKEN}", 1),
    "take_back": _rows(_TOUCHED, _KIND.format("a"), f"{_NOW} {_GONE.format(also=f' AND {_BEFORE}')}", -1),
    "reassignment": f"{_rows(_TOUCHED, _KIND.format('a'), f'{_NOW} {_TAKEN}', 1)} UNION ALL "
    f"{_rows(_TOUCHED, _KIND.format('b'), f'{_WAS} {_TAKEN}', -1)}",
}

# -- the rack --------------------------------------------------------------------------------------------------------

_TOUCHED_NECKS: Final = {
    "instrument": "SELECT store, id AS instrument FROM added",
    "instrument_revision": "SELECT DISTINCT store, instrument FROM added",
    "session": "SELECT DISTINCT store, instrument FROM added",
    "session_end": f"""SELECT DISTINCT s.store, s.instrument FROM added a
        JOIN {place("session")} s ON (s.store, s.id) = (a.store, a.session)""",
}
_RACKED: Final = ("name", "folded", "made", "session", "started_at_ns", "ended")
_ON_RACK: Final = f"""INSERT INTO {place(RACK)} (store, instrument, {", ".join(_RACKED)})
        SELECT i.store, i.id, coalesce(r.name, ''), {SCHEMA}.folded(coalesce(r.name, '')), i.entry, s.id,
            s.started_at_ns, s.id IS NOT NULL
            AND EXISTS (SELECT FROM {place("session_end")} e WHERE (e.store, e.session) = (i.store, s.id))
        FROM ({{necks}}) d JOIN {place("instrument")} i ON (i.store, i.id) = (d.store, d.instrument)
        LEFT JOIN LATERAL (SELECT x.name FROM {place("instrument_revision")} x
            WHERE (x.store, x.instrument) = (i.store, i.id) ORDER BY x.revision DESC LIMIT 1) r ON true
        LEFT JOIN LATERAL (SELECT x.id, x.started_at_ns FROM {place("session")} x
            WHERE (x.store, x.instrument) = (i.store, i.id) ORDER BY x.entry DESC LIMIT 1) s ON true
        WHERE i.id <> 'none' ORDER BY i.store, i.id
        ON CONFLICT (store, instrument) DO UPDATE SET {", ".join(f"{one} = excluded.{one}" for one in _RACKED)}"""
_SIZED: Final = f"""INSERT INTO {place(VISIT)} AS v (store, session, readings, amended)
        SELECT store, session, {{readings}}, {{amended}} FROM added GROUP BY store, session ORDER BY store, session
        ON CONFLICT (store, session) DO UPDATE SET readings = v.readings + excluded.readings,
            amended = v.amended + excluded.amended"""
# Letters that are not ASCII have small forms only where the server was built with ICU.
_FOLDED: Final = f"""DO $do$ BEGIN EXECUTE 'CREATE OR REPLACE FUNCTION {SCHEMA}.folded(text) RETURNS text LANGUAGE sql
    IMMUTABLE AS $f$ SELECT lower($1' || CASE WHEN EXISTS (SELECT FROM pg_catalog.pg_collation
    WHERE collname = 'und-x-icu') THEN ' COLLATE "und-x-icu"' ELSE '' END || ') $f$'; END $do$"""

# -- all of it -------------------------------------------------------------------------------------------------------

_KEPT: Final = {
    **{table: (_ON_RACK.format(necks=necks),) for table, necks in _TOUCHED_NECKS.items()},
    "reading": (_KEEP.format(rows=_ROWS["reading"]), _SIZED.format(readings="count(*)", amended="0")),
    **{table: (_KEEP.format(rows=_ROWS[table]), _SIZED.format(readings="0", amended="count(*)"))
       for table in ("take_back", "reassignment")},
}  # fmt: skip
"""By table, what is done for the rows that a statement added to it."""

STEP: Final = Step(
    words="sums of every kind of reading, sizes of visits and the rack, by bench",
    statements=(
        f"""CREATE TABLE {place(SUMMARY)} (store uuid NOT NULL, kind text COLLATE "C" NOT NULL,
        readings bigint NOT NULL, total_nm numeric NOT NULL, total_nm2 numeric NOT NULL, PRIMARY KEY (store, kind))""",
        f"""CREATE TABLE {place(VISIT)} (store uuid NOT NULL, session text COLLATE "C" NOT NULL,
        readings bigint NOT NULL, amended bigint NOT NULL, PRIMARY KEY (store, session))""",
        f"""CREATE TABLE {place(RACK)} (store uuid NOT NULL, instrument text COLLATE "C" NOT NULL, name text NOT NULL,
        folded text COLLATE "C" NOT NULL, made bigint NOT NULL, session text COLLATE "C", started_at_ns bigint,
        ended boolean NOT NULL, PRIMARY KEY (store, instrument))""",
        f"CREATE INDEX rack_order ON {place(RACK)} (started_at_ns DESC NULLS LAST, store, made DESC)",
        *(f"REVOKE ALL ON {place(name)} FROM PUBLIC" for name in (SUMMARY, VISIT, RACK)),
        *(f"GRANT SELECT ON {place(name)} TO {BENCH_ROLE}, {READER_ROLE}" for name in (SUMMARY, VISIT, RACK)),
    ),
)


def _kept(table: str) -> tuple[str, ...]:
    """Return the statements that make the summaries follow a table."""
    function = f"{SCHEMA}.sum_up_{table}"
    return (
        f"""CREATE OR REPLACE FUNCTION {function}() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
        SET search_path = pg_catalog, pg_temp AS $$
        BEGIN {"; ".join(_KEPT[table])}; RETURN NULL; END $$""",
        f"REVOKE ALL ON FUNCTION {function}() FROM PUBLIC",
        f"DROP TRIGGER IF EXISTS sum_up ON {place(table)}",
        f"""CREATE TRIGGER sum_up AFTER INSERT ON {place(table)} REFERENCING NEW TABLE AS added
        FOR EACH STATEMENT EXECUTE FUNCTION {function}()""",
        f"ALTER TABLE {place(table)} ENABLE ALWAYS TRIGGER sum_up",
    )


_AMENDED: Final = " UNION ALL ".join(
    f"SELECT store, session FROM {place(name)}" for name in ("take_back", "reassignment")
)

ANEW: Final = (
    _FOLDED,
    f"CREATE INDEX IF NOT EXISTS session_by_instrument ON {place('session')} (store, instrument, entry)",
    *(statement for table in _KEPT for statement in _kept(table)),
    # a trigger is made under a lock that lets nobody insert until all of this is committed, so that none is missed
    f"TRUNCATE {place(SUMMARY)}, {place(VISIT)}, {place(RACK)}",
    f"""INSERT INTO {place(SUMMARY)} SELECT store, coalesce(kind, ''), count(*), sum(value_nm::numeric),
    sum(value_nm::numeric * value_nm) FROM {SCHEMA}.reading_now GROUP BY 1, 2""",
    f"""INSERT INTO {place(VISIT)} SELECT store, session, sum(readings), sum(amended) FROM (
        SELECT store, session, count(*) AS readings, 0 AS amended FROM {place("reading")} GROUP BY 1, 2
        UNION ALL SELECT store, session, 0, count(*) FROM ({_AMENDED}) a GROUP BY 1, 2) b GROUP BY 1, 2""",
    _ON_RACK.format(necks=f"SELECT store, id AS instrument FROM {place('instrument')}"),
)
"""Made at every ``shop init``, after the tables and views are there."""

STATISTICS: Final = f"""SELECT kind, n, (total / n / 1000000)::float8,
    CASE WHEN n > 1 THEN (sqrt(greatest(total2 - total * total / n, 0) / (n - 1)) / 1000000)::float8 END
FROM (SELECT kind, sum(readings) AS n, sum(total_nm) AS total, sum(total_nm2) AS total2
    FROM {place(SUMMARY)} GROUP BY kind) s WHERE n > 0 ORDER BY kind"""
"""Of every kind over all benches: how many readings stand, their mean and their standard deviation, mm."""
