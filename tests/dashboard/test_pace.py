"""The reading comes first: before the map, however slow the last one was, and with the head of the page in sight."""

from typing import Any

import pytest
from playwright.sync_api import expect

from dashboard.words import VIEWS

pytestmark = pytest.mark.browser

HELD = """async () => {
  const order = [], frames = [], {drawReading, drawMap} = fretledger;
  const {requestAnimationFrame} = window, {now} = performance;
  await new Promise((done) => {  // until nothing from before waits to be drawn
    let calm = setTimeout(done, 400);
    fretledger.drawMap = (snap) => { drawMap(snap); clearTimeout(calm); calm = setTimeout(done, 400); };
    fretledger.tell('snapshot', fretledger.snap);
  });
  const turn = () => new Promise((done) => setTimeout(done, 0));
  fretledger.drawReading = () => order.push('reading');
  fretledger.drawMap = () => order.push('map');
  window.requestAnimationFrame = (work) => frames.push(work);
  performance.now = () => now.call(performance) + 1e6;  // no gap is left to wait for
  fretledger.tell('snapshot', fretledger.snap);
  for (let n = 0; n < 5; n += 1) await turn();
  order.push('frame');
  for (const work of frames) work();
  for (let n = 0; n < 5; n += 1) await turn();
  Object.assign(window, {requestAnimationFrame});
  Object.assign(fretledger, {drawReading, drawMap});
  performance.now = now;
  return order;
}"""
GAPS = """([costMs, mostMs]) => {
  const asked = [], {setTimeout} = window, {now} = performance;
  let clock = 1e6;
  performance.now = () => clock;
  window.setTimeout = (work, ms) => asked.push(ms);
  const work = fretledger.every(40, () => { clock += costMs; }, mostMs);
  work();
  work();
  Object.assign(window, {setTimeout});
  performance.now = now;
  return asked;
}"""


def test_a_reading_is_painted_before_the_map_is_drawn(shared: Any) -> None:
    assert shared[1].page.evaluate(HELD) == ["reading", "frame", "map"]


@pytest.mark.parametrize(
    ("cost_ms", "most_ms", "gap_ms"), [(2, 100, 40), (15, 100, 75), (300, 100, 100), (300, None, 1500)]
)
def test_what_was_slow_waits_longer_up_to_its_most(shared: Any, cost_ms: int, most_ms: int | None, gap_ms: int) -> None:
    given = [cost_ms] if most_ms is None else [cost_ms, most_ms]
    assert shared[1].page.evaluate(GAPS, given) == [gap_ms]


def test_no_view_jumps_past_the_head_of_the_page(shared: Any) -> None:
    page = shared[1].page
    page.set_viewport_size({"width": 820, "height": 500})
    page.locator("#to-settings").click()
    page.locator("#to-bench").click()
    expect(page.locator("#view-bench")).to_be_visible()
    expect(page.locator("header")).to_be_in_viewport()
    taken = page.evaluate("(names) => names.filter((name) => document.getElementById(name))", list(VIEWS))
    assert taken == [], "the address of a view would scroll to these"
