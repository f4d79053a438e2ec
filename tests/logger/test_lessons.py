"""What an invented shop's necks say together is what was planted in them, and no more than they can say."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from necks import DESCRIBED
from necks import neck as keep_neck

from logger.cli import run
from logger.factors import factors_of
from logger.instrument import parse_instrument
from logger.lessons import Lessons, learn
from logger.lessons_words import lessons_json, lessons_lines
from logger.readings_import import import_readings

Neck = Callable[..., None]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "shop.db"


@pytest.fixture
def neck(store: Path, tmp_path: Path) -> Neck:
    """Return what keeps one invented neck: so many of its 16 judged ends proud, its slots so wide."""
    made = 0

    def keep(**said: Any) -> None:
        nonlocal made
        made += 1
        keep_neck(tmp_path, store, made, **said)

    return keep


def _ends(found: Lessons, factor: str) -> dict[str, tuple[int, int]]:
    return {one.name: (one.rate.bad, one.rate.of) for one in found.ends[factor]}


def test_ends_are_told_by_every_factor_that_is_stated(store: Path, neck: Neck):
    for proud in (0, 1, 0, 0):
        neck(proud=proud, wood="plum")
    for proud in (6, 8, 7, 6):
        neck(proud=proud, wood="pear", lot="8")
    found = learn(store)

    assert found.all_ends is not None
    assert (found.all_ends.bad, found.all_ends.of, found.all_ends.necks) == (28, 128, 8)
    assert _ends(found, "wood") == {"pear": (27, 64), "plum": (1, 64)}
    assert _ends(found, "lot") == {"7": (1, 64), "8": (27, 64)}
    pear, plum = found.ends["wood"]
    # by hand: 8 necks by 4 is 70 deals, of which the one that happened and its mirror reach as far
    assert pear.p == plum.p == pytest.approx(2 / 70)
    assert "glue" not in found.ends
    lines = lessons_lines(found, unit="mm")
    assert any("pear" in line and "more than the others (chance 0.029)" in line for line in lines)
    assert any("plum" in line and "fewer than the others" in line for line in lines)
    assert "   not stated for any neck: seating method, glue, caul" in lines


def test_too_few_necks_say_so(store: Path, neck: Neck):
    neck(proud=0, wood="plum")
    neck(proud=9, wood="pear")
    lines = lessons_lines(learn(store), unit="mm")

    assert sum("not enough data: a rate needs 3 necks and 20 ends" in line for line in lines) >= 3
    assert not any("the others" in line for line in lines)
    assert any("not enough data: a drift needs 5" in line for line in lines)


def test_three_against_three_cannot_be_told_apart(store: Path, neck: Neck):
    for wood, proud in (("plum", 0), ("pear", 9)):
        for _ in range(3):
            neck(proud=proud, wood=wood)
    lines = lessons_lines(learn(store), unit="mm")

    assert any("pear" in line and "not told from the others (chance 0.10)" in line for line in lines)


def test_a_neck_counts_once_for_each_way_it_was_fretted(store: Path, neck: Neck):
    neck(name="Rill (invented)", proud=5, day=1)
    neck(name="Rill (invented)", proud=0, day=11)
    neck(name="Rill (invented)", proud=2, day=21, lot="8")
    found = learn(store)

    assert _ends(found, "lot") == {"7": (5, 16), "8": (2, 16)}


def test_a_second_visit_is_compared_with_the_first(store: Path, neck: Neck):
    neck(name="Rill (invented)", proud=5, day=1)
    neck(name="Rill (invented)", proud=5, day=11, raised_mm=-0.020)
    found = learn(store)
    (change,) = found.changes

    assert change.places == 24
    assert change.mean is not None
    assert change.mean.value_mm == pytest.approx(-0.020)
    (line,) = (line for line in lessons_lines(found, unit="mm") if "days apart" in line)
    assert "10 days apart: proud ends 5 of 16" in line
    assert "changed by \N{MINUS SIGN}0.020" in line


def test_a_blade_that_wears_is_flagged_and_its_page_is_whole(store: Path, neck: Neck, tmp_path: Path):
    for index in range(12):
        neck(slot_mm=0.58 + 0.0003 * (-1) ** index - 0.002 * max(0, index - 7), blade="<A>")
    found = learn(store)
    (blade,) = found.blades

    assert blade.drift is not None
    assert blade.drift.moved
    assert blade.drift.per_neck_mm < 0
    assert set(blade.drift.chart.beyond) >= {10, 11}
    (line,) = (line for line in lessons_lines(found, unit="thou") if "blade <A>: " in line)
    assert "12 necks, the slots narrow: " in line
    assert "look at the blade before the next neck" in line
    page = tmp_path / "p.html"
    assert run(["lessons", "--store", str(store), "--plot", str(page)], lambda *_, **__: None) == 0  # type: ignore[arg-type, return-value]
    assert "blade &lt;A" in page.read_text(encoding="utf-8").replace("\\u003c", "<").replace("\\u0026", "&")


def test_fit_is_told_by_lot_and_blade(store: Path, neck: Neck):
    for slot_mm in (0.58, 0.58, 0.58):
        neck(slot_mm=slot_mm, blade="A")
    neck(slot_mm=0.50, blade="B")
    found = {(one.blade, one.check): one for one in learn(store).fits}

    clearance = found["A", "tang_clearance"]
    assert (clearance.size.n, clearance.size.mean) == (72, pytest.approx(0.05))
    assert found["A", "barb_bite"].size.mean == pytest.approx((0.75 - 0.58) / 2)
    tight = found["B", "tang_clearance"]
    assert tight.failed is not None
    assert (tight.failed.bad, tight.failed.of) == (24, 24)


def test_json_is_plain_and_whole(store: Path, neck: Neck, capsys):
    for index in range(6):
        neck(proud=index)
    found = json.loads(json.dumps(lessons_json(learn(store)), allow_nan=False))

    assert (found["visits"], found["necks"]) == (6, 6)
    assert found["proud_ends"]["all"]["bad"] == 15
    assert len(found["blades"][0]["widths_mm"]) == 6
    assert run(["lessons", "--store", str(store), "--json"], lambda *_, **__: None) == 0  # type: ignore[arg-type, return-value]
    assert json.loads(capsys.readouterr().out) == found


def test_a_store_without_necks_says_so(store: Path, tmp_path: Path):
    (tmp_path / "r.csv").write_text("kind,fret,place,value,unit\nslot_depth,5,bass,1.7,mm\n", encoding="utf-8")
    import_readings(tmp_path / "r.csv", store)

    assert lessons_lines(learn(store), unit="mm") == [
        "no session with slots, wire or seated frets yet; there is nothing to learn from"
    ]


def test_factors_come_from_what_the_instrument_states():
    text = DESCRIBED.format(name="n", lot="7", blade="", wood="plum")

    assert factors_of(parse_instrument(text, where="test")) == {
        "wire": "invented medium", "lot": "7", "wood": "plum"
    }  # fmt: skip
    assert factors_of(parse_instrument('name = "n"\nscale_mm = 645\nfrets = 20\n', where="test")) == {}
