"""Lengths in words, and every command that prints them in inches."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run
from logger.sentences import RULES, cautions_together, figure, length
from logger.snapshot import CAUTIONS, DANGERS

DOCS = Path(__file__).parents[2] / "docs" / "example"
WIRE = "kind,fret,place,value,unit\ntang_thickness,,,0.508,mm\ntang_thickness,,,0.508,mm\ntang_thickness,,,0.510,mm\n"
Write = Callable[[str, str], Path]


@pytest.mark.parametrize(
    ("unit", "said", "bare"),
    [("mm", "−0.082 ± 0.012 mm", "0.082"), ("in", "−0.0032 ± 0.0005 in", "0.0032"), ("thou", "−3.2 ± 0.5 thou", "3.2")],
)
def test_lengths_in_every_unit(unit: str, said: str, bare: str):
    assert length(-0.082, 0.012, unit) == said
    assert length(-0.082, None, unit) == said.split(" ±")[0] + f" {unit}, uncertainty not known"
    assert figure(0.082, unit) == bare


def _printed(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    run([*(str(one) for one in arguments), "--instrument", str(DOCS / "instrument.toml")], lambda *_: 0)  # type: ignore[arg-type, return-value]
    return capsys.readouterr().out


@pytest.mark.parametrize(
    ("command", "figures"),
    [
        ("evaluate", r"fret 17 treble end stands proud by 0\.0041 ± 0\.0003 in\n"),  # 0.103 mm
        (
            "plan",
            r"fret  7  file bass 0\.0025, centre 0\.0026, treble 0\.0026 in; crown left 0\.0401",
        ),  # 0.063, 1.018 mm
    ],
)
def test_a_command_in_inches(capsys: pytest.CaptureFixture[str], command: str, figures: str):
    said = _printed(capsys, command, DOCS / "readings.csv", "--gauges", DOCS / "gauges.toml", "--unit", "in")

    assert re.search(figures, said)
    assert " mm" not in "\n".join(line for line in said.splitlines() if "not possible" not in line)


def test_fit_and_wear_in_inches(capsys: pytest.CaptureFixture[str], write: Write):
    assert "tang: 0.0200 in, " in _printed(capsys, "fit", write("w.csv", WIRE), "--unit", "in")
    second = write(
        "s.csv",
        (DOCS / "readings.csv")
        .read_text(encoding="utf-8")
        .replace("seated_height,1,bass,1.", "seated_height,1,bass,0."),
    )
    said = _printed(capsys, "wear", DOCS / "readings.csv", second, "--gauges", DOCS / "gauges.toml", "--unit", "in")
    assert re.search(r"fret 1, bass +0\.0394 ± 0\.000\d in since", said)  # 1 mm


def test_several_cautions_say_each_sentence_once_and_who_decides_last():
    dust = f"Dust is a sensitiser: a respirator. {RULES}"

    assert cautions_together([f"Wire ends fly: glasses. {RULES}", dust]) == (
        f"Wire ends fly: glasses. Dust is a sensitiser: a respirator. {RULES}"
    )
    assert cautions_together([]) == ""


@pytest.mark.parametrize("stage", list(CAUTIONS))
def test_the_caution_of_every_stage_leaves_the_decision_to_local_rules(stage: str):
    assert CAUTIONS[stage] == f"{DANGERS[stage]} Local rules and licensed practice decide, not this program."
