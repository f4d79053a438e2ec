"""Which wire and which blade as a page asks it: the command's answer, what the store knows, and what is refused."""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from logger.choosing import MOST_EACH
from logger.cli import run
from logger.door import QuestionError
from logger.factors import keep_factors
from logger.looking import Looking
from logger.readings_import import import_readings
from logger.store import Store, StoreReader

HEAD = "kind,fret,place,value,unit,gauge,round,u\n"
ROWS = (
    HEAD + "tang_thickness,,,0.510,mm,caliper,,\ntang_thickness,,,0.514,mm,caliper,,\nbarb_span,,,0.70,mm,caliper,,\n"
    "slot_width,5,bass,0.56,mm,,,0.004\nslot_width,5,treble,0.55,mm,,,0.004\nslot_width,6,bass,0.75,mm,,,0.004\n"
)
CHOICES: dict[str, list[dict[str, Any]]] = {
    "wire": [
        {"name": "thin", "tang_mm": 0.46, "span_mm": 0.66},
        {"name": "thick", "tang_mm": 0.53, "span_mm": 0.76, "tang_sd_mm": 0.02, "span_u_mm": 0.03},
    ],
    "blade": [
        {"name": "fine", "kerf_mm": 0.56, "kerf_u_mm": 0.01},
        {"name": "coarse", "kerf_mm": 0.6, "kerf_sd_mm": 0.03},
    ],
}
"""Invented wires and blades."""
Write = Callable[[str, str], Path]


def asked(choices: dict[str, list[dict[str, Any]]]) -> dict[str, str]:
    """Return the question that a page makes of wires and blades."""
    return {f"{kind}.{at}.{key}": str(value) for kind, rows in choices.items()
            for at, row in enumerate(rows) for key, value in row.items()}  # fmt: skip


def toml(choices: dict[str, list[dict[str, Any]]]) -> str:
    return "".join(f"[[{kind}]]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in row.items())
                   for kind, rows in choices.items() for row in rows)  # fmt: skip


@pytest.fixture
def folder(write: Write, instrument: Path, gauges: Path) -> Path:
    """The folder of a store with one visit that measured wire and slots."""
    path = write("r.csv", ROWS)
    import_readings(path, path.parent / "s.db", instrument=instrument, gauges=gauges)
    return path.parent


@pytest.fixture
def looking(folder: Path) -> Looking:
    with StoreReader(folder / "s.db") as reader:
        return Looking(folder / "s.db", current=reader.sessions()[0].id)


def test_the_answer_is_that_of_the_command(
    looking: Looking, folder: Path, write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    choices = write("c.toml", toml(CHOICES))
    command = ["fit", str(folder / "r.csv"), "--instrument", str(instrument), "--gauges", str(gauges)]
    assert run([*command, "--choices", str(choices), "--json"], lambda *_: 0) == 0  # type: ignore[arg-type, return-value]

    assert looking.ask("choose", asked(CHOICES))["pairs"] == json.loads(capsys.readouterr().out)["choices"]


def test_in_slots_that_are_sawn_the_worst_place_of_every_fret_counts(looking: Looking) -> None:
    wire = {"wire": [{"name": "soft", "tang_mm": 0.51, "span_mm": 0.70}]}
    (told,) = looking.ask("choose", asked(wire))["slots"]

    assert (told["wire"], told["sure"], told["of"]) == ("soft", 1, 2)
    assert (told["fret"], told["place"]) == (6, "bass")
    assert told["least"] < 0.01


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        pytest.param({"wire.0.tang_mm": "thick"}, r"wire 1: tang_mm must be a number, got 'thick'", id="no number"),
        pytest.param({"wire.0.tang_mm": "nan"}, r"wire 1: tang_mm must be a number, got 'nan'", id="not finite"),
        pytest.param({"wire.1.span_mm": ""}, r"wire 2: span_mm is missing", id="missing"),
        pytest.param({"blade.1.kerf_mm": "11"}, r"blade 2: kerf_mm must be above 0 and at most 10", id="too large"),
        pytest.param({"blade.0.kerf_sd_mm": "-0.1"}, r"blade 1: kerf_sd_mm must be at least 0", id="negative"),
        pytest.param(
            {"blade.0.name": "coarse"}, r"every blade needs a name of its own, got 'coarse' twice", id="twice"
        ),
        pytest.param({"wire.0.name": "a\x07"}, r"the name of wire 1 must be one line of plain text", id="control"),
        pytest.param(
            {"wire.0.kerf_mm": "0.5"}, r"told like wire\.0\.tang_mm, got 'wire\.0\.kerf_mm'", id="no size of it"
        ),
        pytest.param({f"blade.{at}.name": f"b{at}" for at in range(MOST_EACH + 1)}, r"at most 12 blades", id="many"),
    ],
)
def test_what_does_not_hold_is_refused_in_one_line(looking: Looking, changed: dict[str, str], message: str) -> None:
    with pytest.raises(QuestionError, match=message) as found:
        looking.ask("choose", {**asked(CHOICES), **changed})
    assert "\n" not in str(found.value)


def test_what_this_visit_measured_is_offered_with_its_scatter(looking: Looking) -> None:
    told = looking.ask("candidates", {})

    (wire,), (slots,) = told["wires"], told["blades"]
    assert wire["here"] is True
    assert wire["tang_mm"] == pytest.approx(0.512)
    assert wire["tang_sd_mm"] > 0
    assert slots["kerf_mm"] == pytest.approx((0.56 + 0.55 + 0.75) / 3, abs=1e-6)
    assert (slots["slots"], slots["kerf_sd_mm"] > 0.1) == (3, True)


def test_other_visits_are_offered_where_wire_or_blade_was_named(folder: Path, instrument: Path, gauges: Path) -> None:
    (folder / "later.csv").write_text(HEAD + "slot_width,5,bass,0.58,mm,,,0.004\n", encoding="utf-8")
    import_readings(folder / "later.csv", folder / "s.db", instrument=instrument, gauges=gauges)
    with StoreReader(folder / "s.db") as reader:
        first, later = (next(one.id for one in reader.sessions() if reader.count(one.id) == n) for n in (6, 1))
    looking = Looking(folder / "s.db", current=later)
    assert names(looking.ask("candidates", {})["blades"]) == [("", True)]

    with Store.open(folder / "s.db") as store:
        keep_factors(store, first, {"blade": "no. 3"})
    assert names(looking.ask("candidates", {})["blades"]) == [("", True), ("no. 3", False)]


def names(offered: Sequence[dict[str, Any]]) -> list[tuple[str, bool]]:
    return [(one["name"], one["here"]) for one in offered]
