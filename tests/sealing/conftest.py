"""A store with the invented neck, and a chain of three records of it."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sealed_bench import NECK, PAPER, Lines, Record, Sealer, keep, more, no_page, sitting

from logger.cli import run
from logger.sealing.seal import records_file
from logger.store import InstrumentRevision, InstrumentRow, RecordRow, Store
from logger.store.attached import keep_content


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "bench.db") as made:
        keep_content(made.path, PAPER)
        keep(made, [
            InstrumentRow(id="neck", created_at_ns=1, description=NECK),
            InstrumentRevision(instrument="neck", revision=1, at_ns=1, name="Invented neck", description=NECK),
            *sitting(),
            *more(),
        ])  # fmt: skip
        yield made


@pytest.fixture
def sealer(store: Store) -> Sealer:
    return Sealer(store)


@pytest.fixture
def chain(sealer: Sealer) -> list[RecordRow]:
    """Three records: the first session, and twice reopened after further sessions."""
    rows = [sealer()]
    for session in ("s2", "s3"):
        keep(sealer.store, sitting(session))
        rows.append(sealer())
    return rows


@pytest.fixture
def change(chain: list[RecordRow]) -> Callable[[Callable[[list[dict[str, Any]]], object]], bytes]:
    """Return a function that gives the file of the chain after somebody altered its records."""

    def altered(alter: Callable[[list[dict[str, Any]]], object]) -> bytes:
        values = json.loads(records_file(chain))
        alter(values["records"])
        return json.dumps(values, ensure_ascii=False).encode()

    return altered


@pytest.fixture
def keys_folder(tmp_path: Path) -> Path:
    return tmp_path / "keys"


@pytest.fixture
def record(tmp_path: Path, keys_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Record:
    """Run a record command with keys and files in a folder of the test."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))

    def typed(*arguments: object) -> int:
        keyed = () if arguments[0] in {"show", "export"} else ("--keys", keys_folder)
        return run(["record", *(str(one) for one in (*arguments, *keyed))], no_page)

    return typed


@pytest.fixture
def printed(capsys: pytest.CaptureFixture[str]) -> Lines:
    def read() -> tuple[list[str], str]:
        out, err = capsys.readouterr()
        return out.splitlines(), err

    return read


@pytest.fixture
def path(store: Store) -> Path:
    """A store that nobody owns."""
    store.close()
    return store.path


@pytest.fixture
def sealed(record: Record, path: Path, printed: Lines) -> Path:
    assert record("seal", "--store", path, "--out", "r.json") == 0
    printed()
    return Path("r.json")
