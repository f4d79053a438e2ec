"""Wire and blade told on the view Fit, by keyboard and by touch, on a real bench."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from logger.begin import default_gauges
from logger.bench import Bench
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.store import Store

pytestmark = pytest.mark.browser

NECK = parse_instrument(
    'name = "Invented no. 5"\nkind = "steel-string"\nscale_mm = 645\nfrets = 20\ninvented = true\n'
    '[wire]\nname = "medium"\nlot = "7"\npiece_mm = 1500\npieces = 4\ncrown_width_mm = 2.4\n',
    where="test",
)
SLOW_MS = 20_000
SMALL: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A bench whose store has an earlier visit with a blade of its own."""
    with Store.create(tmp_path / "s.db") as store:
        limits = default_limits(NECK.kind)
        earlier = Bench(store, NECK, limits, specs=default_gauges())
        earlier.start()
        assert earlier.door.act("a", {"do": "factors", "factors": {"blade": "no. 3, 0.58 mm"}}).done
        earlier.stop(reason="done")
        here = Bench(store, NECK, limits, specs=default_gauges(), resume=False)
        here.start()
        yield here
        here.stop(reason="test over")


def to_fit(page: Page) -> None:
    page.locator("#to-fit").click()
    expect(page.locator("#worked-wire")).to_have_value("medium", timeout=SLOW_MS)


def test_by_keyboard_alone_it_is_kept_and_stands_in_fit_and_record(bench: Bench, page_of: Callable[..., Any]) -> None:
    looker = page_of(bench.door)
    page = looker.page
    to_fit(page)
    expect(page.locator("#of-wire")).to_contain_text("As the instrument's file says")
    expect(page.locator("#view-fit")).to_contain_text("pieces of 1500\u00a0mm")
    page.locator("#worked-blade").focus()
    page.keyboard.type("no. 3, 0.58 mm")
    expect(page.locator("#of-blade")).to_contain_text("Used at 1 other visit here")
    page.keyboard.press("Enter")

    expect(page.locator(".telling .told-said")).to_have_text("Kept.", timeout=SLOW_MS)
    expect(page.locator("#of-blade")).to_contain_text("Told on", timeout=SLOW_MS)
    assert page.evaluate("() => document.activeElement.id") == "worked-blade"
    with bench.store.reader() as reader:
        assert [(one.name, one.value) for one in reader.factors(bench.session)] == [("blade", "no. 3, 0.58 mm")]
    page.locator("#to-record").click()
    expect(page.locator("#view-record .worked li")).to_have_text(
        ["Wire: medium", "Wire lot: 7", "Blade: no. 3, 0.58 mm"], timeout=SLOW_MS
    )
    assert looker.problems == []


def test_another_page_follows_and_takes_nothing_from_under_a_hand(bench: Bench, page_of: Callable[..., Any]) -> None:
    first = page_of(bench.door)
    second = page_of(url=first.page.url, **SMALL)
    for page in (first.page, second.page):
        to_fit(page)
    second.page.locator("#worked-lot").fill("half a wo")
    first.page.locator("#worked-blade").fill("<b>no. 4</b>")
    first.page.get_by_role("button", name="Keep", exact=True).click()

    expect(second.page.locator("#worked-blade")).to_have_value("<b>no. 4</b>", timeout=SLOW_MS)
    expect(second.page.locator("#worked-lot")).to_have_value("half a wo")
    assert second.page.evaluate("() => document.scrollingElement.scrollWidth <= innerWidth")
    assert first.problems + second.problems == []


def test_what_does_not_hold_is_said_in_one_line_and_stays_in_the_field(
    bench: Bench, page_of: Callable[..., Any]
) -> None:
    page = page_of(bench.door).page
    to_fit(page)
    page.locator("#worked-blade").evaluate("(node) => { node.value = 'no.\\u00073'; }")  # a key that prints nothing
    page.get_by_role("button", name="Keep", exact=True).click()

    said = page.locator(".telling .told-said")
    expect(said).to_contain_text("Not kept: the blade must be one line of plain text", timeout=SLOW_MS)
    expect(page.locator("#worked-blade")).to_have_value("no.\u00073")
    with bench.store.reader() as reader:
        assert reader.factors(bench.session) == []


def test_another_visit_is_told_of_and_not_changed(bench: Bench, page_of: Callable[..., Any]) -> None:
    with bench.store.reader() as reader:
        earlier = reader.sessions()[0].id
    page = page_of(bench.door).page
    page.evaluate("(id) => { location.hash = `#fit/${id}`; }", earlier)

    expect(page.locator("#view-fit")).to_contain_text("no. 3, 0.58 mm", timeout=SLOW_MS)
    expect(page.locator("#view-fit .telling")).to_have_count(0)
