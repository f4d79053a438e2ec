"""A newcomer with an empty home and no gauge follows README to a verdict on a reading of their own."""

import re
import shlex
import signal
import time
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

pytestmark = pytest.mark.browser
README = Path(__file__).parents[2] / "README.md"
SLOW_MS = 30_000
TWO_MINUTES_S = 120


@pytest.fixture
def told() -> str:
    """The section of README, with nothing but what a newcomer reads."""
    found = re.search(
        r"^## Your first reading, typed\n(.*?)^## ", README.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    )
    assert found
    return found[1]


@pytest.fixture
def empty_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("FRETLEDGER_STORE", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))
    return tmp_path


def test_readme_leads_to_a_verdict_within_two_minutes(
    told: str, empty_home: Path, start: Any, browser: Browser
) -> None:
    command = re.search(r"<!-- first reading -->\n```sh\n(.*?)\n```", told)
    typed = re.findall(r"`(\d\.\d\d)`", told)
    button, passed, failed = re.findall(r"\*\*(.*?)\*\*", told)
    assert command
    begun_s = time.monotonic()
    program, *arguments = shlex.split(command[1])
    assert Path(program).name == "fretledger"
    bench = start(*arguments, "--no-browser")
    page = browser.new_page()
    page.goto(bench.url())
    page.get_by_role("button", name=button).click(timeout=SLOW_MS)
    expect(page.locator("#next")).to_contain_text("Fret 1, bass", timeout=SLOW_MS)
    expect(page.locator("#typed")).to_be_focused()

    for text, verdict in zip(typed, ("not judged yet", passed, failed), strict=True):
        page.keyboard.type(text)
        page.keyboard.press("Enter")
        expect(page.locator("#reading")).to_contain_text(text, timeout=SLOW_MS)
        expect(page.locator("#reading .verdict")).to_contain_text(verdict, timeout=SLOW_MS)

    expect(page.locator("#reading")).to_contain_text("seated unevenly")
    assert time.monotonic() - begun_s < TWO_MINUTES_S
    page.close()
    assert bench.end(signal.SIGINT) == 0
    assert list(empty_home.rglob("*.db"))


def test_the_invented_instrument_is_loaded_from_the_page_and_ends_with_the_bench(
    empty_home: Path, start: Any, browser: Browser
) -> None:
    bench = start("bench", "--no-browser")
    page = browser.new_page()
    page.goto(bench.url())
    page.get_by_role("button", name="Show me the invented instrument").click(timeout=SLOW_MS)
    link = page.get_by_role("link", name="Open the invented instrument")
    expect(link).to_be_visible(timeout=SLOW_MS)
    demo = browser.new_page()
    demo.goto(str(link.get_attribute("href")))
    expect(demo.locator("#instrument")).to_contain_text("invented instrument", timeout=SLOW_MS)
    expect(demo.locator("#reading")).to_contain_text("mm", timeout=SLOW_MS)
    expect(page.locator("#reading")).to_contain_text("No reading yet")  # nothing of it is in this person's store

    assert bench.end(signal.SIGINT) == 0
    expect(demo.locator("#link")).to_contain_text("lost", timeout=SLOW_MS)
    demo.close()
    page.close()
