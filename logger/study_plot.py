"""The one plot of a repeatability study: readings by part and person with their intervals, as a page of its own."""

from pathlib import Path
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go

from logger.errors import InputFileError
from logger.evaluation.distribution import Distribution
from logger.study import Study

_SERIES: Final = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
"""Source: palette of Okabe and Ito (2008), told apart by colour-blind people; symbols differ as well."""
_SYMBOLS: Final = ("circle", "square", "diamond", "triangle-up", "cross", "x", "star")


def write_plot(study: Study, path: Path) -> None:
    """Write one page that needs nothing else: readings by part and person with the mean and its 95 % interval.

    Raises:
        InputFileError: the file cannot be written.
    """
    figure = go.Figure(layout={
        "title": "Repeatability study: readings by part and person", "template": "plotly_white",
        "xaxis": {"title": "part", "tickvals": list(range(len(study.parts))), "ticktext": list(study.parts)},
        "yaxis": {"title": "reading, mm"},
    })  # fmt: skip
    for index, person in enumerate(study.people):
        for trace in _traces(study, index, person):
            figure.add_trace(trace)
    try:
        path.write_text(figure.to_html(include_plotlyjs="inline", full_html=True), encoding="utf-8")
    except OSError as error:
        raise InputFileError(
            f"{path}: cannot be written ({error.strerror}); give a file in a writable folder"
        ) from error


def _traces(study: Study, index: int, person: str) -> list[Any]:
    shift = 0.16 * (index - (len(study.people) - 1) / 2)
    values = [[value for part, who, _, value in study.rows if (part, who) == (one, person)] for one in study.parts]
    spread = study.result.repeatability_mm
    half = [Distribution(scale_mm=spread / len(v) ** 0.5, dof=study.result.dof).half_interval_mm() for v in values]
    at = [position + shift for position in range(len(study.parts))]
    look = {"color": _SERIES[index % len(_SERIES)], "symbol": _SYMBOLS[index % len(_SYMBOLS)]}
    dots = go.Scatter(
        x=[x for x, many in zip(at, values, strict=True) for _ in many], y=[v for many in values for v in many],
        mode="markers", name=f"{person}, readings", marker={**look, "size": 6, "opacity": 0.55},
    )  # fmt: skip
    means = go.Scatter(
        x=at, y=[float(np.mean(v)) for v in values], mode="markers", name=f"{person}, mean with 95 % interval",
        marker={**look, "size": 11}, error_y={"type": "data", "array": half, "color": look["color"]},
    )  # fmt: skip
    return [dots, means]
