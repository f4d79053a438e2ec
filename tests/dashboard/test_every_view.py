"""Every view that the page lists, on one filled bench: at every width, by keyboard alone, in inches, in other words.

The bench has the demo's neck on it, its sheet done, with a record sealed, a photo attached and a gauge checked.
"""

import json
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest
from measured import measured
from necks import neck
from PIL import Image
from playwright.sync_api import Browser, Page, Response, expect

from dashboard.server import RunningPage, serve
from dashboard.translation import NO_WORDS
from dashboard.words import PAGE, VIEWS, page_words
from drivers.profiles import load_profiles
from drivers.simulated import SimulatedGauge
from logger.bench import Trouble
from logger.door import Door
from logger.features import PLACES
from logger.gauge_file import GaugeSpec
from logger.gauges import register
from logger.store import Store

pytestmark = pytest.mark.browser

SLOW_MS = 30_000
CHECKED = GaugeSpec(kind="caliper", resolution_mm=0.0127, u_mm=0.005, zero_u_mm=0.003)
NECKS, NOW_NS, DAY_NS = 5, 1_780_000_000_000_000_000, 86_400 * 10**9
WIDTHS = (360, 820, 1280, 2560)
DRAWN = """(view) => {
  const node = document.getElementById(`view-${view}`);
  return node && !node.hidden && node.innerText.trim() && !node.innerText.includes(fretledger.fill('looking'));
}"""
STILL = "(n) => new Promise((done) => { const step = () => (n-- ? requestAnimationFrame(step) : done()); step(); })"
TOO_WIDE = "() => document.scrollingElement.scrollWidth - innerWidth"
CUT = """(view) => {
  const out = [];
  const seen = (node) => node.checkVisibility({visibilityProperty: true}) && !node.closest('.unseen');
  const said = (node, why) =>
    out.push(`${why}: ${node.tagName}.${node.getAttribute('class')} ${node.textContent.trim().slice(0, 50)}`);
  const own = (node) => [...node.childNodes].some((one) => one.nodeType === 3 && one.data.trim());
  for (const node of document.querySelectorAll(`header *, #views *, #view-${view} *`)) {
    if (!seen(node)) continue;
    if (node instanceof SVGTextElement) {
      const box = node.getBoundingClientRect(), frame = node.ownerSVGElement, within = frame.getBoundingClientRect();
      if (getComputedStyle(frame).overflow === 'visible' || !node.textContent.trim()) continue;
      const beside = box.left < within.left - 1 || box.right > within.right + 1;
      if (beside || box.top < within.top - 2 || box.bottom > within.bottom + 2) said(node, 'out of its drawing');
    } else if (node instanceof HTMLElement && node.clientWidth) {
      const style = getComputedStyle(node), cuts = (way) => ['hidden', 'clip'].includes(way);
      const wide = node.scrollWidth > node.clientWidth + 1, high = node.scrollHeight > node.clientHeight + 1;
      if ((wide && cuts(style.overflowX)) || (high && cuts(style.overflowY))) said(node, 'cut');
      else if (wide && style.overflowX === 'visible' && own(node)) said(node, 'runs out of its box');
    }
  }
  return out;
}"""
"""Texts that a box cuts off, that run out of their own box, or that leave the drawing they stand in."""
OPEN_FOLDS = "(view) => { for (const one of document.querySelectorAll(`#view-${view} details`)) one.open = true; }"
CONTROLS = """(view) => {
  const kinds = 'a[href], button, input, select, textarea, summary, [tabindex]';
  const inside = [...document.getElementById(`view-${view}`).querySelectorAll(kinds)];
  const seen = (node) => node.checkVisibility({visibilityProperty: true});
  const found = inside.filter((node) => node.tabIndex >= 0 && !node.disabled && seen(node))
    .filter((node) => {  // one of a group of radio buttons stands for all
      if (node.type !== 'radio') return true;
      const group = inside.filter((one) => one.type === 'radio' && one.name === node.name);
      return node === (group.find((one) => one.checked) ?? group[0]);
    });
  found.forEach((node, i) => { node.dataset.control = String(i); });
  const said = (node) => `${node.tagName}#${node.id}.${node.getAttribute('class')} ${node.textContent.trim()}`;
  return found.map((node) => said(node).slice(0, 80));
}"""
"""What can be reached in a view, each marked with its place in this list."""
HERE = """(view) => {
  const node = document.activeElement, whole = document.getElementById(`view-${view}`);
  if (!node || !whole.contains(node)) return null;
  const seen = (one) => {
    const {outlineStyle, outlineWidth} = getComputedStyle(one);
    return outlineStyle !== 'none' && parseFloat(outlineWidth) >= 2;
  };
  const ringed = seen(node) || [...document.querySelectorAll('#page :has(:focus-visible)')].some(seen);
  return {control: node.dataset.control ?? '', ringed, what: `${node.tagName}#${node.id}`};
}"""
TEXTS = """(view) => {
  const NAMED = ['aria-label', 'title', 'placeholder'];
  const out = [], whole = document.getElementById(`view-${view}`);
  for (const top of [document.querySelector('header'), document.getElementById('views'), whole]) {
    const walk = document.createTreeWalker(top, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) {
      const node = walk.currentNode, box = node.parentElement;
      if (node.data.trim() && box.checkVisibility() && !box.closest('pre.command, kbd')) out.push(node.data);
    }
    for (const node of top.querySelectorAll('[aria-label], [title], [placeholder]')) {
      if (node.checkVisibility()) out.push(...NAMED.map((name) => node.getAttribute(name)).filter(Boolean));
    }
  }
  return out;
}"""
"""Every text that is seen or read out, without commands for a terminal and names of keys."""


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory, keep_check: Callable[..., None]) -> Iterator[Door]:
    """The door of the demo's bench: other necks beside it, its caliper checked, a photo and a sealed record."""
    folder = tmp_path_factory.mktemp("filled")
    for number in range(1, NECKS + 1):
        neck(folder, folder / "s.db", number, proud=number, slot_mm=0.58 - 0.003 * number)
    trouble, profile = Trouble(), load_profiles()["caliper-inch"]
    caliper = SimulatedGauge("demo caliper", profile=profile, template="N{value} {unit}\r\n")
    with pytest.MonkeyPatch.context() as patch, Store.open(folder / "s.db", on_trouble=trouble) as store:
        for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
            patch.setenv(name, str(folder))
        register(store, "demo caliper", CHECKED, source="file", due_days=60)
        for week in range(6):
            keep_check(store, "demo caliper", CHECKED, at_ns=NOW_NS + 7 * week * DAY_NS, off_mm=0.002 * (week % 2))
        bench = measured(store)
        trouble.listener = bench.on_trouble
        bench.start()
        bench.add_gauge(caliper.name, caliper.profile, caliper.port)
        photo = folder / "end.jpg"
        Image.new("RGB", (640, 400), (150, 110, 70)).save(photo, "JPEG")
        bench.door.keep("attach", {"session": bench.session, "path": str(photo), "name": photo.name, "note": "an end"})
        bench.door.keep("seal", {"session": bench.session})
        try:
            yield bench.door
        finally:
            bench.stop(reason="test over")
            caliper.close()


class Watched:
    """A page that is noted for what it complains of, and for every text that the bench answered."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.problems: list[str] = []
        self.answers: set[str] = set()
        page.on("console", lambda said: self._note(said.text) if said.type in {"error", "warning"} else None)
        page.on("pageerror", lambda error: self._note(str(error)))
        page.on("requestfailed", lambda asked: self._note(f"{asked.url}: {asked.failure}"))
        page.on("response", self._answered)

    def _note(self, text: str) -> None:
        self.problems.append(text)

    def _answered(self, reply: Response) -> None:
        if reply.status >= 400:
            self._note(f"{reply.url}: {reply.status}")

    def show(self, view: str) -> None:
        self.page.evaluate("(view) => { location.hash = view; scrollTo(0, 0); }", view)
        self.drawn(view)

    def drawn(self, view: str) -> None:
        """Wait until a view is drawn, and what it draws in a later task too."""
        self.page.wait_for_function(DRAWN, arg=view, timeout=SLOW_MS)
        expect(self.page.locator(f"#view-{view}")).not_to_contain_text(PAGE["not_told"].split("{")[0])
        if view == "bench" and self.page.evaluate("() => fretledger.unit === 'in'"):  # it is drawn after the tile
            expect(self.page.locator("#flags")).not_to_contain_text(re.compile(r"\d\smm"))
        if view == "shop":
            judged = "() => document.querySelector('#view-shop .blades') && !document.querySelector('.judging')"
            self.page.wait_for_function(judged, timeout=SLOW_MS)
        self.page.wait_for_function("() => !document.querySelector('.view:not([hidden]) img:not([src])')")
        self.page.evaluate(STILL, 3)


@pytest.fixture(scope="module")
def served(door: Door) -> Iterator[RunningPage]:
    page = serve(door)
    yield page
    page.stop()


Opened = Callable[..., Watched]


@pytest.fixture(scope="module")
def opened(browser: Browser, served: RunningPage) -> Iterator[Opened]:
    """Open the page once for a theme and address; each test begins with no complaint."""
    open_pages: dict[tuple[str, ...], Watched] = {}
    contexts = []

    def look(theme: Any = "light", url: str = "", unit: str = "mm") -> Watched:
        if (theme, url, unit) not in open_pages:
            contexts.append(browser.new_context(color_scheme=theme, reduced_motion="reduce"))
            watched = open_pages[theme, url, unit] = Watched(contexts[-1].new_page())
            watched.page.goto(url or served.url)
            watched.page.wait_for_function("() => document.getElementById('link')?.dataset.link === 'live'")
            watched.page.locator(f"#unit-{unit}").click()
        here = open_pages[theme, url, unit]
        here.problems.clear()
        here.page.set_viewport_size({"width": 1280, "height": 800})
        return here

    yield look
    for context in contexts:
        context.close()


def test_the_views_tested_are_those_that_the_page_lists(opened: Opened) -> None:
    listed = opened().page.locator("#views a").evaluate_all("(all) => all.map((one) => one.hash.slice(1))")
    assert listed == list(VIEWS)


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("view", VIEWS)
def test_a_view_fits_every_width_and_complains_of_nothing(opened: Opened, view: str, theme: str) -> None:
    watched = opened(theme)
    page = watched.page
    assert page.locator("html").get_attribute("data-theme") == theme
    watched.show(view)
    found = []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        page.evaluate(OPEN_FOLDS, view)
        page.evaluate(STILL, 4)
        if (beyond := page.evaluate(TOO_WIDE)) > 0:
            found.append(f"{width} px: {beyond} px too wide")
        found += [f"{width} px: {one}" for one in page.evaluate(CUT, view)]
    assert found == []
    assert watched.problems == []


def test_what_is_cut_or_too_wide_is_found(opened: Opened) -> None:
    page = opened().page
    page.evaluate("""() => {
      const add = (text, style) => {
        const made = document.createElement('p');
        made.textContent = text;
        made.style.cssText = style;
        made.className = 'planted';
        document.getElementById('view-bench').append(made);
      };
      location.hash = 'bench';
      add('cut off by its own box', 'width: 4rem; height: 1rem; overflow: hidden');
      add('running out of its own box', 'width: 4rem; white-space: nowrap');
      add('wider than the window', 'width: 200vw');
    }""")
    page.evaluate(STILL, 2)
    found = page.evaluate(CUT, "bench")
    assert any(one.startswith("cut: P.planted cut off") for one in found)
    assert any(one.startswith("runs out of its box: P.planted running") for one in found)
    assert page.evaluate(TOO_WIDE) > 0
    page.evaluate("() => document.querySelectorAll('.planted').forEach((one) => one.remove())")


@pytest.mark.parametrize("view", VIEWS)
def test_a_view_is_reached_and_left_by_keyboard_alone(opened: Opened, view: str) -> None:
    watched = opened()
    page = watched.page
    watched.show("settings" if view == "bench" else "bench")
    page.evaluate("() => { document.activeElement.blur(); getSelection().removeAllRanges(); scrollTo(0, 0); }")
    page.locator(".jump").focus()  # what Tab comes to first
    for _ in range(40):
        if page.evaluate("() => document.activeElement.id") == f"to-{view}":
            break
        page.keyboard.press("Tab")
    expect(page.locator(f"#to-{view}")).to_be_focused()
    page.keyboard.press("Enter")
    watched.drawn(view)
    controls = page.evaluate(CONTROLS, view)
    reached: set[str] = set()
    if (here := page.evaluate(HERE, view)) is None:
        page.keyboard.press("Tab")
        here = page.evaluate(HERE, view)
    assert here is not None, "neither Enter nor the next Tab leads into the view"
    for _ in range(2 * len(controls) + 20):
        if here is None:
            break
        assert here["ringed"], f"the focus cannot be seen on {here['what']}"
        reached.add(here["control"])
        page.keyboard.press("Tab")
        here = page.evaluate(HERE, view)
    assert here is None, f"Tab does not leave the view, it is held at {here}"
    assert [one for number, one in enumerate(controls) if str(number) not in reached] == []
    assert watched.problems == []


MILLIMETRES = re.compile(r"\d\s?(?:mm|millimet)\b")
TOLD_AS_THEY_CAME = (
    r"last came: .*",  # the gauge's own characters, to compare with its display
    r"scale \d+\.\d mm \(\d+\.\d+ in\)",  # told in both units, as a scale is sold in either
)


@pytest.mark.parametrize("view", VIEWS)
def test_in_inches_no_length_is_told_in_mm(opened: Opened, view: str) -> None:
    watched = opened(unit="in")
    page = watched.page
    watched.show(view)
    page.evaluate(OPEN_FOLDS, view)
    page.evaluate(STILL, 2)
    texts = [re.sub("|".join(TOLD_AS_THEY_CAME), "", one) for one in page.evaluate(TEXTS, view)]
    assert [one for one in texts if MILLIMETRES.search(one)] == []
    assert view in {"rack", "settings"} or any(re.search(r"\d\s?in\b", one) for one in texts)
    assert watched.problems == []


def _marked(english: Any, name: str = "") -> Any:
    """Return all words of the page between marks, without those that nobody reads."""
    if isinstance(english, dict):
        return {key: _marked(one, key) for key, one in english.items() if key not in NO_WORDS and key != "locale"}
    return f"«{english}»"


@pytest.fixture(scope="module")
def marked(door: Door, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of the page of the same bench in words that all stand between marks."""
    file = tmp_path_factory.mktemp("words") / "marked.json"
    file.write_text(json.dumps(_marked(page_words())), encoding="utf-8")
    page = serve(door, language=file)
    yield page.url
    page.stop()


SENTENCE = 16
LETTERS = re.compile(r"[^\W\d_]{2}")
MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "sept", "oct", "nov", "dec"]
ALWAYS = "|".join((
    rf"\b\d+ (?:{'|'.join(MONTHS)}) \d+\b",  # a day, as the browser writes it in the language of the page
    r"\b(?:mm|in)\b",  # units
))  # fmt: skip
"""What may stand anywhere though no translation reaches it."""


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _strings(value: Any) -> Iterator[str]:
    """Return every text in a JSON value."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for one in value:
            yield from _strings(one)
    elif isinstance(value, str):
        yield value


def _unmarked(text: str) -> str:
    """Return what stands outside of all marks."""
    while (shorter := re.sub(r"«[^«»]*»", " ", text)) != text:
        text = shorter
    return _plain(text)


def _pieces(text: str) -> list[str]:
    return [re.sub(ALWAYS, " ", one).strip(" .") for one in re.split(r"[,;:](?:\s|$)", text)]


def _own_words(text: str, known: Sequence[str]) -> str:
    """Return what a text says beside words between marks and answers of the bench; empty for nothing.

    Answers that are sentences may stand anywhere in it. Short ones must be all that stands between two commas, so
    that a word of the page that an answer happens to contain is found; places come as data and have words of their own.
    """
    left = _unmarked(text)
    for one in known:
        if len(one) >= SENTENCE:
            left = left.replace(one, " ")
    short = ({piece for one in known for piece in _pieces(one)} | set(known)) - set(PLACES)
    pieces = _pieces(left)
    return "; ".join(one for one in pieces if LETTERS.search(one) and one not in short)


def test_a_text_is_taken_for_a_word_of_the_page_by_its_marks() -> None:
    assert _unmarked("«In all «3 frets» off» and more") == "and more"


@pytest.mark.parametrize("view", VIEWS)
def test_no_english_word_of_the_page_outlives_a_translation(opened: Opened, door: Door, marked: str, view: str) -> None:
    watched = opened(url=marked)
    page = watched.page
    answered: list[Any] = [door.snapshot()]

    def hear(reply: Response) -> None:
        if "/look/" in reply.url:
            answered.append(reply.json())

    page.on("response", hear)
    page.evaluate("() => { location.hash = 'settings'; }")
    watched.show(view)
    page.evaluate(OPEN_FOLDS, view)
    page.evaluate(STILL, 2)
    page.remove_listener("response", hear)
    known = sorted({_plain(one) for one in _strings(answered)}, key=len, reverse=True)
    texts = {text: _own_words(text, known) for text in page.evaluate(TEXTS, view)}
    assert sorted(f"{left}    in    {text}" for text, left in texts.items() if left) == []
