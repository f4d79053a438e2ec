"""What the page's server refuses, asked over real sockets."""

from collections.abc import Callable, Mapping
from typing import Any

import pytest

from dashboard import guard

Ask = Callable[..., tuple[int, Mapping[str, str], str]]
SKIP = [{"id": "a-1", "do": "repeat"}]


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", ""])
def test_foreign_host_is_refused(ask: Ask, host: str) -> None:
    assert ask("GET", "/snapshot", Host=host or "[")[0] == 400


@pytest.mark.parametrize(
    "origin",
    ["", "null", "http://evil.example", "http://127.0.0.1", "http://127.0.0.1:1", "https://127.0.0.1"],
    ids=["none", "null", "foreign", "no port", "other port", "other scheme"],
)
@pytest.mark.parametrize("path", ["/act", "/_dash-update-component"])
def test_only_the_own_origin_may_post(ask: Ask, bench: Any, path: str, origin: str) -> None:
    status, _, text = ask("POST", path, SKIP, Origin=origin)
    assert (status, bench.asked) == (403, [])
    assert "own page" in text


def test_own_origin_with_another_port_in_host_is_refused(ask: Ask) -> None:
    assert ask("POST", "/act", SKIP, Host="localhost:9")[0] == 403


def test_large_body_is_refused(ask: Ask, bench: Any) -> None:
    assert ask("POST", "/act", b"x" * (guard.MAX_BODY_BYTES + 1))[0] == 413
    assert ask("POST", "/act", b"x" * (4 * guard.MAX_BODY_BYTES))[0] == 413
    assert bench.asked == []


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/act", "a request must have at most 66 kB; send less at once"),
        ("/attach?session=s&name=a.txt", "a file must have at most 10.0 MB; make it smaller and attach that"),
    ],
)
def test_who_sends_20_mb_can_read_in_one_line_what_is_wrong(ask: Ask, bench: Any, path: str, says: str) -> None:
    """The connection was closed on the rest of the body, so that the answer was lost, or named no limit in words."""
    status, _, text = ask("POST", path, b"x" * 20_000_000)
    assert (status, text) == (413, f"413 Request Entity Too Large: {says}\n")
    assert ask("POST", "/act", b"x" * (guard.MAX_BODY_BYTES + 1))[2].startswith(
        "413 Request Entity Too Large: a request"
    )
    assert bench.asked == []


def test_a_refusal_of_what_the_page_asks_itself_is_no_error_of_the_page(ask: Ask) -> None:
    status, headers, text = ask("GET", "/look/nothing", **{guard.OWN_PAGE: "yes"})
    foreign = ask("GET", "/look/nothing")
    assert (status, headers[guard.REFUSED], text) == (200, "404", foreign[2])
    assert (foreign[0], guard.REFUSED in foreign[1]) == (404, False)


@pytest.mark.parametrize(
    "path",
    [
        "/nothing",
        "/_favicon.ico",
        "/assets/../server.py",
        "/assets/nothing.js",
        "/.env",
        "/_dash-component-suites/dash/nothing.js",
        "/_dash-component-suites/os/path.py",
        "/_dash-component-suites/dash/../../flask/app.py",
        "/_dash-component-suites/dash/deps/react@0.min.js",
    ],
)
def test_unknown_path_is_404_and_shows_no_trace(ask: Ask, path: str) -> None:
    status, _, text = ask("GET", path)
    assert status == 404
    assert "Traceback" not in text


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'{"output": "a.b"}', b'"\xff"'])
def test_junk_to_dash_gives_no_trace(ask: Ask, body: bytes) -> None:
    status, _, text = ask("POST", "/_dash-update-component", body)
    assert status >= 400
    assert "Traceback" not in text
    assert len(text) < 300


@pytest.mark.parametrize("path", ["/", "/snapshot", "/nothing", "/assets/page.css"])
def test_every_answer_carries_the_headers(ask: Ask, path: str) -> None:
    headers = ask("GET", path)[1]
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "script-src 'self' 'sha256-" in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert "Server" not in headers


def test_scripts_may_not_be_inline(ask: Ask) -> None:
    policy = ask("GET", "/")[1]["Content-Security-Policy"].split("; ")
    assert all("unsafe" not in part for part in policy if part.startswith("script-src"))


def test_page_says_its_title_and_names_nothing_elsewhere(ask: Ask) -> None:
    text = ask("GET", "/")[2]
    assert "<title>Fretledger bench</title>" in text
    assert "https://" not in text
    assert "http://" not in text


def test_loopback_is_trusted_under_its_names_only() -> None:
    assert guard.trusted_hosts("127.0.0.1") == ["127.0.0.1", "localhost", "[::1]"]


def test_served_on_the_network_the_wildcard_is_no_name() -> None:
    hosts = guard.trusted_hosts("0.0.0.0")
    assert "0.0.0.0" not in hosts
    assert "" not in hosts
    assert {"127.0.0.1", "localhost"} < set(hosts)
