"""On what a seal rests: since when the store's rows are counted, and what the store was recovered from."""

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sealed_bench import KEY, Lines, Record, Sealer, keep, no_page, reading, sitting

from logger.cli import run
from logger.errors import RecordError
from logger.sealing.canonical import canonical
from logger.sealing.page import page
from logger.sealing.seal import records_file
from logger.sealing.shown import seal_of
from logger.sealing.verify import check_trust, read_records
from logger.store import RecordRow, Store, witness
from logger.store.recovery import recover
from logger.store.witness import witness_path

FROM_THE_BEGINNING = {"counted_since": None, "because": "", "recovered": []}


def rests_of(row: RecordRow) -> Any:
    return json.loads(row.document)["rests_on"]


def test_a_record_says_that_every_row_was_counted(sealer: Sealer) -> None:
    row = sealer()

    assert rests_of(row) == FROM_THE_BEGINNING
    (sealed,) = read_records(records_file([row]))
    assert "rests on this: a witness counted every row from the store's beginning" in page(sealed, software="x")
    with sealer.store.reader() as reader:
        shown = seal_of(reader, "s1") or {}
    assert (shown["rests_on"], shown["rests"]) == (FROM_THE_BEGINNING, "rows counted from the store's beginning")


def test_a_record_without_it_is_shown_as_before(sealer: Sealer, change_first: Any) -> None:
    (sealed,) = read_records(change_first(lambda document: document.pop("rests_on")))

    assert sealed.rests is None
    assert not [line for line in page(sealed, software="x") if line.startswith("rests")]


@pytest.fixture
def change_first(sealer: Sealer) -> Any:
    """Return a function that seals a record anew after its document was altered."""

    def altered(alter: Any) -> bytes:
        values = json.loads(records_file([sealer()]))
        one = values["records"][0]
        alter(one["document"])
        signed = canonical(one["document"])
        one |= {"sha256": hashlib.sha256(signed).hexdigest(), "signature": KEY.sign("record", signed)}
        return json.dumps(values).encode()

    return altered


# -- as it is typed --------------------------------------------------------------------------------------------------


def test_a_store_whose_witness_was_taken_away_says_so_in_every_record(
    record: Record, path: Path, printed: Lines
) -> None:
    witness_path(path).unlink()

    assert record("seal", "--store", path, "--out", "r.json") == 0

    note = printed()[0][-1]
    assert note.startswith("note: a witness counts the rows only since 20")
    rests = json.loads(Path("r.json").read_bytes())["records"][0]["document"]["rests_on"]
    assert rests["because"] == "no witness lay beside the store when it was opened"
    assert record("verify", "r.json") == 0
    assert "; rows counted only since 20" in printed()[0][0]
    assert record("show", "r.json") == 0
    assert any(line.startswith("rests on this: a witness counts the rows only since") for line in printed()[0])
    assert run(["store", "inspect", "--store", str(path)], no_page) == 0
    assert any(line.startswith("note: a witness counts the rows only since") for line in printed()[0])


@pytest.mark.parametrize("content", ["[]", "x", ""])
def test_a_broken_witness_is_refused_by_seal_and_inspect(
    record: Record, path: Path, printed: Lines, content: str
) -> None:
    witness_path(path).write_text(content, encoding="utf-8")

    assert record("seal", "--store", path, "--out", "r.json") == 4

    (_, err) = printed()
    assert "is broken: it " in err
    assert "put the witness and the store back from one copy, or move the witness away" in err
    assert not Path("r.json").exists()
    assert run(["store", "inspect", "--store", str(path)], no_page) == 1
    lines, _ = printed()
    assert lines[-1].startswith("what to do: put the witness and the store back from one copy")
    assert witness_path(path).read_text(encoding="utf-8") == content


def test_a_large_store_is_compared_row_by_row_before_it_is_sealed(
    record: Record, path: Path, printed: Lines, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At a bench's start only its counts are."""
    monkeypatch.setattr(witness, "HASHED_AT_OPENING", 3)
    with closing(sqlite3.connect(path)) as connection:
        ask = "SELECT sql FROM sqlite_schema WHERE name = 'reading_no_update'"
        (guard,) = connection.execute(ask).fetchone()
        connection.executescript(
            f"DROP TRIGGER reading_no_update; UPDATE reading SET value_nm = 1100000 WHERE sequence = 3; {guard};"
        )

    assert record("seal", "--store", path, "--out", "r.json") == 4

    assert "reading 3 of depth in session s1 (seated height fret 7 treble, now 1.1000 mm, taken from" in printed()[1]
    Store.open(path).close()


def test_a_chain_goes_on_in_a_recovered_store_and_says_so(sealer: Sealer, tmp_path: Path) -> None:
    first = sealer()
    keep(sealer.store, [reading(20, 1_101_000, "bass")])
    path = sealer.store.path
    sealer.store.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript("DROP TRIGGER reading_no_delete; DELETE FROM reading WHERE sequence = 20;")
    found = recover(path, tmp_path / "new.db")

    with Store.open(tmp_path / "new.db") as store:
        keep(store, sitting("s2"))
        second = Sealer(store, now_ns=sealer.now_ns)()

    sealed = read_records(records_file([first, second]))
    check_trust(sealed, key=KEY.public, shop=None)
    assert [one.document["bench"]["store"] for one in sealed] == [found.source_id, found.store_id]
    (recovered,) = rests_of(second)["recovered"]
    assert (recovered["store"], recovered["lost"]) == (found.source_id, {"reading": 1})
    (line,) = [line for line in page(sealed[1], software="x") if line.startswith("rests on this")]
    assert line.endswith("1 reading lost")


@pytest.mark.parametrize("altered", [False, True])
def test_a_sealed_record_after_a_lost_one_is_kept_if_it_is_as_it_was_sealed(
    sealer: Sealer, tmp_path: Path, altered: bool
) -> None:
    rows = [sealer()]
    for sequence in (20, 21):
        keep(sealer.store, [reading(sequence, 1_101_000, "bass")])
        rows.append(sealer())
    path = sealer.store.path
    sealer.store.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript("DROP TRIGGER record_no_delete; DELETE FROM record WHERE number = 2;")
        if altered:
            connection.executescript(
                """DROP TRIGGER record_no_update;
                UPDATE record SET document = replace(document, '1101000', '1101001') WHERE number = 3;"""
            )

    found = recover(path, tmp_path / "new.db")

    if altered:
        assert (found.kept["record"], found.lost) == (1, {"record": 2})
        assert found.wrong[0] == "2 of 3 rows of record are lost, 1 of them changed so that they no longer hold"
        return
    assert (found.kept["record"], found.lost, found.changed) == (2, {"record": 1}, {})
    assert found.wrong[0] == "1 of 3 rows of record is lost"
    with Store.open(tmp_path / "new.db") as store:
        keep(store, sitting("s2"))
        after = Sealer(store, now_ns=sealer.now_ns)()
        with store.reader() as reader:
            assert [reader.record(number) for number in (1, 2, 3, 4)] == [rows[0], None, rows[2], after]
    assert after.previous == rows[2].sha256
    assert len(read_records(records_file([rows[2], after]))) == 2
    with pytest.raises(RecordError, match="the chain is cut: record 3 stands after record 1"):
        read_records(records_file([rows[0], rows[2]]))


# -- what is said of a file ------------------------------------------------------------------------------------------


def test_a_good_line_says_what_was_compared(record: Record, path: Path, sealed: Path, printed: Lines) -> None:
    assert record("verify", sealed) == 0
    (line,) = printed()[0]
    assert "(your own bench's), not certified by a shop; from the first record; no head compared; rows counted" in line
    key = json.loads(sealed.read_bytes())["records"][0]["key"]
    assert record("verify", sealed, "--key", key, "--head", f"{path}.head.json") == 0
    assert "(the key you gave), not certified by a shop; from the first record; ends at the head; " in printed()[0][0]
    with Store.open(path) as store:
        keep(store, sitting("s2"))
    head = Path("kept.json")
    head.write_bytes(Path(f"{path}.head.json").read_bytes())
    assert record("seal", "--store", path) == 0
    assert record("export", "--store", path, "--out", "all.json") == 0
    assert record("export", "--store", path, "--records", "2", "--out", "two.json") == 0
    printed()
    assert record("verify", "all.json", "--head", head) == 0
    assert "; goes on 1 record after the head; " in printed()[0][0]
    assert record("verify", "two.json") == 0
    assert "; follows record 1, not given; " in printed()[0][0]
    assert record("verify", sealed, sealed) == 1
    assert printed()[0] == ["not good: record 1 is given twice; give each record once"]


def test_a_strangers_record_where_a_shops_key_lies(
    record: Record, sealed: Path, tmp_path: Path, printed: Lines
) -> None:
    """Nobody is told to take the key that the file brings along."""
    office = ("--keys", str(tmp_path / "office"))
    assert run(["record", "key", "--of-shop", *office], no_page) == 0
    printed()

    assert run(["record", "verify", str(sealed), *office], no_page) == 1

    (line,) = printed()[0]
    assert "nothing here vouches for key" in line
    assert (
        "it is not your own bench's, and record 1 has no certificate of a shop; get the bench's public key from" in line
    )


def test_a_record_from_before_the_certificate_is_checked_with_it(
    record: Record, path: Path, sealed: Path, tmp_path: Path, printed: Lines
) -> None:
    office, before = ("--keys", str(tmp_path / "office")), sealed.read_bytes()
    bench = json.loads(before)["records"][0]["key"]
    for day, name in ((("--since", "2020-02-01"), "early.json"), ((), "late.json")):
        assert run(["record", "certify", bench, "--name", "bench 1", *day, "--out", name, *office], no_page) == 0
    shop = ("--shop", str(tmp_path / "office" / "shop.pub"))
    printed()

    assert record("verify", sealed, *shop) == 1
    assert "give the one that its bench has got since with --certificate" in printed()[0][0]
    assert record("verify", sealed, *shop, "--certificate", "early.json") == 0
    assert "(certified by the shop key you gave), certified as 'bench 1' by shop key" in printed()[0][0]
    assert run(["record", "verify", str(sealed), "--certificate", "early.json", *office], no_page) == 0
    assert sealed.read_bytes() == before
    assert record("export", "--store", path, "--certificate", "early.json", "--out", "with.json") == 0
    assert record("verify", "with.json", *shop) == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param(("key", "--certificate", "none.json"), "name the file of the certificate, as the shop", id="key"),
        pytest.param(("verify", "r.json", "--certificate", "none.json"), "name the file of the cert", id="verify"),
        pytest.param(("verify", "r.json", "--head", "none.json"), "name the file of a signed head", id="head"),
        pytest.param(
            ("certify", "ab" * 32, "--name", "x", "--out", "c.json", "--since", "soon"),
            "a day like 2026-03-01",
            id="day",
        ),
    ],
)
def test_a_file_that_is_missing_is_called_what_it_is(
    record: Record, sealed: Path, printed: Lines, arguments: tuple[str, ...], words: str
) -> None:
    try:
        status = record(*arguments)
    except SystemExit as error:
        status = error.code  # type: ignore[assignment]

    assert status == 2
    assert words in printed()[1]
