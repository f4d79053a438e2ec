"""The whole chain in a real browser: a planted fault appears, a typed reading is taken, a restart is survived."""

import signal
import sqlite3
import sys
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

pytestmark = pytest.mark.browser
needs_terminals = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
SLOW_MS = 30_000


@needs_terminals
def test_a_planted_fault_appears_on_the_page(start: Any, browser: Browser):
    demo = start("demo", "--seconds", "12", "--seed", "7", "--no-browser")
    page = browser.new_page()
    problems: list[str] = []
    page.on("console", lambda message: problems.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: problems.append(str(error)))

    page.goto(demo.url())

    proud = page.locator('[data-check="proud_end"][data-fret="13"][data-place="bass"]')
    expect(proud).to_have_attribute("data-verdict", "fail", timeout=SLOW_MS)
    expect(page.locator("#flags")).to_contain_text("Fret 13 bass end stands proud by", timeout=SLOW_MS)
    expect(page.locator("#reading")).to_contain_text("mm")
    page.close()
    assert demo.result()["missed"] == 0
    assert problems == []


def test_a_typed_reading_reaches_the_store(start: Any, browser: Browser, tmp_path: Path):
    store = tmp_path / "typed.db"
    bench = start("bench", "--no-browser", "--store", store)
    page = browser.new_page()
    page.goto(bench.url())
    expect(page.locator("#next")).to_contain_text("tang thickness", timeout=SLOW_MS)

    page.locator("#typed").click()
    page.keyboard.type("0.512")
    page.keyboard.press("Enter")

    expect(page.locator("#reading")).to_contain_text("0.512", timeout=SLOW_MS)
    page.locator("#take-back").click()
    expect(page.locator("body")).to_contain_text("taken back", timeout=SLOW_MS)
    page.locator("#skip").click()
    expect(page.locator("#next")).to_contain_text("barb", timeout=SLOW_MS)
    page.close()
    assert bench.end(signal.SIGINT) == 0
    kept = sqlite3.connect(store)
    assert kept.execute("SELECT value_nm FROM reading").fetchall() == [(512_000,)]
    assert kept.execute("SELECT count(*) FROM take_back").fetchone() == (1,)
    kept.close()


def test_the_page_survives_a_restart_of_the_bench(start: Any, browser: Browser, tmp_path: Path):
    store = tmp_path / "again.db"
    bench = start("bench", "--no-browser", "--store", store)
    url = bench.url()
    page = browser.new_page()
    page.goto(url)
    expect(page.locator("#link")).to_contain_text("live", timeout=SLOW_MS)

    bench.end(signal.SIGKILL)
    expect(page.locator("#link")).to_contain_text("lost", timeout=SLOW_MS)
    page.keyboard.type("0.498")
    page.keyboard.press("Enter")
    again = start("bench", "--no-browser", "--store", store, "--port", url.rsplit(":", 1)[1])
    again.url()

    expect(page.locator("#link")).to_contain_text("live", timeout=SLOW_MS)
    expect(page.locator("#reading")).to_contain_text("0.498", timeout=SLOW_MS)
    page.close()
    assert again.end(signal.SIGINT) == 0
