"""Serve the page from a daemon thread and stop it at once, streams and all."""

import logging
import os
import socket
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

import waitress
from waitress import wasyncore

from dashboard import guard
from dashboard.app import make_app
from dashboard.feed import Feed
from dashboard.intake import BODY_LIMIT_BYTES, Channel
from dashboard.network import Network, code_line
from dashboard.pairing import Code, Pairing
from dashboard.papers import Papers
from dashboard.words import page_words
from logger.door import Door

THREADS: Final = 32
MOST_STREAMS: Final = 24
"""Each open stream holds a thread; the rest stay free for everything else."""

BACKLOG_BYTES: Final = 256 * 1024
"""What may lie unsent for one slow page; more and its stream waits, so that the newest snapshot wins."""

STOP_S: Final = 0.8

THIS_MACHINE: Final = "127.0.0.1"
EVERY_ADDRESS: Final = "0.0.0.0"  # noqa: S104 - only when the person asks for the network, and behind the pairing

log = logging.getLogger(__name__)


class RunningPage:
    """A page that is being served; `stop` frees its port."""

    def __init__(
        self, listener: socket.socket, server: Any, ends: Sequence[Callable[[], None]], each_round: Callable[[], object]
    ) -> None:
        self._server = server
        self._each_round = each_round
        self._ends = ends
        self._listener = listener
        self._stopping = threading.Event()
        self._waking = threading.Lock()
        self._awake = True
        self.url = f"http://{THIS_MACHINE}:{listener.getsockname()[1]}/"
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop serving and free the port; streams end, pages say that the connection is lost."""
        for end in self._ends:
            end()
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
                self._each_round()
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


def serve(
    door: Door, *, port: int = 0, lan: Callable[[str], None] | None = None, language: Path | None = None
) -> RunningPage:
    """Serve the page of a door and return at once; port 0 picks a free one.

    Args:
        door: what is shown and asked.
        port: where; 0 picks a free one.
        lan: open the page to the workshop network, behind the pairing, and tell these lines; None keeps it to this
            machine.
        language: a file of translated words; None for English.

    Raises:
        OSError: the port is taken.
        TranslationError: the file of words cannot be read or does not hold.
    """
    words = page_words(language)
    host = THIS_MACHINE if lan is None else EVERY_ADDRESS
    listener = _listen(host, port)
    app = make_app(words)
    feed = Feed(door, most_streams=MOST_STREAMS)
    feed.register(app.server)
    papers = Papers(door)
    papers.register(app.server)
    guard.protect(app.server, hosts=guard.trusted_hosts(host), script_hashes=app.csp_hashes())
    network = _network(listener, lan, words)
    network.register(app.server)
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
    server.channel_class = Channel
    if lan is None:
        return RunningPage(listener, server, (feed.stop, papers.stop), lambda: None)
    for line in network.lines():
        lan(line)
    return RunningPage(listener, server, (feed.stop, papers.stop), network.pairing.code)


def _network(listener: socket.socket, lan: Callable[[str], None] | None, words: dict[str, Any]) -> Network:
    def tell(code: Code) -> None:
        if lan is not None:
            lan(code_line(code))

    address = f"http://{guard.outward_address() or socket.gethostname()}:{listener.getsockname()[1]}/"
    return Network(
        pairing=Pairing(on_new_code=tell), lan=lan is not None, address=address,
        said=words["pair"] | {"lang": words["page"]["locale"]},
    )  # fmt: skip


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
