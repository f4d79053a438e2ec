"""The chart below the neck map, in a real browser."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser
Look = Callable[..., Any]


def test_the_chart_follows_the_chosen_check_and_its_values(bench: Any, page_of: Look, neck: dict[str, Any]) -> None:
    bench.publish(**neck)
    page = page_of(bench.door).page
    expect(page.locator("#chart-box")).to_be_hidden()
    bench.publish(cells=[*bench.shown["cells"], ["proud_end", 5, "bass", "pass", 0.01, 0.016, 0.99]])
    marks = page.locator("#chart-box .mark .outline")
    expect(marks).to_have_count(3)
    limits = {"proud_end": [None, 0.05]}
    bench.publish(cells=[*bench.shown["cells"], ["proud_end", 4, "bass", "pass", 0.02, 0.016, 0.99]], limits=limits)
    expect(marks).to_have_count(4)
    expect(page.locator("#chart-box .level")).to_have_count(1)
    page.locator("[data-tab=tilted_fret]").click()
    expect(page.locator("#chart-box")).to_be_hidden()
    page.locator("[data-tab=proud_end]").click()
    expect(page.locator("#chart-box")).to_be_visible()


def test_every_value_of_the_chart_stands_below_the_cell_of_its_fret(
    bench: Any, neck: dict[str, Any], page_of: Look
) -> None:
    bench.publish(**neck)
    bench.publish(cells=[["uneven_seating", fret, None, "pass", 0.01, 0.016, 0.99] for fret in (1, 5, 12, 20)])
    page = page_of(bench.door, viewport={"width": 2560, "height": 1200}).page
    page.locator("[data-tab=uneven_seating]").click()
    expect(page.locator("#chart-box .mark")).to_have_count(4)
    expect(page.locator(".neckmap")).to_have_attribute("data-lay", "across")
    expect(page.locator("[data-layer=uneven_seating] .cell[data-fret='20']").first).to_be_visible()
    middle = "(nodes) => nodes.map((node) => node.getBoundingClientRect()).map(({x, width}) => x + width / 2)"
    below = page.locator("#chart-box .mark .outline").evaluate_all(middle)
    above = page.locator("[data-layer=uneven_seating] .cell[data-fret]").evaluate_all(middle)
    assert below == pytest.approx(above, abs=6)
