"""Guard the page's server: who may ask, how much, and what the browser may load.

A page on this machine can be reached by any web site that the same browser has open. So foreign host names
are refused (DNS rebinding), everything that changes something must come from the page's own origin, bodies are
small, and the browser is told to load nothing from elsewhere.
"""

import logging
import socket
from collections.abc import Sequence
from typing import Final

from flask import Flask, Response, abort, request
from werkzeug.exceptions import HTTPException

from dashboard.words_record import TOO_LARGE, TOO_LARGE_FILE
from logger.file_kinds import MOST_BYTES
from logger.plain_file import size_words

MAX_BODY_BYTES: Final = 64 * 1024
MAX_FILE_BYTES: Final = MOST_BYTES
"""What one attached file may have; nothing else that is sent here is that large."""
ATTACH: Final = "attach"
"""The endpoint that takes a file."""
ATTACH_PATH: Final = "/attach"
CATCH_ALL: Final = "/<path:path>"
COMPONENT_PATH: Final = "/_dash-component-suites/"
OWN_PAGE: Final = "Own-Page"
"""Header of what the page's own scripts ask. A refusal that they provoke by design, and tell in words, comes to them as
a success with its status in the header ``Refused``: the browser would print every other one as an error of the page."""
REFUSED: Final = "Refused"
STREAM: Final = "text/event-stream"
"""What an event stream of a page accepts; it can send no header, so its refusal is an event of a stream that ends."""
NOT_OURS: Final = frozenset({500, 501, 502})
"""What went wrong stays wrong, also for the page."""
LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")

log = logging.getLogger(__name__)


def trusted_hosts(host: str) -> list[str]:
    """List the names under which the page may be asked for when it is served on ``host``."""
    if host in {"127.0.0.1", "localhost", "::1"}:
        return list(LOOPBACK)
    name = socket.gethostname()
    own = {host, name, f"{name}.local", outward_address()} - {"0.0.0.0", "::", ""}  # noqa: S104 - taken out, not bound
    return [*LOOPBACK, *sorted(own)]


def outward_address() -> str:
    """Return this machine's address on the workshop network, or an empty text; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737: connecting a datagram socket sends nothing
        except OSError:
            return ""
        return str(probe.getsockname()[0])


def content_policy(script_hashes: Sequence[str]) -> str:
    """Return the Content-Security-Policy for a page whose inline scripts have these quoted hashes."""
    return "; ".join((
        "default-src 'none'",
        " ".join(("script-src 'self'", *script_hashes)),
        "style-src 'self' 'unsafe-inline'",  # Plotly writes style elements; scripts stay strict
        "img-src 'self' data: blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    ))


def protect(server: Flask, *, hosts: Sequence[str], script_hashes: Sequence[str]) -> None:
    """Put the guard on a server whose routes are complete."""
    server.config.update(TRUSTED_HOSTS=list(hosts), MAX_CONTENT_LENGTH=MAX_BODY_BYTES)
    policy = content_policy(script_hashes)

    def add_headers(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"  # no-referrer would send Origin: null with forms
        response.headers["X-Frame-Options"] = "DENY"
        if response.status_code >= 400 and response.status_code not in NOT_OURS and OWN_PAGE in request.headers:
            response.headers[REFUSED] = str(response.status_code)
            response.status_code = 200
        return response

    server.before_request(_admit)
    server.after_request(add_headers)
    server.register_error_handler(HTTPException, _refusal)
    server.register_error_handler(Exception, _failure)


def _admit() -> None:
    if request.endpoint == CATCH_ALL or request.path == "/_favicon.ico":
        abort(404)
    if request.method in {"GET", "HEAD"}:
        return
    if request.headers.get("Origin") != f"{request.scheme}://{request.host}":
        abort(403, "only the bench's own page may ask for this")
    if request.endpoint == ATTACH:
        request.max_content_length = MAX_FILE_BYTES
        if (request.content_length or 0) > MAX_FILE_BYTES:
            abort(413, too_large(ATTACH_PATH))
    elif (request.content_length or 0) > MAX_BODY_BYTES:
        abort(413, too_large(request.path))


def refused_stream(status: int) -> Response | None:
    """Return the refusal that a page's event stream understands, or None where somebody else asks."""
    if STREAM not in request.headers.get("Accept", ""):
        return None
    return Response(f"event: refused\ndata: {status}\n\n", mimetype=STREAM, headers={"Cache-Control": "no-store"})


def too_large(path: str) -> str:
    """Return what is said to whoever sends more to a path than it takes."""
    if path == ATTACH_PATH:
        return TOO_LARGE_FILE.format(most=size_words(MAX_FILE_BYTES))
    return TOO_LARGE.format(most=size_words(MAX_BODY_BYTES))


def _refusal(error: HTTPException) -> tuple[str, int, dict[str, str]]:
    return f"{error.code} {error.name}: {error.description}\n", error.code or 500, {"Content-Type": "text/plain"}


def _failure(error: Exception) -> tuple[str, int, dict[str, str]]:
    plain = {"Content-Type": "text/plain"}
    if request.path.startswith(COMPONENT_PATH):  # Dash raises, rather than answers, for scripts it does not have
        return "404 Not Found: no such script\n", 404, plain
    log.error("page: %s %s failed", request.method, request.path, exc_info=error)
    return "500 the page could not answer; the bench's log says why\n", 500, plain
