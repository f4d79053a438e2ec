"""The view Shop, and the rack of the whole shop, over a real store and a shop that can go away, in a real browser."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from necks import neck
from playwright.sync_api import Browser, Page, expect

from dashboard.server import serve
from logger.door import Answer, Door
from logger.errors import ShopError
from logger.judgements import Judgements
from logger.looking import Looking
from logger.store import Store, StoreReader

pytestmark = pytest.mark.browser

LOOKED_MS = 20_000
OTHER = "0000beef-0000-7000-8000-000000000000"
NAME = "<b>Ärmel</b> (invented)"
AXE = (Path(__file__).parents[1] / "reference" / "axe.min.js").read_text(encoding="utf-8")
BROKEN = """() => axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'],
  rules: {'target-size': {enabled: true}}}).then((found) => found.violations.flatMap(({id, nodes}) =>
  nodes.map((one) => [id, one.target, one.failureSummary].join(' '))))"""


class FakeShop:
    """What a shop answers that holds one neck of another bench; ``away`` is why it does not."""

    address = SimpleNamespace(shown="postgresql://looker@shop.example/fretwork")

    def __init__(self, own: str) -> None:
        self.own, self.away = own, ""

    def _asked(self) -> None:
        if self.away:
            raise ShopError(self.away)

    def added(self, _marks: Any) -> tuple[list[Any], dict[str, Any]]:
        self._asked()
        return [], {}

    def rack(self, wanted: Any) -> tuple[int, list[dict[str, Any]]]:
        self._asked()
        row = {"store": OTHER, "instrument": "n1", "name": NAME, "login": "green_bench",
               "visits": [("s1", 10**18, "done", 51, 0)]}  # fmt: skip
        return (1, [row]) if wanted.find.casefold() in NAME.casefold() and wanted.among is None else (0, [])

    def statistics(self) -> dict[str, Any]:
        self._asked()
        bench = {"software": "fretledger 0.1.0", "last_seen": "2026-05-01T10:00:00+00:00",
                 "last_sent": "2026-05-01T09:00:00+00:00"}  # fmt: skip
        return {
            "instruments": 12_345, "sessions": 12_346, "readings": 5_760_000,
            "kinds": [{"kind": "slot_width", "readings": 240, "mean_mm": 0.5712, "sd_mm": 0.0123},
                      {"kind": "", "readings": 1, "mean_mm": 1.5, "sd_mm": None}],
            "benches": [{**bench, "store": self.own, "login": "front_bench", "rows": 617},
                        {**bench, "store": OTHER, "login": "green_bench", "rows": 51}],
        }  # fmt: skip


@pytest.fixture(scope="module")
def site(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimpleNamespace]:
    """A page over nine necks of two woods cut with one blade that wears, one of them visited again."""
    folder = tmp_path_factory.mktemp("shop")
    for number in range(1, 10):
        wood, proud = ("plum", number % 2) if number < 6 else ("pear", 6 + number % 2)
        neck(folder, folder / "s.db", number, wood=wood, proud=proud, slot_mm=0.58 - 0.003 * number)
    neck(folder, folder / "s.db", 10, name="no. 1 (invented)", day=40, raised_mm=-0.03)
    with StoreReader(folder / "s.db") as reader:
        shop = FakeShop(reader.store_id())
    Store.create(folder / "empty.db").close()
    judged = Judgements(folder / "s.db", shop=shop)  # type: ignore[arg-type]
    looking = {"": Looking(folder / "s.db", current="", judgements=judged),
               "empty": Looking(folder / "empty.db", current="")}  # fmt: skip
    here = SimpleNamespace(shop=shop, which="", folder=folder)
    here.door = Door(lambda _id, _action: Answer(done=True), lambda what, wanted: looking[here.which].ask(what, wanted))
    here.server = serve(here.door)
    yield here
    here.server.stop()
    here.door.close()
    shutil.rmtree(folder)


@pytest.fixture
def opened(site: SimpleNamespace, page_of: Callable[..., Any]) -> Callable[..., Any]:
    """Open a view and return its page with what it complained of."""
    site.which, site.shop.away = "", ""

    def look(view: str = "shop", **context: Any) -> Any:
        waiting = {"waiting": 3, "since": None, "counted": True, "connected": True, "text": ""}
        version = site.door.snapshot()["version"] + 1
        site.door.publish({"version": version, "store": "s", "boot": "b", "seq": 0, "bad_seq": 0, "shop": waiting})
        looker = page_of(url=f"{site.server.url}#{view}", **context)
        expect(looker.page.locator(f"#view-{view} h2").first).to_be_visible(timeout=LOOKED_MS)
        return looker

    return look


def lead(page: Page) -> str:
    return page.locator("#view-shop .lead").inner_text()


def figures(page: Page, table: str) -> list[list[str]]:
    rows = page.locator(f"#view-shop table.{table} tbody tr").all()
    return [[one.inner_text() for one in row.locator("th, td").all()] for row in rows]


def test_what_to_do_stands_first_and_then_the_figures(opened: Callable[..., Any]) -> None:
    looker = opened()
    page = looker.page
    assert lead(page).startswith("Look at blade A before the next neck: its newest neck lies outside the limits")
    assert "its slots narrow by 0.030" in lead(page)
    others = page.locator("#view-shop .told li").all_inner_texts()
    assert others[0].startswith("Prefer wood plum: 3.8\u00a0% of its ends stand proud")
    assert others[1].startswith("Look at no. 1 (invented) again: its seated frets moved by \u22120.0")
    expect(page.locator("#view-shop .caution")).to_contain_text("Presses pinch")
    wood = figures(page, "ends.wood")
    assert [(one[0], one[2], one[3]) for one in wood] == [("pear", "26 / 64", "4"), ("plum", "3 / 80", "5")]
    assert "more than the others (chance 0.0" in wood[0][4]
    assert figures(page, "visits")[0][0] == "no. 1 (invented)"
    assert page.locator("#view-shop .blade .mark").count() == 9
    checks = {one[0]: one[1:4] for one in figures(page, "checks")}
    assert [text.strip() for text in checks["Proud ends"]][:2] == ["28", "0"]
    assert looker.problems == []


def test_intervals_are_drawn_where_their_figures_say(opened: Callable[..., Any]) -> None:
    page = opened().page
    track = page.locator("#view-shop table.ends.wood .interval").first
    at = track.evaluate("""(node) => {
      const box = node.getBoundingClientRect(), part = (name) => node.querySelector(name).getBoundingClientRect();
      const share = part('.share'), between = part('.between');
      return [between.left, share.left + share.width / 2, between.right].map((x) => (x - box.left) / box.width);
    }""")
    said = figures(page, "ends.wood")[0][1].replace("\u00a0", " ")
    told = page.evaluate("""async () => (await fretledger.look('shop')).lessons.proud_ends.by.wood[0]""")
    most = page.locator("#view-shop table.ends.wood thead").inner_text()
    assert "from 0 to 75\u00a0%" in most
    assert at == pytest.approx([told[name] / 0.75 for name in ("low", "share", "high")], abs=0.01)
    assert f"{100 * told['share']:.1f} % ({100 * told['low']:.1f} % to {100 * told['high']:.1f} %)" in said


def test_lengths_follow_the_unit(opened: Callable[..., Any]) -> None:
    page = opened().page
    page.locator("#unit-in").press("Enter")
    expect(page.locator("#view-shop .lead")).to_contain_text("in over ten necks")
    assert "0.0012" in lead(page)
    assert "mean ± 1 sd, in" in page.locator("#view-shop table.lots thead").inner_text()


def test_the_shop_in_numbers_and_gone_again(opened: Callable[..., Any], site: SimpleNamespace) -> None:
    page = opened().page
    page.locator("#shop-where-shop").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#shop-where-shop")).to_have_attribute("aria-pressed", "true")
    assert page.evaluate("() => document.activeElement.id") == "shop-where-shop"
    assert figures(page, "numbers") == [
        ["This bench", "9", "10", "510"], ["Whole shop", "12,345", "12,346", "5,760,000"],
    ]  # fmt: skip
    benches = figures(page, "benches")
    assert (benches[0][0], benches[0][1], benches[0][4]) == ("front_bench (this bench)", "617", "3")
    assert (benches[1][0], benches[1][4]) == ("green_bench, 0000beef", "known at that bench")
    page.locator("#view-shop details[data-fold=kinds] summary").press("Enter")
    assert figures(page, "kinds") == [
        ["Slot width", "240", "0.571", "0.012"], ["Of no feature", "1", "1.500", "–"],
    ]  # fmt: skip

    site.shop.away = "the shop at postgresql://looker@shop.example/fretwork could not be read (it is asleep)"
    page.locator("#shop-where-shop").press("Enter")
    expect(page.locator("#view-shop .why")).to_have_text(f"Only this bench is shown: {site.shop.away}")
    assert lead(page).startswith("Look at blade A")
    assert len(figures(page, "numbers")) == 1


def test_what_is_told_beside_readings_counts_while_the_view_is_shown(
    opened: Callable[..., Any], site: SimpleNamespace
) -> None:
    page = opened().page
    shown = site.door.snapshot()
    with page.expect_request("**/look/shop?*", timeout=LOOKED_MS):
        site.door.publish({**shown, "version": shown["version"] + 1, "told": {"factors": 1}})


def test_an_empty_store_leads_on(opened: Callable[..., Any], site: SimpleNamespace) -> None:
    site.which = "empty"
    page = opened().page
    assert lead(page) == "No record yet: measure a first instrument on the bench, and what its record says stands here."
    expect(page.locator("#view-shop")).to_contain_text("Several benches? Start each with --shop")
    expect(page.locator("#shop-where-shop")).to_have_count(0)


def test_the_rack_of_the_whole_shop(opened: Callable[..., Any], site: SimpleNamespace) -> None:
    looker = opened("rack")
    page = looker.page
    expect(page.locator(".racked")).to_have_count(9)
    page.locator("#rack-where-shop").press("Enter")
    expect(page.locator(".racked")).to_have_count(1)
    row = page.locator(".racked")
    expect(row.locator("h3")).to_contain_text(NAME)
    expect(row.locator(".at-bench")).to_have_text("bench green_bench, 0000beef")
    expect(row).to_contain_text("its record stands at its own bench")
    assert row.locator("a").count() == 0
    page.locator("#rack-find").fill("zebra")
    expect(page.locator(".racked")).to_have_count(0)
    page.locator("#rack-find").fill("")
    expect(page.locator(".racked")).to_have_count(1)
    page.reload()
    expect(page.locator(".racked .at-bench")).to_have_count(1, timeout=LOOKED_MS)  # this browser remembers

    site.shop.away = "the shop is asleep"
    page.locator("#rack-where-shop").press("Enter")
    expect(page.locator(".rack .away")).to_have_text("Only this bench is shown: the shop is asleep")
    expect(page.locator(".racked")).to_have_count(9)
    assert looker.problems == []


@pytest.mark.parametrize(("theme", "width"), [("light", 360), ("dark", 2560)])
def test_nothing_breaks_a_rule_or_runs_out_of_the_page(opened: Callable[..., Any], theme: Any, width: int) -> None:
    page = opened(color_scheme=theme, viewport={"width": width, "height": 900}).page
    for button in page.locator("#view-shop :is(button, summary)").all():
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 44
    assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
    page.evaluate(AXE)
    assert page.evaluate(BROKEN) == []
