"""What a gauge is known to be worth: digit, repeatability and zero, from a TOML file."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logger.errors import GaugesError
from logger.names import text_fault
from logger.toml_input import Table, load_toml


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSpec:
    """A gauge's worth; lengths in mm.

    Attributes:
        kind: ``caliper``, ``depth_indicator``, ``rocker``, ``leaves``, or another word.
        resolution_mm: one step of the last digit, or None where it has none (leaves).
        u_mm: standard uncertainty of one reading without the digit, independent between repeats, or None.
        zero_u_mm: standard uncertainty of the zero, common to a round and never divided by repeats.
        zero_drift_mm: how far the zero moved between the zero checks before and after a round, without sign.
        bow_u_mm: standard uncertainty of how far the middle of a straightedge or beam bows; 0 takes it as straight.
        u_dof: degrees of freedom behind ``u_mm``, from the study it came from; infinite when it counts as known.
        faces: which faces touch, empty when the gauge has only one pair; a known error belongs to gauge and faces.
        bias_mm: what the gauge reads too much at ``bias_about_mm``; subtracted from its readings.
        bias_u_mm: standard uncertainty of that.
        bias_slope: how the error changes with size, mm per mm.
        bias_slope_u: standard uncertainty of that.
    """

    kind: str
    resolution_mm: float | None = None
    u_mm: float | None = None
    zero_u_mm: float = 0.0
    zero_drift_mm: float = 0.0
    bow_u_mm: float = 0.0
    u_dof: float = math.inf
    faces: str = ""
    bias_mm: float = 0.0
    bias_u_mm: float = 0.0
    bias_about_mm: float = 0.0
    bias_slope: float = 0.0
    bias_slope_u: float = 0.0

    def bias_at(self, size_mm: float) -> float:
        """Return what the gauge reads too much at a size, in mm."""
        return self.bias_mm + self.bias_slope * (size_mm - self.bias_about_mm)


_WORTH: Final = ("resolution_mm", "u_mm", "zero_u_mm")
_MORE: Final = ("zero_drift_mm", "bow_u_mm", "bias_mm", "bias_u_mm", "bias_about_mm", "bias_slope", "bias_slope_u")


def worth(spec: GaugeSpec) -> dict[str, float | str | None]:
    """Return a gauge's worth as plain values, without its kind; what is not known or not stated is left out or None."""
    values: dict[str, float | str | None] = {key: getattr(spec, key) for key in _WORTH}
    values |= {key: getattr(spec, key) for key in _MORE if getattr(spec, key)}
    if math.isfinite(spec.u_dof):
        values["u_dof"] = spec.u_dof
    if spec.faces:
        values["faces"] = spec.faces
    return values


def spec_from(kind: str, values: Mapping[str, Any]) -> GaugeSpec:
    """Return the worth that `worth` wrote; keys of a newer program are passed over."""
    return GaugeSpec(
        kind=kind,
        resolution_mm=values.get("resolution_mm"),
        u_mm=values.get("u_mm"),
        zero_u_mm=values.get("zero_u_mm") or 0.0,
        u_dof=values.get("u_dof") or math.inf,
        faces=values.get("faces") or "",
        **{key: float(values.get(key) or 0.0) for key in _MORE},
    )


def read_gauges(path: Path) -> Mapping[str, GaugeSpec]:
    """Return the gauges of a file by name.

    Raises:
        GaugesError: the file or a key in it does not hold.
    """
    table = Table(load_toml(path, GaugesError), where=str(path), error=GaugesError)
    table.refuse_unknown(("gauge",))
    gauges = table.table("gauge")
    for name in gauges.values:
        if fault := text_fault("a gauge's name", name):
            raise GaugesError(f"{path}: {fault}")
    return {name: _spec(gauges.table(name)) for name in gauges.values}


def _text(table: Table, key: str, default: str | None = None) -> str:
    text = table.text(key, default=default)
    if fault := text_fault(key, text):
        raise GaugesError(f"{table.where}: {fault}")
    return text


def _spec(table: Table) -> GaugeSpec:
    table.refuse_unknown(("kind", *_WORTH, *_MORE, "u_dof", "faces"))
    return GaugeSpec(
        kind=_text(table, "kind"),
        resolution_mm=table.optional_number("resolution_mm", above=0, most=1),
        u_mm=table.optional_number("u_mm", least=0, most=1),
        zero_u_mm=table.optional_number("zero_u_mm", least=0, most=1) or 0.0,
        zero_drift_mm=table.optional_number("zero_drift_mm", least=0, most=1) or 0.0,
        bow_u_mm=table.optional_number("bow_u_mm", least=0, most=1) or 0.0,
        u_dof=table.optional_number("u_dof", above=0) or math.inf,
        faces=_text(table, "faces", "-").removeprefix("-"),
        bias_mm=table.optional_number("bias_mm", least=-10, most=10) or 0.0,
        bias_u_mm=table.optional_number("bias_u_mm", least=0, most=1) or 0.0,
        bias_about_mm=table.optional_number("bias_about_mm", least=-10_000, most=10_000) or 0.0,
        bias_slope=table.optional_number("bias_slope", least=-1, most=1) or 0.0,
        bias_slope_u=table.optional_number("bias_slope_u", least=0, most=1) or 0.0,
    )


def gauges_toml(gauges: Mapping[str, GaugeSpec]) -> str:
    """Return gauges as the TOML that `read_gauges` reads."""
    lines: list[str] = []
    for name, spec in gauges.items():
        lines += [f"[gauge.{_quoted(name)}]", f"kind = {_quoted(spec.kind)}"]
        for key, value in worth(spec).items():
            if value is not None:
                lines.append(f"{key} = {_quoted(value) if isinstance(value, str) else repr(value)}")
        lines.append("")
    return "\n".join(lines)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
