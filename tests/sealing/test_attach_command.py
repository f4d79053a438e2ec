"""`record attach` and `record attachments`, and attached files that go out with a record and are checked there."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image
from sealed_bench import PAPER, PAPER_SHA256, keep, sitting

from logger.cli import run
from logger.door import Door, PageServer
from logger.store import Store

Record = Callable[..., tuple[int, list[str], str]]
PAPERS = f"{PAPER_SHA256[:8]}-neck.txt"


def _serve(_door: Door, *, port: int) -> PageServer:
    raise AssertionError("no page is served")


@pytest.fixture
def record(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Record:
    """Run a record command on a store that nobody owns; return its status, lines and notes."""
    store.close()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FRETLEDGER_STORE", str(store.path))
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 0.0)}
    Image.linear_gradient("L").save("crack.jpg", exif=exif.tobytes())
    Path("note.txt").write_text("the crack begins at the join\n")
    capsys.readouterr()

    def typed(*arguments: object) -> tuple[int, list[str], str]:
        status = run(["record", *(str(one) for one in arguments)], _serve)
        out, err = capsys.readouterr()
        return status, out.splitlines(), err

    return typed


@pytest.fixture
def sealed(record: Record) -> Path:
    assert record("seal", "--out", "r.json")[0] == 0
    return Path("r.json")


def test_attaching_says_what_was_kept_and_what_to_take_care_of(record: Record, store: Store) -> None:
    status, lines, err = record("attach", "crack.jpg", "note.txt", "--session", "s1", "--note", "at the heel")

    assert status == 0
    assert [line.split(" (")[0] for line in lines] == ["attached crack.jpg", "attached note.txt"]
    assert all(line.endswith("to session s1 of Invented neck") for line in lines)
    assert err.startswith("crack.jpg: take care, it holds the place where it was taken.")
    assert (store.path.parent / "attachments" / lines[0].split("SHA-256 ")[1][:64]).is_file()


def test_the_same_file_twice_is_told(record: Record) -> None:
    record("attach", "note.txt")

    status, lines, _ = record("attach", "note.txt")

    assert status == 0
    assert lines[0].startswith("attached already, ")
    assert lines[0].endswith("to Invented neck; nothing was added")
    assert record("attach", "note.txt", "--note", "read it")[1][0].endswith("; the note was added")


def test_one_file_that_does_not_hold_keeps_all_of_them_out(record: Record) -> None:
    Path("drawing.svg").write_text("<svg/>")

    status, lines, err = record("attach", "note.txt", "drawing.svg")

    assert (status, lines) == (2, [])
    assert err.startswith("fretledger: drawing.svg: is markup such as SVG")
    assert len(record("attachments")[1]) == 1


def test_the_list_shows_who_what_and_what_is_wrong(record: Record, store: Store) -> None:
    record("attach", "note.txt", "--who", "Ada", "--note", "at the heel")

    status, lines, err = record("attachments")
    assert (status, err, len(lines)) == (0, "", 2)
    assert lines[0].endswith('neck.txt  text/plain  48 bytes  session s1  Ada  "the woods"')
    assert lines[1].endswith('note.txt  text/plain  29 bytes  Ada  "at the heel"')

    (store.path.parent / "attachments" / PAPER_SHA256).unlink()
    status, lines, err = record("attachments", "--session", "s1", "--json")
    assert status == 1
    assert [(one["name"], one["wrong"]) for one in json.loads(lines[0])] == [("neck.txt", "missing")]
    assert err.startswith("what to do: put the file back")


def test_an_instrument_without_files_says_how(record: Record, store: Store) -> None:
    with Store.open(store.path) as opened:
        keep(opened, sitting("s2"))

    status, lines, err = record("attachments", "--session", "s2")

    assert (status, lines) == (0, [])
    assert err == "no file is attached to Invented neck; record attach does it\n"


def test_show_tells_of_the_files_and_what_is_said_of_them(record: Record) -> None:
    record("attach", "crack.jpg", "--note", "at the heel")
    record("seal", "--out", "r.json")

    text = "\n".join(record("show", "r.json")[1])

    assert f"with it: neck.txt (text/plain, 48 bytes, SHA-256 {PAPER_SHA256})\n   Ada: the woods" in text
    assert "with it: crack.jpg (image/jpeg, " in text
    assert "\n   at the heel" in text


def test_the_files_of_another_session_stay_out_of_a_sessions_record(record: Record, store: Store) -> None:
    with Store.open(store.path) as opened:
        keep(opened, sitting("s2"))
    record("attach", "note.txt")

    record("seal", "--session", "s2", "--out", "s2.json")

    document = json.loads(Path("s2.json").read_bytes())["records"][0]["document"]
    assert [one["name"] for one in document["attachments"]] == ["note.txt"]
    assert "attachment_notes" not in document


def test_a_file_attached_after_sealing_is_worth_a_new_record(record: Record, sealed: Path) -> None:
    record("attach", "note.txt")

    assert record("seal")[1][0].startswith("record 2 sealed, reopens")
    assert record("seal")[1][0].startswith("record 2 says all of it already")


def test_sealing_and_exporting_write_the_files_beside_the_record(record: Record, sealed: Path) -> None:
    assert (Path("r.attachments") / PAPERS).read_bytes() == PAPER

    status, lines, err = record("export", "--out", "all.json")

    assert (status, err) == (0, "")
    assert lines == ["written all.attachments, the attached files (1); send it along with all.json"]
    assert record("verify", "all.json")[1][0].endswith("; 1 of 1 attached file beside it, as sealed")


def test_a_lost_file_is_told_where_it_should_be_written(record: Record, store: Store, sealed: Path) -> None:
    (store.path.parent / "attachments" / PAPER_SHA256).write_bytes(b"something else")

    status, lines, err = record("export", "--out", "all.json")

    assert (status, lines) == (1, [])
    assert err.startswith("not written: attached file ")
    assert "is changed; put the file back" in err
    assert record("verify", "all.json")[0] == 0


def test_a_record_without_its_files_is_good_and_says_so(record: Record, sealed: Path) -> None:
    shutil.rmtree("r.attachments")

    status, lines, _ = record("verify", sealed)

    assert status == 0
    assert lines[0].endswith(f"; 0 of 1 attached file beside it, as sealed; not in r.attachments: {PAPERS}")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        pytest.param(lambda file: file.write_bytes(PAPER.upper()), "its content was changed", id="changed"),
        pytest.param(lambda file: file.write_bytes(PAPER * 2), "must have at most 48 bytes", id="grown"),
        pytest.param(lambda file: (file.rename("x"), file.symlink_to("x")), "is a link", id="a link"),
        pytest.param(lambda file: (file.parent.rename("x"), file.parent.symlink_to("x")), "is a link", id="folder"),
    ],
)
def test_a_changed_file_is_not_good(record: Record, sealed: Path, spoil: object, words: str) -> None:
    spoil(Path("r.attachments") / PAPERS)  # type: ignore[operator]

    status, lines, _ = record("verify", sealed)

    assert status == 1
    assert lines[0].startswith("not good: ")
    assert words in lines[0]


def test_a_file_in_the_way_of_the_folder_is_told_before_anything_is_sealed(record: Record) -> None:
    Path("r.attachments").touch()

    status, _, err = record("seal", "--out", "r.json")

    assert status == 2
    assert "r.attachments: must be a folder for the attached files" in err
    assert record("export", "--out", "all.json")[2].startswith("fretledger: the store holds no record")


def test_a_file_beside_it_that_no_record_tells_of_is_named(record: Record, sealed: Path) -> None:
    Path("r.attachments/extra.txt").touch()

    status, lines, _ = record("verify", sealed)

    assert status == 0
    assert lines[0].endswith("beside it, as sealed; 1 file beside it is not in the record: extra.txt")


@pytest.mark.parametrize(
    ("spoil", "state"),
    [
        pytest.param(lambda file: file.unlink(), "missing", id="missing"),
        pytest.param(lambda file: file.write_bytes(b"else"), "changed", id="changed"),
    ],
)
def test_a_lost_file_is_not_signed_for(
    record: Record, store: Store, spoil: Callable[[Path], object], state: str
) -> None:
    content = store.path.parent / "attachments" / PAPER_SHA256
    spoil(content)

    status, lines, err = record("seal", "--out", "r.json")

    assert (status, lines, Path("r.json").exists()) == (4, [], False)
    assert f"'neck.txt' is {state}: nothing was sealed; put the file back" in err
    assert "attach it again, or let the record say that it is lost: record seal --without-lost-files" in err
    Path("neck.txt").write_bytes(PAPER)
    record("attach", "neck.txt")
    assert record("seal", "--out", "r.json")[0] == 0


def test_a_file_lost_since_sealing_is_said_when_the_record_is_written_again(
    record: Record, store: Store, sealed: Path
) -> None:
    (store.path.parent / "attachments" / PAPER_SHA256).unlink()

    status, lines, err = record("seal", "--out", "again.json")

    assert status == 1
    assert lines[0].startswith("record 1 says all of it already")
    assert "is missing; put the file back" in err


def test_a_record_may_say_that_a_file_is_lost(record: Record, store: Store) -> None:
    (store.path.parent / "attachments" / PAPER_SHA256).unlink()

    assert record("seal", "--without-lost-files", "--out", "r.json")[0] == 0

    document = json.loads(Path("r.json").read_bytes())["records"][0]["document"]
    assert document["lost_files"] == [{"name": "neck.txt", "sha256": PAPER_SHA256, "size": len(PAPER)}]
    assert document["attachments"] == []
    assert "attachment_notes" not in document
    assert "lost before it was sealed: neck.txt" in record("show", "r.json")[1]
    assert record("seal", "--without-lost-files")[1][0].startswith("record 1 says all of it already")
