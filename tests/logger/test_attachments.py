"""Files that belong to an instrument: their names, their notes, and what comes back."""

import io
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from logger.attachments import attach, attachments, open_attachment, read_attachable, safe_name
from logger.errors import AttachmentError, InputFileError, SessionNotFoundError, StoreError, StoreLossError
from logger.file_kinds import MOST_BYTES, kind_of
from logger.store import InstrumentRevision, InstrumentRow, SessionRow, Store
from logger.store.attached import content_path


def photograph(*, located: bool) -> bytes:
    exif, file = Image.Exif(), io.BytesIO()
    if located:
        exif[0x8825] = {1: "N", 2: (51.0, 30.0, 0.0)}
    Image.linear_gradient("L").save(file, "JPEG", exif=exif.tobytes())
    return file.getvalue()


JPEG = photograph(located=False)
TEXT = b"the binding came loose at fret 12\n"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "bench.db") as made:
        for name in ("neck", "other"):
            made.put(InstrumentRow(id=name, created_at_ns=1, description=""))
            made.put(InstrumentRevision(instrument=name, revision=1, at_ns=1, name=name, description=""))
            made.put(SessionRow(id=f"s-{name}", instrument=name, revision=1, started_at_ns=1, monotonic_ns=1,
                                boot_id="b", software="test"))  # fmt: skip
        yield made


def test_what_is_attached_comes_back(store: Store) -> None:
    done = attach(store, JPEG, name="fret 7.jpeg", instrument="neck", session="s-neck", note=" before dressing ",
                  who="Ada", now_ns=5)  # fmt: skip

    assert (done.new, done.noted, done.cautions) == (True, True, ())
    with store.reader() as reader:
        (found,) = attachments(reader, "neck")
        assert (found.row, found.who, found.note, found.state) == (done.row, "Ada", "before dressing", "")
        assert open_attachment(reader, found.row.sha256) == ("fret 7.jpeg", "image/jpeg", JPEG)
        assert attachments(reader, "neck", session="s-neck") == [found]
        assert attachments(reader, "other") == []
    assert (found.row.at_ns, found.row.size, found.row.session) == (5, len(JPEG), "s-neck")


def test_the_same_file_again_adds_nothing(store: Store) -> None:
    first = attach(store, TEXT, name="a.txt", instrument="neck", now_ns=1)

    again = attach(store, TEXT, name="b.txt", instrument="neck", who="Ada", note="found", now_ns=2)
    third = attach(store, TEXT, name="c.txt", instrument="neck", note="found", now_ns=3)

    assert (again.new, again.noted, again.row) == (False, True, first.row)
    assert (third.new, third.noted, third.row) == (False, False, first.row)
    with store.reader() as reader:
        assert [(one.note, one.who) for one in attachments(reader, "neck")] == [("found", "Ada")]


def test_the_newest_note_holds_and_the_older_ones_stay(store: Store) -> None:
    for number, note in enumerate(("one", "two")):
        attach(store, TEXT, name="a.txt", instrument="neck", note=note, now_ns=number)

    with store.reader() as reader:
        assert [one.note for one in attachments(reader, "neck")] == ["two"]
        assert [one.note for one in reader.attachment_notes("neck")] == ["one", "two"]


def test_one_content_serves_several_instruments(store: Store) -> None:
    for name in ("neck", "other"):
        assert attach(store, TEXT, name="a.txt", instrument=name, now_ns=1).new

    assert len(list((store.path.parent / "attachments").iterdir())) == 1


def test_attaching_at_once_from_two_threads_makes_one_row(store: Store) -> None:
    made: list[bool] = []
    threads = [
        threading.Thread(
            target=lambda: made.append(attach(store, JPEG, name="a.jpg", instrument="neck", now_ns=1).new)
        )
        for _ in range(4)
    ]  # fmt: skip
    for one in threads:
        one.start()
    for one in threads:
        one.join()

    assert sorted(made) == [False, False, False, True]


def test_a_place_inside_is_told(store: Store) -> None:
    assert attach(store, photograph(located=True), name="a.jpg", instrument="neck", now_ns=1).cautions


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        pytest.param({"session": "s-other"}, StoreError, "it measures another", id="another's session"),
        pytest.param({"session": "s9"}, SessionNotFoundError, "holds no session", id="no session"),
        pytest.param({"instrument": "none such"}, StoreError, "its instrument or session", id="no instrument"),
        pytest.param({"note": "x" * 501}, AttachmentError, "note must have at most 500", id="long note"),
        pytest.param({"note": "a\x1b[2J"}, AttachmentError, "note must be one line of plain text", id="note obeyed"),
        pytest.param({"who": "a\nb"}, AttachmentError, "who attached it must be one line", id="two lines"),
        pytest.param({"content": b"<svg/>", "name": "../../x.jpg"}, AttachmentError, r"^x\.jpg: is markup", id="SVG"),
    ],
)
def test_what_does_not_hold_keeps_no_row(
    store: Store, given: dict[str, object], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        attach(store, **({"content": TEXT, "name": "a.txt", "instrument": "neck", "now_ns": 1} | given))  # type: ignore[arg-type]

    with store.reader() as reader:
        assert attachments(reader, "neck") == []


def test_content_that_is_gone_is_told(store: Store) -> None:
    row = attach(store, TEXT, name="a.txt", instrument="neck", now_ns=1).row
    content_path(store.path, row.sha256).unlink()

    with store.reader() as reader:
        assert [one.state for one in attachments(reader, "neck")] == ["missing"]
        with pytest.raises(StoreLossError, match="is missing; put the file back"):
            open_attachment(reader, row.sha256)
        with pytest.raises(AttachmentError, match="no file with the hash 'abcd' is attached"):
            open_attachment(reader, "abcd")


def test_content_is_kept_before_its_row_and_attaching_again_completes_it(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[bytes] = []

    def put(self: Store, row: object) -> None:
        seen.extend(one.read_bytes() for one in (self.path.parent / "attachments").iterdir())
        raise StoreError("the power went", path=self.path)

    with monkeypatch.context() as broken:
        broken.setattr(Store, "put", put)
        with pytest.raises(StoreError, match="the power went"):
            attach(store, TEXT, name="a.txt", instrument="neck", now_ns=1)

    assert seen == [TEXT]
    with store.reader() as reader:
        assert attachments(reader, "neck") == []
    assert attach(store, TEXT, name="a.txt", instrument="neck", now_ns=2).new


def test_attaching_again_puts_back_what_was_lost(store: Store) -> None:
    row = attach(store, TEXT, name="a.txt", instrument="neck", now_ns=1).row
    content_path(store.path, row.sha256).unlink()

    assert not attach(store, TEXT, name="a.txt", instrument="neck", now_ns=2).new

    with store.reader() as reader:
        assert open_attachment(reader, row.sha256)[2] == TEXT


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        pytest.param("fret 7.JPG", "fret 7.JPG", id="as it came"),
        pytest.param("../../etc/passwd", "passwd.jpg", id="up"),
        pytest.param(r"C:\pictures\neck.jpeg", "neck.jpeg", id="Windows"),
        pytest.param("page.html", "page.jpg", id="another kind's ending"),
        pytest.param("neck.jpg.exe", "neck.jpg.jpg", id="two endings"),
        pytest.param("..", "file.jpg", id="dots"),
        pytest.param("", "file.jpg", id="empty"),
        pytest.param("..jpg", "file.jpg", id="dots and an ending"),
        pytest.param(".jpeg", "file.jpg", id="an ending alone"),
        pytest.param(".hidden", "hidden.jpg", id="hidden"),
        pytest.param("CON.jpg", "_CON.jpg", id="a device"),
        pytest.param("gpj\u202e.exe", "gpj_.jpg", id="written from right to left"),
        pytest.param("a\x00b\n<c>.jpg", "a_b__c_.jpg", id="control characters"),
        pytest.param("x" * 300 + ".jpg", "x" * 80 + ".jpg", id="long"),
        pytest.param("Sa\u0308ge.jpg", "Säge.jpg", id="an accent of its own"),
        pytest.param("vol. 2 of the neck's pictures", "vol. 2 of the neck's pictures.jpg", id="a dot of a sentence"),
    ],
)
def test_a_name_is_one_files_on_every_system(name: str, safe: str) -> None:
    assert safe_name(name, kind_of(JPEG)) == safe
    assert safe_name(safe) == safe


def test_a_file_is_read_only_where_it_is_one(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_bytes(TEXT)
    (tmp_path / "link.txt").symlink_to(tmp_path / "a.txt")
    with (tmp_path / "large.jpg").open("wb") as file:
        file.truncate(MOST_BYTES + 1)

    assert read_attachable(tmp_path / "a.txt") == TEXT
    for name, words in (
        ("link.txt", "is a link, a folder or a device"), (".", "is a link, a folder or a device"),
        ("large.jpg", "at most 10.0 MB"), ("none.jpg", "no such file"),
    ):  # fmt: skip
        with pytest.raises(InputFileError, match=words):
            read_attachable(tmp_path / name)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with a name")
def test_a_pipe_does_not_hold_it_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")

    with pytest.raises(InputFileError, match="is a link, a folder or a device"):
        read_attachable(tmp_path / "pipe.jpg")
