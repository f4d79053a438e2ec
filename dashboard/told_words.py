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
    "note_for_shop": "for the shop alone",
    "note_late": "not in the seal yet",
    "note_left": "{n} of {most} characters",
    "note_kept": "The note is kept.",
    "note_taken_away": "The note is taken away; the store keeps what it said.",
    "note_refused": "Not kept: {why}",
    "too_long": "{n} characters too many: it holds {most} at most, shorten it",
    "too_long_one": "1 character too many: it holds {most} at most, shorten it",
    "note_sealed_too": "Notes are sealed with the record, changed ones as they were too, and the shop's sheet prints "
    "those that stand: keep customers' names out of them. A link for looking on shows those for the customer's sheet.",
    "note_write": "Write a note",
    "seal_notes": "{n} notes of visits, with how they read before they were changed",
    "seal_notes_one": "1 note of a visit, with how it read before it was changed",
})

CHECKED: Final = MappingProxyType({
    "check_here": "Check it here",
    "check_here_more": "The zero is asked for first, then every size below. Without a size only the zero is checked.",
    "check_size_n": "Size {n}",
    "check_size": "Size {n}, {unit}",
    "check_spread": "Known to, {unit}",
    "check_kind": "That is",
    "check_kind_standard": "its standard uncertainty",
    "check_kind_expanded": "its 95 % uncertainty, k = 2",
    "check_kind_limits": "its limits, plus or minus",
    "check_more_sizes": "Another size",
    "check_less": "Leave out",
    "check_less_named": "Leave out size {n}",
    "check_repeats": "Readings of each",
    "check_both_ways": "Run the sizes up and down",
    "check_who": "Who measures",
    "check_temperature": "Temperature, °C (if known)",
    "check_begin": "Begin the check",
    "check_what": "A gauge block, a pin or a leaf: its size, and how well it is known, as its certificate or its maker "
    "says. A number without a unit is in {unit}.",
    "check_under_way": "Check: reading {n} of {of}",
    "check_all_in": "Check: all {of} readings are in",
    "check_at_zero": "At zero",
    "check_at": "At {size}",
    "check_up": "going up",
    "check_down": "going down",
    "check_repeat": "reading {repeat} of {of}",
    "check_live": "Press its own button, or type what it shows; one reading or several, parted by blanks.",
    "check_by_hand": "Type what it shows; one reading or several, parted by blanks.",
    "check_typed": "What it shows",
    "check_enter": "Enter",
    "check_press": "Take now",
    "check_back": "Take the last one back",
    "check_finish": "Judge it",
    "check_stop": "Break it off",
    "check_stop_sure": "Press once more: what is broken off does not count",
    "check_taken": "Readings of this check",
    "check_none": "No reading yet",
    "check_other": "A check of {gauge} is under way.",
    "check_to_other": "To that check",
    "check_result": "What this check says",
    "check_this_passed": "It reads true within its uncertainty",
    "check_this_failed": "It failed",
    "check_kept": "It is kept with the gauge.",
    "check_correct": "Take the error found off its readings",
    "check_correct_more": "Clean the faces, set zero and check it again first. If it stays so: the error found is then "
    "subtracted from what it reads, from the next sitting on.",
    "check_corrected": "The error found is subtracted from its readings from the next sitting on.",
    "check_close": "Done",
    "check_refused": "Not taken: {why}",
    "check_typed_open": "The check of {gauge} is open and waits for readings typed there; judge it or break it off.",
    "check_warns": "What {gauge} reads goes to its check and not to the sheet, until that is judged or broken off.",
    "gauges_study_begin": "To begin a study, or to go on with one",
    "gauges_study_why": "A study is a sitting of its own: it measures parts and no neck, in an order of its own, and "
    "the gauge belongs to it alone meanwhile. So it begins in the terminal; then it is measured on a page like this.",
    "copy_command": "Copy",
    "copied": "Copied.",
    "copy_by_hand": "It is selected: copy it with Ctrl-C.",
})

BAD_FACTORS: Final = "what the neck is worked with must be 1 to {most} texts by name, like wire or blade"
BAD_TEXT: Final = "{name} must be a text of at most {most} characters"
BAD_SIZES: Final = "known sizes must be a list of at most {most}, each a size, what is known of it and what that is"
BAD_CHECK: Final = (
    "a check says how many readings, whether both ways (true or false), and the temperature in °C or null"
)
BAD_NOTE: Final = "a note says whether it is for the customer (true or false) and the number of the one it replaces"
"""Lines that the server answers with."""
