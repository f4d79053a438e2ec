"""The content of attached files beside a store: kept whole, looked over, and brought along with a copy."""

import hashlib
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import InputFileError, StoreError, StoreLossError
from logger.store import Attachment, Store
from logger.store.attached import content_path, copy_contents, keep_content, read_content
from logger.store.care import copy, repack
from logger.store.inspection import inspect
from logger.store.recovery import recover

CONTENT = b"a picture of fret 7"
SHA256 = hashlib.sha256(CONTENT).hexdigest()


@pytest.fixture
def kept(path: Path, full: Store, store_attachment: Attachment) -> Path:
    """The content of the store's one attached file."""
    full.close()
    return content_path(path, store_attachment.sha256)


def test_content_lies_under_its_hash_and_comes_back(path: Path) -> None:
    assert keep_content(path, CONTENT) == SHA256

    assert [one.name for one in (path.parent / "attachments").iterdir()] == [SHA256]
    assert read_content(path, SHA256, len(CONTENT)) == CONTENT


def test_content_that_is_there_is_left_alone_and_what_is_not_it_gives_way(path: Path) -> None:
    keep_content(path, CONTENT)
    file = content_path(path, SHA256)
    first = file.stat().st_mtime_ns
    keep_content(path, CONTENT)
    assert file.stat().st_mtime_ns == first
    file.write_bytes(b"A picture of fret 7")

    keep_content(path, CONTENT)

    assert file.read_bytes() == CONTENT


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_link_is_never_written_through_nor_read(path: Path) -> None:
    elsewhere = path.with_name("elsewhere")
    elsewhere.write_bytes(b"of somebody else")
    content_path(path, SHA256).parent.mkdir()
    content_path(path, SHA256).symlink_to(elsewhere)
    with pytest.raises(StoreLossError, match="is changed; put the file back"):
        read_content(path, SHA256, 16)

    keep_content(path, CONTENT)

    assert elsewhere.read_bytes() == b"of somebody else"
    assert not content_path(path, SHA256).is_symlink()


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_folder_that_is_a_link_is_refused(path: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "attachments").symlink_to(tmp_path / "elsewhere")

    with pytest.raises(StoreError, match="must be a folder, not a link"):
        keep_content(path, CONTENT)
    with pytest.raises(StoreLossError, match="its folder is a link"):
        read_content(path, SHA256, len(CONTENT))
    assert list((tmp_path / "elsewhere").iterdir()) == []


@pytest.mark.parametrize("name", ["../bench.db", "", "AB" * 32, f"{'ab' * 32}\n"])
def test_what_is_no_hash_names_no_file(path: Path, name: str) -> None:
    with pytest.raises(StoreLossError, match="must be named by a hash"):
        content_path(path, name)


def test_a_full_disk_is_told_and_leaves_nothing(small_disk: Path) -> None:
    with pytest.raises(InputFileError, match="cannot be written"):
        keep_content(small_disk / "bench.db", bytes(3 << 20))

    assert list((small_disk / "attachments").iterdir()) == []


def test_a_file_where_the_folder_should_be_is_told(path: Path) -> None:
    path.with_name("attachments").touch()

    with pytest.raises(StoreError, match="cannot be given an attached file"):
        keep_content(path, CONTENT)


def test_inspect_finds_a_whole_file_sound(path: Path, kept: Path) -> None:
    assert inspect(path).to_do == ""


@pytest.mark.parametrize(
    ("spoil", "state"),
    [
        pytest.param(lambda file: file.unlink(), "missing", id="removed"),
        pytest.param(lambda file: file.write_bytes(b"of a sloT"), "changed", id="changed"),
        pytest.param(lambda file: file.write_bytes(b"of a slot, and more"), "changed", id="grown"),
        pytest.param(lambda file: (file.unlink(), file.mkdir()), "changed", id="a folder"),
    ],
)
def test_inspect_names_a_file_that_is_missing_or_changed(path: Path, kept: Path, spoil: object, state: str) -> None:
    spoil(kept)  # type: ignore[operator]

    found = inspect(path)

    assert found.astray == [f"attached file 'slot.jpg' ({kept.name[:12]}...) is {state}"]
    assert (found.wrong, found.to_do.split(",")[0]) == (
        [], "put the file back into the folder attachments beside the store",
    )  # fmt: skip


def test_a_missing_file_does_not_hold_up_packing(path: Path, kept: Path) -> None:
    kept.unlink()

    assert repack(path).after_bytes > 0


def test_a_copy_brings_the_files_along(path: Path, kept: Path, tmp_path: Path) -> None:
    (tmp_path / "away").mkdir()

    found = copy(path, tmp_path / "away" / "copy.db")

    assert (found.wrong, found.astray) == ([], [])
    assert (tmp_path / "away" / "attachments" / kept.name).read_bytes() == kept.read_bytes()


def test_a_copy_in_the_same_folder_shares_the_files(path: Path, kept: Path) -> None:
    found = copy(path, path.with_name("copy.db"))

    assert found.astray == []
    assert list(kept.parent.iterdir()) == [kept]


def test_a_copy_says_what_was_missing_and_takes_the_rest(path: Path, kept: Path, tmp_path: Path) -> None:
    (tmp_path / "away").mkdir()
    kept.write_bytes(b"altered")

    found = copy(path, tmp_path / "away" / "copy.db")

    assert [one.split(" is ")[1] for one in found.astray] == ["missing"]
    assert found.wrong == []


def test_recovering_brings_the_files_along(path: Path, kept: Path, tmp_path: Path) -> None:
    (tmp_path / "away").mkdir()

    assert recover(path, tmp_path / "away" / "new.db").wrong == []

    assert (tmp_path / "away" / "attachments" / kept.name).read_bytes() == kept.read_bytes()


def test_a_row_that_names_no_hash_leads_nowhere(path: Path, kept: Path, tmp_path: Path) -> None:
    """Another program altered the row past the store's own checks."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER attachment_no_update")
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("UPDATE attachment SET sha256 = '../bench.db'")

        copy_contents(connection, path, tmp_path / "away" / "copy.db")

    assert not (tmp_path / "away").exists()
    assert [one.split(") ")[1] for one in inspect(path).astray] == ["is named by no hash"]
