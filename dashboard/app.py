"""Lay the page out: Dash places the containers, the asset scripts fill them.

Dash owns every element here and the text given here; the scripts write only into containers that are empty here,
so that the two never write the same node. The chart is the exception: the script asks Dash for it when there is
something to draw, because its library takes longer to load than all the rest, and gives it its figure as a property.
"""

import json
from pathlib import Path
from typing import Any, Final

from dash import Dash, html
from flask import Flask

from dashboard.words import PAGE, VIEWS, page_words

ASSETS: Final = Path(__file__).parent / "assets"

_INDEX: Final = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
<link rel="icon" href="/assets/mark.svg" type="image/svg+xml">
{%css%}
</head>
<body>
<noscript>@no_script@</noscript>
{%app_entry%}
<script type="application/json" id="words">@words@</script>
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""


_HIDDEN_FROM_READERS: Final[dict[str, Any]] = {"aria-hidden": "true"}


def _named(label: str) -> dict[str, Any]:
    return {"aria-label": label}


def make_app() -> Dash:
    """Return the Dash application with its layout; routes and guard are added by `dashboard.server`."""
    # Dash takes both, its annotations take neither
    untyped: dict[str, Any] = {"server": Flask("dashboard", static_folder=None), "update_title": None}
    app = Dash(
        "dashboard",
        assets_folder=str(ASSETS),
        title=PAGE["title"],
        serve_locally=True,
        add_log_handler=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        index_string=_index(),
        **untyped,
    )
    app.layout = _layout()
    return app


def _index() -> str:
    words = json.dumps(page_words(), ensure_ascii=False).replace("<", "\\u003c")
    return _INDEX.replace("@no_script@", PAGE["no_script"]).replace("@words@", words)


def _layout() -> Any:
    return html.Div(
        [
            html.A(PAGE["skip_link"], href="#typed", className="jump"),
            _header(),
            _views_nav(),
            html.Div(id="warnings", role="alert"),
            html.Main([
                html.Div([_bench(), _study(), _map(), _lists(), _worth()], id="view-bench", className="view"),
                *(html.Div(id=f"view-{name}", className="view", hidden=True) for name in VIEWS if name != "bench"),
            ]),
            html.Div(id="say", role="status", className="unseen"),
            html.Div(id="alarm", role="alert", className="unseen"),
        ],
        id="page",
    )


def _views_nav() -> Any:
    links = [html.A(words, href=f"#{name}", id=f"to-{name}") for name, words in VIEWS.items()]
    return html.Nav(links, id="views", **_named(PAGE["views"]))


def _header() -> Any:
    return html.Header([
        html.Span([html.Span(className="mark", **_HIDDEN_FROM_READERS), PAGE["brand"]], className="brand"),
        html.Div(id="instrument"),
        html.Span(id="link", role="status"),
        html.Div(
            [_switch("unit-mm", PAGE["mm"]), _switch("unit-in", PAGE["in"])],
            role="group",
            className="pair",
            **_named(PAGE["unit"]),
        ),
        _switch("dark", PAGE["dark"]),
        _switch("sound", PAGE["sound"]),
    ])


def _switch(name: str, label: str) -> Any:
    unpressed: dict[str, Any] = {"aria-pressed": "false"}
    return html.Button(label, id=name, type="button", className="switch", **unpressed)


def _bench() -> Any:
    return html.Section(
        [
            html.Div(
                [
                    html.Ol(id="stages", **_named(PAGE["stages"])),
                    html.Div(id="flagged", hidden=True),
                    html.Ul(id="gauges", **_named(PAGE["connected"])),
                ],
                className="strip",
            ),
            html.Div(id="taken", role="group", hidden=True, **_named(PAGE["taken"])),
            html.Div(id="neck", role="img", **_named(PAGE["neck"])),
            html.Div(
                [
                    html.Section(id="next", className="card", **_named(PAGE["next"])),
                    html.Div(
                        [
                            html.Div(id="queries", role="group", **_named(PAGE["query"])),
                            html.Section(id="reading", className="card", **_named(PAGE["last"])),
                            html.Div(id="sure", hidden=True),
                        ],
                        className="lately",
                    ),
                ],
                className="two",
            ),
            _entry(),
            html.Div(id="climate", role="group", className="climate", **_named(PAGE["climate"])),
        ],
        id="bench",
        **_named(PAGE["bench"]),
    )


def _entry() -> Any:
    return html.Div(
        [
            html.Div(id="entry", className="field"),
            html.Div(
                [
                    _action("take-now", PAGE["take_now"], "F4", hidden=True),
                    _action("repeat", PAGE["repeat"], "F2"),
                    _action("skip", PAGE["skip"], "F8"),
                    html.Button(PAGE["unskip"], id="unskip", type="button", className="action", hidden=True),
                    _action("take-back", PAGE["take_back"], "F9"),
                ],
                className="actions",
            ),
            html.Div(id="said", role="status"),
            html.Ul(id="refused", role="alert"),
        ],
        className="card entry",
    )


def _action(name: str, label: str, key: str, *, hidden: bool = False) -> Any:
    shortcut: dict[str, Any] = {"aria-keyshortcuts": key, "hidden": hidden}
    return html.Button([label, " ", html.Kbd(key)], id=name, type="button", className="action", **shortcut)


def _study() -> Any:
    return html.Section(
        [
            html.Div(id="outcome"),
            html.Div([html.H3(PAGE["study_chart"]), html.Div(id="study-chart-box", hidden=True)], id="by-part"),
            html.Div(id="outcome-tables"),
        ],
        id="study",
        className="card",
        hidden=True,
        **_named(PAGE["study"]),
    )


def _worth() -> Any:
    return html.Section(
        [html.H2(PAGE["gauges"]), html.P(PAGE["worth_more"], className="calm"), html.Div(id="worth")],
        id="gauge-records",
        className="card",
        hidden=True,
        **_named(PAGE["gauges"]),
    )


def _map() -> Any:
    return html.Section(
        [
            html.H2(PAGE["map"]),
            html.Div(id="checks", role="group", **_named(PAGE["map"])),
            html.Div(id="map"),
            html.Div(id="chart-box", hidden=True),
        ],
        className="card mapped",
        **_named(PAGE["map"]),
    )


def _lists() -> Any:
    return html.Div(
        [
            html.Section(
                [html.H2(PAGE["flags"]), html.Div(id="flags")],
                id="flag-list",
                className="card flags",
                tabIndex="-1",
                **_named(PAGE["flags"]),
            ),
            html.Section([html.H2(PAGE["recent"]), html.Ol(id="recent")], className="card"),
        ],
        className="lists",
    )
