"""Which feature comes next: stages, repeats, skip, take back. A state machine without input or output."""

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Final

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
    STAGES,
    STEPS,
    STUDY,
    WIRE_KINDS,
    Feature,
    measures,
)
from logger.instrument import Instrument

WIRE_REPEATS: Final = 4
"""Spots along the coil; one reading is not a tang thickness (common practice, no source)."""

ReadingKey = tuple[str, int]
"""Gauge and sequence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One line of the sheet: a feature, which repeat of how many, and what fills it.

    Attributes:
        filled_by: gauge and sequence of the reading, or None.
        skipped: passed over by the person.
        setting: setting of the fixture's feet, where the instrument's file describes the fixture.
        feet_mm: distance of the feet in that setting.
    """

    stage: str
    feature: Feature
    repeat: int = 1
    of: int = 1
    filled_by: ReadingKey | None = None
    skipped: bool = False
    setting: str = ""
    feet_mm: float | None = None

    @property
    def open(self) -> bool:
        """Tell whether the item still waits for a reading."""
        return self.filled_by is None and not self.skipped


def standard_items(instrument: Instrument) -> list[Item]:
    """Return the sheet of an instrument: the wire, every slot, every seated fret, the sweep, as the instrument asks.

    Steps come setting by setting of the fixture, so that its feet are moved once for each.
    """
    frets, wishes = range(1, instrument.frets + 1), instrument.sheet
    wire = [("wire", Feature(kind=kind), WIRE_REPEATS) for kind in WIRE_KINDS]
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
        before, after = (Item(stage=stage, feature=Feature(kind=GAUGE_ZERO, place=f"{stage}, {when}"))
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


def suits(item: Item, gauge_kind: str, value_nm: int, *, bracket: bool) -> bool:
    """Tell whether a reading of a kind of gauge can be of what is asked for: a gauge at zero measures no size."""
    kind = item.feature.kind
    sized = kind == STUDY or not wrong_form(item, value_nm=value_nm, bracket=bracket)
    return measures(gauge_kind, kind) and sized


@dataclass(slots=True)
class Sheet:
    """The ordered items and how far the sitting has come; the next feature is the first open item."""

    items: list[Item] = field(default_factory=list)
    stages: tuple[str, ...] = STAGES

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
            if item.feature == feature and item.open:
                self.items[index] = replace(item, skipped=True)

    def unskip(self, feature: Feature) -> None:
        """Ask again for a feature that was passed over."""
        for index, item in enumerate(self.items):
            if item.feature == feature and item.skipped:
                self.items[index] = replace(item, skipped=False)

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
        for key, feature in readings:
            indices = [index for index, item in enumerate(self.items) if item.feature == feature]
            index = next((index for index in indices if self.items[index].open), None)
            if index is None and indices:
                self.repeat(feature)
                repeated[feature] += 1
                index = next(i for i, item in enumerate(self.items) if item.feature == feature and item.open)
            if index is not None:
                self.items[index] = replace(self.items[index], filled_by=key)
        for ask, feature in asked:
            if ask == "repeat" and repeated[feature]:
                repeated[feature] -= 1  # its reading is kept
            else:
                self._ask(ask, feature)

    def _ask(self, ask: str, feature: Feature) -> None:
        {"skip": self.skip_feature, "unskip": self.unskip, "repeat": self.repeat}[ask](feature)

    def progress(self) -> list[tuple[str, int, int]]:
        """Return per stage that asks for anything: name, items done or skipped, items in all."""
        counts = [_count(stage, [item for item in self.items if item.stage == stage]) for stage in self.stages]
        return [count for count in counts if count[2]]


def _count(stage: str, items: Sequence[Item]) -> tuple[str, int, int]:
    return stage, sum(not item.open for item in items), len(items)
