"""The guide for whoever has measured nothing yet, and who another browser is to the bench."""

import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dashboard.guard import outward_address
from dashboard.server import RunningPage, serve

pytestmark = pytest.mark.browser

Look = Callable[..., Any]


@pytest.fixture
def new(neck: dict[str, Any]) -> dict[str, Any]:
    """A plain neck of which nothing is measured."""
    return {**neck, "demo": False, "stage": "wire", "flags": [], "cells": [], "gauges": []}


@pytest.fixture
def page(bench: Any, new: dict[str, Any], page_of: Look) -> Page:
    bench.publish(**new)
    page: Page = page_of(bench.door).page
    expect(page.locator("#welcome")).to_be_visible()
    return page


def step(page: Page) -> Any:
    return page.locator("#welcome [aria-current=step]")


def test_the_guide_passes_over_one_stage_after_another_and_gives_the_field_the_focus(bench: Any, page: Page) -> None:
    expect(step(page)).to_contain_text("Go to a seated fret")
    page.locator("#to-a-fret").click()
    assert [one["do"] for one in bench.wait_for(1)] == ["skip_stage"]
    bench.publish(stage="slots")
    bench.wait_for(2)
    bench.publish(stage="seating")
    expect(page.locator("#typed")).to_be_focused()
    expect(step(page)).to_contain_text("Type three heights")
    assert [one["do"] for one in bench.asked] == ["skip_stage", "skip_stage"]


def test_the_guide_stays_until_there_is_a_verdict_and_says_what_it_is(bench: Any, page: Page) -> None:
    bench.publish(stage="seating")
    bench.take(verdict=None)
    expect(step(page)).to_contain_text("Type three heights")
    expect(step(page)).to_contain_text("try 1.20, 1.21, 1.20")
    bench.take("pass")
    expect(step(page)).to_contain_text("Read the verdict")
    bench.take(verdict=None)
    expect(page.locator("#reading .verdict")).to_have_text("Kept, not judged yet")
    expect(step(page)).to_contain_text("Read the verdict")


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (390, 844)])
def test_the_guide_leaves_the_field_on_the_screen(bench: Any, page: Page, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    for shown in ({"stage": "wire"}, {"stage": "seating"}, {"fail": True}):
        if "fail" in shown:
            bench.take("fail", because="Fret 1 is seated unevenly, its places differ by 0.120 ± 0.008 mm")
            expect(page.locator("#reading .verdict")).to_be_in_viewport(ratio=1)
            expect(step(page)).to_contain_text("Read the verdict")
        else:
            bench.publish(
                **shown, caution="Presses pinch. Thin cyanoacrylate: eyes, skin bonds, fumes.", decides="Local rules."
            )
            expect(step(page)).to_contain_text("Go to" if shown["stage"] == "wire" else "Type three")
        expect(page.locator("#typed")).to_be_in_viewport(ratio=1)
        expect(page.locator("#next .caution")).to_be_in_viewport(ratio=1)
        assert page.evaluate("() => scrollY") == 0
    title = page.locator("#welcome strong").last
    assert title.evaluate("(node) => getComputedStyle(node.closest('li'), '::before').content") == "counter(step)"


def test_put_away_it_stays_away(bench: Any, page: Page) -> None:
    page.get_by_role("button", name="Put this guide away").click()
    expect(page.locator("#welcome")).to_be_hidden()
    page.reload()
    expect(page.locator("#next")).to_contain_text("seated fret", timeout=20_000)
    expect(page.locator("#welcome")).to_be_hidden()


def test_the_invented_instrument_is_a_press_away(bench: Any, page: Page) -> None:
    button = page.get_by_role("button", name="Show me the invented instrument")
    expect(page.locator("#example")).to_be_hidden()
    button.press("Enter")
    assert bench.wait_for(1) == [{"do": "example"}]
    expect(page.locator("#example")).to_contain_text("It starts")
    expect(button).to_have_attribute("aria-expanded", "true")
    expect(button).to_be_focused()
    bench.publish(example={"url": "http://127.0.0.1:9/", "why": ""})
    link = page.get_by_role("link", name="Open the invented instrument")
    expect(link).to_have_attribute("href", "http://127.0.0.1:9/")


def test_where_the_demo_does_not_start_the_command_is_told(bench: Any, page: Page) -> None:
    bench.publish(example={"url": "", "why": "the demo ended with status 2"})
    page.get_by_role("button", name="Show me the invented instrument").click()
    expect(page.locator("#example")).to_contain_text("The demo ended with status 2")
    expect(page.locator("#example code")).to_have_text("fretledger demo")


@pytest.mark.parametrize("shown", [{"demo": True}, {"seq": 3}], ids=["invented", "measured"])
def test_nobody_else_is_guided(bench: Any, new: dict[str, Any], page_of: Look, shown: dict[str, Any]) -> None:
    bench.publish(**new | shown)
    page = page_of(bench.door).page
    expect(page.locator("#next")).to_contain_text("seated fret")
    expect(page.locator("#welcome")).to_be_hidden()


@pytest.fixture
def open_page(bench: Any, new: dict[str, Any]) -> Iterator[RunningPage]:
    bench.publish(**new)
    running = serve(bench.door, lan=lambda _line: None)
    yield running
    running.stop()


def from_elsewhere(url: str) -> str:
    """Return the address under which this machine is another one to the page."""
    address = outward_address()
    if sys.platform != "linux" or not address:
        pytest.skip("this machine has no address but its own")
    return url.replace("127.0.0.1", address)


def test_a_tablet_is_paired_and_a_reader_looks_on(
    bench: Any, open_page: RunningPage, page_of: Look, browser: Any
) -> None:
    own = page_of(url=open_page.url + "#settings").page
    code = own.locator("#network .code").inner_text()
    tablet = browser.new_context().new_page()
    tablet.goto(from_elsewhere(open_page.url))
    tablet.get_by_label("Pairing code").fill(code)
    tablet.keyboard.press("Enter")
    expect(tablet.locator("#link")).to_have_text("live", timeout=20_000)
    tablet.keyboard.type("1.2")
    tablet.keyboard.press("Enter")
    assert bench.wait_for(1)[0]["text"] == "1.2"
    expect(own.locator("#network .code")).not_to_have_text(code, timeout=10_000)

    own.get_by_label("For whom").fill("A student")
    own.get_by_role("button", name="Make a link").click()
    link = own.get_by_role("textbox", name="Address of the link for A student").input_value()
    reader = browser.new_context().new_page()
    reader.goto(from_elsewhere(link))
    expect(reader.locator("#onlooker")).to_be_visible(timeout=20_000)
    expect(reader.locator("#next")).to_contain_text("seated fret")
    expect(reader.locator(".entry")).to_be_hidden()
    own.get_by_role("button", name="End the link for A student").click()
    expect(reader.get_by_label("Pairing code")).to_be_visible(timeout=20_000)
    assert len(bench.asked) == 1
    for page in (tablet, reader):
        page.context.close()


def test_a_tablet_of_a_bench_that_was_started_again_keeps_what_was_typed(
    bench: Any, open_page: RunningPage, browser: Any
) -> None:
    url = from_elsewhere(open_page.url)
    port = int(open_page.url.rstrip("/").rsplit(":", 1)[1])
    said: list[str] = []
    open_page.stop()
    first = serve(bench.door, port=port, lan=said.append)
    tablet = browser.new_context().new_page()
    errors: list[str] = []
    tablet.on("dialog", lambda dialog: errors.append(f"asked: {dialog.message}"))
    tablet.on("console", lambda line: errors.append(line.text) if line.type == "error" else None)
    pair(tablet, url, said)
    expect(tablet.locator("#link")).to_have_text("live", timeout=20_000)
    first.stop()
    expect(tablet.locator("#link")).to_contain_text("lost", timeout=20_000)
    tablet.keyboard.type("1.25")
    tablet.keyboard.press("Enter")

    again = serve(bench.door, port=port, lan=said.append)
    expect(tablet.get_by_label("Pairing code")).to_be_visible(timeout=20_000)
    assert bench.asked == []
    assert [line for line in errors if "net::ERR_" not in line] == []  # those are of a bench that is not there
    pair(tablet, url, said)
    assert bench.wait_for(1)[0]["text"] == "1.25"
    tablet.context.close()
    again.stop()


def pair(page: Page, url: str, said: list[str]) -> None:
    """Type the newest code that the terminal has shown; it is told a moment after the page is served."""
    page.goto(url)
    give_up = time.monotonic() + 10
    while not said or "pairing code" not in said[-1]:
        assert time.monotonic() < give_up, said
        page.wait_for_timeout(50)
    page.get_by_label("Pairing code").fill(said[-1].removeprefix("pairing code ")[:7])
    page.keyboard.press("Enter")
