"""What a check of a gauge comes to, kept: the one way for the command and the page."""

from typing import Any

from logger.checks import CheckKeeper, Outcome, corrected, judge
from logger.gauges import Known, history, record, register
from logger.store import Store

Told = dict[str, Any]


def conclude(store: Store, gauge: Known, keeper: CheckKeeper, *, correct: bool = False) -> tuple[Told, Outcome]:
    """Judge the readings of a check, keep what it comes to, and return that as plain JSON values and as it is.

    Args:
        store: where the gauge and the check are kept.
        gauge: what is checked, as it is worth now.
        keeper: of the check; all its readings are in.
        correct: make the error found the gauge's known error, subtracted from its readings from now on.

    Raises:
        InsufficientDataError: there are too few readings.
        StoreError: the store cannot keep it.
    """
    outcome = judge(keeper.points, gauge.spec)
    keeper.finish(outcome)
    known_error = bool(gauge.spec.bias_mm or gauge.spec.bias_slope)
    if correct:
        gauge = take_off(store, gauge, keeper)
    with store.reader() as reader:
        checks = reader.gauge_checks(gauge.name)
    kept, past = record(gauge, checks, now_ns=keeper.at_ns), history(checks)
    faults = outcome.faults() + ([past.words] if past.drifts else [])
    told = kept | outcome.json() | {
        "faults": faults, "failed": bool(faults), "corrected": correct, "from_check_to_check": past.words,
        "known_error": known_error,
    }  # fmt: skip
    return told, outcome


def take_off(store: Store, gauge: Known, keeper: CheckKeeper) -> Known:
    """Make the error that a check found the gauge's known error, subtracted from its readings from now on.

    Raises:
        InsufficientDataError: there are too few readings.
        StoreError: the store cannot keep it.
    """
    return register(store, gauge.name, corrected(gauge.spec, keeper.points), source="check")
