"""What a record tells, as JSON and back."""

import json
from typing import Any

import pytest
from sealed_bench import NOW_NS, PAPER_SHA256, Sealer

from logger.errors import RecordError
from logger.sealing.canonical import canonical, parse
from logger.sealing.document import account_from, account_json, gather, judged
from logger.sealing.seal import choose
from logger.store import Store


@pytest.fixture
def document(sealer: Sealer) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(sealer().document)
    return found


def test_an_account_comes_back_whole_but_for_the_note(store: Store) -> None:
    with store.reader() as reader:
        account = gather(reader, "neck", choose(reader, session=None, name=None))
    back = account_from(parse(canonical(account_json(account))))

    assert all(getattr(account.sittings[0], name) for name in account.sittings[0].__dataclass_fields__)
    assert account_json(back) == account_json(account)
    assert (back.revisions, back.gauges, back.checks) == (account.revisions, account.gauges, account.checks)
    assert back.attachments == account.attachments
    assert back.attachment_notes == account.attachment_notes
    assert [one.note for one in back.attachment_notes] == ["the woods"]
    assert back.sittings[0].readings == account.sittings[0].readings
    assert (account.sittings[0].session.note, back.sittings[0].session.note) == ("for a customer by name", "")


def test_the_document_says_what_a_later_owner_asks(document: dict[str, Any]) -> None:
    (session,) = document["sessions"]

    assert document["instrument"]["revisions"][0]["name"] == "Invented neck"
    assert session["gauges"][0]["profile_sha256"] == "ab" * 32
    assert "[proud_end]" in session["session"]["limits"]
    assert session["take_backs"][0]["why"] == "slipped"
    assert session["reassignments"][0]["kind"] == "crown_height"
    assert session["climate"][0]["temperature_mc"] == 21_500
    assert session["factors"][0]["value"] == "hide glue"
    assert document["checks"][0]["result"]["result"] == '{"good": true}'
    assert document["attachments"][0]["sha256"] == PAPER_SHA256
    assert document["software"] == "fretledger test"
    assert "for a customer by name" not in json.dumps(document)


def test_times_are_text_and_raw_bytes_are_hex(document: dict[str, Any]) -> None:
    first = document["sessions"][0]["readings"][0]

    assert first["taken_at_ns"] == str(NOW_NS + 1)
    assert first["value_nm"] == 1_100_000
    assert bytes.fromhex(first["raw"]) == b"+1.100\r\n\xff"


def test_sealed_verdicts_have_their_uncertainty(document: dict[str, Any]) -> None:
    (of_session,) = document["verdicts"]
    proud = next(one for one in of_session["verdicts"] if one["check"] == "proud_end" and one["place"] == "treble")

    assert (of_session["session"], proud["verdict"], proud["value_mm"]) == ("s1", "fail", 0.09)
    assert 0.005 < proud["U_mm"] < 0.02
    assert proud["flag"].startswith("fret 7 treble end stands proud by 0.090 ± ")


def test_what_was_sealed_is_judged_again_from_the_document_alone(document: dict[str, Any]) -> None:
    assert judged(account_from(document)) == document["verdicts"]


def _without(values: dict[str, Any], *path: Any) -> dict[str, Any]:
    changed = json.loads(json.dumps(values))
    place = changed
    for step in path[:-1]:
        place = place[step]
    del place[path[-1]]
    return changed


def _with(values: dict[str, Any], new: Any, *path: Any) -> dict[str, Any]:
    changed = json.loads(json.dumps(values))
    place = changed
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = new
    return changed


READING = ("sessions", 0, "readings", 0)


@pytest.mark.parametrize(
    ("path", "new", "words"),
    [
        pytest.param(("instrument",), 5, "'instrument' must be an object", id="no instrument"),
        pytest.param(("instrument", "id"), 5, "'id' must be text", id="no id"),
        pytest.param(("instrument", "revisions"), [], "must describe the instrument", id="no revision"),
        pytest.param(("sessions",), {}, "'sessions' must be a list of objects", id="sessions"),
        pytest.param(("sessions", 0, "session", "revision"), 9, "as each of its sessions knew it", id="revision"),
        pytest.param((*READING, "value_nm"), 1.5, "value_nm must be a whole number, got 1.5", id="half a nanometre"),
        pytest.param((*READING, "value_nm"), None, "value_nm must be a whole number", id="null"),
        pytest.param((*READING, "value_nm"), True, "value_nm must be a whole number", id="true"),
        pytest.param((*READING, "taken_at_ns"), "9" * 19, "taken_at_ns must fit 64 bits", id="a time beyond"),
        pytest.param((*READING, "taken_at_ns"), "9" * 500, "taken_at_ns must be a whole number", id="500 digits"),
        pytest.param((*READING, "raw"), "zz", "raw must be bytes", id="hex"),
        pytest.param((*READING, "unit"), ["mm"], "unit must be text", id="list"),
        pytest.param(("checks", 0, "points"), None, "'points' must be a list of objects", id="points"),
        pytest.param(("attachments", 0, "sha256"), 5, "'sha256' must be text", id="attachment"),
    ],
)
def test_a_document_that_tells_no_account_is_refused(
    document: dict[str, Any], path: tuple[Any, ...], new: Any, words: str
) -> None:
    with pytest.raises(RecordError, match=words):
        account_from(_with(document, new, *path))


@pytest.mark.parametrize("name", ["instrument", "sessions", "gauges", "checks", "attachments"])
def test_a_part_that_is_missing_is_told(document: dict[str, Any], name: str) -> None:
    with pytest.raises(RecordError, match=f"the record's '{name}' must be"):
        account_from(_without(document, name))
