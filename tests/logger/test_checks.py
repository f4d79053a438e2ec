"""Checks of a gauge against known sizes: judged, guided, from a file, kept."""

import io
import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.checks import ZERO, CheckError, Point, Size, corrected, judge, kind_of, parse_size, plan
from logger.cli import run
from logger.errors import InsufficientDataError
from logger.gauge_file import GaugeSpec
from logger.store import StoreReader

FINE = GaugeSpec(kind="depth_indicator", resolution_mm=0.001, u_mm=0.001, zero_u_mm=0.001)
HEAD = "nominal,u_nominal,reading,unit,direction\n"
Write = Callable[[str, str], Path]


def _points(
    sizes_mm: list[float], error_mm: Callable[[float], float], *, repeats: int = 3, way: str = ""
) -> list[Point]:
    return [
        Point(size=Size(nominal_nm=round(size * 1e6), u_nm=300), value_nm=round((size + error_mm(size)) * 1e6),
              direction=way)
        for size in sizes_mm for _ in range(repeats)
    ]  # fmt: skip


def _run(*arguments: object) -> int:
    return run(["gauges", "check", *map(str, arguments)], lambda *_, **__: None)  # type: ignore[arg-type,return-value]


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    return lambda *lines: monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_a_true_gauge_passes():
    outcome = judge(_points([1, 2, 5, 10], lambda _: 0.0005), FINE)

    assert outcome.faults() == []
    assert outcome.value_mm == pytest.approx(0.0005)


def test_an_error_that_grows_with_size_is_found():
    outcome = judge(_points([1, 5, 10, 20], lambda size: 0.001 * size), FINE)

    assert outcome.error.grows
    assert any("changes with size: +1.00" in text for text in outcome.faults())
    assert any("0.0200 mm too much at 20 mm" in text for text in outcome.faults())


def test_true_gauges_seldom_fail():
    # chance alone fails 1 of 20 for the size of the error and 1 of 20 for its slope: at most about 1 of 10
    source = random.Random(5)  # one seed, its result is always the same
    failed = 0
    for _ in range(300):
        zero = source.gauss(0, 0.001)
        blocks = {size: source.gauss(0, 0.0003) for size in (1, 5, 10, 20)}
        points = [
            Point(size=Size(nominal_nm=round(size * 1e6), u_nm=300),
                  value_nm=1000 * round((size + off + zero + source.gauss(0, 0.001)) * 1e3))
            for size, off in blocks.items() for _ in range(3)
        ]  # fmt: skip
        failed += bool(judge(points, FINE).faults())

    assert 5 <= failed <= 45


def test_hysteresis_is_found_and_a_small_one_is_not():
    wide = _points([1, 2, 5], lambda _: 0.0, way="up") + _points([1, 2, 5], lambda _: 0.008, way="down")
    narrow = _points([1, 2, 5], lambda _: 0.0, way="up") + _points([1, 2, 5], lambda _: 0.001, way="down")

    assert any("differs by 0.0080 mm" in text for text in judge(wide, FINE).faults())
    assert judge(narrow, FINE).faults() == []


def test_a_known_error_is_taken_off():
    points = _points([1, 5, 10, 20], lambda size: 0.004 + 0.001 * size)

    better = corrected(FINE, points)

    assert better.bias_at(20) == pytest.approx(0.024)
    assert judge(points, better).faults() == []
    assert judge(points, better).value_mm == pytest.approx(0.013), "history compares what the gauge itself reads"
    assert corrected(better, points).bias_at(20) == pytest.approx(0.024), "not taken off twice"


def test_without_repeatability_its_own_repeats_are_taken():
    unknown = GaugeSpec(kind="caliper", resolution_mm=0.01)

    assert judge(_points([5], lambda _: 0.0), unknown).faults() == []
    with pytest.raises(InsufficientDataError, match="measure every size at least twice"):
        judge(_points([5], lambda _: 0.0, repeats=1), unknown)


def test_repeats_that_scatter_more_than_stated_are_said():
    loose = [Point(size=ZERO, value_nm=value) for value in (-20_000, 0, 20_000, 30_000)]

    outcome = judge(loose, FINE)

    assert outcome.scatter_mm == pytest.approx(0.0222, abs=1e-4)
    assert any("make a study of it" in text for text in outcome.notes())


def test_the_order_of_a_check():
    five, ten = Size(nominal_nm=5), Size(nominal_nm=10)

    assert plan([ten, five], zeros=1, repeats=2, both_ways=False) == [
        (ZERO, ""), (five, ""), (five, ""), (ten, ""), (ten, "")]  # fmt: skip
    both = plan([ten, five], zeros=0, repeats=1, both_ways=True)
    assert both == [(five, "up"), (ten, "up"), (ten, "down"), (five, "down")]
    assert [kind_of(one) for one in (both, [(ZERO, "")], [(ZERO, ""), (five, "")])] == ["hysteresis", "zero", "block"]


@pytest.mark.parametrize("text", ["", "10", "10:", "x:1", "10:x", "-1:0.1", "0:0.1", "1:-1", "nan:1", "1:inf", "1e9:1"])
def test_a_known_size_that_does_not_hold_is_refused(text: str):
    with pytest.raises(CheckError, match="known size"):
        parse_size(text)


def test_a_guided_check_keeps_every_reading_and_those_taken_back(tmp_path: Path, answers, capsys):
    answers("0.00", "0.00", "5.01", "back", "rubbish", "5.00", "5.00")

    status = _run("green", "--store", tmp_path / "s.db", "--block", "5:0.0005", "--repeats", 2, "--kind", "caliper")

    out, err = capsys.readouterr()
    assert status == 0
    assert "ok reads true" in out
    assert "'rubbish' is neither a number" in err
    with StoreReader(tmp_path / "s.db") as reader:
        ((check, _result),) = reader.gauge_checks("green")
        points = reader.check_points(check.id)
    assert check.kind == "block"
    assert [(one.value_nm, one.replaces, one.raw) for one in points] == [
        (0, None, b"0.00"), (0, None, b"0.00"), (5_010_000, None, b"5.01"), (5_000_000, 3, b"5.00"),
        (5_000_000, None, b"5.00"),
    ]  # fmt: skip


def test_a_guided_check_asks_for_sizes_too_and_runs_an_indicator_up_and_down(tmp_path: Path, answers, capsys):
    answers("1:0.0003", "nonsense", "2:0.0003", "", "0", "1.000", "2.000", "2.001", "1.001")

    status = _run("dial", "--store", tmp_path / "s.db", "--repeats", 1, "--kind", "depth_indicator", "--json")

    out, err = capsys.readouterr()
    told = json.loads(out)
    assert status == 0
    assert "must be SIZE:U" in err
    assert "going down" in err
    assert (told["hysteresis"]["real"], [one["nominal_mm"] for one in told["errors"]]) == (False, [0.0, 1.0, 2.0])


def test_a_check_that_is_broken_off_does_not_pass(tmp_path: Path, answers, capsys):
    answers("0.00", "0.00")

    assert _run("green", "--store", tmp_path / "s.db", "--block", "5:0.0005") == 2
    assert "broken off after 2 of 6 readings" in capsys.readouterr().err
    with StoreReader(tmp_path / "s.db") as reader:
        assert reader.gauge_checks("green") == []


def test_zero_alone_needs_no_answers(tmp_path: Path, capsys):
    assert _run("green", "--store", tmp_path / "s.db", "--zero", "0.00", "-0.01", "0.00", "--json") == 0
    assert json.loads(capsys.readouterr().out)["value_mm"] == pytest.approx(-0.01 / 3)


def test_a_check_from_a_file_fails_and_is_kept(tmp_path: Path, write: Write, capsys):
    rows = "".join(f"{size},0.0000197,{size * 1.01:.4f},in,\n" for size in (0.1, 0.2, 0.4) for _ in range(3))
    path = write("c.csv", HEAD + rows)

    status = _run(
        "green", "--store", tmp_path / "s.db", "--from", path, "--who", "Ada", "--temperature", 21.5, "--json"
    )

    told = json.loads(capsys.readouterr().out)
    assert status == 1
    assert (told["failed"], told["grows"]) == (True, True)
    assert [one["nominal_mm"] for one in told["errors"]] == pytest.approx([2.54, 5.08, 10.16])
    with StoreReader(tmp_path / "s.db") as reader:
        ((check, _result),) = reader.gauge_checks("green")
    assert (check.who, check.temperature_mc) == ("Ada", 21_500)


def test_checks_one_after_another_make_a_history_and_a_jump_fails(tmp_path: Path, write: Write, capsys):
    good, moved = (write(f"{name}.csv", f"{HEAD}10,0.0005,{value},mm,\n") for name, value in
                   (("good", "10.00"), ("moved", "10.05")))  # fmt: skip
    for _ in range(4):
        assert _run("green", "--store", tmp_path / "s.db", "--from", good, "--due-days", 30) == 0
    out = capsys.readouterr().out
    assert "limits of the mean error" in out
    assert "next check due" in out

    assert _run("green", "--store", tmp_path / "s.db", "--from", moved, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert told["drifts"]
    assert any("has moved" in text for text in told["faults"])


def test_what_is_corrected_passes_the_next_check(tmp_path: Path, write: Write, capsys):
    path = write("c.csv", HEAD + "".join(f"{size},0.0005,{size + 0.05},mm,\n" for size in (5, 10)))

    assert _run("green", "--store", tmp_path / "s.db", "--from", path, "--correct") == 1
    assert _run("green", "--store", tmp_path / "s.db", "--from", path) == 0
    assert "its known error taken off" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty"),
        (HEAD, "no readings below the header"),
        ("nominal,reading\n", "column 'u_nominal' is missing"),
        (HEAD + "1,0.1,x,mm,\n", "line 2: reading must be a plain decimal number, got 'x'"),
        (HEAD + "1,-0.1,1,mm,\n", "line 2: u_nominal must not be negative"),
        (HEAD + "1,0.1,1,cm,\n", "line 2: unit must be mm, in or thou, got 'cm'"),
        (HEAD + "1,0.1,1,mm,left\n", "line 2: direction must be up, down or empty, got 'left'"),
        (HEAD + "1,0.1,99999999,mm,\n", "line 2: a length must be within 10 m"),
        (HEAD + "1,0.1,1\n", "line 2: every row needs one cell per column"),
    ],
)
def test_files_that_do_not_hold_are_refused_in_one_line(tmp_path: Path, write: Write, capsys, text: str, words: str):
    assert _run("green", "--store", tmp_path / "s.db", "--from", write("bad.csv", text)) == 2

    err = capsys.readouterr().err
    assert words in err
    assert err.count("\n") == 1
    assert not (tmp_path / "s.db").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--zero", "x"), "'x' is neither a number"),
        (("--block", "5"), "must be SIZE:U in mm"),
        (("--zero", "0", "--temperature", "99"), "temperature_c must be from -20 to 50"),
    ],
)
def test_arguments_that_do_not_hold_are_refused_in_one_line(tmp_path: Path, capsys, arguments, words: str):
    assert _run("green", "--store", tmp_path / "s.db", *arguments) == 2

    assert words in capsys.readouterr().err


def test_a_store_in_use_is_exit_4_and_names_its_owner(tmp_path: Path, capsys):
    from logger.store import Store

    with Store.create(tmp_path / "s.db"):
        assert _run("green", "--store", tmp_path / "s.db", "--zero", "0") == 4
