"""Pictures of a judged neck: heights with their band, planned removal and crown left, wire and slots against limits.

Pure: what was judged goes in, a Plotly figure comes out. Lengths in mm.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from logger.evaluation.estimate import Estimate
from logger.levelling_report import Levelling
from logger.limits import LimitSet

BAND: Final = 1.959963985
"""Half-width of a 95 % band in standard uncertainties."""
COLOURS: Final = {"bass": "#1b6e8c", "centre": "#7a4a9e", "treble": "#b3541e", None: "#444444"}
DASHES: Final = {"bass": "solid", "centre": "dot", "treble": "dash", None: "solid"}
EXAGGERATED: Final = "heights exaggerated"
_LAYOUT: Final[dict[str, Any]] = {
    "template": "plotly_white", "font": {"size": 15}, "margin": {"l": 70, "r": 20, "t": 60, "b": 55},
    "legend": {"orientation": "h", "y": 1.02, "x": 1, "xanchor": "right", "yanchor": "bottom"},
}  # fmt: skip


def profile_figure(levelling: Levelling) -> go.Figure:
    """Return the heights over the shape wanted, path by path, each with its 95 % band and the plan's tolerance."""
    neck, frets = levelling.neck, list(levelling.frets)
    rows = len(levelling.paths)
    titles = [f"{path or 'path'}" for path in levelling.paths]
    figure = make_subplots(rows=rows, cols=1, shared_xaxes=True, vertical_spacing=0.06, subplot_titles=titles)
    tolerance = levelling.limits.tolerance_mm
    for row, path in enumerate(levelling.paths):
        off = neck.height_mm[row] - neck.shape_mm[row]
        off = off - _middle_line(neck.positions_mm, off)
        half, colour = BAND * neck.u_mm[row], COLOURS[path]
        low, high = off - half, off + half
        figure.add_scatter(x=frets + frets[::-1], y=[*high, *low[::-1]], fill="toself", fillcolor=colour, opacity=0.18,
                           line={"width": 0}, hoverinfo="skip", name="95 % band", showlegend=row == 0,
                           row=row + 1, col=1)  # fmt: skip
        figure.add_scatter(x=frets, y=off, mode="lines+markers", line={"color": colour, "dash": DASHES[path]},
                           name=f"{path or 'path'}", row=row + 1, col=1)  # fmt: skip
        figure.add_hrect(y0=-tolerance, y1=tolerance, line_width=0, fillcolor="#2e7d32", opacity=0.12, row=row + 1,
                         col=1)  # fmt: skip
        figure.update_yaxes(title_text="mm", row=row + 1, col=1)
    figure.update_xaxes(title_text="fret", dtick=1, row=rows, col=1)
    title = f"{levelling.instrument.name}: fret tops over the shape wanted ({EXAGGERATED}; green: tolerance)"
    figure.update_layout(
        **_LAYOUT, title={"text": title, "x": 0, "font": {"size": 17}}, height=240 + 190 * rows, showlegend=False
    )
    figure.update_xaxes(range=[0.5, levelling.instrument.frets + 0.5])
    return figure


def _middle_line(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return the line that half of the known places lie above: single high frets do not tilt it."""
    known = np.isfinite(y)
    a, b = np.polyfit(x[known], y[known], 1)
    for _ in range(20):  # least absolute deviations by reweighting
        weight = 1 / np.maximum(np.abs(y[known] - a * x[known] - b), 1e-4)
        a, b = np.polyfit(x[known], y[known], 1, w=np.sqrt(weight))
    line: np.ndarray = a * x + b
    return line


def removal_figure(levelling: Levelling, places: Sequence[dict[str, Any]], *, crown_min_mm: float) -> go.Figure:
    """Return what is filed off and how much crown is left, fret by fret.

    Args:
        levelling: what the plan was made from.
        places: the plan's places, as `plan_json` gives them.
        crown_min_mm: least crown that the plan keeps.
    """
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, vertical_spacing=0.1,
                           subplot_titles=["file off", "crown left"])  # fmt: skip
    for path in levelling.paths:
        own = [one for one in places if one["place"] == path]
        frets, colour = [one["fret"] for one in own], COLOURS[path]
        figure.add_bar(x=frets, y=[one["remove_mm"] for one in own], marker_color=colour, name=f"{path or 'path'}",
                       row=1, col=1)  # fmt: skip
        figure.add_scatter(x=frets, y=[one["crown_left_mm"] for one in own], mode="lines+markers", showlegend=False,
                           line={"color": colour, "dash": DASHES[path]}, row=2, col=1)  # fmt: skip
        for one in own:
            if one["reseat_down_mm"]:
                figure.add_annotation(x=one["fret"], y=0, text=f"re-seat {path or ''}", textangle=-90, showarrow=False,
                                      yanchor="bottom", row=1, col=1)  # fmt: skip
    figure.update_xaxes(range=[0.5, levelling.instrument.frets + 0.5])
    figure.add_hline(y=crown_min_mm, line_dash="dash", line_color="#b00020", row=2, col=1,
                     annotation_text="least crown", annotation_position="bottom right")  # fmt: skip
    figure.update_yaxes(title_text="mm", row=1, col=1)
    figure.update_yaxes(title_text="mm", range=[crown_min_mm - 0.05, None], row=2, col=1)
    figure.update_xaxes(title_text="fret", dtick=1, row=2, col=1)
    title = f"{levelling.instrument.name}: the plan"
    figure.update_layout(**_LAYOUT, title={"text": title, "x": 0, "font": {"size": 17}}, height=620, barmode="group")
    return figure


def fit_figure(
    name: str, places: Sequence[tuple[int, str | None, Estimate]], limits: LimitSet, check: str
) -> go.Figure:
    """Return a fit check fret by fret with 95 % intervals against its limits.

    Args:
        name: the instrument's.
        places: fret, place and value of the check.
        limits: the limits.
        check: ``tang_clearance`` or another check.
    """
    figure = go.Figure()
    for index, path in enumerate(dict.fromkeys(place for _, place, _ in places)):
        own = [(fret, one) for fret, place, one in places if place == path]
        figure.add_scatter(
            x=[fret + 0.2 * (index - 1) for fret, _ in own], y=[one.value_mm for _, one in own], mode="markers",
            marker={"color": COLOURS[path], "symbol": ("circle", "square", "diamond")[index % 3], "size": 9},
            name=path or "slot",
            error_y={"type": "data", "array": [one.expanded_u_mm() if one.known else 0.0 for _, one in own]},
        )  # fmt: skip
    for edge, words in ((limits[check].lower_mm, "lower limit"), (limits[check].upper_mm, "upper limit")):
        if edge is not None:
            figure.add_hline(y=edge, line_dash="dash", line_color="#b00020", annotation_text=words)
    figure.update_xaxes(title_text="fret", dtick=1)
    figure.update_yaxes(title_text="slot less tang, mm" if check == "tang_clearance" else "mm")
    figure.update_layout(**_LAYOUT, title={"text": f"{name}: slots against the tang", "x": 0, "font": {"size": 17}},
                         height=460)  # fmt: skip
    return figure
