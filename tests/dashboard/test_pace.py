"""The reading comes first: before the map, however slow the last one was, and with the head of the page in sight."""

from typing import Any

import pytest
from playwright.sync_api import expect

from dashboard.words import VIEWS

pytestmark = pytest.mark.browser

HELD = """async () => {
  const order = [], frames = [], {drawReading, drawNext, drawMap} = fretledger;
  const {requestAnimationFrame} = window, {now} = performance;
  await new Promise((done) => {  // until nothing from before waits to be drawn
    let calm = setTimeout(done, 400);
    fretledger.drawMap = (snap) => { drawMap(snap); clearTimeout(calm); calm = setTimeout(done, 400); };
    fretledger.tell('snapshot', fretledger.snap);
  });
  const turn = () => new Promise((done) => setTimeout(done, 0));
  fretledger.drawReading = () => order.push('reading');
  fretledger.drawNext = () => order.push('next');
  fretledger.drawMap = () => order.push('map');
  window.requestAnimationFrame = (work) => frames.push(work);
  performance.now = () => now.call(performance) + 1e6;  // no gap is left to wait for
  fretledger.tell('snapshot', fretledger.snap);
  for (let n = 0; n < 5; n += 1) await turn();
  order.push('frame');
  for (const work of frames) work();
  await new Promise((done) => setTimeout(done, 100));
  Object.assign(window, {requestAnimationFrame});
  Object.assign(fretledger, {drawReading, drawNext, drawMap});
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


def test_a_reading_is_painted_before_what_is_next_and_the_map_are_drawn(shared: Any) -> None:
    assert shared[1].page.evaluate(HELD) == ["reading", "frame", "next", "map"]


ASKED = """() => {
  const asked = [], sizes = [[Element.prototype, 'clientWidth'], [HTMLElement.prototype, 'offsetWidth']];
  const kept = sizes.map(([where, name]) => Object.getOwnPropertyDescriptor(where, name));
  sizes.forEach(([where, name], i) => Object.defineProperty(where, name, {
    configurable: true, get() { asked.push(name); return kept[i].get.call(this); },
  }));
  const {getComputedStyle} = window, {getBoundingClientRect, getClientRects} = Element.prototype;
  window.getComputedStyle = (...given) => { asked.push('style'); return getComputedStyle(...given); };
  Element.prototype.getBoundingClientRect = function () { asked.push('box'); return getBoundingClientRect.call(this); };
  Element.prototype.getClientRects = function () { asked.push('boxes'); return getClientRects.call(this); };
  const {snap} = fretledger, last = {...snap.last, fret: 3, words: 'fret 3, bass: height', value_nm: 1204000};
  const other = {...snap, last, next: {...snap.next, fret: 4}};
  for (const draw of ['Reading', 'Queries', 'Sure', 'Mode', 'Next', 'Neck', 'Flagged', 'Taken', 'Strip'])
    fretledger[`draw${draw}`](other);
  sizes.forEach(([where, name], i) => Object.defineProperty(where, name, kept[i]));
  Object.assign(window, {getComputedStyle});
  Object.assign(Element.prototype, {getBoundingClientRect, getClientRects});
  return {asked, said: document.querySelector('#reading .number').textContent};
}"""


def test_drawing_a_reading_asks_for_no_size(shared: Any) -> None:
    """An answer costs a layout of the page: 380 of them were most of the work of a reading."""
    assert shared[1].page.evaluate(ASKED) == {"asked": [], "said": "1.204"}


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
