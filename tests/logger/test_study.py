"""A study from a file through the command line."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run

REFERENCE = Path(__file__).parents[1] / "reference"
GOOD = "part,person,trial,value\n1,Ada,1,0.510\n1,Ada,2,0.512\n2,Ada,1,0.551\n2,Ada,2,0.549\n"


def _run(*arguments: object) -> int:
    return run(["gauges", "study", *map(str, arguments)], lambda *_, **__: None)  # type: ignore[arg-type,return-value]


@pytest.fixture
def published(tmp_path: Path) -> Path:
    # Source: Montgomery, problem 13.1; see the first lines of the file
    lines = (REFERENCE / "crossed_study_montgomery_p13_1.csv").read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if not line.startswith("#")][1:]
    path = tmp_path / "study.csv"
    path.write_text("\n".join(["part,person,trial,value", *rows]), encoding="utf-8")
    return path


def test_a_published_study_as_json(published: Path, capsys):
    assert _run("--from", published, "--json", "--tolerance", "50") == 0

    result = json.loads(capsys.readouterr().out)
    assert set(result["anova"]) == {"part", "person", "part_person", "repeatability", "total"}
    assert set(result["anova"]["part"]) == {"ss", "df", "ms", "f", "p"}
    assert result["anova"]["part"]["f"] == pytest.approx(18.28, abs=5e-3)
    assert result["components"] == {"repeatability": pytest.approx(1.5), "person": 0.0, "part_person": 0.0,
                                    "part": pytest.approx(1.73333, abs=1e-5)}  # fmt: skip
    assert set(result["pooled"]) == set(result["components"])


def test_a_study_as_tables_and_plot(published: Path, tmp_path: Path, capsys):
    assert _run("--from", published, "--plot", tmp_path / "p.html", "--tolerance", "10") == 0

    out = capsys.readouterr().out
    assert "10 parts, 2 people, 60 readings" in out
    assert "between parts" in out
    assert "sizes it can tell apart: 1" in out
    assert "share of a tolerance of 10 mm" in out
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "readings by part and person" in page
    assert 'src="http' not in page


def test_one_person_works_and_units_are_taken(tmp_path: Path, capsys):
    path = tmp_path / "s.csv"
    inches = (
        GOOD.replace("value", "value,unit").replace("0.51", "0.51").replace("\n", ",in\n").replace("unit,in", "unit")
    )
    path.write_text(inches, encoding="utf-8")

    assert _run("--from", path, "--json") == 0
    result = json.loads(capsys.readouterr().out)
    assert result["anova"]["person"] is None
    assert result["repeatability_mm"] == pytest.approx(25.4 * 0.002 / 2**0.5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty"),
        ("part,person,trial\n", "column 'value' is missing"),
        ("part,person,trial,value,x\n", "column 'x' is unknown"),
        (GOOD.replace("0.510", "nan"), "line 2: value must be a plain decimal number, got 'nan'"),
        (GOOD.replace("0.510", "0,510"), "line 2: every row needs one cell per column"),
        (GOOD.replace("1,Ada,1", ",Ada,1"), "line 2: part, person and trial must not be empty"),
        (GOOD.replace("2,Ada,2,0.549\n", ""), "missing: part 2, person Ada, trial 2"),
        (GOOD.replace("value", "value,unit").replace("0.510", "0.510,cm"), "unit must be mm, in or thou, got 'cm'"),
        (GOOD + "2,Ada,2,0.5\n", "stands twice"),
        ("part,person,trial,value\n", "nothing is repeated"),
    ],
)
def test_bad_studies_are_refused_in_one_line(write: Callable[[str, str], Path], capsys, text: str, words: str):
    assert _run("--from", write("bad.csv", text)) == 2

    err = capsys.readouterr().err
    assert words in err
    assert "bad.csv" in err
    assert err.count("\n") == 1
