"""Pieces of wire measured one by one at the bench, and which suits which slot on the view Fit."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from logger.begin import default_gauges
from logger.bench import Bench
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.store import Store

pytestmark = pytest.mark.browser

NECK = parse_instrument(
    'name = "Invented no. 7"\nkind = "steel-string"\nscale_mm = 645\nfrets = 2\ninvented = true\n'
    "[sheet]\npieces = true\n",
    where="test",
)
SLOW_MS = 20_000
COIL = {"tang_thickness": "0.52", "barb_span": "0.70", "tang_depth": "1.3", "crown_height": "1.1"}
TANG, SPAN, SLOT = {1: "0.56", 2: "0.50"}, {1: "0.74", 2: "0.68"}, {1: "0.525 0.535", 2: "0.585 0.595"}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Store.create(tmp_path / "s.db") as store:
        here = Bench(store, NECK, default_limits(NECK.kind), specs=default_gauges())
        here.start()
        yield here
        here.stop(reason="test over")


def answer(wanted: dict[str, Any]) -> str:
    """What a person types: the thick piece was cut for the narrow slot and the thin one for the wide."""
    kind, fret = wanted["kind"], wanted["fret"]
    if kind == "slot_width":
        return SLOT[fret]
    if kind == "slot_depth":
        return "1.8"
    return COIL[kind] if fret is None else {"tang_thickness": TANG, "barb_span": SPAN}[kind][fret]


def test_every_piece_is_asked_for_and_goes_where_it_fits(bench: Bench, page_of: Callable[..., Any]) -> None:
    looker = page_of(bench.door)
    page, asked = looker.page, []
    page.evaluate("() => { location.hash = 'fit'; }")
    expect(page.locator("#view-fit")).to_contain_text("Too little is measured yet", timeout=SLOW_MS)
    for number in range(200):
        shown = bench.door.snapshot()
        while shown["seq"] < number:
            bench.door.wait(shown["version"], timeout_s=5)
            shown = bench.door.snapshot()
        if shown["stage"] not in {"wire", "slots"}:
            break
        wanted = shown["next"]
        asked.append((wanted["kind"], wanted["fret"]))
        assert bench.door.act(str(number), {"do": "typed", "text": answer(wanted), "unit": "mm"}).done

    assert [one for one in asked if one[0] in COIL and one[1]] == [
        ("tang_thickness", 1), ("barb_span", 1), ("tang_thickness", 2), ("barb_span", 2),
    ]  # fmt: skip
    wire = page.locator("#view-fit dl", has_text="Which piece in which slot")
    expect(wire).to_contain_text("slot 1: the piece measured for fret 2", timeout=SLOW_MS)
    expect(wire).to_contain_text("slot 2: the piece measured for fret 1; the worst of them then fits with a chance of")
    assert looker.problems == []
