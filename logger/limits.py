"""The limits of every check: shipped defaults by kind of instrument, overridden table by table from a file."""

import tomllib
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from logger.errors import LimitsError
from logger.evaluation.conformity import Limits, Process
from logger.toml_input import Table, load_toml, parse_toml

CHECKS: Final = (
    "slot_position", "board_arc", "hump", "tang_clearance", "barb_bite", "slot_depth_spare", "proud_end",
    "both_ends_proud", "middle_high", "uneven_seating", "tilted_fret", "loose_fret", "lifted_end", "high_fret",
    "low_fret", "string_clearance",
)  # fmt: skip
KNOWN_KINDS: Final = ("electric", "steel-string", "bass", "classical")
MAGNITUDES: Final = ("uneven_seating", "tilted_fret")
"""Checks of a size: only an upper limit makes sense."""
_KEYS: Final = ("lower_mm", "upper_mm", "p_pass", "p_fail")
_PROCESS: Final = ("process_mean_mm", "process_sd_mm")
_MOST_MM, _NANOMETRE = 1000.0, 1e-6

LimitSet = Mapping[str, Limits]


def default_limits(kind: str) -> LimitSet:
    """Return the shipped limits for a kind of instrument; kinds without a set of their own get the general one."""
    folder = files("logger.defaults")
    chosen = _parse(tomllib.loads((folder / "limits.toml").read_text(encoding="utf-8")), where="limits.toml")
    own = folder / f"limits-{kind}.toml" if kind.replace("-", "").isalnum() else None
    if own is not None and own.is_file():
        chosen |= _parse(tomllib.loads(own.read_text(encoding="utf-8")), where=own.name)
    return MappingProxyType(chosen)


def kind_notes(kind: str) -> list[str]:
    """Say that an instrument's kind has no default limits of its own; nothing for the kinds that are known."""
    if kind in KNOWN_KINDS:
        return []
    return [
        f"kind {kind!r} is none of {', '.join(KNOWN_KINDS)}: the general limits are used; state yours with --limits"
    ]


def read_limits(path: Path, *, kind: str) -> LimitSet:
    """Return the limits of a file; a check without a table there keeps its default.

    Raises:
        LimitsError: the file or a key in it does not hold.
    """
    return MappingProxyType(dict(default_limits(kind)) | _parse(load_toml(path, LimitsError), where=str(path)))


def parse_limits(text: str, *, where: str, kind: str) -> LimitSet:
    """Return the limits of a TOML text; a check without a table there keeps its default.

    Raises:
        LimitsError: the text or a key in it does not hold.
    """
    values = parse_toml(text, where=where, error=LimitsError)
    return MappingProxyType(dict(default_limits(kind)) | _parse(values, where=where))


def limits_toml(limits: LimitSet) -> str:
    """Return the limits as the TOML that `read_limits` reads."""
    lines: list[str] = []
    for check, one in limits.items():
        lines.append(f"[{check}]")
        lines += [f"{key} = {value!r}" for key in _KEYS if (value := getattr(one, key)) is not None]
        if one.process is not None:
            lines += [f"process_mean_mm = {one.process.mean_mm!r}", f"process_sd_mm = {one.process.sd_mm!r}"]
        lines.append("")
    return "\n".join(lines)


def _parse(values: Mapping[str, Any], *, where: str) -> dict[str, Limits]:
    table = Table(values, where=where, error=LimitsError)
    table.refuse_unknown(CHECKS)
    return {check: _limits(check, table.table(check)) for check in values}


def _limits(check: str, table: Table) -> Limits:
    table.refuse_unknown((*_KEYS, *_PROCESS))
    lower, upper = table.optional_number("lower_mm"), table.optional_number("upper_mm")
    if lower is None and upper is None:
        raise LimitsError(f"{table.where}: give lower_mm, upper_mm or both")
    if lower is not None and upper is not None and lower >= upper:
        raise LimitsError(f"{table.where}: lower_mm {lower!r} must be below upper_mm {upper!r}")
    if check in MAGNITUDES and (lower is not None or upper is None or upper < 0):
        raise LimitsError(f"{table.where}: {check} is a size; give upper_mm alone, not negative")
    p_pass = table.optional_number("p_pass", above=0, most=1)
    p_fail = table.optional_number("p_fail", least=0, most=1)
    limits = Limits(
        lower_mm=lower,
        upper_mm=upper,
        p_pass=0.95 if p_pass is None else p_pass,
        p_fail=0.05 if p_fail is None else p_fail,
        process=_process(table),
    )
    if limits.p_fail >= limits.p_pass:
        raise LimitsError(f"{table.where}: p_fail {limits.p_fail!r} must be below p_pass {limits.p_pass!r}")
    return limits


def _process(table: Table) -> Process | None:
    mean = table.optional_number("process_mean_mm", least=-_MOST_MM, most=_MOST_MM)
    sd = table.optional_number("process_sd_mm", above=0, most=_MOST_MM)
    if mean is None and sd is None:
        return None
    if mean is None or sd is None:
        raise LimitsError(f"{table.where}: give process_mean_mm and process_sd_mm together, or neither")
    if sd < _NANOMETRE:
        raise LimitsError(f"{table.where}: process_sd_mm {sd!r} is below a nanometre; give the spread in mm")
    return Process(mean_mm=mean, sd_mm=sd)
