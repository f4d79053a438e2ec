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
BLOCK: Final = ("1:0.0005",)
"""What a first check is shown with: a block of 1 mm known to 0.0005 mm; the person puts in what the shop has."""
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


def steps(
    facts: Facts, *, open_study: bool, store_words: Sequence[str] = (), blocks: Sequence[str] = BLOCK
) -> list[dict[str, Any]]:
    """Return the steps as plain JSON values: ``name``, and ``command`` as typed in a terminal, or an empty one.

    Args:
        facts: what they follow from.
        open_study: a study of the gauge is under way.
        store_words: what a command needs to use this very store.
        blocks: known sizes for a check, like ``10:0.0005``.
    """
    check = ["gauges", "check", facts.name, *(word for one in blocks for word in ("--block", one)), *store_words]
    study = ["gauges", "study", facts.name, *store_words]
    named = facts.name if facts.saved else f"{facts.name}={facts.profile}@PORT"
    bench = ["bench", "--gauge", named, *store_words]
    commands = {
        "failed": check, "drifts": check, "overdue": check, "never": check, "worth_unknown": study, "go_on": study,
        "study": study, "connect": bench, "restart": ["bench", *(["--gauge", named] if facts.connected else []),
                                                      "--new", *store_words],
    }  # fmt: skip
    return [
        {"name": name, "command": shlex.join(["fretledger", *commands[name]]) if name in commands else ""}
        for name in step_names(facts, open_study=open_study)
    ]
