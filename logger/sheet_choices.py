"""What is chosen of a quality-check sheet; the first of each is taken where nothing is said."""

from typing import Final

AUDIENCES: Final = ("customer", "shop")
UNITS: Final = ("mm", "in")
PAPERS: Final = ("a4", "letter")
MOST_PICTURES: Final = 6
"""Pictures on a sheet; more are named, not shown."""
