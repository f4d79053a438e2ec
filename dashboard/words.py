"""Hold every word of the page in one place, so that a translation is a file.

`page_words` gives all of it as one plain mapping, which the page carries as JSON for its scripts. Names in
braces are filled in by the script. Sentences about a single reading or flag come from the bench, not from here.
"""

from types import MappingProxyType
from typing import Any, Final

from logger.features import KINDS, PLACES

CHECKS: Final = MappingProxyType({
    # name: title on its tab, word of a cell that fails, word of one that fails below zero, what the number is
    "tang_clearance": ("Tang clearance", "loose", "tight", "slot width minus tang thickness"),
    "barb_bite": ("Barb bite", "bite", "loose", "bite of the barbs on each side"),
    "slot_depth_spare": ("Spare slot depth", "depth", "shallow", "slot depth minus tang depth"),
    "proud_end": ("Proud ends", "proud", "low", "lift of the fret above where it should sit"),
    "uneven_seating": ("Uneven seating", "uneven", "uneven", "largest difference among the places of one fret"),
    "tilted_fret": ("Tilted frets", "tilted", "tilted", "bass end against treble end"),
    "high_fret": ("High frets", "high", "high", "height over the neighbouring frets"),
    "low_fret": ("Low frets", "low", "low", "depth under the neighbouring frets"),
})

VERDICTS: Final = MappingProxyType({
    # name: said large, said in a cell
    "pass": ("Pass", "ok"),
    "fail": ("Fail", "fail"),
    "remeasure": ("Measure again", "again"),
})

STAGES: Final = MappingProxyType({
    # name: said in the row of stages, the check that the map opens with
    "wire": ("Wire", "tang_clearance"),
    "slots": ("Slots", "tang_clearance"),
    "seating": ("Seating", "proud_end"),
    "sweep": ("Sweep", "high_fret"),
})

STATUSES: Final = MappingProxyType({
    "connecting": "connecting",
    "alive": "alive",
    "lost": "lost",
    "closed": "closed",
})

PAGE: Final = MappingProxyType({
    "title": "Fretledger bench",
    "brand": "Fretledger",
    "no_script": "This page needs its scripts; allow JavaScript for this address.",
    "demo": "invented instrument",
    "frets": "{n} frets",
    "scale": "scale {length}",
    "join": "body joins at fret {n}",
    "join_short": "body join",
    "unit": "Unit",
    "mm": "mm",
    "in": "inch",
    "dark": "Dark",
    "sound": "Sound",
    "skip_link": "To the typed reading",
    "bench": "Bench",
    "live": "live",
    "connecting": "connecting",
    "lost": "connection lost, trying again",
    "old": "What you see may be old. Typed readings are kept here and sent when the bench answers.",
    "waiting_disk": "{n} readings are not on disk yet. Measure no further until this goes away.",
    "waiting_disk_one": "1 reading is not on disk yet. Measure no further until this goes away.",
    "stages": "Stages",
    "gauges": "Gauges",
    "no_gauges": "no gauge is connected; readings can be typed",
    "gauge_since": "{status} since {time}",
    "readings": "{n} readings",
    "readings_one": "1 reading",
    "unreadable": "{n} unreadable",
    "last_raw": "last came: {raw}",
    "next": "Measure next",
    "repeat_of": "reading {repeat} of {of}",
    "with_gauge": "with {gauge}",
    "bracket": "two values: the largest that goes in, the smallest that does not",
    "from_nut": "{length} from the nut",
    "caution": "Caution",
    "idle": "No sheet is open",
    "idle_more": "Readings that arrive now are kept, and marked as belonging to nothing yet.",
    "done": "This sheet is complete",
    "done_more": "Every feature on it has its readings.",
    "empty": "Waiting for the bench",
    "last": "Last reading",
    "no_last": "No reading yet",
    "expanded_u": "± {size} (95 %)",
    "within": "between {low} and {high}",
    "unassigned": "Kept, belongs to no feature yet",
    "unjudged": "Kept, not judged yet",
    "thousandths": "{n} thousandths",
    "neck": "Neck with the fret to measure marked",
    "neck_next": "Next: {words}",
    "neck_last": "Last: {words}, {verdict}",
    "nut": "nut",
    "typed": "Typed reading",
    "typed_hint": "0.00",
    "typed_hint_bracket": "0.00 0.00",
    "enter": "Enter",
    "take_back": "Take back",
    "skip": "Skip",
    "repeat": "Measure again",
    "queued": "{n} waiting to be sent",
    "not_taken": "{text} not taken: {why}",
    "put_back": "Edit",
    "dismiss": "Dismiss",
    "refused_status": "the bench refused the request ({status})",
    "no_answer": "no answer came for it",
    "map": "Neck map",
    "worst": "worst",
    "whole": "fret",
    "fret": "fret",
    "fret_n": "Fret {n}",
    "cell": "fret {fret} {place}: {check} {value}, {verdict}",
    "chance": "chance of being within limits {p} %",
    "nothing_judged": "Nothing judged yet for this check.",
    "legend_u": "bars in the chart: expanded uncertainty at 95 %; dashed lines: limits",
    "flags": "Flags",
    "no_flags": "No flag is raised.",
    "of_the_wire": "Wire",
    "recent": "Recent readings",
    "no_recent": "Nothing yet",
    "taken_back": "taken back",
    "take_back_this": "Take back {words}, {value}",
    "chart_words": "{check}: values by fret with their expanded uncertainty; the same numbers are in the map above",
    "said": "{words}: {value}, {verdict}",
    "alarm": "Fail: {words}, {value}. {because}",
    "alarm_plain": "A reading failed, number {n}",
})

TOO_MANY: Final = "at most {most} actions in one post, got {got}; send the rest in another"
NOT_A_LIST: Final = "the body must be a JSON list of actions"
NO_ID: Final = "action {place} of the list needs an id of 1 to {most} characters"
UNKNOWN_DO: Final = "action must be one of {known}, got {got}"
BAD_TEXT: Final = "typed text must have 1 to {most} characters"
BAD_UNIT: Final = "unit must be one of {known}, got {got}"
BAD_READING: Final = "taking back a certain reading needs its gauge and its sequence number"
UNKNOWN_KEYS: Final = "action {do} knows nothing of {keys}"
BENCH_FAILED: Final = "the bench could not do this; its log says why"
BUSY: Final = "too many pages are open; this one asks again by itself"


def page_words() -> dict[str, Any]:
    """Return all words that the scripts need, as plain JSON values."""
    return {
        "page": dict(PAGE),
        "places": list(PLACES),
        "kinds": {name: kind.words for name, kind in KINDS.items()},
        "statuses": dict(STATUSES),
        "verdicts": {name: {"large": large, "short": short} for name, (large, short) in VERDICTS.items()},
        "stages": {name: {"title": title, "opens": opens} for name, (title, opens) in STAGES.items()},
        "checks": {
            name: {"title": title, "above": above, "below": below, "of": of}
            for name, (title, above, below, of) in CHECKS.items()
        },
    }
