"""Notes of a visit: kept with their time, changed by newer ones, printed, and held by the seal."""

import json
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.bench import Bench
from logger.errors import RecordError
from logger.sealing.document import account_from
from logger.sealing.keys import SigningKey
from logger.sealing.page import page
from logger.sealing.seal import records_file, seal
from logger.sealing.told import seals_of, sittings_of
from logger.sealing.verify import read_records
from logger.sheet_pdf import sheet_pdf
from logger.store import SessionNote
from logger.visit_notes import standing

KEY = SigningKey(Ed25519PrivateKey.from_private_bytes(b"\x01" * 32))
NOW_NS = 1_790_000_000_000_000_000


@pytest.fixture
def bench(bass_bench: Bench) -> Bench:
    return bass_bench


def write(bench: Bench, text: str, **more: Any) -> Any:
    action = {"do": "note", "session": bench.session, "text": text, "who": "", "customer": False, **more}
    return bench.door.act(json.dumps([text, sorted(more.items())]), action)


def shown(bench: Bench) -> list[tuple[str, bool]]:
    return [(one["text"], one["customer"]) for one in bench.door.ask("record", {})["visit_notes"]]


def kept(bench: Bench) -> list[SessionNote]:
    with bench.store.reader() as reader:
        return reader.notes(bench.session)


def test_a_note_of_several_lines_stands_in_the_record_as_it_was_written(bench: Bench) -> None:
    assert write(bench, "  hums at fret 9 \r\n\tsee the truss rod\r\n\r\n", who=" A. Person ").done

    (one,) = bench.door.ask("record", {})["visit_notes"]
    assert one["text"] == "  hums at fret 9\n    see the truss rod"
    assert (one["who"], one["customer"], one["changed"], one["sealed"]) == ("A. Person", False, None, None)
    assert one["at"].startswith("20")


def test_the_same_post_again_keeps_one_note(bench: Bench) -> None:
    assert write(bench, "once").done
    assert write(bench, "once").done

    assert len(kept(bench)) == 1


def test_a_change_stands_in_its_place_and_nothing_is_lost(bench: Bench) -> None:
    for text in ("first", "second"):
        assert write(bench, text).done
    assert write(bench, "first, changed", replaces=1, customer=True).done
    assert shown(bench) == [("first, changed", True), ("second", False)]
    assert write(bench, "", replaces=2).done

    assert shown(bench) == [("first, changed", True)]
    assert [(one.number, one.text, one.replaces) for one in kept(bench)] == [
        (1, "first", None), (2, "second", None), (3, "first, changed", 1), (4, "", 2),
    ]  # fmt: skip


def test_whoever_changes_what_was_changed_meanwhile_is_told(bench: Bench) -> None:
    assert write(bench, "first").done
    assert write(bench, "one change", replaces=1).done
    late = write(bench, "another change", replaces=1)

    assert (late.done, late.text) == (False, "this note was changed or taken away meanwhile; look at it again")
    assert shown(bench) == [("one change", False)]


def test_a_change_that_changes_nothing_keeps_nothing(bench: Bench) -> None:
    assert write(bench, "first").done
    assert write(bench, "first\n", replaces=1).done

    assert len(kept(bench)) == 1


@pytest.mark.parametrize(
    ("action", "words"),
    [
        ({"text": " \n "}, "a note must say something, got nothing; write it first"),
        ({"text": "x" * 2001}, "a note must have at most 2000 characters, got 2001; make two of it"),
        ({"text": "\n".join(["x"] * 61)}, "a note must have at most 60 lines, got 61; make two of it"),
        ({"text": "a\x07b"}, "every line of a note must be one line of plain text"),
        ({"text": "\ud800"}, "every line of a note must be one line of plain text"),
        ({"who": "x" * 81}, "who writes a note must have at most 80 characters"),
        ({"session": "elsewhere"}, "no session 'elsewhere' in this store"),
        ({"replaces": 7}, "this note was changed or taken away meanwhile"),
    ],
)
def test_what_does_not_hold_gets_one_line_and_keeps_nothing(bench: Bench, action: Any, words: str) -> None:
    answer = write(bench, **{"text": "a note", **action})

    assert not answer.done
    assert answer.text.startswith(words)
    assert "\n" not in answer.text
    assert kept(bench) == []


def test_a_note_changed_five_hundred_times_is_one_note() -> None:
    rows = [SessionNote(session="s", number=number, at_ns=number, who="", text=f"{number}",
                        replaces=number - 1 if number > 1 else None) for number in range(1, 500)]  # fmt: skip

    assert [(first.number, now.number) for first, now in standing(rows)] == [(1, 499)]


# -- printed, sealed, exported ---------------------------------------------------------------------------------------


def words_of(pdf: bytes) -> tuple[int, str]:
    document = pypdfium2.PdfDocument(pdf)
    return len(document), " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())


def test_the_shops_sheet_has_every_note_and_the_customers_what_is_meant_for_it(bench: Bench) -> None:
    assert write(bench, "nut slot of the third string is deep").done
    assert write(bench, "played in:\ncome again in spring", customer=True).done
    record = bench.door.ask("record", {})

    customer, shop = (words_of(sheet_pdf(record, audience=name))[1] for name in ("customer", "shop"))
    assert "From the workshop played in: come again in spring" in customer
    assert "nut slot" not in customer
    assert "nut slot of the third string is deep" in shop
    assert "come again in spring" in shop


def test_a_long_note_that_has_room_stands_whole_on_the_customers_page(bench: Bench) -> None:
    assert write(bench, "word " * 399, customer=True).done
    pages, customer = words_of(sheet_pdf(bench.door.ask("record", {}), audience="customer"))
    assert (pages, customer.count("word")) == (1, 399)
    assert "full record" not in customer


@pytest.mark.parametrize("text", ["word " * 398, "\n".join(["x"] * 59)], ids=["long", "many lines"])
def test_the_customers_page_stays_one_and_says_where_the_rest_is(bench: Bench, text: str) -> None:
    for n in range(5):
        assert write(bench, f"{n} {text}", customer=True).done
    record = bench.door.ask("record", {})

    pages, customer = words_of(sheet_pdf(record, audience="customer"))
    assert pages == 1
    assert (
        "… (it goes on in the workshop's full record)" in customer or "more in the workshop's full record" in customer
    )
    assert "shop's sheet" not in customer, "a customer has no such sheet"
    assert "wo…" not in customer
    assert "How to read this" in customer
    assert words_of(sheet_pdf(record, audience="shop"))[1].count("x" if text[0] == "x" else "word") >= 60


def sealed(bench: Bench, now_ns: int = NOW_NS) -> Any:
    with bench.store.reader() as reader:
        sittings = sittings_of(reader, bench.session)
    return seal(bench.store, sittings, KEY, certificate=None, software="a test", now_ns=now_ns)


def test_the_seal_covers_notes_and_how_they_read_before(bench: Bench, tmp_path: Path) -> None:
    assert write(bench, "first", who="A. Person").done
    assert write(bench, "first, changed", replaces=1).done
    row, _ = sealed(bench)

    (one,) = read_records(records_file([row]))
    (sitting,) = account_from(one.document).sittings
    assert list(sitting.notes) == kept(bench)
    lines = page(one, software="a test")
    assert any(line.startswith("   note 1 of ") and line.endswith(", A. Person") for line in lines)
    assert "      first, changed" in lines
    assert bench.door.ask("record", {})["visit_notes"][0]["sealed"] is True


def test_a_note_after_the_seal_says_so_and_asks_for_another_seal(bench: Bench, tmp_path: Path) -> None:
    assert write(bench, "first").done
    sealed(bench)
    assert not sealed(bench, NOW_NS + 1)[1]
    assert write(bench, "late").done

    assert [one["sealed"] for one in bench.door.ask("record", {})["visit_notes"]] == [True, False]
    with bench.store.reader() as reader:
        told = seals_of(reader, bench.session, software="a test", folder=tmp_path)
    assert (told["said"], told["will"]["notes"]) == (False, 2)
    assert sealed(bench, NOW_NS + 2)[1]


def test_a_sealed_note_that_is_changed_in_the_file_is_found(bench: Bench) -> None:
    assert write(bench, "first").done
    row, _ = sealed(bench)
    content = records_file([row])
    assert content.count(b'"first"') == 1

    with pytest.raises(RecordError, match="record 1 was changed after it was sealed"):
        read_records(content.replace(b'"first"', b'"other"'))


def test_a_record_without_notes_reads_as_before(bench: Bench) -> None:
    row, _ = sealed(bench)

    assert "notes" not in json.loads(row.document)["sessions"][0]
    (one,) = read_records(records_file([row]))
    assert account_from(one.document).sittings[0].notes == []
