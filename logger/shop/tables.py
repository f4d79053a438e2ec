"""The shop's tables: those of a bench's store with the store's id before them, in a schema of their own.

They are made from the store's own descriptions, so that a table that the store gains comes along. No row refers to
another by a constraint and kinds are text: a bench is never held up by what a shop does not know yet. Every unique key
begins with the store, so that tables can be spread over partitions or machines by it.
"""

from collections.abc import Sequence
from typing import Final

from logger.store.schema import Step
from logger.store.tables import TABLES, Table

SCHEMA: Final = "fretledger"
BENCH_ROLE: Final = "fretledger_bench"
READER_ROLE: Final = "fretledger_reader"
# Bytes order text at both ends alike, whatever language the database server speaks.
_TYPES: Final = {int: "bigint", str: 'text COLLATE "C"', bytes: "bytea"}


def quoted(names: Sequence[str], before: str = "") -> str:
    """Return column names as SQL lists them, each with ``before`` in front."""
    return ", ".join(f'{before}"{name}"' for name in names)


def place(name: str) -> str:
    """Return a table's name with its schema."""
    return f'{SCHEMA}."{name}"'


def store_tables() -> tuple[Table, ...]:
    """Return the store's tables; a table stands after those that its rows refer to."""
    return tuple(TABLES.values())


def columns_of(table: Table) -> str:
    """Return the columns of a table as SQL declares them, the local order first."""
    declared = (
        f'"{column.name}" {_TYPES[column.kind]}{"" if column.optional else " NOT NULL"}' for column in table.columns
    )
    return ", ".join(("entry bigint NOT NULL", *declared))


def guards(name: str, *, insert_only: bool = True) -> tuple[str, ...]:
    """Return the statements that make a table append-only, for its owner too."""
    events = "UPDATE OR DELETE OR TRUNCATE" if insert_only else "DELETE OR TRUNCATE"
    return (
        f"""CREATE TRIGGER append_only BEFORE {events} ON {place(name)}
        FOR EACH STATEMENT EXECUTE FUNCTION {SCHEMA}.refuse_change()""",
        f"ALTER TABLE {place(name)} ENABLE ALWAYS TRIGGER append_only",
        f"REVOKE ALL ON {place(name)} FROM PUBLIC",
        f"GRANT SELECT ON {place(name)} TO {BENCH_ROLE}, {READER_ROLE}",
    )


def create(table: Table) -> tuple[str, ...]:
    """Return the statements that make one of the store's tables at the shop."""
    return (
        f"""CREATE TABLE {place(table.name)} (store uuid NOT NULL, {columns_of(table)},
        PRIMARY KEY (store, entry), UNIQUE (store, {quoted(table.key)}))""",
        *guards(table.name),
        f"GRANT INSERT ON {place(table.name)} TO {BENCH_ROLE}",
    )


def _role(name: str) -> str:
    # CREATE ROLE knows no IF NOT EXISTS, and a role belongs to all databases of a server.
    return (
        f"DO $$ BEGIN IF NOT EXISTS (SELECT FROM pg_catalog.pg_roles WHERE rolname = '{name}') "
        f"THEN CREATE ROLE {name} NOLOGIN; END IF; END $$"
    )


FIRST: Final = Step(
    words="the benches, how far each has sent, and who may do what",
    statements=(
        _role(BENCH_ROLE),
        _role(READER_ROLE),
        f"CREATE SCHEMA {SCHEMA}",
        f"REVOKE ALL ON SCHEMA {SCHEMA} FROM PUBLIC",
        f"GRANT USAGE ON SCHEMA {SCHEMA} TO {BENCH_ROLE}, {READER_ROLE}",
        f"""CREATE FUNCTION {SCHEMA}.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN RAISE EXCEPTION 'append-only: what % holds is never changed or deleted', TG_TABLE_NAME; END $$""",
        f"""CREATE FUNCTION {SCHEMA}.refuse_step_back() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN IF NEW.entry < OLD.entry THEN
            RAISE EXCEPTION 'the mark of % never goes back, from % to %', NEW.name, OLD.entry, NEW.entry;
        END IF; RETURN NEW; END $$""",
        f"""CREATE TABLE {place("migration")} (part text NOT NULL, number integer NOT NULL, words text NOT NULL,
        at timestamptz NOT NULL DEFAULT now(), PRIMARY KEY (part, number))""",
        *guards("migration"),
        f"""CREATE TABLE {place("bench")} (store uuid PRIMARY KEY, created_at_ns bigint NOT NULL,
        software text NOT NULL, login text NOT NULL DEFAULT session_user,
        first_seen timestamptz NOT NULL DEFAULT now(), last_seen timestamptz NOT NULL DEFAULT now())""",
        *guards("bench", insert_only=False),
        f"GRANT INSERT, UPDATE (software, last_seen) ON {place('bench')} TO {BENCH_ROLE}",
        f"""CREATE TABLE {place("mark")} (store uuid NOT NULL REFERENCES {place("bench")}, name text NOT NULL,
        entry bigint NOT NULL, at timestamptz NOT NULL DEFAULT now(), PRIMARY KEY (store, name))""",
        *guards("mark", insert_only=False),
        f"""CREATE TRIGGER no_step_back BEFORE UPDATE ON {place("mark")}
        FOR EACH ROW EXECUTE FUNCTION {SCHEMA}.refuse_step_back()""",
        f"ALTER TABLE {place('mark')} ENABLE ALWAYS TRIGGER no_step_back",
        f"GRANT INSERT, UPDATE (entry, at) ON {place('mark')} TO {BENCH_ROLE}",
    ),
)

_OF_READING: Final = "store, session, gauge, sequence"

VIEWS: Final = (
    f"""CREATE OR REPLACE VIEW {SCHEMA}.reading_now AS
    SELECT r.store, r.session, r.gauge, r.sequence, r.entry,
        CASE WHEN a.store IS NULL THEN r.kind ELSE a.kind END AS kind,
        CASE WHEN a.store IS NULL THEN r.fret ELSE a.fret END AS fret,
        CASE WHEN a.store IS NULL THEN r.place ELSE a.place END AS place,
        CASE WHEN a.store IS NULL THEN r.feet ELSE a.feet END AS feet,
        CASE WHEN a.store IS NULL THEN r.round ELSE a.round END AS round,
        r.value_nm, r.low_nm, r.high_nm, r.span_nm, r.unit, r.raw, r.status, r.taken_at_ns, r.monotonic_ns
    FROM {place("reading")} r
    LEFT JOIN (SELECT DISTINCT ON ({_OF_READING}) * FROM {place("reassignment")} ORDER BY {_OF_READING}, number DESC) a
        USING ({_OF_READING})
    WHERE NOT EXISTS (SELECT FROM {place("take_back")} t
        WHERE (t.store, t.session, t.gauge, t.sequence) = (r.store, r.session, r.gauge, r.sequence))""",
    f"REVOKE ALL ON {SCHEMA}.reading_now FROM PUBLIC",
    f"GRANT SELECT ON {SCHEMA}.reading_now TO {BENCH_ROLE}, {READER_ROLE}",
)
"""Readings as they stand: after every reassignment, without those taken back; made anew at every ``shop init``."""
