"""A page that is open to the workshop network, asked over real sockets.

The bench's own machine is 127.0.0.1 and nothing else, so that another loopback address stands for another machine.
"""

import http.client
import json
import sys
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

import pytest

from dashboard.network import drawn, picture
from dashboard.server import RunningPage, serve

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux answers on all of 127.0.0.0/8 unasked")
OWN, OTHER = "127.0.0.1", "127.0.0.2"
ACT = [{"id": "a-1", "do": "repeat"}]
TELL = [
    {"id": "a-2", "do": "factors", "factors": {"blade": "no. 3"}},
    {"id": "a-3", "do": "note", "session": "s", "text": "hums", "who": "", "customer": True},
    {"id": "a-4", "do": "check_typed", "text": "10.01", "unit": "mm"},
]
Said = tuple[int, Mapping[str, str], str]


class Visitor:
    """Somebody at an address, with the cookies that the page gave."""

    def __init__(self, port: int, address: str) -> None:
        self.port, self.address, self.cookie = port, address, ""

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> Said:
        link = http.client.HTTPConnection(OWN, self.port, timeout=10, source_address=(self.address, 0))
        given = {"Content-Type": "application/json", "Origin": f"http://{OWN}:{self.port}", "Cookie": self.cookie}
        text = body if isinstance(body, (bytes, type(None))) else json.dumps(body).encode()
        link.request(method, path, text, {name: value for name, value in (given | headers).items() if value})
        reply = link.getresponse()
        said = (reply.status, dict(reply.getheaders()), reply.read().decode())
        link.close()
        if "Set-Cookie" in said[1]:
            self.cookie = said[1]["Set-Cookie"].split(";")[0]
        return said

    def pair(self, code: str, **headers: str) -> Said:
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("POST", "/pair", urlencode({"code": code}).encode(), **form, **headers)


@pytest.fixture
def lines() -> list[str]:
    return []


@pytest.fixture
def page(bench: Any, lines: list[str]) -> Iterator[RunningPage]:
    running = serve(bench.door, lan=lines.append)
    yield running
    running.stop()


@pytest.fixture
def own(page: RunningPage) -> Visitor:
    return Visitor(int(page.url.rstrip("/").rsplit(":", 1)[1]), OWN)


@pytest.fixture
def other(own: Visitor) -> Visitor:
    return Visitor(own.port, OTHER)


def network(own: Visitor) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(own.ask("GET", "/network")[2])
    return told


def link(own: Visitor) -> str:
    token: str = json.loads(own.ask("POST", "/network/link", {"name": "owner of no. 3"})[2])["links"][-1]["token"]
    return token


@pytest.mark.parametrize(
    "path", ["/", "/snapshot", "/feed", "/look/rack", "/network", "/_dash-layout", "/assets/page.css"]
)
def test_a_stranger_gets_the_pairing_page_only(other: Visitor, path: str) -> None:
    status, headers, text = other.ask("GET", path)
    assert status == 401
    assert "Pair with the bench" in text
    assert "<script" not in text
    assert "default-src 'none'" in headers["Content-Security-Policy"]


def test_a_person_who_opens_the_page_unpaired_gets_a_page_and_no_error(other: Visitor) -> None:
    status, _, text = other.ask("GET", "/", Accept="text/html,*/*;q=0.8")
    assert (status, "Pair with the bench" in text) == (200, True)
    assert other.ask("GET", "/snapshot", Accept="text/html,*/*;q=0.8")[2] == text  # and nothing but that page


def test_a_stranger_can_do_nothing(other: Visitor, bench: Any) -> None:
    assert other.ask("POST", "/act", ACT)[0] == 401
    assert other.ask("POST", "/network/link", {})[0] == 401
    assert bench.asked == []


def test_the_bench_s_own_machine_needs_no_code(own: Visitor, bench: Any) -> None:
    assert own.ask("GET", "/snapshot")[0] == 200
    assert own.ask("POST", "/act", ACT)[0] == 200
    assert len(bench.asked) == 1


def test_the_code_lets_a_browser_in_with_a_strict_cookie(own: Visitor, other: Visitor, bench: Any) -> None:
    status, headers, _ = other.pair(network(own)["code"])
    assert (status, headers["Location"]) == (303, "/")
    assert {"HttpOnly", "SameSite=Strict"} <= set(headers["Set-Cookie"].split("; "))
    assert other.ask("GET", "/snapshot")[0] == 200
    assert other.ask("POST", "/act", ACT)[0] == 200
    assert json.loads(other.ask("GET", "/network")[2]) == {"role": "paired", "lan": True}
    assert other.ask("POST", "/network/link", {})[0] == 403


def test_a_wrong_code_is_said_and_the_sixth_try_waits(own: Visitor, other: Visitor) -> None:
    for _ in range(5):
        status, _, text = other.pair("not it")
        assert (status, "not the code of the moment" in text) == (403, True)
    status, headers, text = other.pair(network(own)["code"])
    assert (status, "Too many codes" in text) == (429, True)
    assert 0 < int(headers["Retry-After"]) <= 60
    assert other.cookie == ""


def test_pairing_from_a_foreign_page_is_refused(own: Visitor, other: Visitor) -> None:
    assert other.pair(network(own)["code"], Origin="http://evil.example")[0] == 403
    assert other.cookie == ""


def test_foreign_host_names_are_refused(other: Visitor) -> None:
    assert other.ask("GET", "/", Host="evil.example")[0] == 400


def test_an_invented_cookie_opens_nothing(own: Visitor, other: Visitor) -> None:
    assert other.ask("GET", "/snapshot", Cookie=f"fretledger-{own.port}=1")[0] == 401


def test_a_link_has_the_customers_sheet_and_not_the_shops(own: Visitor, other: Visitor) -> None:
    other.ask("GET", f"/see/{link(own)}")
    status, _, text = other.ask("GET", "/sheet.pdf?for=shop")
    assert (status, "the shop's is for the shop" in text) == (403, True)
    assert other.ask("GET", "/sheet.pdf?for=customer")[0] == own.ask("GET", "/sheet.pdf?for=customer")[0] != 403


def test_a_link_sees_and_cannot_act(own: Visitor, other: Visitor, bench: Any) -> None:
    status, headers, text = other.ask("GET", f"/see/{link(own)}")
    assert (status, 'href="/"' in text) == (200, True)
    assert {"HttpOnly", "SameSite=Strict"} <= set(headers["Set-Cookie"].split("; "))
    assert other.ask("GET", "/snapshot")[0] == 200
    for path, body in (
        ("/act", ACT),
        ("/act", TELL),
        ("/network/link", {}),
        ("/network/revoke", {}),
        ("/_dash-update-component", {}),
    ):
        assert other.ask("POST", path, body)[0] == 403
    told = json.loads(other.ask("GET", "/network")[2])
    assert (set(told), told["role"]) == ({"role", "lan", "until"}, "reader")  # not for whom, nor the other links
    assert bench.asked == []


def test_a_link_is_told_with_its_name_its_days_and_its_picture(own: Visitor) -> None:
    status, _, text = own.ask("POST", "/network/link", {"name": "  owner of\tno. 3 <b> ", "days": 30})
    told = json.loads(text)
    (one,) = told["links"]
    lasts = datetime.fromisoformat(one["until"]) - datetime.fromisoformat(one["made_at"])
    assert (status, one["name"], lasts.days, told["days"]) == (200, "owner of no. 3 <b>", 30, [7, 1, 30])
    assert one["qr"] == picture(one["address"])


@pytest.mark.parametrize(
    ("body", "rule"),
    [
        pytest.param({}, "a link needs a name: for whom it is; type one", id="no name"),
        pytest.param({"name": "  "}, "a link needs a name", id="blank"),
        pytest.param({"name": 3}, "a link needs a name", id="number"),
        pytest.param([], "a link needs a name", id="list"),
        pytest.param({"name": "x" * 61}, "for whom a link is must have at most 60 characters, got 61", id="long"),
        pytest.param({"name": "x\u0007"}, "must be one line of plain text", id="control"),
        pytest.param({"name": "x", "days": 2}, "a link must hold 1, 7, 30 days, got '2'", id="days"),
        pytest.param({"name": "x", "days": True}, "a link must hold 1, 7, 30 days", id="truth"),
    ],
)
def test_a_link_without_a_name_or_with_other_days_is_refused(own: Visitor, body: Any, rule: str) -> None:
    status, _, text = own.ask("POST", "/network/link", body)
    assert status == 400
    assert rule in text
    assert network(own)["links"] == []


def test_a_link_shows_no_note_that_is_for_the_shop_alone(own: Visitor, other: Visitor, bench: Any) -> None:
    notes = [{"text": "for the shop", "customer": False}, {"text": "for both", "customer": True}]
    bench.door._on_question = lambda _what, _wanted: {"visit_notes": notes}
    other.ask("GET", f"/see/{link(own)}")

    assert json.loads(own.ask("GET", "/look/record")[2])["visit_notes"] == notes
    assert json.loads(other.ask("GET", "/look/record")[2])["visit_notes"] == notes[1:]


def test_an_ended_link_and_its_open_stream_are_shut(own: Visitor, other: Visitor) -> None:
    token = link(own)
    other.ask("GET", f"/see/{token}")
    stream = http.client.HTTPConnection(OWN, own.port, timeout=10, source_address=(OTHER, 0))
    stream.request("GET", "/feed", headers={"Cookie": other.cookie})
    reply = stream.getresponse()
    assert reply.readline().startswith(b"retry")
    assert own.ask("POST", "/network/revoke", {"token": token})[0] == 200
    while reply.readline():
        pass
    stream.close()
    assert other.ask("GET", "/snapshot")[0] == 401
    assert other.ask("GET", f"/see/{token}")[0] == 404


def test_a_paired_browser_stays_paired_when_it_opens_a_link(own: Visitor, other: Visitor) -> None:
    other.pair(network(own)["code"])
    kept = other.cookie
    assert "Set-Cookie" not in other.ask("GET", f"/see/{link(own)}")[1]
    assert other.cookie == kept


@pytest.mark.parametrize("path", ["/see/nothing", "/nothing", "/see/", "/network/nothing"])
def test_unknown_paths_are_404_without_a_trace(other: Visitor, path: str) -> None:
    status, _, text = other.ask("GET", path)
    assert (status, "Traceback" in text) == (404, False)


def test_a_body_of_30_mb_is_refused_before_it_is_read(own: Visitor, bench: Any) -> None:
    link = http.client.HTTPConnection(OWN, own.port, timeout=10)
    link.putrequest("POST", "/act")
    for name, value in (("Origin", f"http://{OWN}:{own.port}"), ("Content-Type", "application/json")):
        link.putheader(name, value)
    link.putheader("Content-Length", str(30 * 1024 * 1024))
    link.endheaders(b"x" * 1000)  # the rest is never sent: who waited for it would wait until the time is over
    reply = link.getresponse()
    assert (reply.status, b"Traceback" in reply.read()) == (413, False)
    link.close()
    assert bench.asked == []


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b"1", b'{"token": 1}', b'{"token": []}', b'"\xff"'])
def test_junk_to_the_links_gives_no_trace(own: Visitor, body: bytes) -> None:
    status, _, text = own.ask("POST", "/network/revoke", body)
    assert 400 <= status < 500
    assert "Traceback" not in text


def test_the_terminal_shows_address_picture_and_every_new_code(own: Visitor, other: Visitor, lines: list[str]) -> None:
    first = network(own)["code"]
    assert lines[0].startswith("open to the workshop network at http://")
    assert lines[1] == drawn(network(own)["address"])
    assert any(first in line for line in lines)
    other.pair(first)
    assert network(own)["code"] in lines[-1]


def test_without_the_network_there_is_no_code_and_no_door(bench: Any) -> None:
    page = serve(bench.door)
    alone = Visitor(int(page.url.rstrip("/").rsplit(":", 1)[1]), OWN)
    assert network(alone) == {"role": "bench", "lan": False}
    assert alone.pair("123456")[0] in {404, 405}
    assert alone.ask("GET", "/see/x")[0] == 404
    page.stop()


def test_the_picture_is_a_drawing_that_loads_nothing() -> None:
    assert picture("http://192.0.2.7:8123/").startswith("data:image/svg+xml")
