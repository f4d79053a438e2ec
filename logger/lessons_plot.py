"""Slot widths by blade in the order of cutting, with the limits of their charts, as a page of its own."""

from html import escape
from pathlib import Path

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from logger.errors import InputFileError
from logger.lessons import Blade, Lessons

_COLOUR, _BEYOND = "#1b6e8c", "#b3541e"


def write_kerf_plot(found: Lessons, path: Path) -> None:
    """Write one page that needs nothing else: for each blade the mean slot width of its necks, centre and limits.

    Raises:
        InputFileError: no neck states its blade, or the file cannot be written.
    """
    if not found.blades:
        raise InputFileError("no neck with slots states its blade; write blade under [wire] in its description")
    titles = [f"blade {escape(one.name)}" for one in found.blades]
    rows = len(found.blades)
    figure = make_subplots(rows=rows, cols=1, subplot_titles=titles, vertical_spacing=min(0.1, 0.4 / rows))
    for row, blade in enumerate(found.blades, start=1):
        _draw(figure, blade, row)
    figure.update_layout(template="plotly_white", showlegend=False, height=320 * rows + 80,
                         title="Slot width by blade, neck by neck in the order of cutting")  # fmt: skip
    figure.update_yaxes(title="mean slot width, mm")
    try:
        path.write_text(figure.to_html(include_plotlyjs="inline", full_html=True), encoding="utf-8")
    except OSError as error:
        raise InputFileError(
            f"{path}: cannot be written ({error.strerror}); give a file in a writable folder"
        ) from error


def _draw(figure: go.Figure, blade: Blade, row: int) -> None:
    beyond = set(blade.drift.chart.beyond) if blade.drift else set()
    at = list(range(1, len(blade.widths_mm) + 1))
    figure.add_scatter(
        x=at, y=list(blade.widths_mm), mode="lines+markers", text=[escape(one) for one in blade.necks],
        hovertemplate="%{text}: %{y:.4f} mm<extra></extra>", line={"color": _COLOUR},
        marker={
            "size": 10, "color": [_BEYOND if index in beyond else _COLOUR for index in range(len(at))],
            "symbol": ["x" if index in beyond else "circle" for index in range(len(at))],
        },
        row=row, col=1,
    )  # fmt: skip
    if blade.drift is None:
        return
    chart = blade.drift.chart
    for y, dash in ((chart.centre, "solid"), (chart.lower, "dash"), (chart.upper, "dash")):
        figure.add_hline(y=y, line={"dash": dash, "color": "#666666", "width": 1}, row=row, col=1)
