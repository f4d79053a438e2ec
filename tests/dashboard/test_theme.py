"""Colours can be read.

Source: WCAG 2.2, relative luminance and contrast ratio; success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (signs, 3:1).
"""

import re

import pytest

from dashboard.app import ASSETS

TEXT = [
    ("ink", "paper"),
    ("ink", "card"),
    ("ink", "press"),
    ("soft", "paper"),
    ("soft", "card"),
    ("on-accent", "accent"),
    ("on-mark", "mark"),
    ("on-pass", "pass"),
    ("on-fail", "fail"),
    ("on-again", "again"),
    ("on-again", "stripe"),
    ("fail-ink", "card"),
    ("fail-ink", "paper"),
    ("again-ink", "paper"),
    ("pass-ink", "pass-tint"),
    ("ink", "pass-tint"),
]
SIGNS = [("focus", "card"), ("focus", "paper"), ("ring", "wood"), ("wire", "wood"), ("pass", "card"), ("fail", "card")]


def colours(theme: str) -> dict[str, str]:
    text = (ASSETS / "theme.css").read_text(encoding="utf-8")
    light, dark = re.findall(r"\{(.*?)\}", text, re.DOTALL)
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", light if theme == "light" else dark))


def luminance(colour: str) -> float:
    parts = (int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5))
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_black_on_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("front", "back", "least"), [(*pair, 4.5) for pair in TEXT] + [(*pair, 3.0) for pair in SIGNS])
def test_contrast(theme: str, front: str, back: str, least: float) -> None:
    named = colours(theme)
    assert contrast(named[front], named[back]) >= least


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("verdict", ["pass", "fail", "again"])
def test_a_sign_on_the_neck_or_its_rim_stands_off_the_wood(theme: str, verdict: str) -> None:
    named = colours(theme)
    assert max(contrast(named[name], named["wood"]) for name in (verdict, f"on-{verdict}")) >= 3.0


def test_both_themes_name_the_same_colours() -> None:
    assert colours("light").keys() == colours("dark").keys()
