"""Two beds: BlueZ as a fake, and as the real service in a small virtual machine. bleak runs unchanged on both."""

import platform
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

if sys.platform == "linux":
    from build_vm import SEARCHED, missing
    from fake_bluez import FakeBluez
    from real_bluez import RealBluez, image
else:
    collect_ignore_glob = ["test_*"]

from listener import Listener
from peripheral import TEXT, Peripheral

Bed = Any  # FakeBluez or RealBluez: the same methods


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    """Fail a test that leaves a thread running."""
    before = set(threading.enumerate())
    yield
    assert set(threading.enumerate()) <= before


def needed(missed: list[str], *, in_ci: bool) -> None:
    """Skip where something is missing, above all a Debian package, but never in CI."""
    if missed and not in_ci:
        pytest.skip(f"needs {', '.join(missed)}")
    assert not missed, f"CI must have {', '.join(missed)}"


@pytest.fixture(scope="session")
def fake_bed(in_ci: bool) -> Iterator[Bed]:
    needed([] if shutil.which("dbus-daemon") else ["dbus"], in_ci=in_ci)
    bed = FakeBluez()
    bed.start()
    yield bed
    bed.close()


@pytest.fixture(scope="session")
def real_bed(in_ci: bool) -> Iterator[Bed]:
    needed([] if platform.machine() == "x86_64" else ["an x86-64 processor"], in_ci=in_ci)
    needed(missing(), in_ci=in_ci)
    try:
        image()
    except subprocess.CalledProcessError as error:  # without a network there is no kernel to be had
        needed([f"what gives {error.stderr}"], in_ci=in_ci)
    bed = RealBluez()
    bed.start()
    yield bed
    bed.close()


@pytest.fixture(scope="session")
def bluetoothd(in_ci: bool) -> bytes:
    """The program of BlueZ itself."""
    path = shutil.which("bluetoothd", path=SEARCHED)
    needed([] if path else ["bluez"], in_ci=in_ci)
    return Path(str(path)).read_bytes()


@pytest.fixture(
    scope="session", params=["fake", pytest.param("real", marks=[pytest.mark.once, pytest.mark.timeout(300)])]
)
def any_bed(request: pytest.FixtureRequest) -> Bed:
    return request.getfixturevalue(f"{request.param}_bed")


def _used(bed: Bed, monkeypatch: pytest.MonkeyPatch) -> Bed:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bed.bus)
    monkeypatch.setenv("BLEAK_DBUS_AUTH_UID", str(bed.uid))
    return bed


@pytest.fixture
def air(any_bed: Bed, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bed]:
    """A bed without a gauge; each of the two in turn."""
    yield _used(any_bed, monkeypatch)
    any_bed.take()


@pytest.fixture
def bed(air: Bed) -> Bed:
    """A bed with a gauge near; each of the two in turn."""
    air.put()
    return air


@pytest.fixture
def fake(fake_bed: Bed, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bed]:
    """The fake with a gauge near, for what only a fake can be told to do."""
    fake_bed.put()
    yield _used(fake_bed, monkeypatch)
    fake_bed.failures.clear()
    fake_bed.unanswered.clear()
    fake_bed.take()


@pytest.fixture
def listen() -> Iterator[Callable[..., Listener]]:
    """Start a transport whose listener keeps what it hands on; closed at the end."""
    listeners: list[Listener] = []

    def start(characteristic: str = TEXT, **more: Any) -> Listener:
        listener = Listener(Peripheral().address, characteristic, **more)
        listeners.append(listener)
        listener.transport.start()
        return listener

    yield start
    assert [listener.transport.close(20) for listener in listeners] == [True] * len(listeners)
