"""Make the plots in this folder again: the worked example, and the demo's sweep, plan and fit.

    .venv/bin/python docs/make_plots.py

Needs Debian's package chromium (or any Chromium named ``chromium`` on the path).
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import plotly.graph_objects as go
from playwright.sync_api import sync_playwright

from logger.evaluate import Evaluation, evaluate_file
from logger.levelling_report import plan_json
from logger.plan_command import levelling_of_file
from logger.plots import fit_figure, profile_figure, removal_figure

FOLDER = Path(__file__).parent
COMMAND = str(Path(sys.executable).with_name("fretledger"))
ARGS = ["--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-background-networking", "--disable-sync"]


def main() -> None:
    """Draw and photograph every figure."""
    example = FOLDER / "example"
    worked = evaluate_file(example / "readings.csv", example / "instrument.toml", gauges=example / "gauges.toml")
    figures = {"plan-profile": profile_figure(levelling_of_file(worked)), "plan-removal": _removal(worked)}
    with tempfile.TemporaryDirectory() as scratch:
        demo = _demo(Path(scratch))
        figures |= {"demo-profile": profile_figure(levelling_of_file(demo)), "demo-removal": _removal(demo),
                    "demo-fit": _fit(demo)}  # fmt: skip
        _photograph(figures, Path(scratch))


def _removal(result: Evaluation) -> go.Figure:
    levelling = levelling_of_file(result)
    plan = plan_json(levelling) or {"places": []}
    return removal_figure(levelling, plan["places"], crown_min_mm=levelling.limits.crown_min_mm)


def _fit(result: Evaluation) -> go.Figure:
    places = [(one.fret or 0, one.place, one.judgement.estimate) for one in result.verdicts
              if one.check == "tang_clearance"]  # fmt: skip
    return fit_figure(result.instrument.name, places, result.limits, "tang_clearance")


def _demo(scratch: Path) -> Evaluation:
    store, files = scratch / "demo.db", {name: scratch / f"{name}.toml" for name in ("instrument", "gauges", "limits")}
    command = [COMMAND, "demo", "--seconds", "20", "--seed", "7", "--no-browser", "--store", str(store)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    written = [f"--{name}-to={path}" for name, path in files.items()]
    with (scratch / "readings.csv").open("w", encoding="utf-8") as out:
        subprocess.run([COMMAND, "readings", "--store", str(store), *written], check=True, stdout=out)
    return evaluate_file(scratch / "readings.csv", files["instrument"], gauges=files["gauges"], limits=files["limits"])


def _photograph(figures: dict[str, go.Figure], scratch: Path) -> None:
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=shutil.which("chromium"), args=ARGS)
        for name, figure in figures.items():
            height = int(figure.layout.height)
            page = chromium.new_page(viewport={"width": 1000, "height": height})
            figure.write_html(scratch / f"{name}.html", include_plotlyjs=True, config={"displayModeBar": False})
            page.goto((scratch / f"{name}.html").as_uri())
            page.wait_for_selector(".main-svg")
            page.wait_for_timeout(300)
            page.screenshot(path=FOLDER / f"{name}.png", clip={"x": 0, "y": 0, "width": 1000, "height": height})
            page.close()
        chromium.close()


if __name__ == "__main__":
    main()
