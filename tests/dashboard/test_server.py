"""Starting and stopping."""

import http.client
import json
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from dashboard.feed import Encoder
from dashboard.server import RunningPage, serve


def port_of(page: RunningPage) -> int:
    return int(page.url.rstrip("/").rsplit(":", 1)[1])


@pytest.fixture
def open_stream() -> Iterator[Callable[[RunningPage], http.client.HTTPResponse]]:
    links: list[http.client.HTTPConnection] = []
    replies: list[http.client.HTTPResponse] = []

    def opened(page: RunningPage) -> http.client.HTTPResponse:
        links.append(http.client.HTTPConnection("127.0.0.1", port_of(page), timeout=10))
        links[-1].request("GET", "/feed")
        replies.append(links[-1].getresponse())
        return replies[-1]

    yield opened
    for reply in replies:
        reply.close()
    for link in links:
        link.close()


def test_url_is_where_the_page_is(served: RunningPage) -> None:
    assert served.url == f"http://127.0.0.1:{port_of(served)}/"


def test_a_taken_port_is_an_error(bench: Any, served: RunningPage) -> None:
    with pytest.raises(OSError, match=r"in use|10048"):
        serve(bench.door, port=port_of(served))


def test_stopping_ends_open_streams_and_frees_the_port(bench: Any, open_stream: Any) -> None:
    page = serve(bench.door)
    streams = [open_stream(page) for _ in range(5)]
    assert all(stream.readline().startswith(b"retry") for stream in streams)
    stopped = threading.Thread(target=page.stop)
    stopped.start()
    stopped.join(2)
    assert not stopped.is_alive()
    for stream in streams:
        while stream.readline():
            pass
    again = serve(bench.door, port=port_of(page))
    again.stop()


def test_stopping_waits_for_no_page_that_does_not_read(
    bench: Any,
    open_stream: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    encoded = threading.Semaphore(0)
    plain = Encoder.text

    def counted(self: Encoder, snapshot: Any) -> str:
        encoded.release()
        return plain(self, snapshot)

    monkeypatch.setattr(Encoder, "text", counted)
    bench.publish(trouble="x" * 8_000_000)  # more than the kernel takes, so that the second write waits
    page = serve(bench.door)
    open_stream(page).readline()
    assert encoded.acquire(timeout=10)
    bench.publish()
    assert encoded.acquire(timeout=10)
    stopped = threading.Thread(target=page.stop)
    stopped.start()
    stopped.join(2)
    assert not stopped.is_alive()


def test_stopping_twice_is_fine(bench: Any) -> None:
    page = serve(bench.door)
    page.stop()
    page.stop()


def test_more_pages_than_streams_leave_room_for_actions(served: RunningPage, open_stream: Any) -> None:
    streams = [open_stream(served) for _ in range(26)]
    assert sorted(stream.status for stream in streams) == [200] * 24 + [503] * 2
    link = http.client.HTTPConnection("127.0.0.1", port_of(served), timeout=10)
    link.request(
        "POST",
        "/act",
        json.dumps([{"id": "a", "do": "repeat"}]),
        {
            "Content-Type": "application/json",
            "Origin": served.url.rstrip("/"),
        },
    )
    assert link.getresponse().status == 200
    link.close()


def test_two_pages_of_one_door_show_the_same(bench: Any, served: RunningPage) -> None:
    other = serve(bench.door)
    bench.publish(seq=7)
    for page in (served, other):
        link = http.client.HTTPConnection("127.0.0.1", port_of(page), timeout=10)
        link.request("GET", "/snapshot")
        assert json.loads(link.getresponse().read())["seq"] == 7
        link.close()
    other.stop()
