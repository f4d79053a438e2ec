"""Lay the page out: Dash places the containers, the asset scripts fill them.

Dash owns every element here and the text given here; the scripts write only into containers that are empty here,
so that the two never write the same node. The chart of a study is the exception: the script asks Dash for it when there
is something to draw, because its library takes longer to load than all the rest, and gives it its figure as a property.
"""

import json
from collections.abc import Mapping
from html import escape as html_escape
from pathlib import Path
from typing import Any, Final

from dash import Dash, html
from flask import Flask

from dashboard.words import page_words

Said = Mapping[str, str]

ASSETS: Final = Path(__file__).parent / "assets"

_INDEX: Final = """<!DOCTYPE html>
<html lang="@lang@">
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


def make_app(words: Mapping[str, Any] | None = None) -> Dash:
    """Return the Dash application with its layout in these words of `page_words`, English if none are given.

    Routes and guard are added by `dashboard.server`.
    """
    words = page_words() if words is None else words
    said: Said = words["page"]
    # Dash takes both, its annotations take neither
    untyped: dict[str, Any] = {"server": Flask("dashboard", static_folder=None), "update_title": None}
    app = Dash(
        "dashboard",
        assets_folder=str(ASSETS),
        title=said["title"],
        serve_locally=True,
        add_log_handler=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        index_string=_index(words),
        **untyped,
    )
    app.layout = _layout(said, words["views"])
    return app


def _index(words: Mapping[str, Any]) -> str:
    said: Said = words["page"]
    index = _INDEX.replace("@lang@", html_escape(said["locale"])).replace("@no_script@", html_escape(said["no_script"]))
    return index.replace("@words@", json.dumps(words, ensure_ascii=False).replace("<", "\\u003c"))


def _layout(said: Said, views: Said) -> Any:
    return html.Div(
        [
            html.A(said["skip_link"], href="#typed", className="jump"),
            _header(said),
            _views_nav(said, views),
            html.P(id="onlooker", hidden=True),
            html.Div(id="warnings", role="alert"),
            html.Main([
                _view("bench", [_bench(said), _study(said), _map(said), _lists(said), _worth(said)]),
                *(_view(name, [], hidden=True) for name in views if name != "bench"),
            ]),
            html.Dialog(id="cell", **_named(said["cell_box"])),
            html.Dialog(id="key-list", **_named(said["keys"])),
            html.Div(id="say", role="status", className="unseen"),
            html.Div(id="alarm", role="alert", className="unseen"),
        ],
        id="page",
    )


def _views_nav(said: Said, views: Said) -> Any:
    links = [html.A(words, href=f"#{name}", id=f"to-{name}") for name, words in views.items()]
    return html.Nav(links, id="views", **_named(said["views"]))


def _view(name: str, inside: list[Any], **more: Any) -> Any:
    """Return the box of a view, which takes the focus when its link is followed and has the link's words for a name."""
    named: dict[str, Any] = {"aria-labelledby": f"to-{name}"}
    return html.Div(inside, id=f"view-{name}", className="view", role="region", tabIndex=-1, **named, **more)


def _header(said: Said) -> Any:
    return html.Header([
        html.Span([html.Span(className="mark", **_HIDDEN_FROM_READERS), said["brand"]], className="brand"),
        html.Div(id="instrument"),
        html.Span(id="link", role="status"),
        html.Div(
            [_switch("unit-mm", said["mm"]), _switch("unit-in", said["in"])],
            role="group",
            className="pair",
            **_named(said["unit"]),
        ),
        _switch("dark", said["dark"]),
        _switch("sound", said["sound"]),
    ])


def _switch(name: str, label: str) -> Any:
    unpressed: dict[str, Any] = {"aria-pressed": "false"}
    return html.Button(label, id=name, type="button", className="switch", **unpressed)


def _welcome(said: Said) -> Any:
    return html.Section(id="welcome", className="card", hidden=True, **_named(said["welcome"]))


def _bench(said: Said) -> Any:
    return html.Section(
        [
            html.Div(
                [
                    html.Ol(id="stages", **_named(said["stages"])),
                    html.Div(id="flagged", hidden=True),
                    html.Ul(id="gauges", **_named(said["connected"])),
                ],
                className="strip",
            ),
            html.Div(id="taken", role="group", hidden=True, **_named(said["taken"])),
            html.Div(id="neck", role="img", **_named(said["neck"])),
            html.Div(
                [
                    html.Section(id="next", className="card", **_named(said["next"])),
                    _entry(said),
                    html.Div(
                        [
                            _welcome(said),
                            html.Div(id="queries", role="group", **_named(said["query"])),
                            html.Section(id="reading", className="card", **_named(said["last"])),
                            html.Div(id="sure", hidden=True),
                        ],
                        className="lately",
                    ),
                ],
                className="two",
            ),
            html.Div(
                [
                    html.Div(id="climate", role="group", className="climate", **_named(said["climate"])),
                    html.A(said["note_write"], href="#record", id="to-note", className="small"),
                    html.Button(
                        [said["keys_show"], " ", html.Kbd(said["key_help"])],
                        id="show-keys",
                        type="button",
                        className="small",
                    ),
                ],
                className="below",
            ),
        ],
        id="at-bench",
        **_named(said["bench"]),
    )


def _entry(said: Said) -> Any:
    return html.Div(
        [
            html.Div(id="entry", className="field"),
            html.Div(
                [
                    _action("take-now", said["take_now"], "F4", hidden=True),
                    _action("repeat", said["repeat"], "F2"),
                    _action("skip", said["skip"], "F8"),
                    html.Button(said["unskip"], id="unskip", type="button", className="action", hidden=True),
                    _action("take-back", said["take_back"], "F9"),
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


def _study(said: Said) -> Any:
    return html.Section(
        [
            html.Div(id="outcome"),
            html.Div([html.H3(said["study_chart"]), html.Div(id="study-chart-box", hidden=True)], id="by-part"),
            html.Div(id="outcome-tables"),
        ],
        id="study",
        className="card",
        hidden=True,
        **_named(said["study"]),
    )


def _worth(said: Said) -> Any:
    return html.Section(
        [html.H2(said["gauges"]), html.P(said["worth_more"], className="calm"), html.Div(id="worth")],
        id="gauge-records",
        className="card",
        hidden=True,
        **_named(said["gauges"]),
    )


def _map(said: Said) -> Any:
    return html.Section(
        [
            html.H2(said["map"]),
            html.Div(id="checks", role="group", **_named(said["map"])),
            html.Div(id="map"),
            html.Div(id="chart-box", hidden=True),
        ],
        className="card mapped",
        **_named(said["map"]),
    )


def _lists(said: Said) -> Any:
    return html.Div(
        [
            html.Section(
                [html.H2(said["flags"]), html.Div(id="flags")],
                id="flag-list",
                className="card flags",
                tabIndex="-1",
                **_named(said["flags"]),
            ),
            html.Section([html.H2(said["recent"]), html.Ol(id="recent")], className="card"),
        ],
        className="lists",
    )
