"""`fretledger store`: exit status, lines for people, JSON for programs, progress on a terminal only."""

import io
import json
import re
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.cli import run
from logger.store import (
    InstrumentRevision,
    InstrumentRow,
    ReadingRow,
    SessionGauge,
    SessionRow,
    Store,
    TakeBack,
)
from logger.terminal import ProgressLine


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "bench.db"
    with Store.create(path) as store:
        for number in range(3):
            store.put(InstrumentRow(id=f"neck {number}", created_at_ns=1, description=""))
    return path


@pytest.fixture
def damaged(path: Path) -> Path:
    with closing(sqlite3.connect(path)) as connection:
        ask = "SELECT sql FROM sqlite_schema WHERE name = 'instrument_no_delete'"
        (trigger,) = connection.execute(ask).fetchone()
        connection.executescript(
            f"DROP TRIGGER instrument_no_delete; DELETE FROM instrument WHERE entry = 3; {trigger};"
        )
    return path


def store(*arguments: object) -> int:
    return run(["store", *(str(one) for one in arguments)], lambda *_: None)  # type: ignore[arg-type, return-value]


def test_inspect_of_a_sound_store(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store("inspect", "--store", path) == 0

    first, second = capsys.readouterr().out.splitlines()
    assert first == f"{path}: 0 readings, 0 sessions, 4 rows in all"
    assert second.startswith("sound: everything that its witness saw at ")


def test_inspect_says_what_is_lost_and_what_to_do(damaged: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store("inspect", "--store", damaged) == 1

    _, wrong, to_do = capsys.readouterr().out.splitlines()
    assert wrong == "wrong: 1 of 3 rows of instrument is gone"
    assert to_do.startswith("what to do: put the whole file back together with its -wal file, or a copy together with")


def test_inspect_without_a_witness(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.with_name("bench.db.witness").unlink()

    assert store("inspect", "--store", path) == 0

    _, second, third = capsys.readouterr().out.splitlines()
    assert second == "sound in itself"
    assert third.startswith("note: no witness lies beside it")


@pytest.mark.parametrize("work", ["inspect", "repack"])
def test_what_cannot_be_used_exits_4(work: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "no.db").write_text("not a store", encoding="utf-8")

    assert store(work, "--store", tmp_path / "no.db") == 4

    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "the file is not a database" in err


@pytest.mark.parametrize("work", ["copy", "recover"])
def test_a_target_that_exists_exits_4(work: str, path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store(work, path, "--store", path) == 4
    assert "exists already" in capsys.readouterr().err


def test_copy(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store("copy", tmp_path / "copy.db", "--store", path) == 0

    assert capsys.readouterr().out.startswith(
        f"copied to {tmp_path / 'copy.db'}: 0 readings, 0 sessions, 4 rows in all\n"
    )
    assert store("inspect", "--store", tmp_path / "copy.db") == 0


def test_copy_of_a_damaged_store_exits_1(damaged: Path, tmp_path: Path) -> None:
    assert store("copy", tmp_path / "copy.db", "--store", damaged) == 1


UUID = r"[0-9a-f-]{36}"


def test_recover(damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store("recover", tmp_path / "new.db", "--store", damaged) == 1

    first, wrong, made_from = capsys.readouterr().out.splitlines()
    assert re.fullmatch(
        rf"the new store is {UUID}; it and every record sealed from it say what it was made from: store {UUID}, "
        "file SHA-256 [0-9a-f]{64}",
        made_from,
    )
    assert first == f"recovered into {tmp_path / 'new.db'}: 2 instruments"
    assert wrong == "wrong: 1 of 3 rows of instrument is lost"
    assert store("inspect", "--store", tmp_path / "new.db") == 0
    Store.open(tmp_path / "new.db").close()


def test_recover_of_a_sound_store(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store("recover", tmp_path / "new.db", "--store", path) == 0
    assert capsys.readouterr().out.splitlines()[1] == "nothing is known to be lost"


def test_repack(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store("repack", "--store", path) == 0
    assert capsys.readouterr().out.endswith("4 rows in all, every one the same as before\n")


def test_repack_of_a_damaged_store_exits_1(damaged: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store("repack", "--store", damaged) == 1
    assert (
        "is not packed while something is wrong with it: 1 of 3 rows of instrument is gone" in capsys.readouterr().out
    )


def test_json(damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store("inspect", "--json", "--store", damaged)
    inspected = json.loads(capsys.readouterr().out)
    store("copy", tmp_path / "copy.db", "--json", "--store", damaged)
    copied = json.loads(capsys.readouterr().out)
    store("recover", tmp_path / "new.db", "--json", "--store", damaged)
    recovered = json.loads(capsys.readouterr().out)
    store("repack", "--json", "--store", damaged)
    refused = json.loads(capsys.readouterr().out)
    store("repack", "--json", "--store", tmp_path / "new.db")
    packed = json.loads(capsys.readouterr().out)

    assert inspected["sound"] is False
    assert inspected["wrong"] == copied["wrong"] == ["1 of 3 rows of instrument is gone"]
    assert inspected["tables"]["instrument"]["entries"] == recovered["kept"]["instrument"] == 2
    assert recovered["lost"] == {"instrument": 1}
    assert "1 of 3 rows" in refused["wrong"][0]
    assert packed["wrong"] == []
    assert packed["tables"]["instrument"]["entries"] == 2


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def shown(monkeypatch: pytest.MonkeyPatch, error_output: io.StringIO, times: list[float]) -> str:
    clock: Iterator[float] = iter(times)
    monkeypatch.setattr(sys, "stderr", error_output)
    line = ProgressLine(clock=lambda: next(clock))
    for share in (0.1, 0.5, 0.55, None):
        line("reading", share)
    line.close()
    return error_output.getvalue()


def test_progress_is_shown_on_a_terminal_after_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    text = shown(monkeypatch, Terminal(), [0.0, 0.9, 1.2, 1.25, 7.0])

    assert "10%" not in text
    assert "\rreading  ##########            50%" in text
    assert "55%" not in text, "not more than ten times a second"
    assert "\rreading  7 s" in text
    assert text.endswith("\r")


def test_progress_is_not_written_into_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shown(monkeypatch, io.StringIO(), [0.0, 0.9, 1.2, 1.25, 7.0]) == ""


def test_a_work_must_be_named(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        store()
    assert caught.value.code == 2


def test_totals_in_words_and_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bench.db"
    with Store.create(path) as made:
        made.put(InstrumentRow(id="neck", created_at_ns=1, description=""))
        made.put(InstrumentRevision(instrument="neck", revision=1, at_ns=1, name="neck", description=""))
        made.put(SessionRow(id="s", instrument="neck", revision=1, started_at_ns=1, monotonic_ns=1, boot_id="",
                            software="test"))  # fmt: skip
        made.put(SessionGauge(session="s", gauge="c", kind="caliper", description="{}", profile="", profile_sha256=""))
        for sequence, value_nm in enumerate((580_000, 582_000, 9_000_000), start=1):
            made.put(ReadingRow(
                session="s", gauge="c", sequence=sequence, kind="slot_width", fret=1, place="bass", value_nm=value_nm,
                unit="mm", raw=b"", status="ok", taken_at_ns=1, monotonic_ns=1,
            ))  # fmt: skip
        made.put(TakeBack(session="s", number=1, gauge="c", sequence=3, at_ns=1, who="", why=""))

    assert store("totals", "--store", path) == 0
    assert store("totals", "--store", path, "--json") == 0

    *lines, held = capsys.readouterr().out.splitlines()
    assert lines[0] == "3 readings in all, 1 of them taken back"
    assert [line.split() for line in lines[1:]] == [
        ["readings", "mean", "mm", "spread", "mm"],
        ["slot", "width", "2", "0.5810", "0.0014"],
    ]
    assert json.loads(held)["kinds"]["slot_width"]["sd_mm"] == pytest.approx(0.001 * 2**0.5, rel=1e-6)


def test_totals_of_a_store_without_readings(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert store("totals", "--store", path) == 0
    assert capsys.readouterr().out == "0 readings in all, 0 of them taken back\n"


@pytest.mark.parametrize("words", ["store totals", "readings", "lessons"])
def test_what_only_reads_says_that_the_store_is_not_what_its_witness_saw(
    words: str, damaged: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = [*words.split(), "--store", str(damaged)]
    witness = damaged.with_name("bench.db.witness")

    def notes() -> list[str]:
        assert run(command, lambda *_: None) == 0  # type: ignore[arg-type, return-value]
        return [line for line in capsys.readouterr().err.splitlines() if "witness" in line]

    says = "`fretledger store inspect` says what it is and what to do"
    lost = "1 of 3 rows of instrument is gone"
    assert notes() == [f"session store {damaged} is not what its witness saw: {lost}; {says}"]
    witness.write_text("x", encoding="utf-8")
    (broken,) = notes()
    assert broken.startswith(f"what is read here is compared with no witness: {witness} must be the witness of")
    witness.unlink()
    assert notes() == []
