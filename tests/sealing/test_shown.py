"""The code beside a session on page and sheet: of its newest record, and only while nothing was added since."""

import pytest
from sealed_bench import Sealer, keep, reading, sitting

from logger.sealing.keys import short_code
from logger.sealing.shown import seal_of
from logger.store import RecordRow, Store


def test_a_session_without_a_record_shows_no_code(store: Store) -> None:
    with store.reader() as reader:
        assert seal_of(reader, "s1") is None


def test_the_newest_record_of_a_session_is_shown(store: Store, chain: list[RecordRow]) -> None:
    with store.reader() as reader:
        found = [seal_of(reader, session) for session in ("s1", "s2", "s3")]

    assert [one and one["code"] for one in found] == [short_code(chain[-1].sha256)] * 3
    assert all(one and one["number"] == 3 for one in found)
    modules = (found[0] or {})["modules"]
    assert {len(row) for row in modules} == {len(modules)}
    assert set("".join(modules)) == {"0", "1"}
    assert [row[:7] for row in modules[:7]] == [  # the finder pattern of ISO/IEC 18004, from memory
        "1111111", "1000001", "1011101", "1011101", "1011101", "1000001", "1111111",
    ]  # fmt: skip


@pytest.mark.parametrize("session", ["s1"])
def test_a_reading_added_since_takes_the_code_away(store: Store, sealer: Sealer, session: str) -> None:
    sealer()
    with store.reader() as reader:
        assert seal_of(reader, session) is not None
        last = max(one.row.sequence for one in reader.readings(session))
    keep(store, [reading(last + 1, 1_100_000, "bass")])
    with store.reader() as reader:
        assert seal_of(reader, session) is None


def test_another_session_of_the_instrument_has_no_code_yet(store: Store, sealer: Sealer) -> None:
    sealer()
    keep(store, sitting("s2"))
    with store.reader() as reader:
        assert seal_of(reader, "s2") is None
