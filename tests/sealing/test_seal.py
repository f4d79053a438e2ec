"""What is sealed, how it is chained in the store, and what is refused before anything is kept."""

import json
import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sealed_bench import KEY, NECK, NOW_NS, SHOP, Sealer, keep, reading, sitting

from logger.errors import InputFileError, RecordError, SessionNotFoundError
from logger.sealing import canonical
from logger.sealing.keys import certify
from logger.sealing.page import page
from logger.sealing.seal import NothingToSealError, choose, records_file, seal, write_file
from logger.sealing.verify import check_trust, read_records
from logger.store import (
    NO_INSTRUMENT,
    InstrumentRevision,
    InstrumentRow,
    SessionPurpose,
    SessionRow,
    Store,
)


def test_the_store_keeps_what_was_sealed(store: Store, sealer: Sealer) -> None:
    made = sealer()

    with store.reader() as reader:
        assert reader.records("neck") == [made]
    assert (made.number, made.previous, made.names, made.key) == (1, "", "", KEY.public)
    assert json.loads(made.document)["at"] == "2023-11-14T22:13:21+00:00"
    assert json.loads(made.document)["bench"] == {"key": KEY.public, "store": store.store_id}


def test_what_is_sealed_already_is_not_sealed_twice(store: Store, sealer: Sealer) -> None:
    first = sealer()
    assert sealer.new

    assert sealer() == first
    assert not sealer.new
    with store.reader() as reader:
        assert len(reader.records("neck")) == 1


def test_one_more_reading_is_something_new(store: Store, sealer: Sealer) -> None:
    first = sealer()
    keep(store, [reading(20, 1_101_000, "bass")])

    assert sealer().names == first.id


def test_records_of_other_instruments_are_in_the_chain_and_not_named(store: Store, sealer: Sealer) -> None:
    first = sealer()
    session = replace(sitting("o1")[0], instrument="other")
    keep(store, [
        InstrumentRow(id="other", created_at_ns=1, description=NECK),
        InstrumentRevision(instrument="other", revision=1, at_ns=1, name="Other neck", description=NECK),
        session,
    ])  # fmt: skip
    with store.reader() as reader:
        sessions = choose(reader, session=None, name="Other neck")

    second, _ = seal(store, sessions, KEY, certificate=None, software="test", now_ns=NOW_NS)

    assert (second.number, second.previous, second.names) == (2, first.sha256, "")
    keep(store, sitting("s2"))
    third = sealer()
    assert (third.number, third.previous, third.names) == (3, second.sha256, first.id)
    assert [one.number for one in read_records(records_file([first, second, third]))] == [1, 2, 3]


# -- which sessions --------------------------------------------------------------------------------------------------


def _study() -> list[Any]:
    session = SessionRow(id="study", instrument=NO_INSTRUMENT, revision=1, started_at_ns=1, monotonic_ns=1, boot_id="b",
                         software="t")  # fmt: skip
    return [
        InstrumentRow(id=NO_INSTRUMENT, created_at_ns=0, description=""),
        InstrumentRevision(instrument=NO_INSTRUMENT, revision=1, at_ns=0, name="no instrument", description=""),
        session,
        SessionPurpose(session="study", purpose="study", description="{}"),
    ]


def test_a_study_is_no_instruments_session(store: Store) -> None:
    keep(store, _study())

    with store.reader() as reader:
        assert [one.id for one in choose(reader, session=None, name=None)] == ["s1"]
        with pytest.raises(NothingToSealError, match="session study does not measure an instrument"):
            choose(reader, session="study", name=None)


@pytest.mark.parametrize(
    ("session", "name", "error", "words"),
    [
        pytest.param("s9", None, SessionNotFoundError, "holds no session 's9'", id="session"),
        pytest.param(None, "Other", NothingToSealError, "instruments are 'Invented neck'", id="name"),
        pytest.param(None, "x" * 10_000_000, NothingToSealError, "no session measures an instrument", id="10 MB"),
        pytest.param(None, "'; DROP TABLE record; --", NothingToSealError, "no session measures", id="SQL"),
    ],
)
def test_what_is_not_there_is_told(
    store: Store, session: str | None, name: str | None, error: type[Exception], words: str
) -> None:
    with store.reader() as reader, pytest.raises(error, match=words) as caught:
        choose(reader, session=session, name=name)
    assert len(str(caught.value)) < 500


def test_an_empty_store_has_nothing_to_seal(tmp_path: Path) -> None:
    with (
        Store.create(tmp_path / "empty.db") as empty,
        empty.reader() as reader,
        pytest.raises(NothingToSealError, match="the store's instruments are none"),
    ):
        choose(reader, session=None, name=None)


def test_of_several_instruments_one_must_be_named(store: Store) -> None:
    keep(store, [
        InstrumentRow(id="other", created_at_ns=1, description=NECK),
        InstrumentRevision(instrument="other", revision=1, at_ns=1, name="Other neck", description=NECK),
        replace(sitting("o1")[0], instrument="other"),
    ])  # fmt: skip

    with (
        store.reader() as reader,
        pytest.raises(NothingToSealError, match="name one with --instrument: 'Invented neck'"),
    ):
        choose(reader, session=None, name=None)


# -- hostile texts ---------------------------------------------------------------------------------------------------

SQL = "'); DROP TABLE record; DELETE FROM reading WHERE ('1'='1' --\x1b[2J\x00\u202e"


def _hostile(text: str) -> list[Any]:
    session = replace(sitting("h1")[0], people=text, note=text, software=text, boot_id=text, instrument="hostile")
    gauge = replace(sitting("h1")[1], gauge=text, kind=text, profile=text, profile_sha256=text)
    of = {"session": "h1", "gauge": text, "unit": text, "status": text, "round": text}
    return [
        InstrumentRow(id="hostile", created_at_ns=1, description=NECK),
        InstrumentRevision(instrument="hostile", revision=1, at_ns=1, name=text, description=NECK),
        session,
        gauge,
        reading(1, 1_100_000, "bass", **of),
        reading(2, 1_100_000, "centre", **of),
        reading(3, 1_190_000, "treble", **of),
        reading(4, 1_190_000, "treble", **(of | {"place": text, "kind": text, "raw": text.encode()})),
    ]  # fmt: skip


@pytest.mark.parametrize("text", [pytest.param(SQL, id="SQL"), pytest.param("n" * 200_000, id="200 kB in each field")])
def test_hostile_texts_are_sealed_as_they_are_and_shown_tame(store: Store, text: str) -> None:
    keep(store, _hostile(text))
    with store.reader() as reader:
        sessions = choose(reader, session="h1", name=None)

    made, _ = seal(store, sessions, KEY, certificate=None, software="test", now_ns=NOW_NS)

    (sealed,) = read_records(records_file([made]))
    check_trust([sealed], key=KEY.public, shop=None)
    revision = sealed.document["instrument"]["revisions"][0]
    assert revision["name"] == text
    lines = page(sealed, software="test")
    assert all(len(line) < 1000 and line.isprintable() for line in lines)
    with store.reader() as reader:
        assert reader.records("hostile") == [made]
        assert reader.count("s1") == 5


def test_a_name_of_10_mb_is_sealed_and_checked(store: Store) -> None:
    name = "n" * 10_000_000
    keep(store, [
        InstrumentRevision(instrument="neck", revision=2, at_ns=1, name=name, description=NECK),
        replace(sitting("s2")[0], revision=2),
    ])  # fmt: skip
    with store.reader() as reader:
        sessions = choose(reader, session="s2", name=None)

    (sealed,) = read_records(
        records_file([seal(store, sessions, KEY, certificate=None, software="test", now_ns=NOW_NS)[0]])
    )

    assert len(sealed.document["instrument"]["revisions"][0]["name"]) == 10_000_000
    assert page(sealed, software="test")[0] == "n" * 120 + "..."


def test_an_account_too_large_to_read_back_is_not_kept(
    store: Store, sealer: Sealer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(canonical, "MOST_BYTES", 5_000)

    with pytest.raises(RecordError, match="too large"):
        sealer()
    with store.reader() as reader:
        assert reader.last_record() is None


def test_a_bench_whose_clock_is_behind_its_certificate_is_told_at_once(store: Store, sealer: Sealer) -> None:
    late = certify(SHOP, KEY.public, name="bench 1", at=datetime(2030, 1, 1, tzinfo=UTC))

    with pytest.raises(RecordError, match="before its bench's certificate begins to hold"):
        sealer(certificate=late)
    with store.reader() as reader:
        assert reader.last_record() is None


def test_a_description_that_does_not_hold_is_told_and_nothing_kept(store: Store) -> None:
    keep(store, [
        InstrumentRevision(instrument="neck", revision=2, at_ns=1, name="n", description="scale_mm = 1"),
        replace(sitting("s2")[0], revision=2),
    ])  # fmt: skip
    with store.reader() as reader:
        sessions = choose(reader, session="s2", name=None)

    with pytest.raises(InputFileError, match="revision 2 of the record's instrument"):
        seal(store, sessions, KEY, certificate=None, software="test", now_ns=NOW_NS)
    with store.reader() as reader:
        assert reader.last_record() is None


# -- files -----------------------------------------------------------------------------------------------------------


def test_a_file_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "record.json"
    write_file(path, b"one", new=True)

    with pytest.raises(InputFileError, match="exists already, and a record is never written over"):
        write_file(path, b"two", new=True)
    assert path.read_bytes() == b"one"
    write_file(path, b"two", new=False)
    assert [one.name for one in tmp_path.iterdir()] == ["record.json"]
    assert path.read_bytes() == b"two"


@pytest.mark.parametrize("name", ["no folder/record.json", "."])
def test_a_file_that_cannot_be_written_is_told(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputFileError, match="cannot be written; give a file in a writable folder"):
        write_file(tmp_path / name, b"", new=False)


@pytest.mark.skipif(os.name != "posix", reason="no full device")
def test_a_full_disk_is_told_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)

    with pytest.raises(InputFileError, match="No space left on device"):
        write_file(tmp_path / "record.json", b"x", new=True)
    assert list(tmp_path.iterdir()) == []
