"""What a page has kept beside readings: attached files, seals, and how they are told."""

import json
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from PIL import Image

from logger.door import QuestionError
from logger.keeping import Keeping
from logger.looking import Looking
from logger.sealing import keys
from logger.sealing.document import judged
from logger.sheet_pdf import sheet_pdf
from logger.software import SOFTWARE
from logger.store import SessionEnd, Store

Visit = Callable[..., None]
EVEN = {"bass": 1.10, "centre": 1.10, "treble": 1.10}


@pytest.fixture
def keeping(store: Store, visit: Visit) -> Keeping:
    """A keeper of a store with two visits of one neck and one of another."""
    visit("Reed no. 1", "s1", seated=EVEN)
    visit("Ash no. 2", "s2", seated=EVEN)
    visit("Reed no. 1", "s3", seated=EVEN, ended=False)
    return Keeping(store, software=SOFTWARE)


@pytest.fixture
def ask(store: Store, keeping: Keeping) -> Callable[..., Any]:
    looking = Looking(store.path, current="s1")
    return lambda what, session="s1": looking.ask(what, {"id": session})


@pytest.fixture
def attach(keeping: Keeping, tmp_path: Path) -> Callable[..., Any]:
    def attached(content: bytes, name: str = "a.txt", session: str = "s1", **more: str) -> Any:
        path = tmp_path / "sent"
        path.write_bytes(content)
        return keeping.keep("attach", {"path": str(path), "name": name, "session": session, **more})

    return attached


def picture(*, located: bool = False) -> bytes:
    made, exif = BytesIO(), Image.Exif()
    if located:
        exif.get_ifd(0x8825).update({1: "N", 2: (1.0, 2.0, 3.0)})
    Image.new("RGB", (40, 30), (120, 80, 40)).save(made, "JPEG", exif=exif)
    return made.getvalue()


def test_a_file_is_told_in_the_record_of_its_own_visit(attach: Any, ask: Any, keeping: Keeping) -> None:
    done = attach(picture(located=True), "../end 7.png", note="treble end", who="A. Bench")
    assert (done["name"], done["new"]) == ("end 7.jpg", True)
    assert "the place where it was taken" in done["cautions"][0]
    assert attach(picture(located=True), "again.jpg")["new"] is False

    (one,) = ask("record")["attachments"]
    assert (one["name"], one["note"], one["who"], one["picture"], one["sealed"], one["wrong"]) == (
        "end 7.jpg", "treble end", "A. Bench", True, None, "",
    )  # fmt: skip
    assert "the place where it was taken" in one["cautions"][0]
    assert ask("record", "s2")["attachments"] == []
    given = keeping.open(one["sha256"])
    assert (given.name, given.media_type, given.small, len(given.content)) == (
        "end 7.jpg", "image/jpeg", True, one["size"],
    )  # fmt: skip


@pytest.mark.parametrize(
    ("content", "session", "says"),
    [
        pytest.param(b"", "s1", "a.txt: is empty", id="empty"),
        pytest.param(b"<html><script>", "s1", "is markup such as SVG, HTML or XML", id="markup"),
        pytest.param(b"\x00\x01\xff", "s1", "is of no kind that is taken", id="bytes"),
        pytest.param(b"a note", "nowhere", "no session 'nowhere' in this store", id="session"),
    ],
)
def test_a_file_that_is_not_taken_is_one_line(attach: Any, content: bytes, session: str, says: str) -> None:
    with pytest.raises(QuestionError, match=says) as refused:
        attach(content, session=session)
    assert "\n" not in str(refused.value)


def test_what_is_changed_on_the_disk_is_said_and_not_given(
    attach: Any, ask: Any, keeping: Keeping, store: Store
) -> None:
    attach(picture(), "end.jpg")
    (one,) = ask("record")["attachments"]
    store.path.with_name("attachments").joinpath(one["sha256"]).write_bytes(b"something else")

    (told,) = ask("record")["attachments"]
    assert (told["wrong"], told["picture"]) == ("changed", False)
    with pytest.raises(QuestionError, match="is changed"):
        keeping.open(one["sha256"])
    with pytest.raises(QuestionError, match="no file with the hash"):
        keeping.open("../../etc/passwd")


def test_sealing_says_before_what_it_holds_and_afterwards_nothing_is_left(keeping: Keeping, ask: Any) -> None:
    before = ask("seals")
    assert (before["will"]["visits"], before["will"]["readings"], before["will"]["open"]) == (2, 6, ["s3"])
    assert (before["records"], before["said"], before["key"]) == ([], False, None)

    made = keeping.keep("seal", {"session": "s1"})

    assert (made["number"], made["new"], made["reopens"]) == (1, True, None)
    after = ask("seals", "s3")
    assert after["said"] is True
    assert [(one["number"], one["code"], one["here"], one["readings"]) for one in after["records"]] == [
        (1, made["code"], True, 6)
    ]
    assert after["key"] == after["records"][0]["key"]
    assert ask("record")["seal"]["code"] == made["code"]
    assert keeping.keep("seal", {"session": "s3"})["new"] is False
    assert ask("seals", "s2")["records"] == []


def test_what_comes_after_the_seal_stands_apart_and_is_in_the_next_that_names_the_old(
    keeping: Keeping, ask: Any, attach: Any, store: Store
) -> None:
    attach(b"before\n", "before.txt")
    keeping.keep("seal", {"session": "s1"})
    attach(b"after\n", "after.txt")

    assert [(one["name"], one["sealed"]) for one in ask("record")["attachments"]] == [
        ("before.txt", True), ("after.txt", False),
    ]  # fmt: skip
    assert ask("seals")["said"] is False
    assert keeping.keep("seal", {"session": "s1"})["reopens"] == 1
    assert [one["reopens"] for one in ask("seals")["records"]] == [None, 1]
    assert all(one["sealed"] for one in ask("record")["attachments"])


def test_good_records_check_and_are_judged_again_the_same(keeping: Keeping, ask: Any) -> None:
    keeping.keep("seal", {"session": "s1"})
    told = ask("verified")
    assert [one["good"] for one in told["checks"]] == [True]
    assert told["head"] == {"good": True, "says": ""}
    assert (told["differs"], told["why_not"], told["sealed_by"], told["software"]) == ([], "", SOFTWARE, SOFTWARE)


def test_verdicts_that_another_version_sealed_stand_beside_those_of_this_one(
    keeping: Keeping, ask: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def older(account: Any) -> Any:
        told = json.loads(json.dumps(judged(account)))
        told[0]["verdicts"][0]["value_mm"] += 0.001
        del told[0]["verdicts"][1]
        return told

    monkeypatch.setattr("logger.sealing.seal.judged", older)
    Keeping(keeping._store, software="fretledger 0.0.9").keep("seal", {"session": "s1"})

    told = ask("verified")
    assert told["sealed_by"] == "fretledger 0.0.9"
    moved, missing = told["differs"]
    assert moved["sealed"]["value_mm"] - moved["now"]["value_mm"] == pytest.approx(0.001)
    assert missing["sealed"] is None
    assert missing["now"]["verdict"] in {"pass", "fail", "remeasure"}


def test_another_key_and_another_head_are_told(keeping: Keeping, ask: Any, store: Store) -> None:
    keeping.keep("seal", {"session": "s1"})
    head = store.path.with_name(f"{store.path.name}.head.json")
    head.write_text(head.read_text().replace('"number":1', '"number":2'))
    for name in ("bench.key", "bench.pub"):
        (keys.default_folder() / name).unlink()
    keys.own_key(keys.default_folder(), keys.BENCH)

    told = ask("verified")
    assert "nothing here vouches for key" in told["checks"][0]["says"]
    assert told["head"]["good"] is False
    assert "differs" not in told


def test_a_visit_that_was_noted_or_ended_is_told(keeping: Keeping, ask: Any, store: Store) -> None:
    store.put(SessionEnd(session="s3", at_ns=2 * 10**18, reason="done"))
    assert ask("seals")["will"]["open"] == []
    with pytest.raises(QuestionError, match="a page keeps attach or seal, got 'burn'"):
        keeping.keep("burn", {})


@pytest.mark.parametrize("audience", ["customer", "shop"])
def test_six_pictures_are_on_the_sheet_and_the_shops_names_the_rest(ask: Any, attach: Any, audience: str) -> None:
    for number in range(8):
        attach(picture() + bytes([number]), f"end {number}.jpg", note="a note" if number == 1 else "")
    made = pypdfium2.PdfDocument(sheet_pdf(ask("record"), [picture()] * 6, audience=audience))
    pictures = [one for page in made for one in page.get_objects([pypdfium2.raw.FPDF_PAGEOBJ_IMAGE])]
    text = " ".join(" ".join(page.get_textpage().get_text_bounded().split()) for page in made)
    assert len(pictures) == 6
    assert len(made) == 1 or audience == "shop"
    assert ("end 1.jpg: a note" in text) is ("end 7.jpg, " in text) is (audience == "shop")
