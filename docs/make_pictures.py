"""Make the pictures in this folder again: run the demo and photograph its page in headless Chromium.

    .venv/bin/python docs/make_pictures.py

Needs Debian's package chromium (or any Chromium named ``chromium`` on the path).
"""

import json
import shutil
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

FOLDER = Path(__file__).parent
COMMAND = str(Path(sys.executable).with_name("fretledger"))
ARGS = ["--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-background-networking", "--disable-sync"]
LAPTOP, TABLET = {"width": 1280, "height": 800}, {"width": 820, "height": 1180}


def main() -> None:
    """Take every picture in one run of the demo."""
    demo = subprocess.Popen(
        [COMMAND, "demo", "--seconds", "120", "--seed", "7", "--no-browser"], stdout=subprocess.PIPE, text=True
    )
    assert demo.stdout is not None
    url = demo.stdout.readline().split()[1]
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=shutil.which("chromium"), args=ARGS)
        laptop = _open(chromium.new_page(viewport=LAPTOP, color_scheme="light"), url)
        dark = _open(chromium.new_page(viewport=LAPTOP, color_scheme="dark"), url)
        tablet = _open(chromium.new_page(viewport=TABLET, color_scheme="light"), url)
        _wait(laptop, url, lambda shown: shown["stage"] == "seating" and (shown["last"] or {}).get("verdict") == "fail")
        laptop.screenshot(path=FOLDER / "live-bench.png")
        dark.screenshot(path=FOLDER / "live-bench-dark.png")
        tablet.screenshot(path=FOLDER / "live-bench-tablet.png")
        _wait(laptop, url, lambda shown: shown["stages"][-1]["done"] >= shown["stages"][-1]["of"] - 8)
        for page, name in ((laptop, "neck-map"), (dark, "neck-map-dark")):
            page.locator("#map").scroll_into_view_if_needed()
            page.locator("section.mapped").screenshot(path=FOLDER / f"{name}.png")
        chromium.close()
    demo.communicate(timeout=120)


def _open(page: Page, url: str) -> Page:
    page.goto(url)
    page.wait_for_function("() => document.getElementById('link')?.textContent.includes('live')")
    return page


def _wait(page: Page, url: str, holds: Callable[[dict[str, Any]], bool]) -> None:
    for _ in range(2000):
        with urllib.request.urlopen(f"{url}snapshot", timeout=10) as answer:
            if holds(json.load(answer)):
                page.wait_for_timeout(400)  # let the map follow the tile
                return
        page.wait_for_timeout(50)
    raise SystemExit("the demo never came to the moment that was to be photographed")


if __name__ == "__main__":
    main()
