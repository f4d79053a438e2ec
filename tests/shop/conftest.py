"""A private PostgreSQL for the whole run, and a database in it for every test."""

import itertools
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from a_shop import Shop, copied, set_up
from bench_process import measure
from between import Between
from private_postgres import PrivatePostgres, program

from logger.store import Store

EMPTY = "empty_shop"
Names = itertools.count(1)


@pytest.fixture(scope="session")
def server(in_ci: bool) -> Iterator[PrivatePostgres]:
    """A running PostgreSQL; without its programs the tests skip, and fail where nothing may skip."""
    if sys.platform != "linux" or program("initdb") is None:
        reason = "a shop needs PostgreSQL; install Debian's package postgresql"
        if in_ci:
            pytest.fail(reason)
        pytest.skip(reason)
    one = PrivatePostgres(flush=False)
    one.start()
    set_up(one, EMPTY)
    yield one
    one.stop()


@pytest.fixture
def shop(server: PrivatePostgres) -> Shop:
    return copied(server, f"shop_{next(Names)}", of=EMPTY)


@pytest.fixture
def between(server: PrivatePostgres) -> Iterator[Between]:
    """A network between bench and shop that can be cut."""
    one = Between(server.port)
    yield one
    one.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "bench.db") as made:
        yield made


@pytest.fixture
def measured(store: Store) -> Store:
    """A store with a session of 50 readings, some taken back."""
    measure(store, "s1", 50, 0)
    return store


@pytest.fixture
def until() -> Callable[..., None]:
    """Wait until something holds, and fail when it does not within the time."""

    def wait(holds: Callable[[], bool], *, seconds: float = 30) -> None:
        deadline_s = time.monotonic() + seconds
        while not holds():
            assert time.monotonic() < deadline_s, "it did not come about"
            time.sleep(0.02)

    return wait
