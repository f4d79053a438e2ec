"""Make the pictures of the page in docs/pictures again, and the printed sheet in docs, from invented instruments.

    .venv/bin/python docs/make_pictures.py

A store is filled first (`picture_store.py`): the necks of a shop, checks and a study of the demo's gauges, the neck
of docs/example, and the demo's neck at an earlier visit, which gets two drawn photos and is sealed. Then the demo runs
again with its page open. It is held at the first seated fret that fails, where the bench is photographed, and when its
sheet is done, where every other view that the page itself lists is. Each is taken light and dark, on a laptop and on a
tablet. What is measured is the same in every run; times, ids and the seal's code are not.

Needs Debian's package chromium (or any Chromium named ``chromium`` on the path).
"""

import io
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping
from itertools import product
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pypdfium2
from picture_store import CHECKED, draw_photos, fill_gauges, fill_shop
from PIL import Image
from playwright.sync_api import Browser, Page, ViewportSize, sync_playwright

from dashboard.server import serve
from logger.demo.run import DemoOptions, run_demo
from logger.door import Door, PageServer
from logger.store import StoreReader

FOLDER = Path(__file__).parent
PICTURES = FOLDER / "pictures"
COMMAND = str(Path(sys.executable).with_name("fretledger"))
ARGS = ["--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-background-networking", "--disable-sync"]
THEMES = ("light", "dark")
SIZES: Mapping[str, ViewportSize] = {
    "laptop": {"width": 1280, "height": 800},
    "tablet": {"width": 820, "height": 1180},
}
EARLIER_SEED, SEED, SECONDS = 3, 7, 20.0
SETTLE_MS, PATIENCE_MS, PATIENCE_S = 700, 60_000, 120.0
COLOURS = 256
SHEET_SCALE = 1.6
DRAWN = """(view) => {
  const node = document.getElementById(`view-${view}`), waits = fretledger.fill('looking');
  const judged = node && !node.querySelector('.judging');
  return judged && !node.hidden && node.innerText.trim() && !node.innerText.includes(waits);
}"""


def main() -> None:
    """Fill a store, take every picture and say what was written."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as play:
        store = Path(scratch) / "pictures.db"
        sealed = _fill(store)
        written = _sheet(store, sealed)
        chromium = play.chromium.launch(executable_path=shutil.which("chromium"), args=ARGS)
        written += _photograph(chromium, store, sealed)
        chromium.close()
    _clear(written)
    total = sum(path.stat().st_size for path in written)
    print(
        f"{len(written)} files, {total / 1e6:.1f} MB:", *(str(path.relative_to(FOLDER)) for path in written), sep="\n"
    )


def _clear(written: list[Path]) -> None:
    """Delete pictures of views that are no more."""
    for path in set(PICTURES.glob("*.png")) - set(written):
        path.unlink()
        print(f"deleted {path.relative_to(FOLDER)}, which shows no view of the page")


def _fill(store: Path) -> str:
    """Fill a new store with all that stands beside the demo, seal the demo's earlier visit and return its session."""
    fill_shop(store)
    fill_gauges(store)
    with StoreReader(store) as reader:
        before = {one.id for one in reader.sessions()}
    _command(store, "demo", "--no-browser", "--seed", str(EARLIER_SEED), "--seconds", "15")
    with StoreReader(store) as reader:
        (session,) = (one.id for one in reader.sessions() if one.id not in before)
    for shows, file in draw_photos(store.parent).items():
        _command(store, "record", "attach", "--session", session, "--note", shows, str(file))
    example = FOLDER / "example"
    files = ("--instrument", str(example / "instrument.toml"), "--gauges", str(example / "gauges.toml"))
    _command(store, "readings", "import", str(example / "readings.csv"), *files)
    _command(store, "record", "seal", "--session", session, "--keys", str(store.with_name("keys")))
    return session


def _command(store: Path, *words: str) -> None:
    subprocess.run([COMMAND, *words, "--store", str(store)], check=True, stdout=subprocess.DEVNULL)


def _sheet(store: Path, session: str) -> list[Path]:
    """Print the customer's sheet as a PDF, and its page as a picture."""
    printed = FOLDER / "quality-check-sheet.pdf"
    printed.unlink(missing_ok=True)
    _command(store, "sheet", "--session", session, "--out", str(printed))
    with pypdfium2.PdfDocument(printed) as document:
        picture = document[0].render(scale=SHEET_SCALE).to_pil()
    return [printed, _keep(picture, printed.with_suffix(".png"))]


class Staged(threading.Event):
    """The demo's stop, at which the demo waits as well: once in its midst, and when its sheet is done."""

    def __init__(self) -> None:
        super().__init__()
        self.url = ""
        self._door: Door | None = None
        self._page: PageServer | None = None
        self._came = [threading.Event(), threading.Event()]
        self._go_on = [threading.Event(), threading.Event()]

    def serve(self, door: Door, *, port: int) -> PageServer:
        """Start the page; it is stopped only when the last picture is taken."""
        self._door, self._page = door, serve(door, port=port)
        self.url = self._page.url
        return self

    def stop(self) -> None:
        """Wait for the pictures, then stop the page."""
        self._hold(1)
        if self._page is not None:
            self._page.stop()

    def is_set(self) -> bool:
        """Tell whether to end, and wait for the pictures when the moment has come."""
        if self._door is not None and not self._came[0].is_set() and _fails_seated(self._door.snapshot()):
            self._hold(0)
        return super().is_set()

    def _hold(self, moment: int) -> None:
        self._came[moment].set()
        self._go_on[moment].wait()

    def wait_for(self, moment: int) -> int:
        """Wait until the demo has come to a moment and return the version of what it shows.

        Raises:
            SystemExit: it never came there.
        """
        if not self._came[moment].wait(PATIENCE_S) or self._door is None:
            raise SystemExit("the demo must come to the moment that is to be photographed, it did not")
        version: int = self._door.snapshot()["version"]
        return version

    def go_on(self, *moments: int) -> None:
        """Let the demo go on."""
        for moment in moments:
            self._go_on[moment].set()


def _fails_seated(shown: Mapping[str, Any]) -> bool:
    last = shown.get("last") or {}
    return shown.get("stage") == "seating" and last.get("verdict") == "fail"


def _photograph(chromium: Browser, store: Path, sealed: str) -> list[Path]:
    stage = Staged()
    options = DemoOptions(seconds=SECONDS, seed=SEED, browser=False, store=store)
    demo = threading.Thread(target=run_demo, args=(options, stage.serve), kwargs={"stop": stage, "out": io.StringIO()})
    demo.start()
    written: list[Path] = []
    try:
        version = stage.wait_for(0)
        pages = {
            (theme, size): _opened(chromium, stage.url, theme, SIZES[size]) for theme, size in product(THEMES, SIZES)
        }
        written += _take(pages, version, "bench")
        stage.go_on(0)
        version = stage.wait_for(1)
        written += _maps(pages, version)
        for view in _views(pages["light", "laptop"]):
            if view != "bench":
                written += _take(pages, version, view, {"record": sealed, "all-gauges": CHECKED}.get(view, ""))
    finally:
        stage.set()
        stage.go_on(0, 1)
        demo.join()
    return written


def _opened(chromium: Browser, url: str, theme: Any, size: ViewportSize) -> Page:
    page = chromium.new_context(viewport=size, color_scheme=theme, reduced_motion="reduce").new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(url)
    page.wait_for_function("() => document.getElementById('link')?.dataset.link === 'live'")
    return page


def _views(page: Page) -> list[str]:
    """Return the views that the page lists, by what their links are called."""
    found: list[str] = page.evaluate("() => [...document.querySelectorAll('#views a')].map((one) => one.hash.slice(1))")
    return found


def _take(pages: Mapping[tuple[str, str], Page], version: int, view: str, what: str = "") -> list[Path]:
    written = []
    for (theme, size), page in pages.items():
        page.evaluate(
            "(where) => { location.hash = where; scrollTo(0, 0); }", f"{view}/{quote(what)}" if what else view
        )
        _settle(page, version, view)
        written.append(_keep(_picture(page.screenshot()), PICTURES / f"{view}-{theme}-{size}.png"))
    return written


def _settle(page: Page, version: int, view: str) -> None:
    """Wait until a page shows this version, the view is drawn, and what is drawn later has followed."""
    page.wait_for_function("(version) => fretledger.snap?.version >= version", arg=version)
    page.wait_for_function(DRAWN, arg=view)
    page.wait_for_timeout(SETTLE_MS)


def _maps(pages: Mapping[tuple[str, str], Page], version: int) -> list[Path]:
    written = []
    for theme in THEMES:
        page = pages[theme, "laptop"]
        _settle(page, version, "bench")
        shown = page.locator("section.mapped")
        shown.scroll_into_view_if_needed()
        page.wait_for_timeout(SETTLE_MS)
        written.append(_keep(_picture(shown.screenshot()), PICTURES / f"neck-map-{theme}.png"))
    return written


def _picture(png: bytes) -> Image.Image:
    return Image.open(io.BytesIO(png))


def _keep(picture: Image.Image, path: Path) -> Path:
    """Write a picture with a palette of its own, which the page's flat colours lose nothing by."""
    flat = picture.convert("RGB").quantize(COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    flat.save(path, optimize=True)
    return path


if __name__ == "__main__":
    main()
