"""What a gauge is known to be worth: digit, repeatability and zero, from a TOML file."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from logger.errors import GaugesError
from logger.toml_input import Table, load_toml


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSpec:
    """A gauge's worth; lengths in mm.

    Attributes:
        kind: ``caliper``, ``depth_indicator``, ``rocker``, ``leaves``, or another word.
        resolution_mm: one step of the last digit, or None where it has none (leaves).
        u_mm: standard uncertainty of one reading without the digit, independent between repeats, or None.
        zero_u_mm: standard uncertainty of the zero, common to a round and never divided by repeats.
    """

    kind: str
    resolution_mm: float | None = None
    u_mm: float | None = None
    zero_u_mm: float = 0.0


def read_gauges(path: Path) -> Mapping[str, GaugeSpec]:
    """Return the gauges of a file by name.

    Raises:
        GaugesError: the file or a key in it does not hold.
    """
    table = Table(load_toml(path, GaugesError), where=str(path), error=GaugesError)
    table.refuse_unknown(("gauge",))
    gauges = table.table("gauge")
    return {name: _spec(gauges.table(name)) for name in gauges.values}


def _spec(table: Table) -> GaugeSpec:
    table.refuse_unknown(("kind", "resolution_mm", "u_mm", "zero_u_mm"))
    return GaugeSpec(
        kind=table.text("kind"),
        resolution_mm=table.optional_number("resolution_mm", above=0, most=1),
        u_mm=table.optional_number("u_mm", least=0, most=1),
        zero_u_mm=table.optional_number("zero_u_mm", least=0, most=1) or 0.0,
    )


def gauges_toml(gauges: Mapping[str, GaugeSpec]) -> str:
    """Return gauges as the TOML that `read_gauges` reads."""
    lines: list[str] = []
    for name, spec in gauges.items():
        lines += [f'[gauge."{name}"]', f'kind = "{spec.kind}"']
        for key in ("resolution_mm", "u_mm", "zero_u_mm"):
            value = getattr(spec, key)
            if value is not None:
                lines.append(f"{key} = {value!r}")
        lines.append("")
    return "\n".join(lines)
