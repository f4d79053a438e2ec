"""A program that is killed while it seals: a record is whole in the store or not at all."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from logger.sealing.seal import records_file
from logger.sealing.verify import read_records
from logger.store import Store, StoreReader

KILLED = """
import os, sys, types
from logger.sealing import seal
from logger.store import Store
moment = sys.argv.pop(1)
def die(*_args, **_named):
    os.kill(os.getpid(), 9)
if moment == "before it is kept":
    Store.put = die
elif moment == "before the head":
    import logger.record_command
    logger.record_command.head_file = die
elif moment == "while the head is written":
    seal.os = types.SimpleNamespace(**{**vars(os), "fsync": die})  # the store flushes files of its own
from logger.cli import run
sys.exit(run(sys.argv[1:], None))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9")
@pytest.mark.parametrize(
    ("moment", "kept"),
    [("before it is kept", 0), ("before the head", 1), ("while the head is written", 1)],
)
def test_a_record_is_whole_or_not_there(store: Store, tmp_path: Path, moment: str, kept: int) -> None:
    store.close()
    command = ("record", "seal", "--store", str(store.path), "--keys", str(tmp_path / "keys"))
    killed = (sys.executable, "-c", KILLED, moment)
    subprocess.run(
        [*killed[:3], "never", *command[:1], "key", *command[4:]], check=True, capture_output=True, timeout=60
    )

    done = subprocess.run([*killed, *command], check=False, capture_output=True, timeout=60)

    assert done.returncode == -signal.SIGKILL, done.stderr
    with StoreReader(store.path) as reader:
        rows = reader.records("neck")
    assert len(rows) == kept
    if kept:
        read_records(records_file(rows))
    again = subprocess.run([*killed[:3], "never", *command], check=False, capture_output=True, text=True, timeout=60)
    assert again.returncode == 0, again.stderr
    assert again.stdout.startswith("record 1 says all of it already" if kept else "record 1 sealed")
    assert Path(f"{store.path}.head.json").exists()
