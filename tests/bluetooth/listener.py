"""Keeps what a Bluetooth transport hands on, and waits for it."""

import threading
from collections.abc import Callable
from typing import Any

from drivers import DriverError, Instant
from drivers.transports.bluetooth import BluetoothTransport


class Listener:
    """A transport and what came from it; ``events`` holds all of it in order."""

    def __init__(self, address: str, characteristic: str, **more: Any) -> None:
        self.events: list[tuple[str, Any]] = []
        self.threads: set[int] = set()
        self._news = threading.Condition()
        self.transport = BluetoothTransport(
            address,
            gauge="caliper",
            characteristic=characteristic,
            on_open=self._keeper("open"),
            on_chunk=self._chunk,
            on_end=self._keeper("end"),
            on_presentation=self._keeper("form"),
            on_battery=self._keeper("battery"),
            **({"settle_s": 0.05} | more),
        )

    def _keeper(self, kind: str) -> Callable[[Any], None]:
        return lambda value: self._keep(kind, value)

    def _chunk(self, chunk: bytes, arrived: Instant) -> None:
        self._keep("chunk", chunk)

    def _keep(self, kind: str, value: Any) -> None:
        with self._news:
            self.events.append((kind, value))
            self.threads.add(threading.get_ident())
            self._news.notify_all()

    def all(self, kind: str) -> list[Any]:
        """Return every value of ``kind`` that came, in order."""
        return [value for this, value in self.events if this == kind]

    def wait(self, kind: str, count: int = 1, within_s: float = 30.0) -> list[Any]:
        """Wait until ``count`` of ``kind`` came, and return all of them."""
        with self._news:
            came = self._news.wait_for(lambda: len(self.all(kind)) >= count or self.all("end"), within_s)
        assert came, f"{kind} must come within {within_s:g} s, got {self.events}"
        assert len(self.all(kind)) >= count, f"{kind} must come {count} times, got {self.events}"
        return self.all(kind)

    def error(self, within_s: float = 30.0) -> DriverError:
        """Wait for the end and return the error that it came with."""
        (error,) = self.wait("end", within_s=within_s)
        assert isinstance(error, DriverError), error
        return error
