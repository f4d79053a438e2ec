"""What a page asks beside the report: the plan under other wishes, its work list, slots, and the shape wanted."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.beside_report import beside_json
from logger.door import QuestionError
from logger.evaluate import Evaluation, evaluate_file
from logger.looking import Looking
from logger.readings_import import import_readings
from logger.replanning import replan
from logger.store import StoreReader

HEAD = "kind,fret,place,value,unit,feet,gauge,round\n"
RELIEF_MM = 0.10
PLAN = "[plan]\ntolerance_mm = 0.01\ncrown_min_mm = 0.8\nreseats = 1\n"
WIRE = "tang_thickness,,,0.52,mm,,caliper,\nbarb_span,,,0.70,mm,,caliper,\ncrown_height,,,1.10,mm,,depth,\n"
SLOTS = "slot_width,5,bass,0.56,mm,,caliper,\nslot_width,6,bass,0.75,mm,,caliper,\n"
SEATED = "seated_height,7,centre,1.18,mm,,depth,\n"
Judged = Callable[..., Evaluation]
Sweep = Callable[..., str]


@pytest.fixture
def judged(write: Callable[[str, str], Path], instrument: Path, gauges: Path) -> Judged:
    """Return a function that judges readings of a neck whose file wishes a relief."""

    def _judged(readings: str, *, relief_mm: float = RELIEF_MM, plan: str = PLAN) -> Evaluation:
        neck = write("n.toml", f"{instrument.read_text()}[target]\nrelief_mm = {relief_mm}\n{plan}")
        return evaluate_file(write("r.csv", HEAD + readings), neck, gauges=gauges)

    return _judged


def _work(told: dict[str, Any]) -> list[tuple[int, str]]:
    return [(one["fret"], one["task"]) for one in told["work"]["deeds"]]


def test_without_a_wish_the_plan_is_that_of_the_file(judged: Judged, sweep_rows: Sweep):
    found = judged(WIRE + SEATED + sweep_rows({7: 0.08}))

    told = replan(found, {})

    of_file = found.json()["plan"]
    assert told["plan"] == of_file | {"alternatives": []}
    assert _work(told) == [(7, "reseat")]
    assert told["wishes"]["relief_mm"] == RELIEF_MM
    assert told["wishes"]["seated"] is told["wishes"]["crown_known"] is told["wishes"]["stated"] is True


def test_another_relief_gives_the_plan_of_a_file_that_wishes_it(judged: Judged, sweep_rows: Sweep):
    readings = WIRE + sweep_rows({7: 0.08})
    found = judged(readings)

    told = replan(found, {"relief_mm": "0.2"})

    wished = judged(readings, relief_mm=0.2).json()["plan"]
    assert told["plan"]["total_mm"] == pytest.approx(wished["total_mm"], abs=1e-6)
    assert told["plan"]["total_mm"] > found.json()["plan"]["total_mm"] + 0.1
    assert found.instrument.target.relief_mm == RELIEF_MM, "what was judged stays as it is"


def test_without_re_seats_the_high_fret_is_filed(judged: Judged, sweep_rows: Sweep):
    found = judged(WIRE + SEATED + sweep_rows({7: 0.08}))

    told = replan(found, {"reseats": "0"})

    assert _work(told) == [(7, "file")]
    (deed,) = told["work"]["deeds"]
    (size,) = deed["sizes"]
    assert size["place"] == "centre"
    assert size["mm"] == pytest.approx(0.06, abs=0.003)  # 0.08 less twice the tolerance: the line moves too
    assert 0 < size["U_mm"] < 0.05
    assert deed["crown_left_mm"] == pytest.approx(1.10 - size["mm"] - 0.015, abs=1e-5)
    assert 7 not in told["work"]["idle"]
    assert set(told["work"]["idle"]) == set(range(1, 21)) - {7}


def test_a_crown_that_cannot_be_left_stands_in_the_way(judged: Judged, sweep_rows: Sweep):
    told = replan(judged(WIRE + sweep_rows({7: 0.08})), {"crown_min_mm": "1.09"})

    assert told["plan"]["feasible"] is False
    assert "the least crown left" in told["plan"]["sentence"]
    assert told["work"] == {"deeds": [], "idle": []}


def test_without_a_sweep_there_is_no_plan_and_no_work(judged: Judged):
    told = replan(judged(WIRE), {"reseats": "2"})

    assert told["plan"] is None
    assert told["work"] == {"deeds": [], "idle": []}


@pytest.mark.parametrize(
    ("wanted", "why"),
    [
        pytest.param({"relief_mm": "1.001"}, r"^relief must be 0 to 1 mm \(0 to 0\.0394 in\), got '1\.001'", id="most"),
        pytest.param({"relief_mm": "-0.1"}, "^relief must be 0 to 1 mm", id="below zero"),
        pytest.param({"relief_mm": "nan"}, "^relief must be", id="no number"),
        pytest.param({"crown_min_mm": "inf"}, "^least crown must be 0 to 2 mm", id="endless"),
        pytest.param({"crown_min_mm": ""}, "^least crown must be .* got ''; give another$", id="nothing"),
        pytest.param({"reseats": "9"}, "^re-seats must be a whole number from 0 to 8, got '9'", id="many"),
        pytest.param({"reseats": "1.5"}, "^re-seats must be a whole number", id="half"),
        pytest.param({"reseats": "\N{SUPERSCRIPT TWO}"}, "^re-seats must be", id="no digit"),
    ],
)
def test_a_wish_out_of_bounds_is_refused_in_one_sentence(judged: Judged, wanted: dict[str, str], why: str):
    with pytest.raises(QuestionError, match=why):
        replan(judged(WIRE), wanted)


def test_slots_wire_and_the_shape_wanted_stand_beside_the_report(judged: Judged, sweep_rows: Sweep):
    found = judged(WIRE + SLOTS + sweep_rows({7: 0.08}))

    told = beside_json(found, found.judge.levelling())

    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert [(one["fret"], one["place"], one["mm"]) for one in told["widths"]] == [(5, "bass", 0.56), (6, "bass", 0.75)]
    assert all(one["U_mm"] > 0 for one in told["widths"])
    assert told["wire"]["barb_span"]["mm"] == 0.70
    shape = {one["fret"]: one["height_mm"] for one in told["shape"]}
    assert shape[1] == shape[20] == 0.0
    assert min(shape.values()) == pytest.approx(-RELIEF_MM, abs=0.002)
    assert told["to_do"]["tang_clearance|6|bass"].startswith("leave the fret while it sits level")  # it is in
    assert [one["fret"] for one in told["faults"]] == [7]
    assert told["faults"][0]["text_in"].endswith("in off the shape wanted")
    assert "board_mm" in told["why_no_back_bow"]
    assert told["board_shape"] == []
    assert told["sanding"] == {"mm": [], "in": []}


def test_a_page_asks_a_store(
    write: Callable[[str, str], Path], tmp_path: Path, instrument: Path, gauges: Path, sweep_rows: Sweep
):
    store, neck = tmp_path / "s.db", write("n.toml", instrument.read_text() + PLAN)
    import_readings(write("r.csv", HEAD + WIRE + sweep_rows({7: 0.08})), store, instrument=neck, gauges=gauges)
    looking = Looking(store, current="")
    session = looking.ask("rack", {})["instruments"][0]["sessions"][0]["session"]

    told = looking.ask("session", {"id": session})
    asked = looking.ask("levelling", {"id": session, "reseats": "1"})

    assert told["at_bench"] is False
    assert Looking(store, current=session).ask("session", {})["at_bench"] is True
    assert told["beside"]["wishes"]["stated"] is False
    assert "no [target]" in " ".join(told["beside"]["first"])
    assert asked["plan"] == told["report"]["plan"] | {"alternatives": []}
    with pytest.raises(QuestionError, match=r"^no session 'gone' in this store"):
        looking.ask("levelling", {"id": "gone"})


def test_how_far_a_sweep_has_come_is_told_of_the_paths_that_were_begun(judged: Judged, sweep_rows: Sweep):
    def swept(readings: str) -> dict[str, int]:
        found = judged(WIRE + readings)
        told: dict[str, int] = beside_json(found, found.judge.levelling())["swept"]
        return told

    rows = sweep_rows({7: 0.08}).splitlines()
    steps = [row for row in rows if row.startswith("fret_step")]
    partly = "\n".join(row for row in steps if not row.startswith(("fret_step,5,", "fret_step,9,"))) + "\n"
    gaps = "\n".join(row for row in rows if row.startswith("straightedge_gap")) + "\n"

    assert swept(sweep_rows({})) == {"done": 18, "of": 18}
    assert swept(partly) == {"done": 16, "of": 18}
    assert swept(partly + gaps) == {"done": 17, "of": 18}, "the gap at fret 5 tells its height"
    assert swept(partly + sweep_rows({}, "bass")) == {"done": 34, "of": 36}
    assert swept(gaps) == {"done": 0, "of": 0}, "gaps stand by themselves"


def test_a_later_sweep_is_held_against_the_plan(
    write: Callable[[str, str], Path], tmp_path: Path, instrument: Path, gauges: Path, sweep_rows: Sweep
):
    store, neck = tmp_path / "s.db", write("n.toml", f"{instrument.read_text()}[target]\nrelief_mm = 0.1\n{PLAN}")
    for name, high in (("before", {7: 0.08}), ("after", {7: 0.0, 12: 0.05})):
        import_readings(write(f"{name}.csv", HEAD + WIRE + sweep_rows(high)), store, instrument=neck, gauges=gauges)
    import_readings(write("unswept.csv", HEAD + WIRE), store, instrument=neck, gauges=gauges)
    looking = Looking(store, current="")
    with StoreReader(store) as reader:
        before, after, _ = (one.id for one in sorted(reader.sessions(), key=lambda one: (one.started_at_ns, one.id)))

    told = looking.ask("second_sweep", {"id": before})

    assert told["session"] == after
    off = {one["fret"] for one in told["places"] if not one["within"]}
    assert 12 in off
    assert 7 not in off
    assert len(told["places"]) == 20
    assert looking.ask("second_sweep", {"id": after}) == {"session": None}
