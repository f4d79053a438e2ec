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

NOTES: Final = MappingProxyType({
    "visit_notes": "Notes of this visit",
    "notes_none": "Nothing is noted yet.",
    "note_text": "Note",
    "note_change_text": "Change the note of {day}, {time}",
    "note_who": "Written by",
    "note_customer": "Print it on the customer's sheet too",
    "note_keep": "Keep the note",
    "note_change": "Change",
    "note_change_named": "Change the note of {day}, {time}",
    "note_away": "Take away",
    "note_away_named": "Take away the note of {day}, {time}",
    "note_leave": "Leave it as it was",
    "note_at": "{day}, {time}",
    "note_by": "by {who}",
    "note_changed": "changed {day}, {time}",
    "note_for_customer": "on the customer's sheet too",
    "note_for_shop": "on the shop's sheet only",
    "note_late": "not in the seal yet",
    "note_left": "{n} of {most} characters",
    "note_kept": "The note is kept.",
    "note_taken_away": "The note is taken away; the store keeps what it said.",
    "note_refused": "Not kept: {why}",
    "note_sealed_too": "Notes are sealed with the record, changed ones as they were too, and the shop's sheet prints "
    "those that stand: keep customers' names out of them.",
    "note_write": "Write a note",
    "seal_notes": "{n} notes of visits, with how they read before they were changed",
    "seal_notes_one": "1 note of a visit, with how it read before it was changed",
})

BAD_FACTORS: Final = "what the neck is worked with must be 1 to {most} texts by name, like wire or blade"
BAD_TEXT: Final = "{name} must be a text of at most {most} characters"
BAD_NOTE: Final = "a note says whether it is for the customer (true or false) and the number of the one it replaces"
"""Lines that the server answers with."""
