"""The link to the bench: lost, found again, caught up."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from dashboard import feed
from dashboard.server import RunningPage, serve
from dashboard.words import PAGE

pytestmark = pytest.mark.browser

AGAIN_MS = 30_000


@pytest.fixture
def restarted(bench: Any) -> Iterator[Callable[[RunningPage, Any], RunningPage]]:
    """Serve another bench, or the same, at the address where a page was."""
    pages: list[RunningPage] = []

    def restart(old: RunningPage, other: Any) -> RunningPage:
        pages.append(serve(other.door, port=int(old.url.rstrip("/").rsplit(":", 1)[1])))
        return pages[-1]

    yield restart
    for page in pages:
        page.stop()


def test_a_restarted_bench_is_found_and_caught_up_with(
    bench: Any,
    served: RunningPage,
    page_of: Any,
    restarted: Any,
    neck: dict[str, Any],
) -> None:
    bench.publish(**neck)
    bench.take()
    page = page_of(url=served.url).page
    expect(page.locator("#reading")).to_contain_text("1.203 mm")
    page.evaluate("() => { window.same = true; }")
    served.stop()
    expect(page.locator("#link")).to_contain_text("Connection lost")
    expect(page.locator("#warnings")).to_contain_text("may be old")
    other = type(bench)(boot="second")
    other.publish(**{**neck, "cells": [["proud_end", 9, "bass", "pass", 0.01, 0.01, 1.0]]})
    other.take("fail", value_nm=1_033_000)
    restarted(served, other)
    expect(page.locator("#link")).to_have_text("live", timeout=AGAIN_MS)
    expect(page.locator("#reading")).to_contain_text("1.033 mm")
    expect(page.locator("#warnings")).to_have_text("")
    expect(page.locator('.neckmap [data-check=proud_end][data-fret="9"]')).to_be_attached()
    expect(page.locator('.neckmap [data-check=proud_end][data-fret="7"]')).to_have_count(0)
    assert page.evaluate("() => window.same") is True
    other.door.close()


def test_a_view_opened_while_the_bench_is_away_says_so_and_is_asked_again(
    bench: Any, served: RunningPage, page_of: Any, restarted: Any, neck: dict[str, Any]
) -> None:
    bench.publish(**neck)
    page = page_of(url=served.url).page
    served.stop()
    expect(page.locator("#link")).to_contain_text("Connection lost")
    page.locator("#to-rack").click()
    asked = page.locator("#view-rack")
    expect(asked).to_contain_text(PAGE["bench_away"])
    other = type(bench)(boot="second")
    other.publish(**neck)
    restarted(served, other)
    expect(page.locator("#link")).to_have_text("live", timeout=AGAIN_MS)
    expect(asked).not_to_contain_text(PAGE["bench_away"], timeout=AGAIN_MS)
    other.door.close()


def test_readings_typed_while_the_bench_is_away_arrive_once(
    bench: Any,
    served: RunningPage,
    page_of: Any,
    restarted: Any,
) -> None:
    page = page_of(url=served.url).page
    served.stop()
    expect(page.locator("#link")).to_contain_text("Connection lost")
    page.keyboard.type("3.5\n3.6\n")
    expect(page.locator("#queued")).to_have_text("2 waiting to be sent")
    restarted(served, bench)
    assert [action["text"] for action in bench.wait_for(2)] == ["3.5", "3.6"]
    expect(page.locator("#queued")).to_have_text("")
    assert len(bench.asked) == 2


@pytest.mark.parametrize(
    "refusal",
    [
        {"status": 503, "body": "busy"},
        {"status": 200, "content_type": "text/event-stream", "body": "event: refused\ndata: 503\n\n"},
    ],
)
def test_without_a_free_stream_the_page_asks_for_snapshots(
    bench: Any, served: RunningPage, page_of: Any, refusal: dict[str, Any]
) -> None:
    page = page_of(url=served.url).page
    page.route("**/feed", lambda route: route.fulfill(**refusal))
    page.reload()
    bench.take()
    expect(page.locator("#reading")).to_contain_text("1.203 mm", timeout=AGAIN_MS)
    expect(page.locator("#link")).to_have_text("live", timeout=AGAIN_MS)


def test_a_page_that_comes_back_from_the_cache_opens_its_link(bench: Any, served: RunningPage, page_of: Any) -> None:
    page = page_of(url=served.url).page
    page.evaluate("() => dispatchEvent(new PageTransitionEvent('pagehide', {persisted: true}))")
    page.evaluate("() => dispatchEvent(new PageTransitionEvent('pageshow', {persisted: true}))")
    bench.take()
    expect(page.locator("#reading")).to_contain_text("1.203 mm")


def test_a_silent_link_is_noticed_and_opened_again(
    bench: Any,
    served: RunningPage,
    page_of: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(feed, "PING_S", 3600.0)  # open, and nothing comes: a cable or a router has gone
    page = page_of(url=served.url).page
    page.clock.install()
    page.reload()
    expect(page.locator("#link")).to_have_text("live", timeout=AGAIN_MS)
    page.evaluate("""() => {
        window.said = [];
        const link = document.getElementById('link');
        new MutationObserver(() => window.said.push(link.textContent)).observe(link, {childList: true});
    }""")
    page.clock.fast_forward(13_000)
    page.wait_for_function("() => said.length >= 2")
    assert page.evaluate("() => said") == ["Connection lost, trying again", "live"]
