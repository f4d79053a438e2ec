"""A record as a page of text: what was sealed, and beside it what this software finds where that differs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from logger.counted import counted
from logger.errors import LoggerError, RecordError
from logger.evaluate import SIGNS
from logger.kept import spec_of
from logger.plain_file import size_words
from logger.sealing.document import Account, Sitting, account_from, judged
from logger.sealing.keys import fingerprint, short_code
from logger.sealing.verify import Sealed
from logger.sentences import CHECK_WORDS, VERDICT_WORDS, length, where_words
from logger.store import Attachment, AttachmentNote, SessionGauge, SessionNote
from logger.store.events import words
from logger.visit_notes import MOST_TEXT

_LONGEST: Final = 120
_SAME_MM: Final = 1e-6
"""Two judgements of one reading agree within the store's digit, a nanometre."""
_UNJUDGEABLE: Final = (LoggerError, ValueError, TypeError, LookupError, AttributeError, ArithmeticError)

VerdictKey = tuple[str, int | None, str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A verdict as a record tells it; lengths in mm."""

    check: str
    fret: int | None
    place: str | None
    value_mm: float
    expanded_u_mm: float | None
    verdict: str
    flag: str | None

    @property
    def key(self) -> VerdictKey:
        """Check, fret and place."""
        return self.check, self.fret, self.place

    def line(self) -> str:
        """Return the verdict in one line."""
        words = plain(CHECK_WORDS.get(self.check, self.check))
        where = plain(where_words(self.fret, self.place))
        size = length(self.value_mm, self.expanded_u_mm, "mm")
        return f"{SIGNS[self.verdict]} {words:<20} {where:<17} {size}  {VERDICT_WORDS[self.verdict]}"

    def agrees(self, other: "Found") -> bool:
        """Tell whether two verdicts are the same to the nanometre."""
        if (self.verdict, self.expanded_u_mm is None) != (other.verdict, other.expanded_u_mm is None):
            return False
        apart = abs(self.value_mm - other.value_mm), abs((self.expanded_u_mm or 0) - (other.expanded_u_mm or 0))
        return max(apart) <= _SAME_MM


def plain(text: str, most: int = _LONGEST) -> str:
    """Return a text from a file so that a terminal shows it and does not obey it, cut where it is long."""
    shown = "".join(one if one.isprintable() else f"\\x{ord(one):02x}" for one in text[:most])
    return shown if len(text) <= most else f"{shown}..."


def page(sealed: Sealed, *, software: str) -> list[str]:
    """Return the lines of a record's page.

    Args:
        sealed: a record that is what was sealed.
        software: this software, with its version.

    Raises:
        RecordError: the document does not tell what a record tells.
    """
    account = account_from(sealed.document)
    found = _all_found(sealed.document.get("verdicts"))
    again, why_not = _judged_again(account)
    lines = _heading(sealed, account)
    for sitting in account.sittings:
        own = found.get(sitting.session.id, [])
        lines += ["", *_sitting_lines(sitting), *_verdict_lines(own)]
        if not why_not:
            lines += _difference_lines(own, again.get(sitting.session.id, []), software)
    for file in account.attachments:
        lines += _file_lines(file, [one for one in account.attachment_notes if one.attachment == file.id])
    lines += [f"lost before it was sealed: {plain(name)}" for name in _lost_files(sealed.document)]
    return [*lines, *([f"{software} cannot judge these readings again: {plain(why_not)}"] if why_not else [])]


def check_told(sealed: Sealed) -> None:
    """Check that a record's document tells what `page` shows: a signature alone says nothing of that.

    Raises:
        RecordError: it does not.
    """
    account_from(sealed.document)
    _all_found(sealed.document.get("verdicts"))
    _lost_files(sealed.document)


def _lost_files(document: Mapping[str, Any]) -> list[str]:
    """Return the names of the attached files whose content was lost when a record was sealed.

    Raises:
        RecordError: the document does not tell of them as a record does.
    """
    listed = document.get("lost_files", [])
    if not isinstance(listed, list) or not all(
        isinstance(one, Mapping) and isinstance(one.get("name"), str) for one in listed
    ):
        raise RecordError("the record's 'lost_files' must be a list of objects, each with a name")
    return [one["name"] for one in listed]


def _heading(sealed: Sealed, account: Account) -> list[str]:
    document = sealed.document
    certificate = sealed.certificate
    lines = [
        plain(account.name),
        f"record {sealed.number}, sealed {_time(sealed.at)} with {plain(document['software'])}",
        f"by bench key {fingerprint(sealed.key)}",
        f"code {short_code(sealed.sha256)}",
    ]
    lines += [f"rests on this: {plain(text, 400)}" for text in ([] if sealed.rests is None else words(sealed.rests))]
    if document["names"]:
        lines.append(f"reopens record {plain(document['names'])}, which stays as it was sealed")
    if certificate is not None:
        name, shop = plain(certificate["name"]), fingerprint(certificate["shop_key"])
        lines.append(f"certified as '{name}' by shop key {shop}")
    return [*lines, "whose keys these are is not asked here: fretledger record verify --key or --shop asks"]


def _file_lines(file: Attachment, notes: Sequence[AttachmentNote]) -> list[str]:
    what = f"{plain(file.media_type)}, {size_words(file.size)}, SHA-256 {plain(file.sha256)}"
    said = (f"{plain(one.who)}: {plain(one.note)}" if one.who else plain(one.note) for one in notes)
    return [f"with it: {plain(file.name)} ({what})", *(f"   {one}" for one in said)]


def _time(at: datetime) -> str:
    return at.strftime("%Y-%m-%d %H:%M UTC")


def _sitting_lines(sitting: Sitting) -> list[str]:
    session = sitting.session
    counts = (
        f"{counted(len(sitting.readings), 'reading')}, {len(sitting.take_backs)} taken back, "
        f"{len(sitting.reassignments)} assigned anew, {len(sitting.skips)} passed over"
    )
    people = f", {plain(session.people)}" if session.people else ""
    begun = _time(datetime.fromtimestamp(session.started_at_ns // 10**9, UTC))
    lines = [f"session {plain(session.id)} of {begun}{people}: {counts}"]
    lines += [f"   gauge {_gauge_words(one)}" for one in sitting.gauges]
    lines += [
        f"   air {one.temperature_mc / 1000:.1f} °C, {one.humidity_mpercent / 1000:.0f} %" for one in sitting.climate
    ]
    lines += [f"   {plain(one.name)}: {plain(one.value)}" for one in sitting.factors]
    for one in sitting.notes:
        lines += _note_lines(one)
    return lines


def _note_lines(one: SessionNote) -> list[str]:
    instead = "" if one.replaces is None else f", instead of note {one.replaces}"
    by = f", {plain(one.who)}" if one.who else ""
    when = _time(datetime.fromtimestamp(one.at_ns // 10**9, UTC))
    head = f"   note {one.number} of {when}{by}{instead}{'' if one.text else ': taken away'}"
    return [head, *(f"      {plain(line, MOST_TEXT)}" for line in one.text.split("\n") if line)]


def _gauge_words(gauge: SessionGauge) -> str:
    profile = f", profile {plain(gauge.profile)} {plain(gauge.profile_sha256, 16)}" if gauge.profile else ""
    try:
        u_mm = spec_of(gauge).u_mm
    except _UNJUDGEABLE:
        return f"{plain(gauge.gauge)} ({plain(gauge.kind)}), worth not readable{profile}"
    worth = "uncertainty not stated" if not isinstance(u_mm, int | float) else f"u {u_mm:.4f} mm"
    return f"{plain(gauge.gauge)} ({plain(gauge.kind)}), {worth}{profile}"


def _verdict_lines(found: Sequence[Found]) -> list[str]:
    counts = ", ".join(f"{sum(one.verdict == name for one in found)} {words}" for name, words in VERDICT_WORDS.items())
    flagged = [f"!! {plain(one.flag, 300)}" for one in found if one.flag is not None]
    return [f"   sealed: {counted(len(found), 'verdict')}, {counts}", *flagged, *(one.line() for one in found)]


def _difference_lines(sealed: Sequence[Found], again: Sequence[Found], software: str) -> list[str]:
    """Return what this software finds otherwise, verdict by verdict; nothing where it finds the same."""
    lines = [
        f"{now.line()} (sealed: {before.line()})" if now is not None and before is not None
        else f"{now.line()} (not sealed)" if now is not None
        else f"no such verdict (sealed: {before.line() if before is not None else ''})"
        for before, now in _differences(sealed, again)
    ]  # fmt: skip
    return [f"   judged again by {software}, which finds otherwise:", *lines] if lines else []


def _differences(sealed: Sequence[Found], again: Sequence[Found]) -> list[tuple[Found | None, Found | None]]:
    """Return the verdicts that are not the same in both, as sealed and as found again; None where there is none."""
    before, now = ({one.key: one for one in each} for each in (sealed, again))
    changed = [(one, now.get(key)) for key, one in before.items() if key not in now or not one.agrees(now[key])]
    return [*changed, *((None, one) for key, one in now.items() if key not in before)]


def beside_sealed(sealed: Sealed) -> tuple[list[tuple[Found | None, Found | None]], str]:
    """Return what this software finds otherwise than a record, and why it cannot judge again; empty where it can.

    Raises:
        RecordError: the document does not tell what a record tells.
    """
    own = _all_found(sealed.document.get("verdicts"))
    again, why_not = _judged_again(account_from(sealed.document))
    if why_not:
        return [], why_not
    sessions = dict.fromkeys((*own, *again))
    return [pair for one in sessions for pair in _differences(own.get(one, []), again.get(one, []))], ""


def _judged_again(account: Account) -> tuple[dict[str, list[Found]], str]:
    """Return the verdicts of this software, or why it has none: a signed record may hold what it cannot judge."""
    try:
        return _all_found(judged(account)), ""
    except _UNJUDGEABLE as error:
        return {}, str(error) or type(error).__name__


def _all_found(verdicts: Any) -> dict[str, list[Found]]:
    if not isinstance(verdicts, list):
        raise RecordError("the record's verdicts must be a list")
    found: dict[str, list[Found]] = {}
    for one in verdicts:
        if not isinstance(one, Mapping) or not isinstance(one.get("session"), str) \
                or not isinstance(one.get("verdicts"), list):  # fmt: skip
            raise RecordError("the record's verdicts must be a list of objects, each of a session")
        found[one["session"]] = [_found(verdict) for verdict in one["verdicts"]]
    return found


def _found(values: Any) -> Found:
    if not isinstance(values, Mapping):
        raise RecordError("a verdict of the record must be an object")
    names = ("check", "fret", "place", "value_mm", "U_mm", "verdict", "flag")
    check, fret, place, value, u, verdict, flag = (values.get(name) for name in names)
    if not isinstance(check, str) or not isinstance(value, int | float) or not isinstance(verdict, str):
        raise RecordError("a verdict of the record must have its check, size and verdict")
    if verdict not in SIGNS:
        raise RecordError(f"a verdict of the record must be one of {', '.join(SIGNS)}, got {verdict[:40]!r}")
    if not (isinstance(fret, int | None) and isinstance(place, str | None) and isinstance(flag, str | None)
            and isinstance(u, int | float | None)):  # fmt: skip
        raise RecordError("a verdict of the record must say where it is of, and how sure")
    return Found(check=check, fret=fret, place=place, value_mm=value, expanded_u_mm=u, verdict=verdict, flag=flag)
