"""Serve the page from a daemon thread and stop it at once, streams and all."""

import logging
import os
import socket
import threading
from typing import Any, Final

import waitress
from waitress import wasyncore

from dashboard import guard
from dashboard.app import make_app
from dashboard.feed import Feed
from logger.door import Door

THREADS: Final = 32
MOST_STREAMS: Final = 24
"""Each open stream holds a thread; the rest stay free for everything else."""

BODY_LIMIT_BYTES: Final = 2 * guard.MAX_BODY_BYTES
"""Waitress' own limit stands behind the guard's, which answers with a sentence."""

BACKLOG_BYTES: Final = 256 * 1024
"""What may lie unsent for one slow page; more and its stream waits, so that the newest snapshot wins."""

STOP_S: Final = 0.8

log = logging.getLogger(__name__)


class RunningPage:
    """A page that is being served; `stop` frees its port."""

    def __init__(self, listener: socket.socket, server: Any, feed: Feed) -> None:
        self._server = server
        self._feed = feed
        self._listener = listener
        self._stopping = threading.Event()
        self._waking = threading.Lock()
        self._awake = True
        host, port = listener.getsockname()[:2]
        shown = "127.0.0.1" if host in {"0.0.0.0", "::"} else host  # noqa: S104 - shown, not bound
        self.url = f"http://[{shown}]:{port}/" if ":" in shown else f"http://{shown}:{port}/"
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop serving and free the port; streams end, pages say that the connection is lost."""
        self._feed.stop()
        self._stopping.set()
        with self._waking:
            if self._awake:
                self._server.pull_trigger()
        self._thread.join(2 * STOP_S)

    def _run(self) -> None:
        sockets = self._server._map  # noqa: SLF001 - waitress keeps the listener and its channels there
        try:
            while not self._stopping.is_set():
                wasyncore.loop(timeout=STOP_S, use_poll=True, map=sockets, count=1)
        finally:
            self._close(sockets)

    def _close(self, sockets: dict[int, Any]) -> None:
        """Close the listener, then what streams write to, and only then what they wake this thread with."""
        self._server.accepting = False
        self._listener.close()
        for channel in list(self._server.active_channels.values()):
            channel.handle_close()  # lets a writer go that waits for a slow page
        self._server.task_dispatcher.shutdown(timeout=STOP_S)
        with self._waking:
            self._awake = False
            wasyncore.close_all(sockets, ignore_all=True)


def serve(door: Door, *, port: int = 0, host: str = "127.0.0.1") -> RunningPage:
    """Serve the page of a door and return at once; port 0 picks a free one.

    On any other host than this machine itself the page is open to whoever is on the network: it asks for no name.

    Raises:
        OSError: the port is taken or the host is not one of this machine's.
    """
    listener = _listen(host, port)
    app = make_app()
    feed = Feed(door, most_streams=MOST_STREAMS)
    feed.register(app.server)
    guard.protect(app.server, hosts=guard.trusted_hosts(host), script_hashes=app.csp_hashes())
    server = waitress.create_server(
        app.server,
        sockets=[listener],
        threads=THREADS,
        channel_request_lookahead=1,  # lets a stream see that its page has gone
        ident=None,
        max_request_body_size=BODY_LIMIT_BYTES,
        outbuf_high_watermark=BACKLOG_BYTES,
        clear_untrusted_proxy_headers=True,
    )
    return RunningPage(listener, server, feed)


def _listen(host: str, port: int) -> socket.socket:
    """Return a bound socket that no second program can share.

    Raises:
        OSError: the port is taken.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    # on Windows SO_REUSEADDR would let two programs listen on one port
    option = getattr(socket, "SO_EXCLUSIVEADDRUSE", None) if os.name == "nt" else socket.SO_REUSEADDR
    try:
        if option is not None:
            listener.setsockopt(socket.SOL_SOCKET, option, 1)
        listener.bind((host, port))
        listener.listen(128)
    except OSError:
        listener.close()
        raise
    return listener
