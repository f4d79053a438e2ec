"""The `record` commands as they are typed, in this process and alone on another machine."""

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sealed_bench import Lines, Record, keep, no_page, reading, sitting

from logger import record_command
from logger.cli import run
from logger.store import Store

COMMAND = (sys.executable, "-c", "import sys; from dashboard.command import main; sys.exit(main())")


def test_seal_says_what_to_keep(record: Record, path: Path, keys_folder: Path, printed: Lines) -> None:
    assert record("seal", "--store", path, "--out", "r.json") == 0

    lines, err = printed()
    assert err == ""
    assert lines[0] == "record 1 sealed"
    assert lines[1].startswith("code ")
    assert lines[1].endswith(f"or keep {path}.head.json")
    assert lines[2].startswith("key ")
    assert lines[3] == "written r.json"
    assert record("key") == 0
    assert printed()[0][0].split()[0] == lines[2].split()[1]
    assert json.loads(Path(f"{path}.head.json").read_bytes())["number"] == 1


def test_a_store_that_a_bench_owns_is_told_and_nothing_is_made(
    record: Record, store: Store, keys_folder: Path, printed: Lines
) -> None:
    assert record("seal", "--store", store.path) == 4

    assert "process" in printed()[1]
    assert not keys_folder.exists()


def test_a_good_record_is_one_line(record: Record, path: Path, sealed: Path, printed: Lines) -> None:
    assert record("verify", sealed, "--head", f"{path}.head.json") == 0

    lines, err = printed()
    assert (len(lines), err) == (1, "")
    assert lines[0].startswith("good: record 1, sealed 20")


def test_the_code_that_was_written_down_holds(record: Record, path: Path, printed: Lines) -> None:
    record("seal", "--store", path, "--out", "r.json")
    code = printed()[0][1].split()[1]

    assert record("verify", "r.json", "--code", code) == 0
    assert record("verify", "r.json", "--code", "AAAA-BBBB-CCCC-DDDD-EEEE") == 1
    assert printed()[0][1].startswith("not good: no record of the file has that code")


def test_sealing_twice_writes_what_is_sealed_already(record: Record, path: Path, sealed: Path, printed: Lines) -> None:
    head = Path(f"{path}.head.json")
    head.unlink()

    assert record("seal", "--store", path, "--out", "again.json") == 0

    assert printed()[0][0] == "record 1 says all of it already; none was made"
    assert Path("again.json").read_bytes() == sealed.read_bytes()
    assert record("verify", "again.json", "--head", head) == 0


def _change(alter: Callable[[dict[str, Any]], object]) -> Callable[[bytes], bytes]:
    def changed(content: bytes) -> bytes:
        values = json.loads(content)
        alter(values["records"][0])
        return json.dumps(values).encode()

    return changed


TAMPERED = {
    "a digit": (_change(lambda one: one["document"]["verdicts"][0]["verdicts"][0].update(value_mm=0.01)),
                "was changed after it was sealed"),
    "signature": (_change(lambda one: one.update(signature="ab" * 64)), "the signature is not its key's"),
    "another key": (_change(lambda one: one.update(key="ab" * 32)), "the signature is not its key's"),
    "previous": (_change(lambda one: one["document"].update(previous="ab" * 32)), "was changed after it was sealed"),
    "key twice": (lambda content: content.replace(b'"number":1,', b'"number":1,"number":1,', 1), "stands twice"),
    "format": (lambda content: content.replace(b"-records-1", b"-records-2"), "unknown format"),
    "half a file": (lambda content: content[: len(content) // 2], "not JSON"),
    "nested": (lambda content: b"[" * 100_000, "nested too deep"),
}  # fmt: skip


@pytest.mark.parametrize("name", TAMPERED)
def test_a_tampered_file_exits_1_with_the_reason(record: Record, sealed: Path, printed: Lines, name: str) -> None:
    alter, words = TAMPERED[name]
    Path("tampered.json").write_bytes(alter(sealed.read_bytes()))

    assert record("verify", "tampered.json") == 1

    lines, err = printed()
    assert (len(lines), err) == (1, "")
    assert lines[0].startswith("not good: ")
    assert words in lines[0]


def test_a_reason_cannot_command_the_terminal(record: Record, sealed: Path, printed: Lines) -> None:
    Path("t.json").write_bytes(b'{"\\u001b[2J":1,"\\u001b[2J":2}')

    assert record("verify", "t.json") == 1
    assert printed()[0][0].isprintable()


def test_a_key_that_nobody_vouches_for_is_not_good(
    record: Record, sealed: Path, tmp_path: Path, printed: Lines
) -> None:
    assert run(["record", "verify", str(sealed), "--keys", str(tmp_path / "none")], no_page) == 1
    assert "nothing here vouches for key" in printed()[0][0]
    assert not (tmp_path / "none").exists()


def test_another_benchs_key_is_not_good(record: Record, sealed: Path, printed: Lines) -> None:
    assert record("verify", sealed, "--key", "ab" * 32) == 1
    assert "record 1 was sealed by key" in printed()[0][0]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param(("verify", "none.json"), "none.json: cannot be read", id="no file"),
        pytest.param(("verify", "."), "is a folder, a pipe or a device", id="folder"),
        pytest.param(("verify", "r.json", "--key", "abc"), "'abc' is no public key", id="key"),
        pytest.param(("show", "none.json"), "none.json: cannot be read", id="show"),
        pytest.param(("export", "--out", "r.json"), "r.json: exists already", id="export over"),
        pytest.param(("export", "--records", "x", "--out", "x.json"), "must be a whole number from 1", id="number"),
        pytest.param(("seal", "--out", "no/r.json"), "cannot be written", id="seal nowhere"),
        pytest.param(("seal", "--customer", "x"), "give --out too", id="customer"),
        pytest.param(("seal", "--session", "a", "--instrument", "b"), "not allowed with", id="both"),
        pytest.param(("certify", "zz", "--name", "x", "--out", "c.json"), "is no public key", id="certify"),
        pytest.param((), "required: WORK", id="nothing"),
    ],
)
def test_what_does_not_hold_exits_2(
    record: Record, path: Path, sealed: Path, printed: Lines, arguments: tuple[str, ...], words: str
) -> None:
    try:
        status = run(["record", *arguments], no_page)
    except SystemExit as error:
        status = error.code  # type: ignore[assignment]

    assert status == 2
    assert words in printed()[1]


def test_the_customer_stays_outside_the_record(record: Record, path: Path, printed: Lines) -> None:
    assert record("seal", "--store", path, "--out", "r.json", "--customer", "Invented Customer") == 0

    assert b"Invented Customer" not in Path("r.json").read_bytes()
    companion = json.loads(Path("r.json.customer.json").read_bytes())
    assert companion["customer"] == "Invented Customer"
    assert companion["sha256"] == json.loads(Path("r.json").read_bytes())["records"][0]["sha256"]


def test_reopening_makes_a_record_that_names_the_old_one(
    record: Record, path: Path, sealed: Path, printed: Lines
) -> None:
    with Store.open(path) as store:
        keep(store, [*sitting("s2"), reading(20, 1_101_000, "bass")])
    first = json.loads(sealed.read_bytes())["records"][0]["document"]

    assert record("seal", "--store", path, "--instrument", "Invented neck", "--out", "again.json") == 0

    assert printed()[0][0] == f"record 2 sealed, reopens {first['id']}"
    assert record("export", "--store", path, "--out", "chain.json") == 0
    assert record("verify", "chain.json") == 0
    assert printed()[0][-1].startswith("good: records 1 to 2, one chain, sealed ")
    assert record("export", "--store", path, "--records", "1", "--out", "first.json") == 0
    assert Path("first.json").read_bytes() == sealed.read_bytes()
    assert record("export", "--store", path, "--records", "2-2", "--out", "second.json") == 0
    assert record("verify", "first.json", "second.json") == 0
    assert record("verify", "second.json", "first.json") == 1
    assert printed()[0][-1] == "not good: the chain is cut: record 1 stands after record 2"
    assert record("export", "--store", path, "--records", "2-3", "--out", "third.json") == 2
    assert "the store holds records 1 to 2" in printed()[1]


def test_a_chain_too_large_for_one_file_is_written_in_parts(
    record: Record, path: Path, sealed: Path, printed: Lines, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store.open(path) as store:
        keep(store, sitting("s2"))
    assert record("seal", "--store", path) == 0
    monkeypatch.setattr(record_command, "MOST_BYTES", 1.2 * sealed.stat().st_size)

    assert record("export", "--store", path, "--out", "chain.json") == 2

    assert "write them in parts, --records 1-1 first, and give verify all of the files" in printed()[1]
    assert record("export", "--store", path, "--records", "1-1", "--out", "part.json") == 0


def test_a_record_that_was_altered_in_the_store_is_not_exported(
    record: Record, path: Path, sealed: Path, printed: Lines
) -> None:
    content = path.read_bytes()
    assert content.count(b'"depth-indicator-mm"') == 1
    path.write_bytes(content.replace(b'"depth-indicator-mm"', b'"depth-indicator-cm"'))

    assert record("export", "--store", path, "--out", "again.json") == 1

    assert "not good: record 1 was changed after it was sealed" in printed()[0][0]
    assert not Path("again.json").exists()


def test_show_is_a_page_with_a_code_to_print(record: Record, sealed: Path, printed: Lines) -> None:
    assert record("show", sealed, "--qr", "--qr-svg", "code.svg") == 0

    lines, err = printed()
    assert (lines[0], err) == ("Invented neck", "")
    assert any("proud by 0.090 ±" in line for line in lines)
    assert "█" in lines[-3]
    assert b"<svg" in Path("code.svg").read_bytes()


def test_a_tampered_file_is_not_shown(record: Record, sealed: Path, printed: Lines) -> None:
    sealed.write_bytes(sealed.read_bytes().replace(b'"value_nm":1190000', b'"value_nm":1100000'))

    assert record("show", sealed) == 2
    lines, err = printed()
    assert lines == []
    assert "r.json: not what was sealed: record 1 was changed after it was sealed" in err


def test_a_shop_certifies_its_bench(record: Record, path: Path, tmp_path: Path, printed: Lines) -> None:
    shop = ("--keys", str(tmp_path / "shop"))
    record("key")
    bench = printed()[0][0].split()[0]
    assert run(["record", "certify", bench, "--name", "bench 1", "--out", "c.json", *shop], no_page) == 0
    assert record("key", "--certificate", "c.json") == 0

    assert record("seal", "--store", path, "--out", "r.json") == 0
    printed()

    assert run(["record", "verify", "r.json", *shop], no_page) == 0
    (line,) = printed()[0]
    assert "(certified by your own shop's key), certified as 'bench 1' by shop key" in line
    assert record("verify", "r.json") == 0
    (line,) = printed()[0]
    assert "(your own bench's), certified as 'bench 1' by shop key" in line
    assert "which was not compared with a key of yours; from the first record; no head compared; rows counted" in line
    assert record("verify", "r.json", "--shop", tmp_path / "shop" / "shop.pub") == 0
    assert record("verify", "r.json", "--shop", "ab" * 32) == 1
    assert "certified by another shop's key" in printed()[0][1]


def test_a_certificate_for_another_bench_is_not_taken(record: Record, tmp_path: Path, printed: Lines) -> None:
    shop = ("--keys", str(tmp_path / "shop"))
    assert run(["record", "certify", "ab" * 32, "--name", "bench 1", "--out", "c.json", *shop], no_page) == 0

    assert record("key", "--certificate", "c.json") == 2
    assert "for another bench's key" in printed()[1]


# -- on another machine ----------------------------------------------------------------------------------------------


def _elsewhere(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the program with nothing of this machine but the files in a folder."""
    empty = folder / "empty home"
    empty.mkdir(exist_ok=True)
    environment = {"HOME": str(empty), "XDG_DATA_HOME": str(empty), "PATH": ""}
    return subprocess.run(
        [*COMMAND, *arguments], cwd=folder, env=environment, capture_output=True, text=True, check=False, timeout=110
    )


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    return folder


def test_a_copy_is_checked_elsewhere_with_the_public_key_alone(
    record: Record, sealed: Path, keys_folder: Path, elsewhere: Path
) -> None:
    shutil.copy(sealed, elsewhere / "copy.json")
    shutil.copy(keys_folder / "bench.pub", elsewhere)

    good = _elsewhere(elsewhere, "record", "verify", "copy.json", "--key", "bench.pub")
    unknown = _elsewhere(elsewhere, "record", "verify", "copy.json")
    (elsewhere / "copy.json").write_bytes(sealed.read_bytes().replace(b"hide glue", b"fish glue"))
    bad = _elsewhere(elsewhere, "record", "verify", "copy.json", "--key", "bench.pub")

    assert (good.returncode, good.stderr) == (0, "")
    assert good.stdout.startswith("good: record 1, sealed ")
    assert (unknown.returncode, bad.returncode) == (1, 1)
    assert "was changed after it was sealed" in bad.stdout
    assert sorted(one.name for one in elsewhere.rglob("*")) == ["bench.pub", "copy.json", "empty home"]


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
@pytest.mark.timeout(400)  # four processes, one of which measures a whole neck
def test_the_demos_store_is_sealed_and_checked_elsewhere(tmp_path: Path, keys_folder: Path, elsewhere: Path) -> None:
    demo = _elsewhere(elsewhere, "demo", "--seconds", "6", "--no-browser", "--store", str(tmp_path / "demo.db"))
    assert demo.returncode == 0, demo.stderr
    keyed = ("--store", str(tmp_path / "demo.db"), "--keys", str(keys_folder))
    assert _elsewhere(elsewhere, "record", "seal", *keyed, "--out", "r.json").returncode == 0

    shutil.copy(keys_folder / "bench.pub", elsewhere)
    assert _elsewhere(elsewhere, "record", "verify", "r.json", "--key", "bench.pub").returncode == 0
    shown = _elsewhere(elsewhere, "record", "show", "r.json")
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "316 readings" in shown.stdout
    assert "finds otherwise" not in shown.stdout
