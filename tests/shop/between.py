"""A network between a bench and its shop that can be cut, also in the very moment of a commit."""

import select
import socket
import threading
from typing import Final

COMMIT: Final = b"COMMIT"


class Between:
    """Forward a loopback port to another until `cut`; new connections are then refused until `mend`.

    ``lose_commit`` cuts one connection at its next commit: ``"before"`` the shop hears of it, or ``"after"`` it has
    done it but before the bench hears of that.
    """

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._whole = True
        self._closed = False
        self.lose_commit = ""
        self.lost = 0
        self._thread = threading.Thread(target=self._accept)
        self._thread.start()

    def cut(self) -> None:
        """Break every connection and take no new one."""
        with self._lock:
            self._whole = False
            for one in self._open:
                self._break(one)

    def mend(self) -> None:
        """Take connections again."""
        with self._lock:
            self._whole = True

    def close(self) -> None:
        """End everything."""
        self._closed = True
        self.cut()
        self._thread.join(10)
        self._listening.close()

    @staticmethod
    def _break(one: socket.socket) -> None:
        try:
            one.shutdown(socket.SHUT_RDWR)
        except OSError:
            return  # the other end was quicker

    def _accept(self) -> None:
        threads = []
        while not self._closed:
            if not select.select([self._listening], [], [], 0.05)[0]:
                continue
            bench, _ = self._listening.accept()
            if not self._whole:
                bench.close()
                continue
            threads.append(threading.Thread(target=self._carry, args=(bench,)))
            threads[-1].start()
        for thread in threads:
            thread.join(10)

    def _carry(self, bench: socket.socket) -> None:
        with bench, socket.create_connection(("127.0.0.1", self._to_port)) as shop:
            with self._lock:
                self._open |= {bench, shop}
            try:
                while self._pass_on(bench, shop):
                    pass
            except OSError:
                return  # cut
            finally:
                with self._lock:
                    self._open -= {bench, shop}

    def _pass_on(self, bench: socket.socket, shop: socket.socket) -> bool:
        for source in select.select([bench, shop], [], [])[0]:
            data = source.recv(1 << 16)
            if not data:
                return False
            loses = self.lose_commit if source is bench and COMMIT in data else ""
            if loses == "before":
                return self._lose()
            (shop if source is bench else bench).sendall(data)
            if loses == "after":
                shop.recv(1 << 16)  # the shop's answer: it is done, and nobody will hear of it
                return self._lose()
        return True

    def _lose(self) -> bool:
        self.lose_commit = ""
        self.lost += 1
        return False
