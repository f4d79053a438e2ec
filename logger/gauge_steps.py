"""What is to be done about a gauge, the most urgent first: names of steps, and the commands that do them."""

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from logger.gauge_file import GaugeSpec

FAILING: Final = ("failed", "drifts", "moved")
"""Steps of a gauge whose readings are in doubt."""
WANTING: Final = ("overdue", "never", "worth_unknown")
"""Steps of a gauge of which too little is known."""
_UNKNOWN: Final = ("", "typed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the steps of a gauge follow from.

    Attributes:
        spec: what the gauge is worth.
        u_from: where its repeatability comes from.
        used: it measured something here, or was checked or studied.
        checked: it was checked against known sizes.
        failed: its newest check failed.
        drifts: its checks drift.
        overdue: its next check is.
        moved: its zero moved in the sitting at the bench.
        zeroed: its zero was taken in that sitting.
        other_worth: that sitting goes on with a worth it had before.
        connected: the bench has opened it.
        saved: the person has saved it under its name.
        typed: its readings are typed.
        profile: what read it last, empty when it was never connected.
    """

    name: str
    spec: GaugeSpec
    u_from: str = "default"
    used: bool = True
    checked: bool = False
    failed: bool = False
    drifts: bool = False
    overdue: bool = False
    moved: bool = False
    zeroed: bool = False
    other_worth: bool = False
    connected: bool = False
    saved: bool = False
    typed: bool = False
    profile: str = ""


def step_names(facts: Facts, *, open_study: bool = False) -> list[str]:
    """Return the steps that are to be taken, the most urgent first; leaves and typed numbers of no kind need few."""
    leaves = facts.spec.kind == "leaves"
    measures = facts.spec.kind not in _UNKNOWN and facts.used
    studied = facts.spec.u_mm is not None and facts.u_from != "default"
    wanted = {
        "failed": facts.failed,
        "drifts": facts.drifts and not facts.failed,
        "moved": facts.moved,
        "overdue": facts.overdue and not facts.failed,
        "never": measures and not facts.checked and not leaves,
        "worth_unknown": measures and not leaves and facts.spec.u_mm is None and not open_study,
        "go_on": open_study,
        "zero": facts.connected and not facts.zeroed,
        "restart": facts.other_worth,
        "study": measures and not leaves and facts.spec.u_mm is not None and not studied and not open_study,
        "connect": not facts.connected and not facts.typed and (facts.saved or bool(facts.profile)),
        "leaves": leaves,
    }
    return [name for name, is_wanted in wanted.items() if is_wanted]


def state_of(names: Sequence[str]) -> str:
    """Return ``fail`` where readings are in doubt, ``remeasure`` where too little is known, else ``pass``."""
    if any(name in FAILING for name in names):
        return "fail"
    return "remeasure" if any(name in WANTING for name in names) else "pass"


def study_command(facts: Facts, *, port: str = "", store_words: Sequence[str] = ()) -> str:
    """Return the command that begins a study of a gauge on a page of its own, or goes on with it.

    Args:
        facts: what is known of the gauge.
        port: where it is connected, empty where it is not.
        store_words: what a command needs to use this very store.
    """
    plugged = ["--gauge", facts.name if facts.saved else f"{facts.name}={facts.profile}@{port or 'PORT'}"]
    gauge = plugged if facts.connected or facts.saved else []
    return shlex.join(["fretledger", "gauges", "study", facts.name, "--page", *gauge, *store_words])


def steps(facts: Facts, *, open_study: bool, store_words: Sequence[str] = (), port: str = "") -> list[dict[str, Any]]:
    """Return the steps as plain JSON values: ``name``, and ``command`` as typed in a terminal, or an empty one.

    A check needs none: it is done on the page.

    Args:
        facts: what they follow from.
        open_study: a study of the gauge is under way.
        store_words: what a command needs to use this very store.
        port: where the gauge is connected, empty where it is not.
    """
    study = study_command(facts, port=port, store_words=store_words)
    named = facts.name if facts.saved else f"{facts.name}={facts.profile}@PORT"
    again = ["fretledger", "bench", *(["--gauge", named] if facts.connected else []), "--new", *store_words]
    commands = {
        "worth_unknown": study, "go_on": study, "study": study, "restart": shlex.join(again),
        "connect": shlex.join(["fretledger", "bench", "--gauge", named, *store_words]),
    }  # fmt: skip
    return [{"name": name, "command": commands.get(name, "")} for name in step_names(facts, open_study=open_study)]
