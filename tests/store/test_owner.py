import errno
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from logger.errors import StoreBusyError, StoreError
from logger.store import Store
from logger.store.owner import OwnerLock

HOLD = """
import sys
from logger.store import Store
store = Store.open(sys.argv[1], program="other bench")
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def lock_path(path: Path) -> Path:
    return path.with_name("bench.db.lock")


def hold(path: Path) -> subprocess.Popen[str]:
    """Start a second process that owns the store until its input ends."""
    other = subprocess.Popen(
        [sys.executable, "-c", HOLD, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout is not None
    assert other.stdout.readline() == "held\n"
    return other


def test_a_second_process_is_refused_by_the_name_of_the_first_and_succeeds_it_when_killed(path: Path) -> None:
    Store.create(path).close()
    with hold(path) as other:
        since = r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC"
        words = rf"is in use by other bench \(process {other.pid}, since {since}\); close that program first$"
        with pytest.raises(StoreBusyError, match=words):
            Store.open(path)
        with pytest.raises(StoreBusyError, match=words):
            Store.open_or_create(path)

        other.kill()
        other.wait()
        Store.open(path).close()


def test_a_second_owner_in_the_same_process_is_refused(store: Store) -> None:
    with pytest.raises(StoreBusyError, match=rf"in use by fretledger \(process {os.getpid()}, since"):
        Store.open(store.path)


def test_note_says_who_and_since_when(path: Path, lock_path: Path) -> None:
    since = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
    with OwnerLock(path, program="bench", since=since):
        assert json.loads(lock_path.read_text()) == {
            "pid": os.getpid(),
            "program": "bench",
            "since": "2031-05-06T07:08:09+00:00",
        }
    assert not lock_path.exists()


@pytest.mark.parametrize("note", [b"", b"{", b"[]", b"{}", b"\xff", b'{"pid": 1, "program": "x", "since": 5}'])
def test_an_owner_whose_note_cannot_be_read_is_still_respected(path: Path, lock_path: Path, note: bytes) -> None:
    with OwnerLock(path, program="bench"):
        lock_path.write_bytes(note)
        with pytest.raises(StoreBusyError, match="in use by another program that has not said which"):
            OwnerLock(path, program="second")


def test_a_note_left_by_a_dead_owner_does_not_matter(path: Path, lock_path: Path) -> None:
    note = {"pid": 1, "program": "a program with a long name that died", "since": "2020-01-01T00:00:00Z"}
    lock_path.write_text(json.dumps(note))

    with OwnerLock(path, program="bench"):
        assert json.loads(lock_path.read_text())["program"] == "bench"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let an open file be removed")
def test_an_old_owner_never_removes_the_lock_of_the_next(path: Path, lock_path: Path) -> None:
    first = OwnerLock(path, program="first")
    lock_path.unlink()
    with OwnerLock(path, program="second"):
        first.release()
        assert json.loads(lock_path.read_text())["program"] == "second"


def test_a_lock_file_removed_while_it_was_being_taken_is_taken_anew(
    path: Path, lock_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one who waits may get the lock on a file that its last owner has just removed."""
    true_flock = pytest.importorskip("fcntl").flock
    tries: list[int] = []

    def flock(descriptor: int, operation: int) -> None:
        if not tries:
            lock_path.unlink()
        tries.append(descriptor)
        true_flock(descriptor, operation)

    monkeypatch.setattr("fcntl.flock", flock)
    with OwnerLock(path, program="bench"):
        assert json.loads(lock_path.read_text())["pid"] == os.getpid()
    assert len(tries) == 2


def test_release_twice(path: Path) -> None:
    lock = OwnerLock(path, program="bench")
    lock.release()
    lock.release()
    OwnerLock(path, program="bench").release()


def test_a_lock_that_cannot_be_made_is_told_in_words(tmp_path: Path) -> None:
    words = r"cannot be locked by bench\.db\.lock: the folder does not exist \(.*\); create it"
    with pytest.raises(StoreError, match=words):
        OwnerLock(tmp_path / "no" / "bench.db", program="bench")


def test_a_disk_that_cannot_lock_is_told_in_words(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("fcntl")

    def flock(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr("fcntl.flock", flock)
    with pytest.raises(StoreError, match=r"the disk cannot lock files .*; keep the store on a disk of this machine"):
        OwnerLock(path, program="bench")
