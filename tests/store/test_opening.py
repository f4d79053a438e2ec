import os
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreBusyError, StoreError, StoreForeignError, StoreVersionError
from logger.store import Row, Store, StoreReader, connect, default_path
from logger.store.schema import STEPS, migrate

WAYS = [pytest.param(Store.open, id="open"), pytest.param(StoreReader, id="read")]
Open = Callable[[Path], Store | StoreReader]


def refused(way: Open, path: Path, error: type[StoreError], words: str) -> None:
    """Check one refusal: its class, its words, its path, and that nothing is left behind."""
    before = sorted(path.parent.iterdir()) if path.parent.is_dir() else []
    with pytest.raises(error, match=words) as caught:
        way(path)
    assert type(caught.value) is error
    assert str(path) in str(caught.value)
    assert caught.value.path == path
    assert (sorted(path.parent.iterdir()) if path.parent.is_dir() else []) == before


@pytest.mark.parametrize("way", WAYS)
class TestRefusals:
    def test_nothing_there(self, path: Path, way: Open) -> None:
        refused(way, path, StoreError, r"^no session store at .*; create one there or name the file of another$")

    def test_no_folder(self, tmp_path: Path, way: Open) -> None:
        refused(way, tmp_path / "no" / "bench.db", StoreError, "^no session store at")

    def test_a_folder(self, path: Path, way: Open) -> None:
        path.mkdir()
        refused(way, path, StoreError, "must be a file, .* is a folder or a device; name a file$")

    def test_below_a_file(self, path: Path, way: Open) -> None:
        path.write_bytes(b"x")
        refused(way, path / "bench.db", StoreError, "a part of the path is a file, not a folder")

    def test_an_empty_file(self, path: Path, way: Open) -> None:
        path.touch()
        refused(way, path, StoreForeignError, "is an empty file, not a session store; .* must be copied again$")

    @pytest.mark.parametrize("text", [b"hello", b"fret,mm\n1,0.58\n" * 500], ids=["short", "long"])
    def test_a_text_file(self, path: Path, way: Open, text: bytes) -> None:
        path.write_bytes(text)
        refused(way, path, StoreForeignError, r"the file is not a database \(.*\); name a session store")
        assert path.read_bytes() == text

    def test_another_database(self, path: Path, way: Open) -> None:
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("CREATE TABLE notes (text)")
        refused(way, path, StoreForeignError, r"is a database but not a session store \(application id 0x0\)")

    def test_a_newer_version(self, path: Path, way: Open) -> None:
        Store.create(path).close()
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("PRAGMA user_version = 99")
        refused(
            way, path, StoreVersionError, f"is of version 99, this program knows versions up to {len(STEPS)}; update"
        )

    def test_a_name_that_no_file_has(self, tmp_path: Path, way: Open) -> None:
        with pytest.raises(StoreError, match=r"must not hold a NUL character, got '.*\\x00"):
            way(tmp_path / "a\0b")

    def test_a_name_too_long(self, tmp_path: Path, way: Open) -> None:
        refused(way, tmp_path / ("a" * 300), StoreError, "the name is too long .*; choose a shorter one")

    def test_a_loop_of_links(self, path: Path, way: Open) -> None:
        path.symlink_to(path)
        with pytest.raises(StoreError, match="leads nowhere"):
            way(path)


def test_a_database_locked_by_another_program(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Store.create(path).close()
    monkeypatch.setattr(connect, "BUSY_TIMEOUT_S", 0.01)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")

        with pytest.raises(StoreBusyError, match=r"another program has locked the database .*; close that program"):
            Store.open(path)


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Callable[[], Path]]:
    """A folder that can be made read-only even for an administrator, whom permissions do not stop."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if sys.platform == "win32":
        pytest.skip("folders are not made read-only by their mode on Windows; run elsewhere")
    as_root = os.geteuid() == 0
    if as_root and subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", folder], check=False).returncode:
        pytest.skip("an administrator who may not mount: no folder is read-only here; run as an ordinary user")

    def protect() -> Path:
        if as_root:
            subprocess.run(["mount", "-o", "remount,ro", folder], check=True)
        else:
            folder.chmod(0o555)
        return folder

    yield protect
    if as_root:
        subprocess.run(["umount", folder], check=True)
    else:
        folder.chmod(0o755)


def test_a_read_only_folder_takes_no_store(read_only: Callable[[], Path]) -> None:
    path = read_only() / "bench.db"
    with pytest.raises(StoreError, match=r"locked by bench\.db\.lock: (the disk is read-only|.* not allowed to)"):
        Store.create(path)


def test_a_store_in_a_read_only_folder_is_read_and_not_owned(tmp_path: Path, read_only: Callable[[], Path]) -> None:
    Store.create(tmp_path / "disk" / "bench.db").close()
    path = read_only() / "bench.db"

    with pytest.raises(StoreError, match="cannot be locked by"):
        Store.open(path)
    with StoreReader(path) as reader:
        assert reader.sessions() == []


class TestCreating:
    def test_a_missing_folder(self, tmp_path: Path) -> None:
        path = tmp_path / "no" / "a.db"
        refused(Store.create, path, StoreError, "there is no folder .*no; create it or name another$")

    def test_a_folder(self, path: Path) -> None:
        path.mkdir()
        refused(Store.create, path, StoreError, "is a folder; name a file in it$")

    def test_what_exists_is_left_alone(self, path: Path) -> None:
        path.write_text("mine")
        refused(Store.create, path, StoreError, "exists already; open it, or create the store under another name$")
        assert path.read_text() == "mine"

    def test_a_log_left_by_a_lost_store(self, path: Path) -> None:
        # A new file beside an old log would take the old pages for its own.
        path.with_name("bench.db-wal").write_bytes(b"pages")
        refused(Store.create, path, StoreError, "write-ahead log of a store whose file bench.db is gone, and may hold")

    def test_leftovers_of_a_creation_that_was_killed(self, path: Path) -> None:
        path.with_name("bench.db.new").write_bytes(b"half")

        Store.create(path).close()

        assert sorted(item.name for item in path.parent.iterdir()) == ["bench.db", "bench.db.witness"]

    def test_a_failure_leaves_nothing(self, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def full(*_: object, **__: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(Path, "rename", full)
        with pytest.raises(StoreError, match="cannot be created: the disk is full"):
            Store.create(path)
        assert not path.exists()
        assert not path.with_name("bench.db.lock").exists()

    def test_open_or_create(self, path: Path, opening: list[Row]) -> None:
        with Store.open_or_create(path) as made:
            made.put(opening[0])
            first = made.store_id
        with Store.open_or_create(path) as again:
            assert again.store_id == first
            with again.reader() as reader:
                assert reader.instrument_rows() == [opening[0]]

    def test_open_or_create_never_takes_an_empty_file_for_a_new_store(self, path: Path) -> None:
        path.touch()
        refused(Store.open_or_create, path, StoreForeignError, "is an empty file")


def test_default_folder_is_made_by_creating_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_data_path", lambda name, appauthor: tmp_path / "data" / name)
    assert default_path() == tmp_path / "data" / "fretledger" / "fretledger.db"

    with pytest.raises(StoreError, match=r"^no session store at"):
        Store.open(default_path())
    assert not (tmp_path / "data").exists()

    Store.create(default_path()).close()
    assert default_path().is_file()


def test_a_default_folder_that_cannot_be_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "data").write_text("a file in the way")
    monkeypatch.setattr("platformdirs.user_data_path", lambda name, appauthor: tmp_path / "data" / name)

    with pytest.raises(StoreError, match="cannot be created: a part of the path is a file, not a folder"):
        Store.create(default_path())


def test_a_disk_that_allows_no_log(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite keeps its old journal where memory cannot be shared; a database in memory stands for such a disk."""
    Store.create(path).close()

    def connect_elsewhere(place: Path, mode: str) -> sqlite3.Connection:
        memory = sqlite3.connect(":memory:", isolation_level=None)
        migrate(memory, place)
        return memory

    monkeypatch.setattr(connect, "connect_file", connect_elsewhere)
    with pytest.raises(StoreError, match="needs a write-ahead log and the disk allows only 'memory'"):
        Store.open(path)


@pytest.mark.parametrize(
    "name",
    [
        "a b.db",
        "what?.db",
        "no#1.db",
        "100%25.db",
        "q'uote\".db",
        "größe ø 木.db",
        "?mode=memory",
        ":memory:",
        "a&b=c;d.db",
        "file:x.db",
        "back\\slash.db",
        "new\nline.db",
    ],
)
def test_odd_names(tmp_path: Path, opening: list[Row], name: str) -> None:
    if sys.platform == "win32" and set(name) & set('?:"\\\n'):
        pytest.skip("Windows has no file of that name")
    path = tmp_path / name
    with Store.create(path) as store:
        store.put(opening[0])
        with store.reader() as reader:
            assert reader.instrument_rows() == [opening[0]]

    left = sorted(item.name for item in tmp_path.iterdir() if not item.name.endswith(("-wal", "-shm")))
    assert left == sorted([name, f"{name}.witness"])


def test_a_link_leads_to_the_one_store(path: Path) -> None:
    link = path.with_name("link.db")
    link.symlink_to(path)
    with Store.create(path) as store:
        with pytest.raises(StoreBusyError):
            Store.open(link)
        with StoreReader(link) as reader:
            assert reader.path == store.path


def test_a_refused_opening_leaves_no_thread(path: Path) -> None:
    path.write_text("not a store")
    before = threading.active_count()

    with pytest.raises(StoreForeignError):
        Store.open(path)

    assert threading.active_count() == before
