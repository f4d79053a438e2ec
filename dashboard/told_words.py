"""Words of what a person tells the page beside readings; names in braces are filled in by the scripts."""

from types import MappingProxyType
from typing import Final

WORKED: Final = MappingProxyType({
    "worked": "Wire and blade of this neck",
    "worked_more": "Told once, it stands here and in the record, and the lessons over all necks count by it.",
    "worked_other": "How it is fretted",
    "worked_keep": "Keep",
    "worked_kept": "Kept.",
    "worked_refused": "Not kept: {why}",
    "worked_unsaid": "not told",
    "worked_new": "Not used at another visit here",
    "worked_seen": "Used at {n} other visits here, last told on {day}",
    "worked_seen_one": "Used at 1 other visit here, on {day}",
    "worked_from_file": "as the instrument's file says",
    "worked_at": "told on {day}, {time}",
    "worked_wire": "The wire, as the instrument's file says",
    "worked_piece_mm": "pieces of {size}",
    "worked_pieces": "{n} of them",
    "worked_crown_width_mm": "crown {size} wide",
    "worked_barb_pitch_mm": "a barb every {size}",
    "worked_barb_length_mm": "barbs {size} long",
    "worked_radius_mm": "bent to {size}",
    "record_worked": "Worked with",
})

BAD_FACTORS: Final = "what the neck is worked with must be 1 to {most} texts by name, like wire or blade"
BAD_FACTOR: Final = "{name} must be a text of at most {most} characters"
"""Lines that the server answers with."""
