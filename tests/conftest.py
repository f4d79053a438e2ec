"""Fixtures for every test: nothing may be left open, and no test reads this person's own store."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

SHIPPED = Path(__file__).parent / "reference"

settings.register_profile("patient", settings.default, deadline=None)  # a busy computer is no fault of the program
settings.load_profile("patient")


@pytest.fixture(autouse=True)
def _empty_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Give every test a home of its own and no store from the environment."""
    home = tmp_path_factory.mktemp("home")
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA", "APPDATA"):
        monkeypatch.setenv(name, str(home))
    monkeypatch.delenv("FRETLEDGER_STORE", raising=False)


@pytest.fixture(scope="session")
def in_ci() -> bool:
    """Tell whether nothing that should be checked may skip."""
    return os.environ.get("CI") == "true"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real disk of 1 MiB, where the system lets an administrator make one."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if sys.platform == "win32" or os.geteuid() or subprocess.run(mount, check=False).returncode:
        pytest.skip("a disk of 1 MiB needs an administrator who may mount tmpfs; run as one")
    yield folder
    subprocess.run(["umount", folder], check=True)
