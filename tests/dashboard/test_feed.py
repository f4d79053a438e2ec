"""The routes between the door and the pages."""

import http.client
import json
import logging
from collections.abc import Callable, Iterator, Mapping
from types import SimpleNamespace
from typing import Any

import pytest

from dashboard import feed
from dashboard.feed import Encoder, Feed, fault_of
from dashboard.server import RunningPage
from logger.door import Answer, Door

Ask = Callable[..., tuple[int, Mapping[str, str], str]]


def events(reply: http.client.HTTPResponse) -> Iterator[tuple[str, str]]:
    name = "message"
    for line in iter(reply.readline, b""):
        key, _, value = line.decode().rstrip("\n").partition(": ")
        if key == "event":
            name = value
        elif key == "data":
            yield name, value
            name = "message"


@pytest.fixture
def stream(served: RunningPage) -> Iterator[Iterator[tuple[str, str]]]:
    link = http.client.HTTPConnection("127.0.0.1", int(served.url.rstrip("/").rsplit(":", 1)[1]), timeout=10)
    link.request("GET", "/feed")
    reply = link.getresponse()
    yield events(reply)
    reply.close()
    link.close()


def newest(stream: Iterator[tuple[str, str]]) -> dict[str, Any]:
    return json.loads(next(text for name, text in stream if name == "message"))


def test_stream_begins_with_the_newest_snapshot_and_follows(bench: Any, stream: Iterator[tuple[str, str]]) -> None:
    assert newest(stream)["version"] == 0
    bench.publish(seq=1)
    assert newest(stream)["seq"] == 1


def test_newest_wins_when_snapshots_come_faster_than_the_stream(bench: Any, stream: Iterator[tuple[str, str]]) -> None:
    next(stream)
    for _ in range(500):
        bench.publish()
    seen: list[int] = []
    while not seen or seen[-1] < 500:
        seen.append(newest(stream)["version"])
    assert seen == sorted(set(seen))
    assert len(seen) < 100


CELL = ["high_fret", 4, "centre", "pass", 0.004, 0.017, 1.0]


def test_the_cells_follow_the_reading_and_only_when_they_changed(
    bench: Any, stream: Iterator[tuple[str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feed, "PING_S", 0.5)
    next(stream)
    bench.publish(cells=[CELL])
    (first, whole), (second, cells) = next(stream), next(stream)
    assert (first, second) == ("message", "cells")
    assert "cells" not in json.loads(whole)
    assert json.loads(cells) == {"version": 1, "boot": bench.shown["boot"], "cells": [CELL]}
    bench.publish(seq=1)
    assert [next(stream)[0] for _ in range(2)] == ["message", "ping"]
    bench.publish(seq=2, cells=[CELL, CELL])
    assert [next(stream)[0] for _ in range(2)] == ["message", "cells"]


def test_readings_that_come_without_a_pause_keep_the_cells_back_for_a_while_only(
    bench: Any, stream: Iterator[tuple[str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feed, "CALM_S", 5.0)
    monkeypatch.setattr(feed, "CELLS_S", 0.4)
    bench.publish(cells=[CELL])
    while next(stream)[0] != "cells":
        pass
    names: list[str] = []
    for count in range(200):
        bench.publish(seq=count, cells=[[*CELL[:4], count, 0.0, 1.0]])
        names.append(next(stream)[0])
        if names[-1] == "cells":
            break
    assert names[-1] == "cells"
    assert names.count("message") >= 4


def test_late_cells_go_to_one_page_after_another(monkeypatch: pytest.MonkeyPatch) -> None:
    now = iter(100.0 + 0.1 * step for step in range(1000))
    clock = SimpleNamespace(monotonic=lambda: moment[0])
    monkeypatch.setattr(feed, "time", clock)
    moment, pages = [next(now)], [feed._Cells(number) for number in range(5)]
    shown: dict[str, Any] = {"store": "s", "boot": "b", "cells": [1]}
    for page in pages:
        page.sent(shown)
    late: dict[int, float] = {}
    while len(late) < len(pages):
        for number, page in enumerate(pages):
            if page.wanted({**shown, "cells": [2]}) and page.late:
                late.setdefault(number, round(moment[0] - 100.0, 1))
        moment[0] = next(now)
    assert late == {0: 1.5, 4: 1.5, 1: 1.8, 2: 2.1, 3: 2.4}


def test_a_quiet_stream_pings(monkeypatch: pytest.MonkeyPatch, stream: Iterator[tuple[str, str]]) -> None:
    monkeypatch.setattr(feed, "PING_S", 0.1)
    assert [next(stream)[0] for _ in range(3)] == ["message", "ping", "ping"]


def test_stream_ends_when_the_door_is_shut(bench: Any, stream: Iterator[tuple[str, str]]) -> None:
    next(stream)
    bench.door.close()
    assert list(stream) == []


def test_streams_are_capped_and_given_back() -> None:
    from flask import Flask

    server = Flask("test")
    Feed(Door(lambda *_: Answer(done=True)), most_streams=1).register(server)
    first = server.test_client().get("/feed")
    assert server.test_client().get("/feed").status_code == 503
    refused = server.test_client().get("/feed", headers={"Accept": "text/event-stream"})
    assert (refused.status_code, refused.text) == (200, "event: refused\ndata: 503\n\n")  # no error in the console
    first.close()
    again = server.test_client().get("/feed")
    assert again.status_code == 200
    again.close()


def test_snapshot_is_whole_and_not_kept(bench: Any, ask: Ask) -> None:
    bench.publish(trouble="Störung <b>")
    status, headers, text = ask("GET", "/snapshot")
    assert (status, headers["Cache-Control"]) == (200, "no-store")
    assert json.loads(text) == bench.shown


def test_encoder_refuses_what_is_not_a_number() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        Encoder(lambda whole: whole).text({"version": 1, "u": float("nan")})


def test_actions_reach_the_bench_in_order_and_are_answered(bench: Any, ask: Ask) -> None:
    wanted: list[dict[str, Any]] = [
        {"do": "typed", "text": "0.55 0.60", "unit": "mm"},
        {"do": "take_back"},
        {"do": "take_back", "gauge": "typed", "sequence": 4},
        {"do": "skip"},
        {"do": "repeat"},
        {"do": "keep", "gauge": "typed", "sequence": 4},
        {"do": "climate", "temperature_c": 21.5, "humidity_percent": 48},
    ]
    status, _, text = ask("POST", "/act", [{"id": f"x-{n}", **action} for n, action in enumerate(wanted)])
    answers = json.loads(text)["answers"]
    assert (status, bench.asked) == (200, wanted)
    assert [answer["id"] for answer in answers] == [f"x-{n}" for n in range(7)]
    assert answers[0] == {"id": "x-0", "done": True, "text": "taken: 0.55 0.60"}
    assert answers[3] == {"id": "x-3", "done": False, "text": "nothing is left to skip"}


def test_same_id_again_does_nothing_and_gets_the_same_answer(bench: Any, ask: Ask) -> None:
    post = [{"id": "x-1", "do": "typed", "text": "0.55", "unit": "mm"}]
    assert ask("POST", "/act", post)[2] == ask("POST", "/act", post)[2]
    assert len(bench.asked) == 1


@pytest.mark.parametrize(
    ("body", "says"),
    [
        pytest.param({"id": "a"}, "must be a JSON list", id="not a list"),
        pytest.param([3], "action 1 of the list needs an id", id="not an action"),
        pytest.param([{"do": "skip"}], "action 1 of the list needs an id", id="no id"),
        pytest.param([{"id": "a", "do": "skip"}, {"id": 3, "do": "skip"}], "action 2 of the list", id="id is a number"),
        pytest.param([{"id": "a" * 81, "do": "skip"}], "1 to 80 characters", id="long id"),
        pytest.param([{"id": f"a{n}", "do": "skip"} for n in range(201)], "at most 200 actions", id="many"),
        pytest.param(b"{", "", id="not JSON"),
        pytest.param(b"[" * 20_000, "nested too deeply", id="deep"),
        pytest.param(b"[" * 20_000 + b"]" * 20_000, "nested too deeply", id="deep and whole"),
        pytest.param(b'[{"id":"a","x":' + b'{"y":' * 10_000 + b"1" + b"}" * 10_002 + b"]", "nested", id="deep inside"),
    ],
)
def test_a_post_of_the_wrong_shape_does_nothing(bench: Any, ask: Ask, body: Any, says: str) -> None:
    status, _, text = ask("POST", "/act", body)
    assert status == 400
    assert says in text
    assert text.count("\n") == 1
    assert bench.asked == []


@pytest.mark.parametrize(
    ("action", "says"),
    [
        pytest.param(
            {},
            "action must be one of typed, take_back, keep, skip, skip_stage, unskip, .*, climate, .*, got None",
            id="nothing",
        ),
        pytest.param({"do": "delete"}, "got 'delete'", id="unknown"),
        pytest.param({"do": ["skip"]}, r"got \['skip'\]", id="not a word"),
        pytest.param({"do": "skip", "fret": 3}, "action skip knows nothing of 'fret'", id="more than asked"),
        pytest.param({"do": "typed", "unit": "mm"}, "1 to 200 characters", id="no text"),
        pytest.param({"do": "typed", "text": "", "unit": "mm"}, "1 to 200 characters", id="empty text"),
        pytest.param({"do": "typed", "text": "1" * 201, "unit": "mm"}, "1 to 200 characters", id="long text"),
        pytest.param({"do": "typed", "text": 0.55, "unit": "mm"}, "1 to 200 characters", id="number"),
        pytest.param({"do": "typed", "text": "0.55", "unit": "cm"}, "one of mm, in, thou, got 'cm'", id="unit"),
        pytest.param({"do": "typed", "text": "0.55", "unit": []}, r"got \[\]", id="unit is a list"),
        pytest.param({"do": "unskip", "stage": 3}, "its name as a text", id="stage is a number"),
        pytest.param({"do": "take_back", "gauge": "typed"}, "its gauge and its sequence", id="no sequence"),
        pytest.param(
            {"do": "take_back", "gauge": "typed", "sequence": True}, "its gauge and its", id="sequence is true"
        ),
        pytest.param({"do": "keep"}, "keeping a certain reading needs its gauge", id="keep what"),
        pytest.param(
            {"do": "climate", "humidity_percent": 48}, "temperature_c must be a number, got None", id="no air"
        ),
        pytest.param({"do": "climate", "temperature_c": "21", "humidity_percent": 48}, "got '21'", id="air is text"),
        pytest.param(
            {"do": "climate", "temperature_c": 21, "humidity_percent": True}, "got True", id="humidity is true"
        ),
        pytest.param(
            {"do": "climate", "temperature_c": 10**400, "humidity_percent": 48},
            "got 1000",
            id="air beyond every double",
        ),
        pytest.param(
            {"do": "climate", "temperature_c": float("inf"), "humidity_percent": 48}, "got inf", id="no finite air"
        ),
        pytest.param(
            {"do": "climate", "temperature_c": 21, "humidity_percent": float("nan")}, "got nan", id="no finite humidity"
        ),
    ],
)
def test_fault_of_an_action_is_said(action: Mapping[str, Any], says: str) -> None:
    import re

    assert re.search(says, fault_of(action) or "")


@pytest.mark.parametrize("depth", [10, 500, 900, 930, 960, 975, 985])
def test_an_action_that_is_nested_as_deeply_as_can_be_read_is_refused_in_a_line(ask: Ask, depth: int) -> None:
    body = b'[{"id":"a","do":' + b"[" * depth + b"]" * depth + b"}]"
    status, _, text = ask("POST", "/act", body)
    assert (status, "action must be one of" in text) in {(200, True), (400, False)}
    assert status == 200 or "nested too deeply" in text


def test_a_faulty_action_stops_no_other(bench: Any, ask: Ask) -> None:
    answers = json.loads(ask("POST", "/act", [{"id": "a", "do": "jump"}, {"id": "b", "do": "repeat"}])[2])["answers"]
    assert [answer["done"] for answer in answers] == [False, True]
    assert bench.asked == [{"do": "repeat"}]


def test_a_bench_that_fails_is_logged_and_said(caplog: pytest.LogCaptureFixture) -> None:
    from flask import Flask

    def fail(_action_id: str, _action: Mapping[str, Any]) -> Answer:
        raise RuntimeError("sheet is torn")

    server = Flask("test")
    Feed(Door(fail), most_streams=1).register(server)
    with caplog.at_level(logging.ERROR):
        answer = server.test_client().post("/act", json=[{"id": "a", "do": "skip"}]).get_json()["answers"][0]
    assert answer == {"id": "a", "done": False, "text": "the bench could not do this; its log says why"}
    assert "sheet is torn" in caplog.text
