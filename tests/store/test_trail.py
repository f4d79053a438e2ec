"""Links kept on the way along a table's chain: where a row changed, as closely as they tell."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from itertools import pairwise

import pytest

from logger.store.chain import START, Link, follow
from logger.store.trail import MOST_MARKS, Marks, Span, changed_past_damage, changed_spans, changed_words, extend


@pytest.fixture
def table() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        connection.execute("CREATE TABLE one (entry INTEGER PRIMARY KEY, a INTEGER) STRICT")
        yield connection


def grow(connection: sqlite3.Connection, rows: int, link: Link = START, marks: Marks = ()) -> tuple[Link, Marks]:
    connection.executemany("INSERT INTO one (a) VALUES (?)", [(number,) for number in range(rows)])
    return extend(connection, "one", link, marks)


def test_every_row_of_a_small_table_has_its_link(table: sqlite3.Connection) -> None:
    end, marks = grow(table, 3)

    assert marks == tuple(follow(table, "one", until=number) for number in (1, 2, 3))
    assert end == marks[-1] == follow(table, "one")
    assert extend(table, "one", end, marks) == (end, marks)


@pytest.mark.parametrize("batch", [1, 7, 1500])
def test_however_it_grows_there_are_links_at_even_distances(table: sqlite3.Connection, batch: int) -> None:
    end, marks = START, tuple[Link, ...]()
    for _ in range(1500 // batch):
        end, marks = grow(table, batch, end, marks)

    assert end == follow(table, "one")
    assert MOST_MARKS // 4 <= len(marks) <= MOST_MARKS
    starts = [0, *(one.entries for one in marks), end.entries]
    assert max(after - before for before, after in pairwise(starts)) <= 8
    assert all(follow(table, "one", until=one.entries) == one for one in marks[::50])


def test_each_changed_place_is_found(table: sqlite3.Connection) -> None:
    end, marks = grow(table, 1000)
    table.execute("UPDATE one SET a = -1 WHERE entry IN (10, 900)")

    spans = changed_spans(table, "one", end, marks)

    assert [10 in range(one.first, one.last + 1) for one in spans] == [True, False]
    assert [900 in range(one.first, one.last + 1) for one in spans] == [False, True]
    assert all(one.last - one.first < 8 for one in spans)
    first, last = spans[0].first, spans[0].last
    (words,) = changed_words(table, "one", spans[:1])
    where = f"of the {last - first + 1} rows from row {first} of one to row {last} of one"
    assert words == f"{where} at least one is not as it was kept"


def test_without_links_on_the_way_it_is_somewhere(table: sqlite3.Connection) -> None:
    end, _ = grow(table, 5)
    table.execute("UPDATE one SET a = -1 WHERE entry = 2")

    assert changed_spans(table, "one", end, ()) == [Span(first=1, last=5)]


def test_rows_newer_than_the_end_do_not_count(table: sqlite3.Connection) -> None:
    end, marks = grow(table, 5)
    grow(table, 2)

    assert changed_spans(table, "one", end, marks) == []


def test_a_row_that_is_gone_is_not_called_changed(table: sqlite3.Connection) -> None:
    end, marks = grow(table, 5)
    table.execute("DELETE FROM one WHERE entry = 2")
    table.execute("UPDATE one SET a = -1 WHERE entry = 4")

    assert changed_past_damage(table, "one", end, marks) == [Span(first=4, last=4)]
    assert changed_words(table, "one", changed_spans(table, "one", end, marks)) == [
        "row 2 of one is gone, from between the others", "row 4 of one is not as it was kept"
    ]  # fmt: skip


def test_many_changes_are_counted_after_the_first_five(table: sqlite3.Connection) -> None:
    end, marks = grow(table, 9)
    table.execute("UPDATE one SET a = -1")

    told = changed_words(table, "one", changed_spans(table, "one", end, marks))

    assert len(told) == 6
    assert told[-1] == "so it is in 4 places more of one"
