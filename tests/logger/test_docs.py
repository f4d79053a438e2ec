"""The worked examples in docs say what the program says."""

import json
from pathlib import Path

import numpy as np
import pytest

from drivers import load_profiles
from logger.cli import run
from logger.evaluate import evaluate_file
from logger.evaluation.levelling import LevellingPlan
from logger.evaluation.observation import FeatureKey, Observation
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.report import Judge

PAGE = Path(__file__).parents[2] / "docs" / "what-the-numbers-mean.md"
NECK = parse_instrument('name = "n"\nscale_mm = 645\nfrets = 20\n', where="test")


@pytest.mark.parametrize(("repeats", "said", "verdict", "more"), [(1, "0.060 ± 0.018 mm", "remeasure", 3),
                                                                  (4, "0.060 ± 0.012 mm", "fail", 0)])  # fmt: skip
def test_the_worked_fret(repeats: int, said: str, verdict: str, more: int):
    readings = [
        Observation(key=FeatureKey(kind="seated_height", fret=7, place=place), value_mm=value, gauge="d", round="1",
                    resolution_mm=0.01, u_mm=0.006, zero_u_mm=0.004)
        for place, value in (("treble", 1.16), ("centre", 1.10))
        for _ in range(repeats)
    ]  # fmt: skip
    found = {one.key: one.judgement for one in Judge(NECK, default_limits("steel-string")).verdicts(readings)}
    one = found["proud_end", 7, "treble"]

    assert f"{one.estimate.value_mm:.3f} ± {one.expanded_u_mm:.3f} mm" == said
    assert said in PAGE.read_text(encoding="utf-8")
    assert (one.verdict, one.repeats_to_settle) == (verdict, more)
    assert round(100 * one.p) == (14 if repeats == 1 else 4)


DOCS = PAGE.parent
EXAMPLE = DOCS / "example"


def _printed(capsys: pytest.CaptureFixture[str], *command: str) -> str:
    files = ["--instrument", str(EXAMPLE / "instrument.toml"), "--gauges", str(EXAMPLE / "gauges.toml")]
    status = run([*command, *files], lambda *_: 0)  # type: ignore[arg-type, return-value]
    assert status in {0, 1}
    return capsys.readouterr().out


def test_the_worked_plan(capsys: pytest.CaptureFixture[str]):
    page = (DOCS / "from-readings-to-a-plan.md").read_text(encoding="utf-8")
    readings, second = str(EXAMPLE / "readings.csv"), str(EXAMPLE / "second.csv")
    found = json.loads(_printed(capsys, "plan", readings, "--verify", second, "--json"))
    plan = found["plan"]

    for one in found["deviations"]:
        assert f"{one['size_mm']:.3f} ± {1.96 * one['u_mm']:.3f} mm" in page
    assert {(one["fret"], one["place"]) for one in found["deviations"]} == {
        (7, None), (12, None), (13, None), (17, "treble")
    }  # fmt: skip
    assert f"**{1000 * max(one['u_mm'] for one in found['profile']):.1f} µm**" in page
    assert [f"{abs(one['value_mm']):.4f} mm" in page for one in found["zero_errors"]] == [True, True]
    assert f"In all {plan['total_mm']:.3f} mm comes off" in page
    assert plan["reseats"] == [17]
    filed = {fret: [one["remove_mm"] for one in plan["places"] if one["fret"] == fret] for fret in (7, 12, 13)}
    assert "file {:.3f} (bass), {:.3f} (centre), {:.3f} mm (treble)".format(*filed[7]) in page
    size = next(one["size_mm"] for one in found["deviations"] if one["fret"] == 7)
    assert f"on the bass path by about {size - plan['tolerance_mm'] - filed[7][0]:.3f} mm there" in page
    for fret in (12, 13):
        assert "file {:.3f}, {:.3f}, {:.3f} mm".format(*filed[fret]) in page
    flat = max(one["flat_mm"] for one in plan["places"])
    assert f"{flat:.3f} mm wide" in page
    within = sum(one["within"] for one in found["verification"])
    assert f"{within} of {len(found['verification'])} places lie within the tolerance" in page
    (outside,) = (one for one in found["verification"] if not one["within"])
    assert (
        f"fret {outside['fret']} on the {outside['place']}\npath, {outside['left_mm']:.3f} ± {outside['U_mm']:.3f} mm"
        in page
    )
    lowest = next(one for one in plan["alternatives"] if one["kind"] == "lowest")
    assert f"| {lowest['total_mm']:.3f} mm | {lowest['largest_mm']:.3f} mm |" in page


def test_the_line_rises_over_the_sound_frets_by_about_what_the_page_says():
    found = evaluate_file(EXAMPLE / "readings.csv", EXAMPLE / "instrument.toml", gauges=EXAMPLE / "gauges.toml")
    levelling = found.judge.levelling()
    assert levelling is not None
    assert isinstance(levelling.plan, LevellingPlan)
    x, bass = levelling.neck.positions_mm, levelling.paths.index("bass")
    above = levelling.neck.height_mm[bass] - levelling.neck.shape_mm[bass]
    sound = [column for column, fret in enumerate(levelling.frets) if fret not in {7, 12, 13, 17}]
    at = x[levelling.frets.index(7)]
    start, slope = levelling.plan.line_mm[bass]

    assert start + slope * at - np.polyval(np.polyfit(x[sound], above[sound], 1), at) == pytest.approx(0.011, abs=0.002)


def test_steps_alone_know_as_little_as_the_page_says(capsys: pytest.CaptureFixture[str], tmp_path: Path):
    lines = (EXAMPLE / "readings.csv").read_text(encoding="utf-8").splitlines()
    alone = tmp_path / "steps.csv"
    alone.write_text("\n".join([lines[0], *(line for line in lines if "setting 1" in line)]) + "\n", encoding="utf-8")
    found = json.loads(_printed(capsys, "evaluate", str(alone), "--json"))

    assert round(1000 * max(one["u_mm"] for one in found["profile"])) == 191


def test_the_example_has_what_a_cutting_list_needs(capsys: pytest.CaptureFixture[str]):
    neck = str(EXAMPLE / "instrument.toml")

    assert run(["cut", "--instrument", neck, "--json"], lambda *_: 0) == 0  # type: ignore[arg-type, return-value]
    cuts = [cut for stick in json.loads(capsys.readouterr().out)["sticks"] for cut in stick["cuts"]]
    assert sorted(cut["fret"] for cut in cuts) == list(range(1, 21))
    assert all(cut["bare_mm"] is not None for cut in cuts)


def test_the_rows_shown_are_rows_of_the_file():
    page = (DOCS / "from-readings-to-a-plan.md").read_text(encoding="utf-8")
    rows = (EXAMPLE / "readings.csv").read_text(encoding="utf-8").splitlines()
    shown = [line for line in page.splitlines() if line.startswith(("fret_step,", "straightedge_gap,", "kind,"))]

    assert len(shown) == 4
    assert set(shown) <= set(rows)


def test_the_profile_in_the_readme_holds(tmp_path: Path):
    readme = (DOCS.parent / "README.md").read_text(encoding="utf-8")
    (example,) = (block for block in readme.split("```toml\n") if 'name = "shop-caliper"' in block)
    text = example.split("```")[0]
    (tmp_path / "own.toml").write_text(text.replace("# [ask]", '[ask]\ntext = "?"\n#'), encoding="utf-8")

    profile = load_profiles(tmp_path)["shop-caliper"]

    assert (profile.kind, profile.decoder, profile.serial.baud) == ("caliper", "text", 9600)
    assert profile.ask is not None


def test_the_readme_names_every_shipped_profile():
    readme = (DOCS.parent / "README.md").read_text(encoding="utf-8")

    assert [name for name in load_profiles() if f"`{name}`" not in readme] == []
