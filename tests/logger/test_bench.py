"""The bench as a page sees it: actions in, whole snapshots out; gauges over real pseudo-terminals."""

import json
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from drivers import PortNotFoundError, SimulatedGauge, load_profiles
from logger.begin import default_gauges, keep_instrument
from logger.bench import Bench, Trouble
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.store import Store

NECK = parse_instrument('name = "n"\nkind = "bass"\nscale_mm = 864\nfrets = 5\n', where="test")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    trouble = Trouble()
    with Store.create(tmp_path / "s.db", on_trouble=trouble) as store:
        one = Bench(store, NECK, default_limits("bass"), specs=default_gauges())
        trouble.listener = one.on_trouble
        one.start()
        yield one
        one.stop(reason="test over")


def _when(bench: Bench, holds: Any, timeout_s: float = 20) -> Mapping[str, Any]:
    give_up = time.monotonic() + timeout_s
    while True:
        snapshot = bench.door.snapshot()
        if snapshot["version"] and holds(snapshot):
            return snapshot
        assert time.monotonic() < give_up, snapshot
        bench.door.wait(snapshot["version"], timeout_s=1)


def _type(bench: Bench, *texts: str) -> None:
    for number, text in enumerate(texts):
        answer = bench.door.act(f"{text}-{number}-{time.monotonic_ns()}", {"do": "typed", "text": text, "unit": "mm"})
        assert answer.done, answer


def test_first_snapshot_says_what_to_measure(bench: Bench):
    shown = _when(bench, lambda s: s["next"])

    assert (shown["next"]["kind"], shown["next"]["repeat"], shown["next"]["of"]) == ("tang_thickness", 1, 4)
    assert (shown["seq"], shown["last"], shown["flags"], shown["waiting"]) == (0, None, [], 0)
    assert "glasses" in shown["caution"]
    assert shown["decides"] == "Local rules and licensed practice decide, not this program."
    json.dumps(shown, allow_nan=False)


def test_what_waits_for_the_shop_is_in_the_snapshot(bench: Bench):
    assert _when(bench, lambda s: s["next"])["shop"] is None

    bench.on_shop({"waiting": 3, "text": "three wait"})

    assert _when(bench, lambda s: s["shop"])["shop"] == {"waiting": 3, "text": "three wait"}


def test_a_typed_reading_is_shown_with_its_verdict(bench: Bench):
    _type(bench, *["0.51"] * 4, *["0.70"] * 4, *["1.30"] * 4, *["1.10"] * 4, "0.45 0.475")

    shown = _when(bench, lambda s: s["seq"] == 17 and s["last"]["verdict"])

    assert shown["last"]["verdict"] == "fail"
    assert "tight" in shown["last"]["because"]
    assert "thou" in shown["last"]["because_in"]
    assert shown["bad_seq"] == 17
    assert [(one["check"], one["fret"], one["place"]) for one in shown["flags"]] == [("tang_clearance", 1, "bass")]
    assert ["tang_clearance", 1, "bass", "fail"] in [cell[:4] for cell in shown["cells"]]


def test_the_same_action_twice_is_one_reading(bench: Bench):
    for _ in range(3):
        bench.door.act("one", {"do": "typed", "text": "0.5", "unit": "mm"})

    assert _when(bench, lambda s: s["seq"])["seq"] == 1


def test_take_back_and_skip_through_the_door(bench: Bench):
    _type(bench, "0.5")
    assert bench.door.act("a", {"do": "take_back"}).done
    shown = _when(bench, lambda s: s["recent"] and s["recent"][0]["taken_back"])
    assert shown["next"]["repeat"] == 1
    assert bench.door.act("b", {"do": "skip"}).done
    assert _when(bench, lambda s: s["next"]["kind"] == "barb_span")


@pytest.mark.parametrize(
    "action",
    [
        {},
        {"do": "dance"},
        {"do": "take_back", "gauge": "x", "sequence": "1"},
        {"do": "take_back"},
        {"do": "typed"},
        {"do": "typed", "text": "1", "unit": "m"},
    ],
)
def test_what_cannot_be_done_is_answered_in_words(bench: Bench, action: dict[str, Any]):
    answer = bench.door.act("x", action)

    assert not answer.done
    assert answer.text


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_a_reading_that_does_not_belong_is_asked_about_and_kept(bench: Bench):
    _type(bench, *["0.51"] * 4, *["0.70"] * 4, *["1.30"] * 4, "1.10", "1.10", "1.11", "1.10")
    _when(bench, lambda s: s["seq"] == 16 and s["next"]["kind"] == "slot_width")
    for _ in range(30):
        bench.door.act(f"skip-{time.monotonic_ns()}", {"do": "skip"})
    _type(bench, "1.10")
    bench.door.act("more", {"do": "repeat"})
    _type(bench, "1.30")

    shown = _when(bench, lambda s: s["queries"])
    (asked,) = shown["queries"]
    assert asked["text"].startswith("It stands 0.200 mm from its other reading")
    assert (shown["last"]["sequence"], shown["last"]["verdict"]) == (asked["sequence"], "remeasure")
    parts = shown["budgets"]["proud_end|1|bass"]
    assert sum(share for _, _, share in parts) == pytest.approx(100, abs=1)
    assert not bench.door.act("k1", {"do": "keep", "gauge": asked["gauge"], "sequence": "2"}).done
    assert not bench.door.act("k2", {"do": "keep", "gauge": asked["gauge"], "sequence": 99}).done
    answer = bench.door.act("k3", {"do": "keep", "gauge": asked["gauge"], "sequence": asked["sequence"]})
    assert answer.text == "kept: fret 1, bass: height of the seated fret"
    _when(bench, lambda s: not s["queries"])
    again = Bench(bench.store, NECK, default_limits("bass"), specs=default_gauges())
    assert again.session == bench.session
    assert again.recorder.kept().answered == {(asked["gauge"], asked["sequence"])}
    again.stop()


def test_a_typed_value_that_is_not_likely_is_asked_about_and_kept(bench: Bench):
    _type(bench, "5,2")

    (asked,) = _when(bench, lambda s: s["queries"])["queries"]
    assert asked["text"].startswith("5.200 mm is not likely here, where 0.2 to 1.5 mm is: take it back")
    assert bench.door.act("k", {"do": "keep", "gauge": asked["gauge"], "sequence": asked["sequence"]}).done
    assert _when(bench, lambda s: not s["queries"])["last"]["value_nm"] == 5_200_000


def test_what_is_left_of_a_stage_is_skipped_and_nothing_else(bench: Bench):
    _type(bench, "0.51")
    assert bench.door.act("s", {"do": "skip_stage"}).done
    slots = _when(bench, lambda s: s["stage"] == "slots")
    wire, slot = slots["stages"][:2]
    assert (wire["done"], wire["skipped"]) == (1, wire["of"] - 1)
    assert (slot["done"], slot["skipped"]) == (0, 0)
    assert bench.door.act("t", {"do": "skip_stage"}).done
    assert _when(bench, lambda s: s["stage"] == "seating")["next"]["words"] == "fret 1, bass: height of the seated fret"
    assert bench.door.act("u", {"do": "unskip"}).done
    assert _when(bench, lambda s: s["stage"] == "slots")["next"]["words"] == "fret 5, treble: slot depth"


def test_a_skipped_stage_is_asked_for_again_as_a_whole(bench: Bench):
    _type(bench, "0.51")
    assert bench.door.act("s", {"do": "skip_stage"}).done
    assert bench.door.act("t", {"do": "skip"}).done
    assert not bench.door.act("u", {"do": "unskip", "stage": "sweep"}).done

    answer = bench.door.act("v", {"do": "unskip", "stage": "wire"})

    assert answer.text == "asked again: wire: tang thickness and 3 more"
    shown = _when(bench, lambda s: s["stage"] == "wire" and s["stages"][1]["skipped"])
    assert [(one["done"], one["skipped"]) for one in shown["stages"][:2]] == [(1, 0), (0, 1)]
    assert shown["skipped"].startswith("fret 1")  # the single skip of a later stage is the last that is left


def test_of_a_finished_sheet_no_stage_can_be_skipped(bench: Bench):
    for number in range(4):
        assert bench.door.act(f"s{number}", {"do": "skip_stage"}).done
    assert not bench.door.act("t", {"do": "skip_stage"}).done
    shown = _when(bench, lambda s: s["state"] == "done")
    assert shown["after"] == [{"step": "skipped", "stages": [one["name"] for one in shown["stages"]]}]


def test_a_skip_is_shown_and_can_be_undone(bench: Bench):
    bench.door.act("s", {"do": "skip"})
    assert _when(bench, lambda s: s["skipped"])["skipped"] == "wire: tang thickness"
    assert bench.door.act("u", {"do": "unskip"}).text == "asked again: wire: tang thickness"
    assert _when(bench, lambda s: not s["skipped"])["next"]["kind"] == "tang_thickness"


def test_a_serial_gauge_is_read_lost_and_found(bench: Bench):
    profile = load_profiles()["caliper-inch"]
    with SimulatedGauge("green", profile=profile) as gauge:
        bench.add_gauge("green", profile, gauge.port)
        sent = gauge.press(510_000)
        shown = _when(bench, lambda s: s["seq"] == 1)
        assert (shown["last"]["value_nm"], shown["last"]["unit"]) == (sent, "in")
        gauge.unplug()
        _when(bench, lambda s: s["gauges"][0]["status"] == "lost")
        gauge.plug_in()
        _when(bench, lambda s: s["gauges"][0]["status"] == "alive")
        gauge.press(520_000)
        _when(bench, lambda s: s["seq"] == 2)
        bench.stop()


def test_a_reading_and_the_sight_of_its_gauge_are_one_snapshot(bench: Bench, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("logger.bench.TOGETHER_S", 20.0)  # however slow the disk is
    profile = load_profiles()["caliper-inch"]
    with SimulatedGauge("green", profile=profile) as gauge:
        bench.add_gauge("green", profile, gauge.port)
        _when(bench, lambda s: s["gauges"] and s["gauges"][0]["status"] == "alive")
        published: list[int] = []
        publish = bench.door.publish

        def note(shown: dict[str, Any]) -> None:
            published.append(shown["seq"])
            publish(shown)

        monkeypatch.setattr(bench.door, "publish", note)
        for number in (1, 2, 3):
            gauge.press(500_000 + 1000 * number)
            _when(bench, lambda s, number=number: s["seq"] == number)
        bench.stop()

    assert [published.count(number) for number in (1, 2)] == [1, 1]


def test_a_missing_port_is_refused(bench: Bench):
    with pytest.raises(PortNotFoundError):
        bench.add_gauge("green", load_profiles()["caliper-mm"], "/dev/no-such-port")


def test_trouble_of_the_store_is_shown_and_goes(bench: Bench):
    bench.on_trouble("the disk is full", 3)
    assert "the disk is full" in _when(bench, lambda s: s["trouble"])["trouble"]
    bench.on_trouble("", 0)
    _when(bench, lambda s: not s["trouble"])


def test_a_snapshot_that_cannot_be_made_is_said_and_the_bench_goes_on(bench: Bench, monkeypatch: pytest.MonkeyPatch):
    _when(bench, lambda s: s["next"])
    with monkeypatch.context() as broken:
        broken.setattr("logger.bench.build", lambda *_: 1 / 0)
        bench.door.act("t", {"do": "typed", "text": "0.5", "unit": "mm"})
        _when(bench, lambda s: "cannot be shown" in s["trouble"])

    _type(bench, "0.5")
    assert _when(bench, lambda s: s["seq"] == 2)["trouble"] == ""


def test_an_edited_description_is_a_new_revision_of_the_same_instrument(tmp_path: Path):
    other = parse_instrument('name = "n"\nkind = "bass"\nscale_mm = 860\nfrets = 5\n', where="test")
    with Store.create(tmp_path / "i.db") as store:
        first, again, edited = (keep_instrument(store, one) for one in (NECK, NECK, other))

    assert first == again
    assert edited == (first[0], 2)
