"""Every word of the page stands in the modules of words."""

import json
import re
from pathlib import Path

import pytest

from dashboard import app, words

SCRIPTS = sorted(app.ASSETS.rglob("*.js"))
FILLED = re.compile(r"\bfill\('(\w+)'")
COUNTED = re.compile(r"\bcount\('(\w+)'")


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_every_sentence_a_script_asks_for_exists(script: Path) -> None:
    text = script.read_text(encoding="utf-8")
    asked = set(FILLED.findall(text))
    asked |= {name + ending for name in COUNTED.findall(text) for ending in ("", "_one")}
    assert asked <= words.page_words()["page"].keys()


@pytest.mark.parametrize("name", words.page_words()["page"])
def test_every_sentence_is_used(name: str) -> None:
    sources = [path.read_text(encoding="utf-8") for path in (*SCRIPTS, Path(app.__file__))]
    stem = name.removesuffix("_one").removesuffix("_more")
    assert any(re.search(rf"\b{stem}\b", text) for text in sources)


def test_words_are_plain_json() -> None:
    assert json.loads(json.dumps(words.page_words())) == words.page_words()


def test_scripts_and_styles_name_no_address_but_the_svg_namespace() -> None:
    found = {
        address
        for path in app.ASSETS.rglob("*.*")
        for address in re.findall(r"(?:https?:)?//[\w.-]+\.\w+[\w./]*", path.read_text(encoding="utf-8"))
    }
    assert found <= {"http://www.w3.org/2000/svg"}


def test_scripts_never_write_html() -> None:
    for path in SCRIPTS:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b", text)
