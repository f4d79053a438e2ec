"""What the documents point at is there: files, headings, and four pictures of every view."""

import re
from pathlib import Path
from urllib.parse import unquote

import pytest
from PIL import Image

from dashboard.words import VIEWS

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]
SIZES = {"laptop": (1280, 800), "tablet": (820, 1180)}
MOST_BYTES = 6_000_000

pytestmark = pytest.mark.skipif(not DOCS.is_dir(), reason="the documents are not beside the tests")


def _prose(path: Path) -> str:
    """Return a document without its code."""
    return re.sub(r"^```.*?^```|`[^`\n]*`", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)


def _links(path: Path) -> list[str]:
    return re.findall(r"\]\(([^)\s]+)\)", _prose(path))


def _anchors(path: Path) -> set[str]:
    """Return what a link may name of a document's headings: lower case, words with hyphens, no other signs."""
    headings = re.findall(r"^#+ (.*)$", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", one.lower()).strip().replace(" ", "-") for one in headings}


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_every_link_leads_somewhere(path: Path):
    for link in _links(path):
        if re.match(r"[a-z]+:", link):
            continue
        name, _, anchor = unquote(link).partition("#")
        target = (path.parent / name) if name else path
        assert target.exists(), f"{path.name} points at {link}"
        assert target.resolve().is_relative_to(ROOT), f"{path.name} points out of the project: {link}"
        assert not anchor or anchor in _anchors(target), f"{path.name} points at {link}"


def test_what_leads_nowhere_is_found(tmp_path: Path):
    page = tmp_path / "page.md"
    page.write_text(
        "# It's 2 things: a `b`\n[here](#its-2-things-a-b) [gone](gone.md)\n```\n[no](link)\n```\n", encoding="utf-8"
    )

    assert _links(page) == ["#its-2-things-a-b", "gone.md"]
    assert _anchors(page) == {"its-2-things-a-b"}


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_has_its_four_pictures(view: str):
    page = DOCS / "the-page.md"
    for theme in ("light", "dark"):
        for size, pixels in SIZES.items():
            name = f"pictures/{view}-{theme}-{size}.png"
            assert name in _links(page), f"{page.name} does not show {name}"
            with Image.open(DOCS / name) as picture:
                assert picture.size == pixels


def test_no_picture_is_left_over():
    shown = {(path.parent / link).resolve() for path in DOCUMENTS for link in _links(path) if link.endswith(".png")}
    kept = {path.resolve() for path in DOCS.rglob("*.png")}

    assert kept - shown == set()
    assert sum(path.stat().st_size for path in kept) < MOST_BYTES
