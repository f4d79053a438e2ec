"""A chain of three records, and every way to tamper with its file."""

import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sealed_bench import KEY, OTHER_KEY, SHOP, Sealer, keep, no_page, sitting

from logger.cli import run
from logger.errors import RecordError
from logger.sealing import keys
from logger.sealing.canonical import canonical
from logger.sealing.keys import SigningKey
from logger.sealing.seal import head_file, records_file
from logger.sealing.verify import certified, check_code, check_head, check_trust, read_head, read_records
from logger.store import RecordRow

Records = list[dict[str, Any]]
Change = Callable[[Callable[[Records], object]], bytes]


def resign(record: dict[str, Any], key: SigningKey = KEY) -> None:
    """Seal a record anew after it was altered, as its own bench, or somebody with another key, could."""
    signed = canonical(record["document"])
    record |= {"sha256": hashlib.sha256(signed).hexdigest(), "signature": key.sign("record", signed), "key": key.public}


def test_a_good_chain_is_good(chain: list[RecordRow]) -> None:
    sealed = read_records(records_file(chain))

    assert [one.number for one in sealed] == [1, 2, 3]
    assert [one.document["previous"] for one in sealed] == ["", chain[0].sha256, chain[1].sha256]
    check_trust(sealed, key=KEY.public, shop=None)


@pytest.mark.parametrize("index", [0, 1, 2])
def test_a_record_alone_is_good(chain: list[RecordRow], index: int) -> None:
    (sealed,) = read_records(records_file([chain[index]]))

    assert sealed.number == index + 1


def test_reopening_names_the_record_before(chain: list[RecordRow]) -> None:
    assert [row.names for row in chain] == ["", chain[0].id, chain[1].id]
    assert [json.loads(row.sessions) for row in chain] == [["s1"], ["s1", "s2"], ["s1", "s2", "s3"]]


def _reordered(values: Any) -> Any:
    if isinstance(values, dict):
        return {name: _reordered(values[name]) for name in reversed(values)}
    return [_reordered(one) for one in values] if isinstance(values, list) else values


def test_keys_in_another_order_and_space_make_no_other_record(chain: list[RecordRow]) -> None:
    content = records_file(chain)
    other = json.dumps(_reordered(json.loads(content)), indent=3).encode()

    assert other != content
    assert [one.sha256 for one in read_records(other)] == [row.sha256 for row in chain]


def _digit(records: Records) -> None:
    records[1]["document"]["sessions"][0]["readings"][0]["value_nm"] += 1


def _digit_with_its_hash(records: Records) -> None:
    _digit(records)
    records[1]["sha256"] = hashlib.sha256(canonical(records[1]["document"])).hexdigest()


def _swap_signatures(records: Records) -> None:
    records[0]["signature"], records[1]["signature"] = records[1]["signature"], records[0]["signature"]


def _wrong_previous(records: Records) -> None:
    records[1]["document"]["previous"] = "ab" * 32
    resign(records[1])


def _first_follows(records: Records) -> None:
    records[0]["document"]["previous"] = "ab" * 32
    resign(records[0])


def _third_follows_none(records: Records) -> None:
    del records[:2]
    records[0]["document"]["previous"] = ""
    resign(records[0])


def _another_store(records: Records) -> None:
    records[1]["document"]["bench"]["store"] = "elsewhere"
    resign(records[1])


def _in_another_name(records: Records) -> None:
    resign(records[0], OTHER_KEY)


def _two_of_one_number(records: Records) -> None:
    records.append(json.loads(json.dumps(records[1])))
    records[-1]["document"]["software"] = "another"
    resign(records[-1])


def _order(records: Records) -> None:
    records[1], records[2] = records[2], records[1]


TAMPERED = {
    "a digit": (_digit, r"record 2 was changed after it was sealed: its content has the hash \w{16}\.\.\., sealed was"),
    "a digit and its hash": (_digit_with_its_hash, "record 2: the signature is not its key's over this content"),
    "signatures swapped": (_swap_signatures, "record 1: the signature is not its key's .* swapped or forged"),
    "a signature that is none": (lambda records: records[0].update(signature="x"), "the signature is not its key's"),
    "another key, named": (lambda records: records[0].update(key=OTHER_KEY.public), "the signature is not its key's"),
    "another key signed": (_in_another_name, "record 1 was sealed in the name of another bench's key"),
    "the middle cut out": (lambda records: records.pop(1), "the chain is cut: record 3 stands after record 1"),
    "another order": (_order, "the chain is cut: record 3 stands after record 1"),
    "wrong previous": (_wrong_previous, "record 2 has the wrong previous: it follows another record 1"),
    "the first follows one": (_first_follows, "record 1 has the wrong previous: only the first"),
    "the third follows none": (_third_follows_none, "record 3 has the wrong previous: only the first"),
    "the first twice": (
        lambda records: records.insert(1, dict(records[0])),
        "record 1 is given twice; give each record",
    ),
    "the last twice": (
        lambda records: records.append(dict(records[0])),
        "record 1 is given twice; give each record once",
    ),
    "two of one number": (_two_of_one_number, r"there are two records 2, codes \S+ and \S+: one of them was made anew"),
    "rests on nothing": (
        lambda records: records[0]["document"].update(rests_on={}),
        "does not know what the record says",
    ),
    "another store": (_another_store, "record 2 belongs to another store's chain"),
    "no record": (lambda records: records.clear(), "the file holds no record"),
    "unknown key": (lambda records: records[0].update(more=1), "unknown format: a record of the file must have"),
    "unknown format": (lambda records: records[0]["document"].update(format="fretledger-record-2"), "unknown format"),
    "number is text": (lambda records: records[0]["document"].update(number="1"), "must have its number, time, bench"),
    "number is true": (lambda records: records[0]["document"].update(number=True), "must have its number, time, bench"),
    "no time": (lambda records: records[0]["document"].update(at_ns="-5"), "must have its number, time, bench"),
    "no bench": (lambda records: records[0]["document"].update(bench=[]), "must have its number, time, bench"),
    "document is text": (lambda records: records[0].update(document="{}"), "a record must be a document with texts"),
    "hash is a number": (lambda records: records[0].update(sha256=5), "a record must be a document with texts"),
    "certificate is none": (lambda records: records[0].update(certificate={}), "the certificate is of a format"),
    "2^60": (lambda records: records[0]["document"].update(x=1 << 60), "not canonical: a whole number from 2.53"),
    "NaN": (lambda records: records[0]["document"].update(x=float("nan")), "not canonical: NaN is not a number"),
    "lone surrogate": (lambda records: records[0]["document"].update(x="\\ud800"), "was changed after it was sealed"),
}


@pytest.mark.parametrize("name", TAMPERED)
def test_a_tampered_file_is_not_good_and_says_why(change: Change, name: str) -> None:
    alter, words = TAMPERED[name]

    with pytest.raises(RecordError, match=words):
        read_records(change(alter))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"[]", "unknown format: this program knows fretledger-records-1", id="list"),
        pytest.param(b"5", "unknown format", id="number"),
        pytest.param(b'{"format":"fretledger-records-9","records":[]}', "unknown format", id="newer"),
        pytest.param(b'{"format":"fretledger-records-1","records":[5]}', "unknown format", id="no object"),
        pytest.param(b'{"format":"fretledger-records-1","records":{}}', "holds no record", id="object"),
    ],
)
def test_what_is_no_file_of_records_is_told(content: bytes, words: str) -> None:
    with pytest.raises(RecordError, match=words):
        read_records(content)


def test_a_key_that_stands_twice_is_told(chain: list[RecordRow]) -> None:
    content = records_file(chain).replace(b'"number":1,', b'"number":1,"number":1,', 1)

    with pytest.raises(RecordError, match="not canonical: the key 'number' stands twice"):
        read_records(content)


# -- whose keys ------------------------------------------------------------------------------------------------------

BEFORE = datetime(2023, 1, 1, tzinfo=UTC)
AFTER = datetime(2023, 12, 1, tzinfo=UTC)


def test_another_benchs_key_is_told(chain: list[RecordRow]) -> None:
    words = f"record 1 was sealed by key {keys.fingerprint(KEY.public)}, not by {keys.fingerprint(OTHER_KEY.public)}"
    with pytest.raises(RecordError, match=words):
        check_trust(read_records(records_file(chain)), key=OTHER_KEY.public, shop=None)


def test_a_record_made_anew_by_another_key_does_not_pass_for_the_benchs(change: Change) -> None:
    def forge(records: Records) -> None:
        for record in records:
            record["document"]["bench"]["key"] = OTHER_KEY.public
        for index, record in enumerate(records):
            record["document"]["previous"] = records[index - 1]["sha256"] if index else ""
            resign(record, OTHER_KEY)

    sealed = read_records(change(forge))

    with pytest.raises(RecordError, match="was sealed by key"):
        check_trust(sealed, key=KEY.public, shop=None)


def test_a_shops_certificate_vouches_for_its_benches(sealer: Sealer) -> None:
    first = sealer(certificate=keys.certify(SHOP, KEY.public, name="bench 1", at=BEFORE))
    keep(sealer.store, sitting("s2"))
    second = sealer(OTHER_KEY, certificate=keys.certify(SHOP, OTHER_KEY.public, name="new key", at=BEFORE))
    sealed = read_records(records_file([first, second]))

    check_trust(sealed, key=None, shop=SHOP.public)
    with pytest.raises(RecordError, match=r"record 1 is certified by another shop's key, .*, not by"):
        check_trust(sealed, key=None, shop=OTHER_KEY.public)
    with pytest.raises(RecordError, match="record 2 was sealed by key"):
        check_trust(sealed, key=KEY.public, shop=SHOP.public)


def test_a_record_from_before_its_certificate_is_told(sealer: Sealer, change: Change) -> None:
    late = keys.certify(SHOP, KEY.public, name="bench 1", at=AFTER)
    sealed = read_records(change(lambda records: records[0].update(certificate=late)))

    with pytest.raises(RecordError, match="before its bench's certificate begins to hold"):
        check_trust(sealed, key=None, shop=SHOP.public)


def test_a_record_without_a_certificate_is_told(chain: list[RecordRow]) -> None:
    with pytest.raises(RecordError, match="record 1 has no certificate of a shop"):
        check_trust(read_records(records_file(chain)), key=None, shop=SHOP.public)


def test_a_certificate_given_beside_the_file_counts(chain: list[RecordRow]) -> None:
    """A record sealed before its bench was certified holds against the shop's key, and its file stays as it is."""
    sealed = read_records(records_file(chain))
    early = keys.certify(SHOP, KEY.public, name="bench 1", at=BEFORE)

    with_it = certified(sealed, early)
    too_late = certified(sealed, keys.certify(SHOP, KEY.public, name="bench 1", at=AFTER))

    check_trust(with_it, key=None, shop=SHOP.public)
    assert [one.sha256 for one in with_it] == [one.sha256 for one in sealed]
    with pytest.raises(RecordError, match=r"certificate begins to hold; a shop that knows .* --since"):
        check_trust(too_late, key=None, shop=SHOP.public)
    with pytest.raises(RecordError, match=r"is for bench key .*, which sealed none of the records"):
        certified(sealed, keys.certify(SHOP, OTHER_KEY.public, name="bench 9", at=BEFORE))


def test_an_exported_file_may_carry_a_later_certificate(chain: list[RecordRow]) -> None:
    early = keys.certify(SHOP, KEY.public, name="bench 1", at=BEFORE)

    sealed = read_records(records_file(chain, certificate=early))

    check_trust(sealed, key=None, shop=SHOP.public)
    assert [one.sha256 for one in sealed] == [row.sha256 for row in chain]


def test_another_benchs_certificate_is_told(change: Change) -> None:
    other = keys.certify(SHOP, OTHER_KEY.public, name="bench 9", at=BEFORE)

    with pytest.raises(RecordError, match="the certificate is for another bench's key"):
        read_records(change(lambda records: records[0].update(certificate=other)))


# -- the head, kept outside ------------------------------------------------------------------------------------------


def _head(row: RecordRow, key: SigningKey = KEY) -> bytes:
    return head_file(row, key, store_id="s", now_ns=5)


def test_a_chain_that_goes_on_after_its_head_is_good(chain: list[RecordRow]) -> None:
    sealed = read_records(records_file(chain))

    for row in chain:
        check_head(sealed, read_head(_head(row)))
        check_code(sealed, keys.short_code(row.sha256))
        check_code(sealed, keys.short_code(row.sha256).replace("-", " ").lower())


def test_a_tail_that_was_cut_is_found(chain: list[RecordRow]) -> None:
    sealed = read_records(records_file(chain[:2]))

    with pytest.raises(
        RecordError, match="the file holds records 1 to 2, the head tells of record 3: the chain was cut"
    ):
        check_head(sealed, read_head(_head(chain[2])))
    with pytest.raises(RecordError, match="no record of the file has that code"):
        check_code(sealed, keys.short_code(chain[2].sha256))


def test_a_chain_that_the_bench_made_anew_is_found(chain: list[RecordRow], change: Change) -> None:
    def anew(records: Records) -> None:
        records[2]["document"]["software"] = "another"
        resign(records[2])

    sealed = read_records(change(anew))

    check_trust(sealed, key=KEY.public, shop=None)
    with pytest.raises(RecordError, match="record 3 is another one than the head tells of"):
        check_head(sealed, read_head(_head(chain[2])))


def test_a_head_of_another_key_is_told(chain: list[RecordRow]) -> None:
    with pytest.raises(RecordError, match="the head is signed by another key than record 3"):
        check_head(read_records(records_file(chain)), read_head(_head(chain[2], OTHER_KEY)))


@pytest.mark.parametrize(
    ("alter", "words"),
    [
        pytest.param(lambda head: head | {"number": 2}, "the head was changed after it was signed", id="number"),
        pytest.param(lambda head: head | {"key": OTHER_KEY.public}, "another key signed it", id="key"),
        pytest.param(lambda head: head | {"number": "3"}, "unknown format of the head", id="text"),
        pytest.param(lambda head: head | {"more": 1}, "unknown format of the head", id="more"),
        pytest.param(lambda head: [head], "unknown format of the head", id="list"),
        pytest.param(lambda head: head | {"sha256": None}, "unknown format of the head", id="null"),
    ],
)
def test_a_head_that_was_altered_is_refused(
    chain: list[RecordRow], alter: Callable[[dict[str, Any]], Any], words: str
) -> None:
    with pytest.raises(RecordError, match=words):
        read_head(json.dumps(alter(json.loads(_head(chain[2])))).encode())


@pytest.mark.parametrize(
    ("alter", "words"),
    [
        pytest.param(lambda one: one["attachments"][0].update(size="x"), "an attachment of the record does not hold",
                     id="attachment"),
        pytest.param(lambda one: one.update(verdicts=3), "verdicts", id="verdicts"),
        pytest.param(lambda one: one.update(sessions=[{}]), "the record's 'session' must be an object", id="session"),
    ],
)  # fmt: skip
def test_what_is_well_signed_and_tells_no_account_is_not_good(
    change: Change, tmp_path: Path, capsys: pytest.CaptureFixture[str], alter: Callable[[dict[str, Any]], object],
    words: str,
) -> None:  # fmt: skip
    def altered(records: Records) -> None:
        del records[1:]
        alter(records[0]["document"])
        resign(records[0])

    file = tmp_path / "odd.json"
    file.write_bytes(change(altered))
    assert run(["record", "verify", str(file), "--key", KEY.public], no_page) == 1
    line = capsys.readouterr().out
    assert line.startswith("not good: ")
    assert words in line
    assert run(["record", "show", str(file)], no_page) == 2
    assert words in capsys.readouterr().err
