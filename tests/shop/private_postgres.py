"""A PostgreSQL of one's own: a cluster in a temporary folder, on a loopback port, that can be killed and come back."""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import psycopg
from psycopg import conninfo

SUPERUSER, PASSWORD = "owner", "owner's secret"


def program(name: str) -> str | None:
    """Return a program of PostgreSQL; Debian keeps the server's own beside no path."""
    there = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return shutil.which(name) or (str(there[-1]) if there else None)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _not_root() -> dict[str, Any]:
    """Return what lets a subprocess run as somebody else, since PostgreSQL refuses to run as root."""
    if os.geteuid():
        return {}
    names = {entry.pw_name for entry in pwd.getpwall()}
    user = pwd.getpwnam("postgres" if "postgres" in names else "nobody")
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


class PrivatePostgres:
    """A cluster with the superuser ``owner``; ``flush`` False gives up the disk's safety for speed."""

    def __init__(self, *, flush: bool) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="shop-"))
        self.port = free_port()
        self._flush = flush
        self._as = _not_root()
        self._server: subprocess.Popen[bytes] | None = None
        secret = self.folder / "secret"
        secret.write_text(PASSWORD, encoding="utf-8")
        if self._as:
            for path in (self.folder, secret):
                os.chown(path, self._as["user"], self._as["group"])
        initdb = program("initdb")
        assert initdb is not None, "install Debian's package postgresql"
        command = [initdb, "-D", str(self.folder / "data"), "-U", SUPERUSER, "--pwfile", str(secret), "-A"]
        command += ["scram-sha-256", "-E", "UTF8", "--locale=C", "--no-sync", "--no-instructions"]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=self.folder, **self._as)

    def start(self) -> None:
        """Start the server and return once it answers."""
        server = program("postgres")
        assert server is not None
        settings = {"listen_addresses": "127.0.0.1", "port": self.port, "unix_socket_directories": self.folder,
                    "fsync": "on" if self._flush else "off", "log_min_messages": "fatal"}  # fmt: skip
        command = [server, "-D", str(self.folder / "data")]
        command += [word for name, value in settings.items() for word in ("-c", f"{name}={value}")]
        deadline_s = time.monotonic() + 60
        while True:
            with (self.folder / "log").open("ab") as log:
                self._server = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.folder, **self._as)
            while self._server.poll() is None:
                try:
                    psycopg.connect(self.url("postgres")).close()
                    return
                except psycopg.OperationalError:
                    assert time.monotonic() < deadline_s, (self.folder / "log").read_text(encoding="utf-8")
                    time.sleep(0.05)
            # after a kill the shared memory is in use until the last of its processes has gone
            assert time.monotonic() < deadline_s, (self.folder / "log").read_text(encoding="utf-8")
            time.sleep(0.1)

    def kill(self) -> None:
        """Kill the server and every process of it with signal 9, in the middle of whatever they do."""
        assert self._server is not None
        children = Path(f"/proc/{self._server.pid}/task/{self._server.pid}/children").read_text(encoding="ascii")
        for pid in (self._server.pid, *map(int, children.split())):
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue  # it ended by itself meanwhile
        self._server.wait(30)

    def stop(self) -> None:
        """Stop the server and remove the cluster."""
        if self._server is not None and self._server.poll() is None:
            self._server.send_signal(signal.SIGQUIT)  # at once: what it holds is removed anyhow
            self._server.wait(30)
        shutil.rmtree(self.folder)

    def url(self, database: str, *, user: str = SUPERUSER, password: str = PASSWORD, port: int | None = None) -> str:
        """Return the address of a database, for one login."""
        return conninfo.make_conninfo(
            host="127.0.0.1", port=port or self.port, dbname=database, user=user, password=password
        )
