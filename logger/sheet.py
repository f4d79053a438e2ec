"""Which feature comes next: stages, repeats, skip, take back. A state machine without input or output."""

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Final, NamedTuple

from logger.errors import SheetError
from logger.evaluation.fixture import Setting
from logger.features import (
    AFTER,
    BEFORE,
    FIXTURE_ZERO,
    GAUGE_ZERO,
    KINDS,
    PLACES,
    SIGNED_KINDS,
    STAGE_GAUGES,
    STAGES,
    STEPS,
    STUDY,
    WIRE_KINDS,
    ZERO_KINDS,
    Feature,
    measures,
    typed_name,
    zero_parts,
    zero_place,
)
from logger.instrument import Instrument

WIRE_REPEATS: Final = 4
"""Spots along the coil; one reading is not a tang thickness (common practice, no source)."""

ReadingKey = tuple[str, int]
"""Gauge and sequence."""


class Progress(NamedTuple):
    """How far a stage has come: its name, and how many of its items are measured, passed over, and there in all."""

    stage: str
    done: int
    skipped: int
    of: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One line of the sheet: a feature, which repeat of how many, and what fills it.

    Attributes:
        filled_by: gauge and sequence of the reading, or None.
        skipped: passed over by the person.
        spared: not asked after all: the zero of a gauge that took no part in the stage.
        setting: setting of the fixture's feet, where the instrument's file describes the fixture.
        feet_mm: distance of the feet in that setting.
    """

    stage: str
    feature: Feature
    repeat: int = 1
    of: int = 1
    filled_by: ReadingKey | None = None
    skipped: bool = False
    spared: bool = False
    setting: str = ""
    feet_mm: float | None = None

    @property
    def open(self) -> bool:
        """Tell whether the item still waits for a reading."""
        return self.filled_by is None and not self.skipped and not self.spared

    @property
    def gauge(self) -> str:
        """The only gauge that can fill it, empty for any of its kind."""
        return zero_parts(self.feature.place or "")[1] if self.feature.kind in ZERO_KINDS else ""

    @property
    def gauge_kind(self) -> str:
        """The natural kind of gauge for it; of a zero that of its stage."""
        feature = self.feature
        return STAGE_GAUGES[self.stage] if feature.kind == GAUGE_ZERO else KINDS[feature.kind].gauges[0]


def standard_items(instrument: Instrument) -> list[Item]:
    """Return the sheet of an instrument: the wire, every slot, every seated fret, the sweep, as the instrument asks.

    Steps come setting by setting of the fixture, so that its feet are moved once for each.
    """
    frets, wishes = range(1, instrument.frets + 1), instrument.sheet
    wire = [("wire", Feature(kind=kind), WIRE_REPEATS) for kind in WIRE_KINDS]
    if wishes.pieces:
        wire += [("wire", Feature(kind=kind, fret=fret), 1) for fret in frets for kind in WIRE_KINDS[:2]]
    slots = [
        ("slots", Feature(kind=kind, fret=fret, place=place), 1)
        for kind in ("slot_width", "slot_depth")
        for fret in frets
        for place in PLACES
    ]
    seated = [
        ("seating", Feature(kind="seated_height", fret=fret, place=place), 1) for fret in frets for place in PLACES
    ]
    reaches = (1, 2) if wishes.long_steps else (1,)
    board = _sweep_items("board", ("board_step", "board_gap"), wishes.board, reaches, instrument)
    sweep = _sweep_items("sweep", ("fret_step", "straightedge_gap"), wishes.sweep, reaches, instrument)
    items = [
        Item(stage=stage, feature=feature, repeat=repeat, of=of)
        for stage, feature, of in (*wire, *board, *slots, *seated)
        for repeat in range(1, of + 1)
    ]
    swept = [Item(stage=stage, feature=feature) for stage, feature, _ in sweep]
    if not instrument.fixture.stated:
        return _with_zeros([*items, *swept], wishes.zeros)
    stages = [stage for stage in wishes.zeros if stage != "sweep"]
    return _with_zeros(items, stages) + _by_setting(swept, instrument.fixture_plan.settings)


def _with_zeros(items: Sequence[Item], stages: Collection[str]) -> list[Item]:
    """Return the items with the zero of the gauge at the beginning and the end of some stages."""
    found: list[Item] = []
    for stage, own in groupby(items, key=lambda item: item.stage):
        before, after = (Item(stage=stage, feature=Feature(kind=GAUGE_ZERO, place=zero_place(stage, when)))
                         for when in (BEFORE, AFTER))  # fmt: skip
        of_stage = list(own)
        found += [before, *of_stage, after] if stage in stages else of_stage
    return found


def _by_setting(items: Sequence[Item], settings: Iterable[Setting]) -> list[Item]:
    """Return the steps of all paths setting by setting, each between two zeros, then what needs no fixture.

    Steps that no setting serves are left out.
    """
    ordered: list[Item] = []
    for one in settings:
        feet = {(fret - one.reach, fret + one.reach) for fret in one.frets}
        steps = [replace(item, setting=one.name, feet_mm=one.feet_mm) for item in items
                 if item.feature.kind in STEPS and item.feature.feet in feet]  # fmt: skip
        if steps:
            ordered += [_zero(one, BEFORE), *steps, _zero(one, AFTER)]
    return ordered + [item for item in items if item.feature.kind not in STEPS]


def _zero(one: Setting, when: str) -> Item:
    feature = Feature(kind=FIXTURE_ZERO, place=f"setting {one.name}, {when}")
    return Item(stage="sweep", feature=feature, setting=one.name, feet_mm=one.feet_mm)


def _sweep_items(
    stage: str, kinds: tuple[str, str], paths: Sequence[str], reaches: Sequence[int], instrument: Instrument
) -> list[tuple[str, Feature, int]]:
    last = instrument.frets
    middle = "centre" if "centre" in paths else next(iter(paths), "")
    steps = [
        Feature(kind=kinds[0], fret=fret, place=place, feet=(fret - reach, fret + reach))
        for reach in reaches
        for place in paths
        if reach == 1 or place == middle
        for fret in range(1 + reach, last + 1 - reach)
    ]
    gaps = [Feature(kind=kinds[1], fret=fret, place=place, feet=(1, last))
            for place in paths for fret in instrument.sheet.gaps]  # fmt: skip
    return [(stage, feature, 1) for feature in (*steps, *gaps)]


def round_of(item: Item) -> str:
    """Return the name of the round that a reading belongs to: readings of one gauge and round share one zero.

    A trial of a study is its own; so is a setting of the fixture's feet, where the fixture is not described any but on
    the neighbours.
    """
    feature = item.feature
    if feature.trial is not None:
        return feature.trial
    if item.setting:
        return f"{item.stage}, setting {item.setting}"
    if feature.kind in STEPS and feature.feet is not None and feature.feet[1] - feature.feet[0] != 2:
        return f"{item.stage}, feet {feature.feet[1] - feature.feet[0]} apart"
    return item.stage


def wrong_form(item: Item, *, value_nm: int, bracket: bool) -> str:
    """Say what is wrong with a typed value, or bracket of two leaves, for what is asked for; or nothing."""
    kind = KINDS[item.feature.kind]
    leaves = kind.gauges[0] == "leaves"
    if leaves and not bracket:
        return f"{kind.words} is typed as two leaves, the largest that goes and the next that does not: 0.55 0.60"
    if bracket and not leaves:
        return f"{kind.words} is one number, not two leaves; type it like 0.512"
    if value_nm <= 0 and kind.name not in SIGNED_KINDS:
        return f"{kind.words} is a size and must be above 0; check the sign"
    return ""


def wrong_typed(item: Item | None, *, value_nm: int, bracket: bool) -> str:
    """Say what is wrong with typing this for what is asked for, or nothing: the zero of one gauge comes from itself."""
    if item is None:
        return ""
    if item.gauge:
        return f"the zero of {item.gauge} must come from itself, got a typed one; press its own button, or skip it"
    return wrong_form(item, value_nm=value_nm, bracket=bracket)


def suits(item: Item, gauge_kind: str, value_nm: int, *, bracket: bool, gauge: str = "") -> bool:
    """Tell whether a reading of a gauge of a kind can be of what is asked for: a gauge at zero measures no size."""
    kind = item.feature.kind
    if item.gauge not in {"", gauge}:
        return False
    sized = kind == STUDY or not wrong_form(item, value_nm=value_nm, bracket=bracket)
    return measures(gauge_kind, kind) and sized


@dataclass(slots=True)
class Sheet:
    """The ordered items and how far the sitting has come; the next feature is the first open item."""

    items: list[Item] = field(default_factory=list)
    stages: tuple[str, ...] = STAGES
    gauges: dict[str, list[str]] = field(default_factory=dict)
    """Names of the connected gauges by kind, in the order in which they came."""

    def know(self, gauge: str, kind: str) -> None:
        """Ask each gauge of a kind for its zero by name as soon as there are two that are connected, not typed."""
        names = self.gauges.setdefault(kind, [])
        if gauge in names or typed_name(gauge):
            return
        names.append(gauge)
        if len(names) > 1:
            own = [item for item in self.items if item.feature.kind in ZERO_KINDS and item.gauge_kind == kind]
            for place in dict.fromkeys(_unnamed(item.feature.place) for item in own):
                self._name_zeros(place, names)
            self._let_go()

    def _name_zeros(self, place: str, names: Sequence[str]) -> None:
        """Put one item for each gauge where a zero is asked for; what is filled or skipped stays so."""
        found = [index for index, item in enumerate(self.items)
                 if item.feature.kind in ZERO_KINDS and _unnamed(item.feature.place) == place]  # fmt: skip
        asked = [self.items[index] for index in found]
        during, _, when = zero_parts(place)
        items: list[Item] = []
        for name in names:
            feature = replace(asked[0].feature, place=zero_place(during, when, name))
            filled = [item for item in asked if item.gauge == name or (
                not item.gauge and item.filled_by is not None and item.filled_by[0] == name)]  # fmt: skip
            skipped = any(item.skipped and not item.gauge for item in asked)
            items += [replace(item, feature=feature, repeat=count, of=len(filled))
                      for count, item in enumerate(filled, start=1)]  # fmt: skip
            if not filled:
                items.append(replace(asked[0], feature=feature, repeat=1, of=1, filled_by=None, skipped=skipped))
        others = [item for item in asked if not item.gauge and item.filled_by is not None
                  and item.filled_by[0] not in names]  # fmt: skip
        for index in reversed(found):
            del self.items[index]
        self.items[found[0] : found[0]] = [*others, *items]

    def _let_go(self) -> None:
        """Ask no gauge for its zero that came when all else of a stage or setting was done: it took no part in it."""
        for rounds in {(item.stage, item.setting) for item in self.items}:
            own = [item for item in self.items if (item.stage, item.setting) == rounds]
            if any(item.open and item.feature.kind not in ZERO_KINDS for item in own):
                continue
            took_part = {item.gauge for item in own if item.filled_by is not None}
            for index, item in enumerate(self.items):
                if (item.stage, item.setting) == rounds and item.gauge and item.open and item.gauge not in took_part:
                    self.items[index] = replace(item, spared=True)

    def next(self) -> Item | None:
        """Return the first open item, or None when the sheet is done."""
        return next((item for item in self.items if item.open), None)

    def fill(self, reading: ReadingKey) -> Item | None:
        """Give a reading to the first open item and return the item, filled; None when the sheet is done."""
        index = next((index for index, item in enumerate(self.items) if item.open), None)
        if index is None:
            return None
        self.items[index] = replace(self.items[index], filled_by=reading)
        return self.items[index]

    def skip(self) -> Item:
        """Pass over the next feature, all its repeats, and return its first item.

        Raises:
            SheetError: the sheet is done.
        """
        item = self.next()
        if item is None:
            raise SheetError("nothing to skip: every feature of the sheet is measured or skipped")
        self.skip_feature(item.feature)
        return item

    def skip_feature(self, feature: Feature) -> None:
        """Mark every open item of a feature as skipped."""
        for index, item in enumerate(self.items):
            if item.feature in self._now(feature) and item.open:
                self.items[index] = replace(item, skipped=True)

    def unskip(self, feature: Feature) -> None:
        """Ask again for a feature that was passed over."""
        for index, item in enumerate(self.items):
            if item.feature in self._now(feature) and item.skipped:
                self.items[index] = replace(item, skipped=False)

    def is_skipped(self, feature: Feature) -> bool:
        """Tell whether a feature, or what it is by now on this sheet, is passed over."""
        now = self._now(feature)
        return any(item.skipped and item.feature in now for item in self.items)

    def take_back(self, reading: ReadingKey) -> Item | None:
        """Open the item that a reading filled (of several the last) and return it; None when it filled none."""
        for index in reversed(range(len(self.items))):
            item = self.items[index]
            if item.filled_by == reading:
                self.items[index] = replace(item, filled_by=None)
                return self.items[index]
        return None

    def repeat(self, feature: Feature) -> Item:
        """Ask for one more reading of a feature, next.

        Raises:
            SheetError: the sheet holds no such feature.
        """
        feature = self._now(feature)[0]
        places = [index for index, item in enumerate(self.items) if item.feature == feature]
        if not places:
            raise SheetError(f"the sheet does not ask for {feature.words()}; measure it on a sheet that does")
        count = len(places) + 1
        for index in places:
            self.items[index] = replace(self.items[index], of=count)
        item = replace(self.items[places[-1]], repeat=count, of=count, filled_by=None, skipped=False)
        first_open = next((index for index, one in enumerate(self.items) if one.open), len(self.items))
        self.items.insert(min(first_open, len(self.items)), item)
        return item

    def resume(self, readings: Iterable[tuple[ReadingKey, Feature]], asked: Iterable[tuple[str, Feature]] = ()) -> None:
        """Take in what an earlier run of the same sitting kept.

        Args:
            readings: kept readings with their features, in order; extra repeats extend the sheet.
            asked: what was asked of the sheet, in order: ``skip``, ``unskip`` or ``repeat`` and the feature.
        """
        repeated: Counter[Feature] = Counter()
        for key, kept in readings:
            feature = next((one for one in self._now(kept) if _names(one, key[0])), kept)
            indices = [index for index, item in enumerate(self.items) if item.feature == feature]
            index = next((index for index in indices if self.items[index].open), None)
            if index is None and indices:
                self.repeat(feature)
                repeated[feature] += 1
                index = next(i for i, item in enumerate(self.items) if item.feature == feature and item.open)
            if index is not None:
                self.items[index] = replace(self.items[index], filled_by=key)
        for ask, feature in asked:
            done = next((one for one in self._now(feature) if repeated[one]), None) if ask == "repeat" else None
            if done is not None:
                repeated[done] -= 1  # its reading is kept
            else:
                self._ask(ask, feature)
        self._let_go()

    def _now(self, feature: Feature) -> list[Feature]:
        """Return what a feature is on this sheet: a zero from before there were two gauges is now one of each."""
        if feature.kind not in ZERO_KINDS or any(item.feature == feature for item in self.items):
            return [feature]
        own = [item.feature for item in self.items if item.feature.kind == feature.kind]
        return list(dict.fromkeys(one for one in own if _unnamed(one.place) == feature.place)) or [feature]

    def _ask(self, ask: str, feature: Feature) -> None:
        {"skip": self.skip_feature, "unskip": self.unskip, "repeat": self.repeat}[ask](feature)

    def skipped_of(self, stage: str) -> list[Feature]:
        """Return what was passed over in a stage, in the order of the sheet."""
        return list(dict.fromkeys(item.feature for item in self.items if item.stage == stage and item.skipped))

    def progress(self) -> list[Progress]:
        """Return how far every stage has come that asks for anything."""
        counts = [_count(stage, [item for item in self.items if item.stage == stage]) for stage in self.stages]
        return [count for count in counts if count.of]


def _unnamed(place: str | None) -> str:
    """Return the place of a zero without the gauge."""
    during, _, when = zero_parts(place or "")
    return zero_place(during, when)


def _names(feature: Feature, gauge: str) -> bool:
    return feature.kind in ZERO_KINDS and zero_parts(feature.place or "")[1] == gauge


def _count(stage: str, items: Sequence[Item]) -> Progress:
    done, skipped = sum(item.filled_by is not None for item in items), sum(item.skipped for item in items)
    return Progress(stage, done, skipped, sum(not item.spared for item in items))
