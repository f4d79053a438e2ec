"""A check of a gauge on the page: typed or sent by the gauge, kept and judged as the command does."""

import json
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from drivers import SimulatedGauge, load_profiles
from logger import aside
from logger.begin import default_gauges
from logger.bench import Bench
from logger.check_request import asked_sizes, typed_values
from logger.checks import CheckError, Size
from logger.cli import run
from logger.gauge_file import GaugeSpec
from logger.gauges import known, register
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.store import Store, StoreReader

NECK = parse_instrument('name = "n"\nkind = "bass"\nscale_mm = 864\nfrets = 5\n', where="test")
SPEC = GaugeSpec(kind="caliper", resolution_mm=0.01, u_mm=0.004, zero_u_mm=0.003)
BEGIN = {
    "do": "check_begin", "gauge": "green", "sizes": [["10", "0.0005", "standard"]], "unit": "mm", "repeats": 2,
    "both_ways": False, "who": "A. Person", "temperature_c": 21.5,
}  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Store.create(tmp_path / "s.db") as store:
        register(store, "green", SPEC, source="file")
        one = Bench(store, NECK, default_limits("bass"), specs=default_gauges())
        one.start()
        yield one
        one.stop(reason="test over")


def do(bench: Bench, what: str | Mapping[str, Any], **more: Any) -> Any:
    action = what if isinstance(what, Mapping) else {"do": what}
    return bench.door.act(str(time.monotonic_ns()), {**action, **more})


def typed(bench: Bench, text: str, unit: str = "mm") -> Any:
    return do(bench, "check_typed", text=text, unit=unit)


def shown(bench: Bench) -> Any:
    return bench._checks.shown()


def test_a_typed_check_is_kept_exactly_as_the_command_keeps_it(bench: Bench, tmp_path: Path) -> None:
    assert do(bench, BEGIN).done
    assert typed(bench, "0.00 0.00").done
    assert typed(bench, "10.01").done
    assert typed(bench, "10.00").done
    assert do(bench, "check_finish").done

    path = tmp_path / "command.db"
    with Store.create(path) as other:
        register(other, "green", SPEC, source="file")
    rows = "nominal,u_nominal,reading\n0,0,0.00\n0,0,0.00\n10,0.0005,10.01\n10,0.0005,10.00\n"
    (tmp_path / "check.csv").write_text(rows)
    arguments = ["gauges", "check", "green", "--from", tmp_path / "check.csv", "--who", "A. Person"]
    run([*map(str, arguments), "--temperature", "21.5", "--store", str(path)], lambda *_, **__: None)  # type: ignore[arg-type,return-value]
    found = []
    for reader in (bench.store.reader(), StoreReader(path)):
        with reader:
            ((check, result),) = reader.gauge_checks("green")
            points = reader.check_points(check.id)
            found.append((
                (check.gauge, check.revision, check.kind, check.who, check.temperature_mc), json.loads(result.result),
                [(one.number, one.replaces, one.nominal_nm, one.u_nominal_nm, one.direction, one.value_nm, one.unit,
                  one.raw) for one in points],
            ))  # fmt: skip
    assert found[0] == found[1]


def test_the_check_says_what_is_next_and_what_it_came_to(bench: Bench) -> None:
    assert shown(bench) is None
    do(bench, BEGIN, both_ways=True)
    assert shown(bench)["next"] == {"nominal_mm": 0, "direction": "", "repeat": 1, "of": 2}
    assert typed(bench, "0 0 10.00").done
    assert shown(bench)["next"] == {"nominal_mm": 10, "direction": "down", "repeat": 1, "of": 2}
    assert (shown(bench)["done"], shown(bench)["of"]) == (3, 6)
    assert typed(bench, "10.00; 10.00\n10.00").done
    assert shown(bench)["next"] is None
    assert do(bench, "check_finish").done

    result = shown(bench)["result"]
    assert (result["failed"], result["corrected"], len(result["errors"])) == (False, False, 2)
    assert do(bench, "check_close").done
    assert shown(bench) is None
    told = bench.door.ask("gauges", {"gauge": "green"})["chosen"]
    assert (told["checks"], told["check"]["failed"]) == (1, False)
    assert told["check_with"] == {"sizes": [{"mm": 10, "u_mm": 0.0005}], "both_ways": True, "repeats": 3}


def test_a_reading_taken_back_is_replaced_and_stays_in_the_store(bench: Bench) -> None:
    do(bench, BEGIN, sizes=[])
    assert typed(bench, "0.5").done
    assert do(bench, "check_back").done
    assert typed(bench, "0.00 0.01").done
    assert do(bench, "check_finish").done

    with bench.store.reader() as reader:
        ((check, _),) = reader.gauge_checks("green")
        points = [(one.number, one.replaces, one.value_nm) for one in reader.check_points(check.id)]
    assert points == [(1, None, 500_000), (2, 1, 0), (3, None, 10_000)]


def test_the_error_found_is_taken_off_once_when_it_is_asked_for(bench: Bench) -> None:
    do(bench, BEGIN)
    typed(bench, "0 0 10.10 10.10")
    do(bench, "check_finish")
    assert shown(bench)["result"]["failed"]
    for _ in range(2):
        assert do(bench, "check_correct", gauge="green").done

    with bench.store.reader() as reader:
        assert len(reader.gauge_revisions("green")) == 2
        spec = known(reader)["green"].spec
    assert spec.bias_at(10.0) == pytest.approx(0.1, abs=0.001)
    assert shown(bench)["result"]["corrected"]


def test_what_was_broken_off_does_not_count(bench: Bench) -> None:
    do(bench, BEGIN)
    typed(bench, "0")
    assert do(bench, "check_stop").done

    assert shown(bench) is None
    with bench.store.reader() as reader:
        assert reader.gauge_checks("green") == []
    assert do(bench, BEGIN).done


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"gauge": "red"}, "this bench knows no gauge 'red'"),
        ({"sizes": [["", "0.1", "standard"]]}, "known size 1 must be a length like 10 or 0.4 in, got nothing"),
        ({"sizes": [["ten", "0.1", "standard"]]}, "known size 1: "),
        ({"sizes": [["10", "", "standard"]]}, "what is known of size 1 must be a length"),
        ({"sizes": [["-1", "0.1", "standard"]]}, "known size 1 must be above 0, got '-1'"),
        ({"sizes": [["1", "-0.1", "standard"]]}, "what is known of size 1 must be 0 or more, got '-0.1'"),
        ({"sizes": [["1", "1", "standard"]]}, "what is known of size 1 must be less than the size"),
        ({"sizes": [["1", "0", "guess"]]}, "what is known of size 1 must be one of standard, expanded, limits"),
        ({"sizes": [["1", "0", "standard"]] * 2}, "every known size must be named once"),
        ({"sizes": [["0.9 1.1", "0", "standard"]]}, "known size 1 must be one length"),
        ({"sizes": [["20000", "0", "standard"]]}, "known size 1: "),
        ({"repeats": 0}, "readings of each size must be from 1 to 20, got '0'"),
        ({"unit": "m"}, "unit must be mm, in or thou, got 'm'"),
        ({"temperature_c": 90}, "temperature_c must be"),
        ({"who": "x" * 121}, "who measures must have at most 120 characters"),
    ],
)
def test_a_check_that_does_not_hold_is_not_begun(bench: Bench, more: dict[str, Any], words: str) -> None:
    answer = do(bench, BEGIN, **more)

    assert (answer.done, "\n" in answer.text) == (False, False)
    assert answer.text.startswith(words)
    assert shown(bench) is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("ten", "a reading: "), ("", "a reading must be a number like 10.01, got nothing"),
        ("0 0 10 10 10", "this check asks for 4 more of its 4 readings, got 5: none of them was kept; give fewer"),
        ("0 0 x", "a reading: "),
    ],
)  # fmt: skip
def test_readings_are_taken_all_or_none(bench: Bench, text: str, words: str) -> None:
    do(bench, BEGIN)
    answer = typed(bench, text)

    assert not answer.done
    assert answer.text.startswith(words)
    assert shown(bench)["done"] == 0


@pytest.mark.parametrize("what", ["check_back", "check_finish", "check_stop", "check_correct"])
def test_nothing_is_done_where_no_check_is_under_way(bench: Bench, what: str) -> None:
    assert not do(bench, what).done
    assert not typed(bench, "1").done


def test_a_check_is_not_judged_before_all_is_read_and_not_begun_twice(bench: Bench) -> None:
    do(bench, BEGIN)
    assert do(bench, "check_finish").text == "4 of 4 readings are still to be taken"
    assert do(bench, BEGIN).text == "a check of green is under way; judge it or break it off first"


def test_a_gauge_whose_repeats_are_not_known_is_read_twice(bench: Bench) -> None:
    register(bench.store, "bare", GaugeSpec(kind="caliper", resolution_mm=0.01), source="file")
    answer = do(bench, BEGIN, gauge="bare", repeats=1)

    assert answer.text == "how far this gauge repeats is not known: take at least 2 readings of each size"
    assert do(bench, BEGIN, gauge="bare").done


@pytest.mark.parametrize(("kind", "u_nm"), [("standard", 3000), ("expanded", 1500), ("limits", 1732)])
def test_what_is_known_of_a_size_becomes_its_standard_uncertainty(kind: str, u_nm: int) -> None:
    # JCGM 100:2008: a stated multiple (4.3.3), limits alone (4.3.7): 3/sqrt(3) = 1.732
    assert asked_sizes([["10", "0.003", kind]], "mm") == [Size(nominal_nm=10_000_000, u_nm=u_nm)]


def test_sizes_and_readings_carry_their_unit() -> None:
    assert asked_sizes([["0.5 in", "0.0001", "standard"]], "mm") == [Size(nominal_nm=12_700_000, u_nm=100)]
    found = [(raw, value.value_nm) for raw, value in typed_values("0.5 in 12,70; 500 thou", "mm")]
    assert found == [("0.5 in", 12_700_000), ("12,70", 12_700_000), ("500 thou", 12_700_000)]
    with pytest.raises(CheckError, match="a reading"):
        typed_values("1/2", "mm")


def when(bench: Bench, holds: Any) -> None:
    give_up = time.monotonic() + 20
    while not holds(shown(bench)):
        assert time.monotonic() < give_up, shown(bench)
        time.sleep(0.01)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_what_the_gauge_sends_goes_to_its_check_and_then_to_the_sheet_again(bench: Bench) -> None:
    profile = load_profiles()["caliper-mm"]
    with SimulatedGauge("green", profile=profile) as far:
        bench.add_gauge("green", profile, far.port)
        do(bench, BEGIN, sizes=[])
        for value_nm in (0, 10_000):
            far.press(value_nm)
        when(bench, lambda check: check["done"] == 2)
        far.press(20_000)
        when(bench, lambda check: "all 2 readings of this check are in" in check["said"])
        assert bench.recorder.kept().readings == []
        assert do(bench, "check_finish").done
        far.press(510_000)
        give_up = time.monotonic() + 20
        while not bench.recorder.kept().readings:
            assert time.monotonic() < give_up
            time.sleep(0.01)
        (one,) = bench.recorder.kept().readings
        assert (one.row.kind, one.row.value_nm) == ("tang_thickness", 510_000)
        bench.stop()


def test_no_reading_waits_behind_a_disk_that_takes_no_check(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    stuck, put = threading.Event(), bench.store.put

    def wait(row: Any) -> None:
        assert stuck.wait(20)
        put(row)

    monkeypatch.setattr(type(bench.store), "put", lambda _self, row: wait(row))
    monkeypatch.setattr(aside, "PATIENCE_S", 0.05)
    assert do(bench, BEGIN).text == aside.LATE
    assert do(bench, "factors", factors={"blade": "no. 3"}).text == aside.BUSY
    assert do(bench, "typed", text="0.51", unit="mm").done
    assert len(bench.recorder.kept().readings) == 1
    stuck.set()
    when(bench, lambda check: check is not None and check["gauge"] == "green")
