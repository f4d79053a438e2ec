"""Hold every word of the page in one place, so that a translation is a file.

`page_words` gives all of it as one plain mapping, which the page carries as JSON for its scripts. Names in
braces are filled in by the script. Sentences about a single reading or flag come from the bench, not from here.
"""

from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from dashboard.bench_words import BENCH_WORDS
from dashboard.choosing_words import CHOOSING
from dashboard.gauge_words import GAUGE_VIEW
from dashboard.setting_words import PAIR, SETTING_WORDS
from dashboard.shop_words import FACTOR_WORDS, SHOP
from dashboard.told_words import CHECKED, NOTES, WORKED
from dashboard.translation import read_translation
from dashboard.view_words import ALTERNATIVES, TASKS, VIEW_WORDS
from dashboard.words_record import RACK, RECORD
from logger.features import KINDS

PLACE_WORDS: Final = MappingProxyType({"bass": "bass", "centre": "centre", "treble": "treble"})
"""Names of the places on a fret; the page compares and sends the keys, and shows the words."""
CHECKS: Final = MappingProxyType({
    # name: title on its tab, word of a cell that fails, word of one that fails below zero, what the number is
    "slot_position": ("Slot places", "far", "near", "distance of the slot from its place on the scale"),
    "board_arc": ("Board arc", "round", "flat", "rise of the board's arc over that of its radius"),
    "hump": ("Hump", "hump", "hollow", "bare board over the line through both sides of the join"),
    "tang_clearance": ("Tang clearance", "loose", "tight", "slot width minus tang thickness"),
    "barb_bite": ("Barb bite", "bite", "loose", "bite of the barbs on each side"),
    "slot_depth_spare": ("Spare slot depth", "depth", "shallow", "slot depth minus tang depth"),
    "proud_end": ("Proud ends", "proud", "low", "lift of the fret above where it should sit"),
    "both_ends_proud": ("Both ends proud", "proud", "low", "both ends over the centre, the lower of the two"),
    "middle_high": ("Middle high", "high", "low", "centre over the line through both ends"),
    "uneven_seating": ("Uneven seating", "uneven", "uneven", "largest difference among the places of one fret"),
    "tilted_fret": ("Tilted frets", "tilted", "tilted", "bass end against treble end"),
    "loose_fret": ("Loose frets", "loose", "loose", "how far the fret goes down when pressed"),
    "lifted_end": ("Lifted ends", "lifted", "lifted", "gap under the fret's end"),
    "high_fret": ("High frets", "high", "high", "height over the neighbouring frets"),
    "low_fret": ("Low frets", "low", "low", "depth under the neighbouring frets"),
    "string_clearance": ("String clearance", "clear", "buzzes", "least clearance of the swinging string"),
})

USUAL: Final = (
    "tang_clearance", "barb_bite", "slot_depth_spare", "proud_end", "uneven_seating", "tilted_fret", "high_fret",
    "low_fret",
)  # fmt: skip
"""Checks of the standard sheet: the map offers them before anything is judged, the others once something is."""

VERDICTS: Final = MappingProxyType({
    # name: said large, said in a cell
    "pass": ("Pass", "ok"),
    "fail": ("Fail", "fail"),
    "remeasure": ("Measure again", "again"),
})

VIEWS: Final = MappingProxyType({
    # name: said in the row of views
    "bench": "Bench",
    "fit": "Fit",
    "sweep": "Board and sweep",
    "levelling": "Levelling",
    "all-gauges": "Gauges",
    "record": "Record",
    "rack": "Rack",
    "shop": "Shop",
    "settings": "Settings",
})

STAGES: Final = MappingProxyType({
    # name: said in the row of stages, the check that the map opens with
    "wire": ("Wire", "tang_clearance"),
    "board": ("Board", "hump"),
    "slots": ("Slots", "tang_clearance"),
    "seating": ("Seating", "proud_end"),
    "sweep": ("Sweep", "high_fret"),
})

STATUSES: Final = MappingProxyType({
    "connecting": "connecting",
    "alive": "alive",
    "silent": "silent",
    "lost": "lost",
    "closed": "closed",
    "unknown": "not known",
})

PHASES: Final = MappingProxyType({
    # name: how still a gauge is whose settled value is taken
    "away": "moves",
    "settling": "settles",
    "settled": "still",
    "held": "taken; lift it for the next",
})

PARTS: Final = MappingProxyType({
    # name: what a part of the spread in a study is called
    "repeatability": "Repeatability",
    "person": "Between people",
    "part_person": "Part by person",
    "measuring": "Measuring in all",
    "part": "Between parts",
    "total": "Total",
})

GAUGE_KINDS: Final = MappingProxyType({
    "caliper": "caliper",
    "depth_indicator": "indicator in its depth base",
    "rocker": "indicator on the rocker fixture",
    "leaves": "leaves, typed",
})

SOURCES: Final = MappingProxyType({
    # name: where a gauge's worth comes from, after "from"
    "default": "common practice, no source",
    "file": "your gauges file",
    "check": "its checks",
    "study": "its repeatability study",
})

PAGE: Final = MappingProxyType({
    **VIEW_WORDS,
    **CHOOSING,
    **RECORD,
    **RACK,
    **GAUGE_VIEW,
    **SHOP,
    **BENCH_WORDS,
    **WORKED,
    **NOTES,
    **CHECKED,
    "title": "Fretledger bench",
    "locale": "en-GB",
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
    "views": "Views",
    "looking": "One moment, the readings are being judged",
    "not_told": "This cannot be shown: {why}",
    "bench_away": "the bench does not answer just now; it is asked again as soon as it does",
    "bench": "Bench",
    "live": "live",
    "connecting": "connecting",
    "lost": "Connection lost, trying again",
    "old": "What you see may be old. Typed readings are kept here and sent when the bench answers.",
    "waiting_disk": "{n} readings are not on disk yet. Measure no further until this goes away.",
    "waiting_disk_one": "1 reading is not on disk yet. Measure no further until this goes away.",
    "stages": "Stages",
    "connected": "Connected gauges",
    "gauges": "Gauges",
    "no_gauges": "No gauge is connected; readings can be typed",
    "gauge_since": "{status} since {time}",
    "readings": "{n} readings",
    "readings_one": "1 reading",
    "unreadable": "{n} unreadable",
    "unreadable_more": "lines that were no reading, and are not kept: {n}; where a press brought nothing, press again, "
    "and if they are many, see to cable and plug",
    "unreadable_demo": "the demo has its line disturbed on purpose",
    "last_raw": "last came: {raw}",
    "battery": "battery {n} %",
    "battery_low": "battery low, {n} %",
    "settling_of": "How far {gauge} has settled",
    "take_now": "Take now",
    "press_lost": "the press did not get through in time; look whether a reading came, then press again",
    "old_gauge": "The bench does not answer: what this gauge does is not known",
    "next": "Measure next",
    "repeat_of": "Reading {repeat} of {of}",
    "feet_at": "Setting {setting}: feet {length} apart",
    "with_gauge": "With {gauge}",
    "bracket": "Type both, with a space between",
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
    "within": "Between {low} and {high}",
    "unassigned": "Kept, belongs to no feature yet",
    "unjudged": "Kept, not judged yet",
    "thousandths": "{n} thousandths",
    "neck": "Neck with the fret to measure marked",
    "neck_next": "Next: {words}",
    "neck_last": "Last: {words}, {verdict}",
    "neck_flagged": "Flagged frets: {frets}",
    "frets_flagged": "{n} frets flagged: {frets}",
    "frets_flagged_one": "1 fret flagged: {frets}",
    "wire_flagged": "Wire flagged",
    "fixture_flagged": "Zero moved",
    "none_flagged": "No fret is flagged",
    "shadow": "The step is explained by fret {frets}; the verdict is on what is left of it.",
    "nut": "nut",
    "typed": "Typed reading",
    "typed_hint": "0.00",
    "typed_hint_bracket": "0.00 0.00",
    "enter": "Enter",
    "take_back": "Take back",
    "skip": "Skip",
    "unskip": "Undo skip",
    "unskip_this": "Undo skip: {words}",
    "repeat": "One more reading",
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
    "what_place": "fret {fret}, {place}",
    "what_fret": "fret {fret}",
    "what_wire": "wire",
    "what_blocks": "{kind}, blocks on {low} and {high}",
    "what_fret_step": "step over frets {low} and {high}",
    "what_board_step": "step of the bare board over frets {low} and {high}",
    "cell": "Fret {fret} {place}: {check} {value}, {verdict}",
    "chance": "chance of being within limits {p} %",
    "nothing_judged": "Nothing judged yet for this check.",
    "legend_u": "bars in the chart: expanded uncertainty at 95 %; dashed lines: limits",
    "flags": "Flags",
    "no_flags": "No flag is raised.",
    "of_the_wire": "Wire",
    "of_the_fixture": "Zeros",
    "recent": "Recent readings",
    "no_recent": "Nothing yet",
    "taken_back": "taken back",
    "take_back_this": "Take back {words}, {value}",
    "chart_limit": "limit {size}",
    "chart_words": "{check}: values by fret with their expanded uncertainty; the same numbers are in the map above",
    "study": "Study",
    "study_of": "Repeatability study of {gauge}",
    "study_facts": "{parts}, {people}, {trials}",
    "parts": "{n} parts",
    "parts_one": "1 part",
    "people": "{n} people",
    "people_one": "1 person",
    "trials": "{n} readings of each",
    "trials_one": "1 reading of each",
    "part_n": "part {part}",
    "trial_n": "trial {trial} of {trials}",
    "study_how": "In random order: look only at the part that is named here",
    "study_kept": "Kept for the study",
    "study_done": "Every reading of this study is taken",
    "progress": "{done} of {of} readings",
    "taken": "Readings taken, by part and person",
    "taken_cell": "{done} of {of}",
    "outcome": "What the study says of {gauge}",
    "sizes": "Sizes it can tell apart",
    "sizes_none": "Not known from one part",
    "sizes_few": "The parts of this study are all alike to this gauge",
    "one_reading": "One reading repeats within",
    "one_reading_more": "Standard deviation, {dof} degrees of freedom",
    "spread": "Where the spread comes from",
    "spread_more": "Shares are of the standard deviation in all; standard deviations add as squares, "
    "so they do not add to 100 %.",
    "deviation": "standard deviation, {unit}",
    "interval": "95 % from, to",
    "share": "share of spread",
    "pooled": "With part by person counted as repeatability",
    "anova": "Analysis of variance",
    "source": "source",
    "ss": "sum of squares, {unit}",
    "df": "degrees of freedom",
    "ms": "mean square, {unit}",
    "f": "F",
    "p": "p",
    "thou2": "thou²",
    "um2": "µm²",
    "below_p": "< 0.001",
    "study_chart": "Readings by part and person",
    "study_chart_words": "Readings by part and person, each mean with its 95 % interval; "
    "the same means stand in the table below",
    "study_legend": "Small signs: readings; large signs: their mean with its 95 % interval",
    "means": "The means as numbers, {unit}",
    "how_found": "Intervals: {method}",
    "worth_more": "What one reading is worth, and what the checks found. A gauge's name "
    "leads to all that is known of it.",
    "worth": "One reading",
    "worth_u": "{u} {unit}",
    "worth_what": "Standard uncertainty",
    "worth_none": "Not known: every verdict says measure again",
    "worth_from": "from {source}",
    "worth_dof": "{n} degrees of freedom",
    "digit": "Digit",
    "zero": "Zero",
    "checked": "Last check",
    "never": "never checked",
    "due": "Due {day}",
    "overdue": "Overdue since {day}",
    "overdue_plain": "Overdue",
    "drifts": "Drifts",
    "no_drift": "No drift seen",
    "day": "day",
    "found": "found, {unit}",
    "climate": "Air at the bench",
    "climate_line": "{temperature}, {humidity} % humidity",
    "climate_moisture": "wood settles at {moisture} % moisture",
    "climate_unmoved": "board movement not known: {why}",
    "climate_none": "Temperature and humidity are not noted",
    "climate_at": "Noted at {time}",
    "climate_edit": "Edit",
    "climate_note": "Note them",
    "climate_save": "Save",
    "climate_cancel": "Cancel",
    "temperature_c": "Temperature, °C",
    "temperature_f": "Temperature, °F",
    "humidity": "Humidity, %",
    "bad_temperature": "Temperature must be a number like 21.5",
    "bad_humidity": "Humidity must be a number from 0 to 100",
    "query": "Does this reading belong?",
    "query_value": "{words}: {value}",
    "query_more": "{n} more readings are asked about",
    "query_more_one": "1 more reading is asked about",
    "keep": "Keep",
    "keep_this": "Keep {words}, {value}",
    "queried": "asked about",
    "query_said": "{title} {words}, {value}. {text}",
    "sure": "How sure",
    "sure_part": "part of the uncertainty",
    "sure_size": "size, {unit}",
    "sure_share": "share",
    "said": "{words}: {value}, {verdict}",
    "alarm": "Fail: {words}, {value}. {because}",
    "alarm_plain": "A reading failed, number {n}",
    **SETTING_WORDS,
})

TOO_MANY: Final = "at most {most} actions in one post, got {got}; send the rest in another"
TOO_DEEP: Final = "the body is nested too deeply; send a JSON list of actions"
NOT_A_LIST: Final = "the body must be a JSON list of actions"
NO_ID: Final = "action {place} of the list needs an id of 1 to {most} characters"
UNKNOWN_DO: Final = "action must be one of {known}, got {got}"
BAD_TEXT: Final = "typed text must have 1 to {most} characters"
BAD_UNIT: Final = "unit must be one of {known}, got {got}"
BAD_CHOICE: Final = "{name} must be {known}, got {got}"
BAD_READING: Final = "taking back or keeping a certain reading needs its gauge and its sequence number"
BAD_STAGE: Final = "asking again for a stage needs its name as a text"
BAD_CLIMATE: Final = "{name} must be a number, got {got}"
UNKNOWN_KEYS: Final = "action {do} knows nothing of {keys}"
BENCH_FAILED: Final = "the bench could not do this; its log says why"
BUSY: Final = "too many pages are open; this one asks again by itself"


def page_words(language: Path | None = None) -> dict[str, Any]:
    """Return all words of the page as plain JSON values, in English or as a file of translated words has them.

    Raises:
        TranslationError: the file cannot be read or does not hold.
    """
    return _english() if language is None else read_translation(language, _english())


def _english() -> dict[str, Any]:
    return {
        "page": dict(PAGE),
        "views": dict(VIEWS),
        "pair": dict(PAIR),
        "places": dict(PLACE_WORDS),
        "kinds": {name: kind.words for name, kind in KINDS.items()},
        "statuses": dict(STATUSES),
        "phases": dict(PHASES),
        "parts": dict(PARTS),
        "gauge_kinds": dict(GAUGE_KINDS),
        "sources": dict(SOURCES),
        "verdicts": {name: {"large": large, "short": short} for name, (large, short) in VERDICTS.items()},
        "stages": {name: {"title": title, "opens": opens} for name, (title, opens) in STAGES.items()},
        "tasks": dict(TASKS),
        "alternatives": dict(ALTERNATIVES),
        "factors": dict(FACTOR_WORDS),
        "usual": list(USUAL),
        "checks": {
            name: {"title": title, "above": above, "below": below, "of": of}
            for name, (title, above, below, of) in CHECKS.items()
        },
    }
