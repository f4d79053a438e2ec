"""How the house is built: names, layers, wheel."""

import ast
import importlib.metadata
import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LINT = str(Path(sys.executable).with_name("lint-imports"))
PACKAGES = ("drivers", "logger", "dashboard")


def _sources() -> list[Path]:
    return [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


def test_our_import_names_belong_to_our_distribution_alone():
    others = [one for one in importlib.metadata.distributions() if one.name != "fretledger"]
    clashes = [one.name for one in others if {path.parts[0] for path in one.files or ()} & set(PACKAGES)]

    assert clashes == []
    assert importlib.metadata.distribution("fretledger").name == "fretledger"


@pytest.mark.skipif(not (ROOT / "logger").is_dir(), reason="the sources are not beside the tests")
def test_no_variable_has_a_packages_name():
    for path in [*_sources(), *sorted((ROOT / "tests").rglob("*.py"))]:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
        names |= {node.arg for node in ast.walk(tree) if isinstance(node, ast.arg)}
        assert not names & set(PACKAGES), path


def test_no_init_file_among_the_tests():
    assert list((ROOT / "tests").rglob("__init__.py")) == []


def test_evaluation_can_be_imported_alone():
    code = (
        "import sys; import logger.evaluation.sweep, logger.evaluation.seating, logger.evaluation.observation; "
        "bad = {'asyncio', 'sqlite3', 'drivers', 'dashboard', 'dash', 'pandas', 'serial', 'logger.store'} "
        "& set(sys.modules); print(sorted(bad))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


@pytest.mark.skipif(not (ROOT / "logger").is_dir(), reason="the sources are not beside the tests")
def test_layers_hold():
    done = subprocess.run([LINT], cwd=ROOT, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stdout


BREAKS = {
    "drivers/reading.py": "import logger.features",
    "logger/features.py": "import dashboard.words",
    "logger/evaluation/scale.py": "import sqlite3",
    "logger/report.py": "import logger.demo.neck",
    "logger/limits.py": "import drivers.reading",
    "dashboard/words.py": "import drivers.reading",
    "drivers/gauge.py": "import serial",
    "drivers/discovery.py": "import bleak",
    "logger/bench.py": "import psycopg",
}
"""One import per contract that must be caught."""


@pytest.mark.skipif(not (ROOT / "logger").is_dir(), reason="the sources are not beside the tests")
@pytest.mark.parametrize("name", BREAKS)
def test_every_layer_contract_can_break(name: str, tmp_path: Path):
    for package in PACKAGES:
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    broken = tmp_path / name
    broken.write_text(broken.read_text(encoding="utf-8") + f"\n{BREAKS[name]}\n", encoding="utf-8")
    environment = os.environ | {"PYTHONPATH": str(tmp_path)}

    done = subprocess.run(
        [LINT, "--no-cache"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 1, done.stdout
    assert "BROKEN" in done.stdout


def _tracked() -> set[str]:
    done = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", *PACKAGES],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return {name for name in done.stdout.split("\n") if name and (ROOT / name).is_file()}


@pytest.mark.packaging
@pytest.mark.skipif(not (ROOT / ".git").exists(), reason="not a checkout")
def test_the_wheel_holds_what_git_tracks(tmp_path: Path):
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}

    assert names == _tracked()


def test_version_is_said_once():
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]

    assert importlib.metadata.version("fretledger") == version


def test_the_tree_names_no_machine_path():
    roots = tuple(f"{os.sep}{top}{os.sep}" for top in ("wor" + "k", "far" + "m"))
    for path in [*_sources(), *(ROOT / "tests").rglob("*.py"), ROOT / "README.md", ROOT / "DEVELOPERS.md"]:
        text = path.read_text(encoding="utf-8")
        assert not any(root in text for root in roots), path
