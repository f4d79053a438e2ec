"""Fixtures for every test: nothing may be left open, and no test reads this person's own store."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from logger.checks import Point, Size, judge
from logger.gauge_file import GaugeSpec
from logger.store import CheckPoint, CheckResult, GaugeCheck, Store

SHIPPED = Path(__file__).parent / "reference"

settings.register_profile("patient", settings.default, deadline=None)  # a busy computer is no fault of the program
settings.load_profile("patient")
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # by a shell in the background; programs under test inherit it
    signal.signal(signal.SIGINT, signal.default_int_handler)


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


@pytest.fixture(scope="session")
def sweep_rows() -> Callable[..., str]:
    """Return a function that gives the steps and gaps of an invented swept neck as rows of a readings file.

    Its columns are ``kind,fret,place,value,unit,feet,gauge,round``; the neck has a relief of 0.10 mm, and frets that
    stand over it by what is given.
    """
    x_mm = [645 * (1 - 2 ** (-n / 12)) for n in range(21)]
    middle, half = (x_mm[1] + x_mm[20]) / 2, (x_mm[20] - x_mm[1]) / 2

    def rows(high: dict[int, float], place: str = "centre") -> str:
        z = [0.10 * (((x - middle) / half) ** 2 - 1) + high.get(fret, 0.0) for fret, x in enumerate(x_mm)]

        def over(fret: int, a: int, b: int) -> float:
            share = (x_mm[fret] - x_mm[a]) / (x_mm[b] - x_mm[a])
            return z[fret] - (1 - share) * z[a] - share * z[b]

        at = [(reach, fret) for reach in (1, 2) for fret in range(1 + reach, 21 - reach)]
        told = [f"fret_step,{f},{place},{over(f, f - r, f + r):.5f},mm,{f - r}-{f + r},rocker,{r}" for r, f in at]
        told += [f"straightedge_gap,{f},{place},{-over(f, 1, 20):.5f},mm,1-20,depth," for f in (5, 8, 11, 14)]
        return "\n".join(told) + "\n"

    return rows


@pytest.fixture(scope="session")
def keep_check() -> Callable[..., None]:
    """Return a function that keeps a check of a gauge at blocks of 1 and 10 mm, which it reads ``off_mm`` too much."""

    def keep(store: Store, gauge: str, spec: GaugeSpec, *, at_ns: int, off_mm: float, wait: bool = True) -> None:
        check = f"{gauge} {at_ns}"
        points = [Point(size=Size(nominal_nm=round(mm * 1e6), u_nm=500), value_nm=round((mm + off_mm) * 1e6))
                  for mm in (1.0, 10.0) for _ in range(2)]  # fmt: skip
        keep_row = store.put if wait else store.submit
        keep_row(GaugeCheck(id=check, gauge=gauge, revision=1, at_ns=at_ns, kind="block", who=""))
        for number, one in enumerate(points, start=1):
            keep_row(CheckPoint(gauge_check=check, number=number, nominal_nm=one.size.nominal_nm, u_nominal_nm=500,
                                direction="", value_nm=one.value_nm, unit="mm", raw=b"", at_ns=at_ns))  # fmt: skip
        result = json.dumps(judge(points, spec).json(), allow_nan=False)
        keep_row(CheckResult(gauge_check=check, at_ns=at_ns, result=result))

    return keep
