"""A store of an invented neck behind the page, and a browser that opens its views."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from dashboard.server import serve
from logger.door import Answer, Door
from logger.looking import Looking
from logger.readings_import import import_readings

SLOW_MS = 20_000

NAME = "Rill <b>no. 5</b> (invented)"
NECK = f"""\
name = "{NAME}"
kind = "steel-string"
scale_mm = 645.0
frets = 20
join_fret = 14
[target]
relief_mm = 0.1
[plan]
tolerance_mm = 0.01
crown_min_mm = 0.8
reseats = 1
"""
GAUGES = "".join(
    f'[gauge.{name}]\nkind = "{kind}"\nresolution_mm = 0.001\nu_mm = 0.003\nzero_u_mm = 0.002\n'
    for name, kind in (("caliper", "caliper"), ("depth", "depth_indicator"), ("rocker", "rocker"))
)
HEAD = "kind,fret,place,value,unit,feet,gauge,round\n"
READINGS = (
    f"{HEAD}"
    "tang_thickness,,,0.52,mm,,caliper,\nbarb_span,,,0.70,mm,,caliper,\ncrown_height,,,1.10,mm,,depth,\n"
    "slot_width,5,bass,0.56,mm,,caliper,\nslot_width,6,bass,0.49,mm,,caliper,\nslot_width,7,bass,0.75,mm,,caliper,\n"
    "seated_height,7,centre,1.18,mm,,depth,\n"
)


def _stored(folder: Path, readings: str, neck: str = NECK) -> tuple[Looking, str]:
    """Return who answers about a store of these readings, and the session in it."""
    for name, text in (("n.toml", neck), ("g.toml", GAUGES), ("r.csv", readings)):
        (folder / name).write_text(text, encoding="utf-8")
    import_readings(folder / "r.csv", folder / "s.db", instrument=folder / "n.toml", gauges=folder / "g.toml")
    looking = Looking(folder / "s.db", current="")
    session: str = looking.ask("rack", {})["instruments"][0]["sessions"][0]["session"]
    return looking, session


@pytest.fixture(scope="module")
def site(browser: Browser, tmp_path_factory: pytest.TempPathFactory, sweep_rows: Callable[..., str]) -> Iterator[Any]:
    """A page on a store with a full session and one with a single reading."""
    swept = READINGS + sweep_rows({7: 0.08, 12: 0.05}) + sweep_rows({12: 0.05}, "bass")
    folder = tmp_path_factory.mktemp("full")
    full, full_session = _stored(folder, swept)
    (folder / "after.csv").write_text(HEAD + sweep_rows({12: 0.05}), encoding="utf-8")
    import_readings(folder / "after.csv", folder / "s.db", instrument=folder / "n.toml", gauges=folder / "g.toml")
    bare, bare_session = _stored(tmp_path_factory.mktemp("bare"), "\n".join(READINGS.split("\n")[:2]))

    missing = [row for row in sweep_rows({7: 0.08, 12: 0.05}).splitlines() if not row.startswith("fret_step,10,")]
    folder = tmp_path_factory.mktemp("partly")
    _, partly_session = _stored(folder, f"{READINGS}{chr(10).join(missing)}\n")
    partly = Looking(folder / "s.db", current=partly_session)
    hardly, hardly_session = _stored(tmp_path_factory.mktemp("hardly"), READINGS + sweep_rows({12: 0.05, 16: 0.0235}))
    others = {bare_session: bare, partly_session: partly, hardly_session: hardly}

    def ask(what: str, wanted: Any) -> Any:
        return others.get(wanted.get("id"), full).ask(what, wanted)

    typed: list[Any] = []

    def act(_id: str, action: Any) -> Answer:
        typed.append(action)
        return Answer(done=True)

    door = Door(act, ask)
    door.publish({"version": 1, "store": "s", "boot": "b", "seq": 0, "bad_seq": 0})
    server = serve(door)
    yield server.url, full_session, bare_session, typed, partly_session, hardly_session
    server.stop()
    door.close()


@pytest.fixture
def looker(site: Any, browser: Browser) -> Iterator[tuple[Page, list[str], Callable[..., None]]]:
    """A page, what it complained of, and a function that opens a view of a session."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page, problems = context.new_page(), []
    page.on("console", lambda said: problems.append(said.text) if said.type in {"error", "warning"} else None)
    page.on("pageerror", lambda error: problems.append(str(error)))
    url, full, bare, *_ = site

    def look(view: str, *, empty: bool = False) -> None:
        page.goto(f"{url}#{view}/{bare if empty else full}")
        expect(page.locator(f"#view-{view} .standing")).to_contain_text(NAME, timeout=SLOW_MS)

    yield page, problems, look
    context.close()
    assert problems == []
