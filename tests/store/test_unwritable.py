"""A store in a folder where nothing can be written: another person's, or a disk that is read-only."""

import os
import shutil
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from logger.errors import StoreError
from logger.store import ReadingRow, Row, Store, StoreReader
from logger.store.care import copy
from logger.store.inspection import inspect
from logger.store.recovery import recover
from logger.store.totals import totals
from logger.store.witness import witness_path

MakeReading = Callable[..., ReadingRow]
STRANGER = 65534
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="folders of Windows have other rights")


@pytest.fixture
def shut() -> Iterator[Callable[[Path], Path]]:
    """Move a store into a folder that the test's own user may only read; the superuser becomes another for it."""
    root = os.geteuid() == 0
    with TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        there, own = folder / "theirs", folder / "own"
        own.mkdir(mode=0o777)
        own.chmod(0o777)

        def shut(path: Path) -> Path:
            there.mkdir()
            for one in path.parent.glob(f"{path.name}*"):
                if not one.name.endswith((".lock", ".owner")):
                    shutil.copy(one, there)
                    (there / one.name).chmod(0o444)
            there.chmod(0o555)
            if root:
                os.seteuid(STRANGER)
            return there / path.name

        try:
            yield shut
        finally:
            if root:
                os.seteuid(0)
            there.chmod(0o755)


def looked_at_every_way(path: Path) -> None:
    own = path.parent.parent / "own"
    assert inspect(path).wrong == []
    found = recover(path, own / "new.db")
    assert (found.wrong, found.kept["reading"]) == ([], 5)
    assert copy(path, own / "copy.db").wrong == []
    assert totals(path).readings == 5
    with StoreReader(path) as reader:
        assert len(reader.readings("s1")) == 5
    assert {one.name for one in own.iterdir()} - {"copy.db.witness"} == {"new.db", "new.db.witness", "copy.db"}
    assert not stat.S_IMODE(path.parent.stat().st_mode) & stat.S_IWUSR


def test_a_sound_store_is_looked_at_where_it_lies(
    started: Store, reading: MakeReading, shut: Callable[[Path], Path], caplog: pytest.LogCaptureFixture
) -> None:
    for number in range(1, 6):
        started.put(reading(number))
    started.close()

    looked_at_every_way(shut(started.path))
    assert caplog.messages == []


def test_with_a_log_it_is_read_from_a_copy(
    path: Path, tmp_path: Path, opening: list[Row], reading: MakeReading, shut: Callable[[Path], Path],
    caplog: pytest.LogCaptureFixture,
) -> None:  # fmt: skip
    with Store.create(path) as store:
        for row in [*opening, *(reading(number) for number in range(1, 6))]:
            store.put(row)
        left = tmp_path / "left"
        left.mkdir()
        for ending in ("", "-wal"):
            shutil.copy(path.with_name(path.name + ending), left)
    there = shut(left / path.name)

    looked_at_every_way(there)
    said = f"session store {there} has a log, and nothing can be written beside it: both are read from a copy in a"
    assert caplog.messages == [f"{said} temporary folder"]


def forbid(path: Path) -> None:
    stranger = os.geteuid()
    os.seteuid(os.getuid())
    path.chmod(0)
    os.seteuid(stranger)


def test_a_witness_that_may_not_be_read_is_named_and_not_the_store(
    started: Store, shut: Callable[[Path], Path]
) -> None:
    started.close()
    path = shut(started.path)
    forbid(witness_path(path))

    found = inspect(path)
    (said,) = found.wrong
    words = f"{path}.witness, the witness of session store bench.db, cannot be read: this program is not allowed to"
    assert said.startswith(f"{words} (permissions ----------, owner ")
    assert found.to_do.startswith("let this program read the witness")
    copied = copy(path, path.parent.parent / "own" / "copy.db")
    assert (copied.wrong, copied.to_do) == (found.wrong, found.to_do)


def test_one_that_may_not_be_read(started: Store, shut: Callable[[Path], Path]) -> None:
    started.close()
    path = shut(started.path)
    forbid(path)

    with pytest.raises(StoreError, match="cannot be read: Permission denied; ask its owner to let this program read"):
        inspect(path)
