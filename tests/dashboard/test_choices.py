"""The Settings view: what this browser shows, sounds and says, and keeps."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

Look = Callable[..., Any]
VOICE = """
window.said = [];
Object.defineProperty(window, 'speechSynthesis', {value: {
  getVoices: () => [{name: 'invented'}], cancel: () => {}, speak: (words) => window.said.push(words.text),
  addEventListener: () => {},
}});
"""


@pytest.fixture
def looker(shared: Any) -> Any:
    """The page of the module on its Settings, with nothing remembered."""
    page = shared[1].page
    page.evaluate("() => localStorage.clear()")
    page.goto(page.url.split("#")[0] + "#settings")
    page.reload()
    expect(page.locator("#choices")).to_be_visible(timeout=20_000)
    expect(page.locator("#network")).to_contain_text("this machine alone")
    shared[1].problems.clear()
    return shared[1]


@pytest.fixture
def page(looker: Any) -> Page:
    page: Page = looker.page
    return page


def reopened(page: Page) -> None:
    page.reload()
    expect(page.locator("#choices")).to_be_visible(timeout=20_000)


@pytest.mark.parametrize("name", ["unit", "theme", "type"])
def test_a_choice_is_kept_in_this_browser(page: Page, name: str) -> None:
    last = page.locator(f"#choices [name={name}]").last
    last.check()
    reopened(page)
    expect(last).to_be_checked()


def test_the_unit_here_is_the_unit_above(page: Page) -> None:
    page.get_by_role("radio", name="inch").check()
    expect(page.locator("#unit-in")).to_have_attribute("aria-pressed", "true")
    page.locator("#unit-mm").click()
    expect(page.get_by_role("radio", name="mm")).to_be_checked()


def test_the_limits_that_count_are_shown_in_the_unit_of_the_page(page: Page, shared: Any) -> None:
    shared[0].publish(limits={"proud_end": [None, 0.05], "low_fret": [-0.03, None], "of a later version": [0, 1]})
    rows = page.locator("#limits tbody tr")
    page.reload()
    expect(rows).to_have_count(2)
    expect(rows.first).to_contain_text("0.050")
    expect(rows.last).to_contain_text("\N{MINUS SIGN}0.030")
    page.locator("#unit-in").click()
    expect(rows.first).to_contain_text("0.0020")


def test_the_theme_follows_the_system_again(page: Page) -> None:
    page.get_by_role("radio", name="dark").check()
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    page.get_by_role("radio", name="as the system").check()
    expect(page.locator("html")).to_have_attribute("data-theme", "light")
    page.emulate_media(color_scheme="dark")
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    page.emulate_media(color_scheme="light")


def test_larger_type_is_larger_and_fits_a_narrow_page(page: Page) -> None:
    size = "() => parseFloat(getComputedStyle(document.documentElement).fontSize)"
    usual = page.evaluate(size)
    page.get_by_role("radio", name="largest").check()
    assert page.evaluate(size) == pytest.approx(1.5 * usual, rel=0.01)
    page.set_viewport_size({"width": 360, "height": 780})
    assert page.evaluate("() => document.documentElement.scrollWidth") <= 360
    page.set_viewport_size({"width": 1280, "height": 720})


def test_only_the_tones_that_were_chosen_sound(page: Page, shared: Any) -> None:
    page.get_by_role("checkbox", name="A tone for every reading").check()
    page.get_by_role("checkbox", name="pass: one high tone").uncheck()
    page.wait_for_function("() => fretledger.tones.state() === 'running'")
    shared[0].take("pass")
    shared[0].take("remeasure")
    page.wait_for_function("() => fretledger.tones.played.includes('remeasure')")
    assert "pass" not in page.evaluate("() => fretledger.tones.played")


def test_a_tone_can_be_tried_while_the_sound_is_off(page: Page) -> None:
    page.get_by_role("button", name="Try fail").click()
    assert page.evaluate("() => [fretledger.tones.sampled, fretledger.tones.on]") == ["fail", False]


def test_the_volume_is_kept_and_nonsense_is_the_usual_one(page: Page) -> None:
    page.get_by_role("slider", name="Volume").fill("80")
    reopened(page)
    expect(page.get_by_role("slider", name="Volume")).to_have_value("80")
    page.evaluate("() => localStorage.setItem('fretledger.volume', '1e9')")
    assert page.evaluate("() => fretledger.tones.volume()") == 50


def test_a_reading_takes_no_focus_and_a_digit_typed_in_a_choice_is_no_reading(page: Page, shared: Any) -> None:
    slider = page.get_by_role("slider", name="Volume")
    slider.focus()
    shared[0].take()
    page.wait_for_function("() => fretledger.snap.seq === 1")
    page.keyboard.press("ArrowRight")
    expect(slider).to_be_focused()
    page.keyboard.press("7")
    expect(page.locator("#typed")).to_have_value("")


def test_without_a_voice_the_view_says_so(page: Page) -> None:
    expect(page.locator("#no-voice")).to_contain_text("has no voice")


def test_speech_says_verdict_and_next_place_once_it_is_asked_for(
    bench: Any, neck: dict[str, Any], page_of: Look
) -> None:
    bench.publish(**neck)
    looker = page_of(bench.door)
    looker.page.add_init_script(VOICE)
    looker.page.goto(looker.page.url + "#settings")
    looker.page.reload()
    expect(looker.page.locator("#choices")).to_be_visible()
    bench.take()
    looker.page.wait_for_function("() => fretledger.snap?.seq === 1")
    assert looker.page.evaluate("() => said") == []
    looker.page.get_by_role("checkbox", name="Say the verdict").check()
    bench.take("fail")
    looker.page.wait_for_function("() => said.length === 2")
    assert looker.page.evaluate("() => said") == ["fret 7, treble end", "Fail. fret 8, bass end"]
    assert looker.problems == []


def test_keyboard_alone_reaches_every_choice(page: Page) -> None:
    page.locator("#to-settings").focus()
    names = set()
    for _ in range(24):
        page.keyboard.press("Tab")
        names.add(page.evaluate("() => document.activeElement.name ?? ''"))
    assert {"unit", "theme", "type", "sound-on", "volume", "tone-fail", "speech-on"} <= names


def test_the_view_complains_of_nothing(looker: Any, shared: Any) -> None:
    shared[0].take()
    looker.page.wait_for_function("() => fretledger.snap.seq === 1")
    assert looker.problems == []
