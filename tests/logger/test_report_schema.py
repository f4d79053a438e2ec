"""What `evaluate --json` and `plan --json` print, against the schema in docs."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from logger.cli import run
from logger.limits import CHECKS

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "report.schema.json").read_text(encoding="utf-8"))
HEAD = "kind,fret,place,value,unit,feet,low,high,gauge,round,span_mm\n"
X = [645 * (1 - 2 ** (-n / 12)) for n in range(21)]
MORE = """
[target]
relief_mm = 0.1
[plan]
tolerance_mm = {tolerance}
crown_min_mm = 0.7
reseats = 1
[neck]
board_mm = 6
nut_mm = 14
board_modulus_mpa = 12000
modulus_mpa = 10000
[[string]]
name = "e"
place = "treble"
tension_n = 70
action_12_mm = 2
[[string]]
saddle_height_mm = 3
"""
Write = Callable[[str, str], Path]


def _steps(kind: str, place: str, reach: int = 1, high: int = 7) -> list[str]:
    rows = []
    for fret in range(1 + reach, 21 - reach):
        a, b = fret - reach, fret + reach
        share = (X[fret] - X[a]) / (X[b] - X[a])
        z = {high: 0.08}
        value = z.get(fret, 0.0) - (1 - share) * z.get(a, 0.0) - share * z.get(b, 0.0)
        rows.append(f"{kind},{fret},{place},{value:.5f},mm,{a}-{b},,,rocker,{reach},")
    return rows


def _everything() -> list[str]:
    rows = [row for place in ("bass", "centre", "treble") for row in _steps("fret_step", place)]
    rows += _steps("fret_step", "centre", 2) + _steps("board_step", "centre", high=14)
    rows += [f"straightedge_gap,{fret},centre,,mm,1-20,-0.01,0.015,leaves,," for fret in (5, 14)]
    rows += [f"beam_height,{fret},treble,0.2,mm,,,,depth,one," for fret in range(1, 21)]
    rows += [f"slot_position,{fret},centre,{X[fret]:.3f},mm,,,,caliper,," for fret in range(1, 21)]
    rows += [f"board_rise,{fret},,0.5,mm,,,,depth,,40" for fret in (3, 9, 15)]
    rows += [f"{kind},,,{size},mm,,,,caliper,," for kind, size in
             (("tang_thickness", 0.51), ("barb_span", 0.70), ("tang_depth", 1.3), ("crown_height", 1.1))
             for _ in range(3)]  # fmt: skip
    rows += [f"slot_width,{fret},centre,,mm,,0.55,0.575,leaves,," for fret in range(1, 21)]
    rows += [f"seated_height,7,{place},1.18,mm,,,,depth,," for place in ("bass", "centre", "treble")]
    return [*rows, "pressed_height,7,bass,1.12,mm,,,,depth,,", "end_lift,7,treble,,mm,,0.03,0.05,leaves,,"]


@pytest.fixture
def printed(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[..., dict[str, Any]]:
    """Return a function that runs a command on rows and gives its JSON."""

    def _printed(command: str, rows: list[str], *more: str, text: str = "") -> dict[str, Any]:
        neck = instrument.read_text().replace("[wire]\n", "[wire]\nbarb_pitch_mm = 2.5\nbarb_length_mm = 0.8\n") + text
        arguments = [command, str(write("r.csv", HEAD + "\n".join(rows) + "\n")), "--instrument",
                     str(write("n.toml", neck)), "--gauges", str(gauges), "--json", *more]  # fmt: skip
        run(arguments, lambda *_: 0)  # type: ignore[arg-type, return-value]
        found: dict[str, Any] = json.loads(capsys.readouterr().out)
        return found

    return _printed


def test_the_schema_is_one_and_knows_every_check():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)

    assert SCHEMA["$defs"]["verdict"]["properties"]["check"]["enum"] == list(CHECKS)


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        pytest.param(["slot_depth,5,bass,1.7,mm,,,,depth,,"], "", id="nearly nothing"),
        pytest.param(_steps("fret_step", "centre"), "", id="steps alone"),
        pytest.param(_steps("fret_step", "centre")[:6] + _steps("fret_step", "centre")[9:], "", id="torn apart"),
        pytest.param(_everything(), MORE.format(tolerance=0.02), id="everything"),
        pytest.param(_everything(), MORE.format(tolerance=0.0), id="no plan holds"),
    ],
)
def test_what_evaluate_prints_follows_the_schema(printed: Callable[..., Any], rows: list[str], text: str):
    jsonschema.validate(printed("evaluate", rows, "--covariance", text=text), SCHEMA)


def test_what_plan_prints_follows_the_schema(printed: Callable[..., Any], write: Write):
    second = write("s.csv", HEAD + "\n".join(_everything()) + "\n")
    schema = {**SCHEMA["$defs"]["plan_document"], "$defs": SCHEMA["$defs"]}
    found = printed("plan", _everything(), "--verify", str(second), text=MORE.format(tolerance=0.05))

    jsonschema.validate(found, schema)
    assert found["plan"]["feasible"] is True
    assert found["verification"]


def test_a_damaged_document_is_refused(printed: Callable[..., Any]):
    found = printed("evaluate", _steps("fret_step", "centre"))
    found["profile"][0]["height"] = 1.0

    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found, SCHEMA)
