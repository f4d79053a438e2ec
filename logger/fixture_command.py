"""`fretledger fixture`: how to set the rocker fixture's feet for an instrument, and what to zero."""

from typing import Any, Final

from logger.evaluation.fixture import EDGE_MM, PLACING_MM, FixturePlan, Setting
from logger.instrument import Instrument
from logger.sentences import MM_PER_INCH, frets_words

ZERO: Final = "on the flat plate, before its first step and after its last"
HEAD: Final = ("setting", "feet", "between the bars", "frets", "margin", "zero")


def fixture_json(neck: Instrument, plan: FixturePlan) -> dict[str, Any]:
    """Return the settings as plain JSON values, lengths in mm."""
    return {
        "instrument": neck.name, "bar_mm": plan.bar_mm, "tip_mm": neck.fixture.tip_mm, "placing_mm": PLACING_MM,
        "settings": [
            {"name": one.name, "feet_mm": one.feet_mm, "frets": list(one.frets), "reach": one.reach,
             "margin_mm": round(one.margin_mm, 4)}
            for one in plan.settings
        ],
        "unserved": [{"fret": one.fret, "reach": one.reach, "why": one.why} for one in plan.unserved],
    }  # fmt: skip


def fixture_lines(neck: Instrument, plan: FixturePlan, *, unit: str) -> list[str]:
    """Return the settings as lines: one row for each, then what cannot be measured and why.

    Args:
        neck: the instrument.
        plan: its settings.
        unit: ``mm`` or ``in``.
    """
    if plan.bar_mm is None:
        lines = [f"{neck.name}: no setting of the rocker fixture"]
    else:
        lines = [
            (
                f"{neck.name}: rocker fixture, both bars {_size(plan.bar_mm, unit)} along the neck, "
                f"flat tip {_size(neck.fixture.tip_mm, unit)}, plunger midway"
            ),
            "",
            *_columns([HEAD, *(_row(one, plan.bar_mm, unit) for one in plan.settings)]),
            "",
            (
                f"   feet: centre to centre; margin: how far the fixture may stand off its place, at least "
                f"{_size(PLACING_MM, unit)};"
            ),
            f"   {_size(EDGE_MM, unit)} at every end of bars and tip does not count as bearing",
        ]
    if not plan.settings and not plan.unserved:
        lines.append("   a step needs three frets")
    return lines + [
        _unserved(reach, why, plan) for reach, why in dict.fromkeys((one.reach, one.why) for one in plan.unserved)
    ]


def _unserved(reach: int, why: str, plan: FixturePlan) -> str:
    frets = [one.fret for one in plan.unserved if (one.reach, one.why) == (reach, why)]
    return f"!! fret{'' if len(frets) == 1 else 's'} {frets_words(frets)}{_long(reach)}: {why}"


def _row(one: Setting, bar_mm: float, unit: str) -> tuple[str, ...]:
    frets = frets_words(one.frets) + _long(one.reach)
    return (
        one.name, _size(one.feet_mm, unit), _size(one.feet_mm - bar_mm, unit), frets, _size(one.margin_mm, unit), ZERO,
    )  # fmt: skip


def _long(reach: int) -> str:
    return "" if reach == 1 else ", long steps"


def _columns(rows: list[tuple[str, ...]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _size(value_mm: float, unit: str) -> str:
    return f"{value_mm:.1f} mm" if unit == "mm" else f"{value_mm / MM_PER_INCH:.3f} in"
