"""Named gauges: which worth holds, what a revision says, history, due dates."""

import json
import math
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.begin import default_gauges, open_session
from logger.cli import run
from logger.gauge_file import GaugeSpec, gauges_toml, read_gauges, spec_from, worth
from logger.gauges import find, kind_by_name, known, records, register, stored_worth, with_study
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.recorder import Hooks, Recorder
from logger.sheet import Sheet, standard_items
from logger.store import CheckResult, GaugeCheck, Store

DAY_NS = 86_400_000_000_000
CALIPER = GaugeSpec(kind="caliper", resolution_mm=0.01, u_mm=0.005, zero_u_mm=0.004)
BETTER = GaugeSpec(kind="caliper", resolution_mm=0.01, u_mm=0.003, zero_u_mm=0.002)
NECK = parse_instrument('name = "n"\nkind = "bass"\nscale_mm = 864\nfrets = 5\n', where="test")
SIZES = st.floats(0, 1, allow_nan=False)
SPECS = st.builds(
    GaugeSpec, kind=st.sampled_from(["caliper", "rocker"]), resolution_mm=st.none() | st.floats(0.0001, 1),
    u_mm=st.none() | SIZES, zero_u_mm=SIZES, u_dof=st.just(math.inf) | st.floats(1, 500),
    faces=st.sampled_from(["", "outside", "a \"b\""]), bias_mm=st.floats(-1, 1), bias_u_mm=SIZES, zero_drift_mm=SIZES,
    bias_about_mm=st.floats(-100, 100), bias_slope=st.floats(-1, 1), bias_slope_u=SIZES,
)  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "s.db") as one:
        yield one


def _worth(store: Store) -> dict[str, GaugeSpec]:
    with store.reader() as reader:
        return stored_worth(reader)


@given(SPECS)
def test_a_worth_comes_back_as_it_was_kept(spec: GaugeSpec):
    assert spec_from(spec.kind, json.loads(json.dumps(worth(spec)))) == spec


@given(SPECS)
def test_a_worth_comes_back_from_a_gauges_file(tmp_path_factory: pytest.TempPathFactory, spec: GaugeSpec):
    path = tmp_path_factory.mktemp("g") / "g.toml"
    path.write_text(gauges_toml({'the "green" one': spec}), encoding="utf-8")

    assert read_gauges(path) == {'the "green" one': spec}


def test_a_default_does_not_count_as_known_worth(store: Store):
    register(store, "green", CALIPER, source="default")

    assert _worth(store) == {}


def test_a_study_outlives_the_same_file_given_again(store: Store):
    register(store, "green", CALIPER, source="file")
    register(store, "green", BETTER, source="study", session="s1")
    register(store, "green", CALIPER, source="file")

    assert _worth(store) == {"green": BETTER}


def test_a_file_that_says_something_new_is_the_newest(store: Store):
    register(store, "green", CALIPER, source="file")
    register(store, "green", BETTER, source="file")

    assert _worth(store) == {"green": BETTER}


def test_one_study_is_kept_once(store: Store):
    first = register(store, "green", BETTER, source="study", session="s1")

    assert register(store, "green", BETTER, source="study", session="s1") == first
    assert register(store, "green", BETTER, source="study", session="s2").number == 2


def test_a_known_error_keeps_where_the_repeatability_comes_from(store: Store):
    register(store, "green", BETTER, source="study", session="s1")

    assert register(store, "green", BETTER, source="check").u_from == "study"


def test_other_days_to_the_next_check_are_a_revision_of_the_same_worth(store: Store):
    register(store, "green", BETTER, source="study", session="s1")

    one = find(store, "green", kind=None, defaults=default_gauges(), file={}, due_days=30)

    assert (one.number, one.due_days, one.spec, one.source) == (2, 30, BETTER, "study")


def test_a_digit_hides_a_smaller_spread():
    assert with_study(CALIPER, u_mm=0.0, dof=20).u_mm == pytest.approx(0.01 / 12**0.5)
    assert with_study(CALIPER, u_mm=0.006, dof=20).u_mm == 0.006


@pytest.mark.parametrize(
    ("name", "kind"),
    [("green", "caliper"), ("old rocker", "rocker"), ("Depth 2", "depth_indicator"), ("leaves", "leaves")],
)
def test_a_name_suggests_a_kind(name: str, kind: str):
    assert kind_by_name(name) == kind


def test_a_new_kind_is_a_new_revision(store: Store):
    defaults = default_gauges()
    find(store, "green", kind=None, defaults=defaults, file={})
    find(store, "green", kind="rocker", defaults=defaults, file={})

    with store.reader() as reader:
        assert known(reader)["green"].spec == defaults["rocker"]


def test_a_studied_gauge_is_worth_its_study_at_the_next_bench(store: Store):
    register(store, "typed caliper", BETTER, source="study", session="s1")
    session = open_session(store, NECK, default_limits("bass"), resume=False)
    sheet = Sheet(standard_items(NECK))
    recorder = Recorder(store, session, sheet, specs={**default_gauges(), **_worth(store)}, hooks=Hooks())

    recorder.typed("0.51", "mm")

    assert recorder.kept().specs["typed caliper"] == BETTER


def _check(store: Store, number: int, error_mm: float, *, at_ns: int, sizes: tuple[float, ...] = (10.0,)) -> None:
    store.put(
        GaugeCheck(id=f"c{number}", gauge="green", revision=1, at_ns=at_ns, kind="block", who="me"),
    )
    result = {"sizes": sizes, "value_mm": error_mm, "expanded_u_mm": 0.004, "u_between_mm": 0.001, "faults": []}
    store.put(CheckResult(gauge_check=f"c{number}", at_ns=at_ns, result=json.dumps(result)))


def test_history_has_limits_and_a_jump_is_flagged(store: Store):
    register(store, "green", CALIPER, source="file")
    for number, error in enumerate((0.001, 0.002, 0.001, 0.002, 0.001)):
        _check(store, number, error, at_ns=number * DAY_NS)
    with store.reader() as reader:
        steady = records(reader, now_ns=5 * DAY_NS)[0]
    _check(store, 9, 0.02, at_ns=6 * DAY_NS)
    with store.reader() as reader:
        moved = records(reader, now_ns=7 * DAY_NS)[0]

    assert (steady["drifts"], steady["overdue"], steady["due"][:10]) == (False, False, "1970-04-05")
    assert steady["limits"]["lower_mm"] < steady["limits"]["centre_mm"] < steady["limits"]["upper_mm"]
    assert moved["drifts"]
    assert "the gauge has moved" in moved["words"]
    assert len(moved["history"]) == 6


def test_other_sizes_begin_a_history_of_their_own(store: Store):
    register(store, "green", CALIPER, source="file")
    _check(store, 1, 0.001, at_ns=1)
    _check(store, 2, 0.03, at_ns=2, sizes=(50.0,))
    with store.reader() as reader:
        one = records(reader, now_ns=200 * DAY_NS)[0]

    assert [point["value_mm"] for point in one["history"]] == [0.03]
    assert one["overdue"]
    assert "overdue" in one["words"]


def test_gauges_are_listed_as_a_table_and_as_json(store: Store, capsys):
    register(store, "green", BETTER, source="study", session="s1")
    path = store.path
    store.close()

    assert run(["gauges", "--store", str(path)], lambda *_, **__: None) == 0  # type: ignore[arg-type,return-value]
    table = capsys.readouterr().out
    assert run(["gauges", "--store", str(path), "--json"], lambda *_, **__: None) == 0  # type: ignore[arg-type,return-value]
    listed = json.loads(capsys.readouterr().out)

    assert "green" in table
    assert "never checked" in table
    assert [(one["gauge"], one["u_mm"], one["u_from"], one["due"]) for one in listed] == [
        ("green", 0.003, "study", None)
    ]


def test_a_store_that_is_not_there_is_exit_4(tmp_path: Path, capsys):
    assert run(["gauges", "--store", str(tmp_path / "no.db")], lambda *_, **__: None) == 4  # type: ignore[arg-type,return-value]
    assert "no session store" in capsys.readouterr().err
