"""Fill a store for the pictures of the page: necks of a shop, checks and a study of the gauges, two drawn photos.

Everything is invented, from the demo's generator with other seeds, and says so.
"""

import json
import random
import time
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Final

from PIL import Image, ImageDraw

from logger.begin import default_gauges
from logger.checks import Point, Size, judge
from logger.demo.neck import DESCRIPTION, FRETS, Neck, invent
from logger.demo.run import GAUGES
from logger.factors import keep_factors
from logger.gauge_file import GaugeSpec, worth
from logger.gauges import register
from logger.guided_study import begin
from logger.instrument import parse_instrument
from logger.readings_import import import_readings
from logger.sheet import Item, round_of, standard_items
from logger.store import (
    CheckPoint,
    CheckResult,
    GaugeCheck,
    ReadingRow,
    SessionEnd,
    SessionGauge,
    Store,
)
from logger.study_session import OpenStudy, Wish

NECKS, FIRST_SEED, FIRST_NO = 16, 101, 11
DAY_NS, WEEK_NS, NEXT_NS = 86_400 * 10**9, 7 * 86_400 * 10**9, 10**10
NOISE_MM, LEAF_MM, CALIPER_DIGIT_MM = 0.002, 0.05, 0.0127
BLADE_WEARS_MM: Final = {"A": 0.0022, "B": 0.0002}
"""By how much a blade's slots become narrower from neck to neck."""
WOODS: Final = ("invented plum", "invented pear")
METHODS: Final = {"hammered": 7, "pressed": 1}
"""How many more ends stand proud on a neck that was fretted so."""
PROUD_MM: Final = 0.13
OFF_MM: Final = {
    "caliper": (0.001, -0.002, 0.002, 0.0, -0.001, 0.003, 0.001, 0.0085),
    "depth_indicator": (0.0003, 0.0008, 0.0011, 0.0004, 0.0014, 0.0009, 0.0017, 0.0012),
}
"""How much too much a gauge read at each check, week after week; the last of the caliper is near its limit."""
CHECKED: Final = GAUGES["caliper"][0]
"""The gauge that has most to tell."""
SIZES_MM: Final = (1.0, 10.0)
PARTS, PEOPLE, TRIALS = 5, ("A. Bench", "B. Bench"), 3
STAGES: Final = frozenset({"wire", "slots", "seating"})
HEAD: Final = "kind,fret,place,value,unit,low,high,gauge,round,u,resolution,session,sequence,taken_at\n"
WIDE, HIGH = 1500, 1000


def fill_shop(store: Path) -> None:
    """Keep the necks of a shop in a new store, each fretted in one of two ways, slotted with one of two blades."""
    for number in range(NECKS):
        _keep_neck(store, number)
    with Store.open(store) as kept:
        with kept.reader() as reader:
            sessions = sorted(reader.sessions(), key=lambda one: one.started_at_ns)
        for number, session in enumerate(sessions):
            keep_factors(kept, session.id, {"seating": _method(number), "glue": "none"})


def _method(number: int) -> str:
    return tuple(METHODS)[number % 2]


def _keep_neck(store: Path, number: int) -> None:
    blade, wood = "AB"[number % 3 == 2], WOODS[number // 2 % 2]
    described = DESCRIPTION.replace("no. 3", f"no. {FIRST_NO + number}").replace("invented plum", wood)
    described = described.replace("[wire]\n", f'[wire]\nlot = "{7 + number // 8} (invented)"\nblade = "{blade}"\n')
    neck = invent(FIRST_SEED + number)
    rng = random.Random(f"shop {number}")
    for at in neck.slot_width_mm:
        neck.slot_width_mm[at] -= BLADE_WEARS_MM[blade] * number
    for _ in range(METHODS[_method(number)]):
        neck.seated_mm[rng.randint(1, FRETS), rng.choice(("bass", "treble"))] += PROUD_MM
    at_ns = time.time_ns() - (NECKS + 2 - number) * WEEK_NS
    files = store.with_name("neck.toml"), store.with_name("neck.csv")
    files[0].write_text(described, encoding="utf-8")
    sheet = standard_items(parse_instrument(described, where="an invented neck"))
    items = [one for one in sheet if one.stage in STAGES]
    rows = [
        _row(neck, one, rng, f"neck {number},{n},{_moment(at_ns + n * 6 * 10**9)}") for n, one in enumerate(items, 1)
    ]
    files[1].write_text(HEAD + "".join(rows), encoding="utf-8")
    done = import_readings(files[1], store, instrument=files[0])
    if done.refused:
        raise SystemExit(f"every reading of an invented neck must be kept, these were not: {done.refused[:3]}")


def _moment(ns: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(ns / 1e9))


def _row(neck: Neck, item: Item, rng: random.Random, more: str) -> str:
    asked, true_mm = item.feature, neck.true_mm(item.feature)
    spec = default_gauges()[item.gauge_kind]
    low = true_mm // LEAF_MM * LEAF_MM
    leaves = item.gauge_kind == "leaves"
    value = f",mm,{low:.2f},{low + LEAF_MM:.2f}" if leaves else f"{true_mm + rng.gauss(0, NOISE_MM):.4f},mm,,"
    u = "" if spec.u_mm is None else spec.u_mm
    digit = "" if spec.resolution_mm is None else spec.resolution_mm
    gauge = "leaves" if leaves else GAUGES[item.gauge_kind][0]
    place = "" if asked.place is None else asked.place
    fret = "" if asked.fret is None else asked.fret
    return f"{asked.kind},{fret},{place},{value},{gauge},{round_of(item)},{u},{digit},{more}\n"


def fill_gauges(store: Path) -> None:
    """Check the demo's caliper and indicator week after week, and study how far readings of the caliper repeat."""
    usual = default_gauges()
    specs = usual | {"caliper": replace(usual["caliper"], resolution_mm=CALIPER_DIGIT_MM)}
    with Store.open(store) as kept:
        for kind, offs in OFF_MM.items():
            name = GAUGES[kind][0]
            known = register(kept, name, specs[kind], source="file", due_days=30)
            for week, off_mm in enumerate(offs):
                at_ns = time.time_ns() - (len(offs) - 1 - week) * WEEK_NS - DAY_NS
                _keep_check(kept, name, specs[kind], at_ns=at_ns, off_mm=off_mm)
            if kind == "caliper":
                wish = Wish(parts=[str(n + 1) for n in range(PARTS)], people=list(PEOPLE), trials=TRIALS, seed=1)
                study = begin(kept, known, wish, anew=False)
                _keep_study(kept, study, name, specs[kind])


def _keep_check(store: Store, gauge: str, spec: GaugeSpec, *, at_ns: int, off_mm: float) -> None:
    rng = random.Random(f"{gauge} {off_mm}")
    check = f"{gauge} {at_ns}"
    points = [Point(size=Size(nominal_nm=round(mm * 1e6), u_nm=500),
                    value_nm=round((mm + off_mm + rng.gauss(0, NOISE_MM / 4)) * 1e6))
              for mm, _ in product(SIZES_MM, range(3))]  # fmt: skip
    store.put(GaugeCheck(id=check, gauge=gauge, revision=1, at_ns=at_ns, kind="block", who=PEOPLE[0]))
    for number, one in enumerate(points, start=1):
        store.put(CheckPoint(gauge_check=check, number=number, nominal_nm=one.size.nominal_nm, u_nominal_nm=500,
                             direction="", value_nm=one.value_nm, unit="mm", raw=b"", at_ns=at_ns))  # fmt: skip
    store.put(CheckResult(gauge_check=check, at_ns=at_ns, result=json.dumps(judge(points, spec).json())))


def _keep_study(store: Store, study: OpenStudy, gauge: str, spec: GaugeSpec) -> None:
    rng = random.Random("study")
    store.put(SessionGauge(session=study.session, gauge=gauge, kind=spec.kind, description=json.dumps(worth(spec)),
                           profile="", profile_sha256=""))  # fmt: skip
    began_ns = time.time_ns() - 3 * DAY_NS
    for number, item in enumerate(study.plan.items(), start=1):
        asked = item.feature
        person_mm = 0.002 if asked.place == PEOPLE[1] else 0.0
        value_mm = 0.5 + 0.08 * (asked.fret or 0) + person_mm + rng.gauss(0, 2 * NOISE_MM)
        store.put(ReadingRow(session=study.session, gauge=gauge, sequence=number, kind="study", fret=asked.fret,
                             place=asked.place, round=asked.trial, value_nm=round(value_mm * 1e6), unit="mm", raw=b"",
                             status="ok", taken_at_ns=began_ns + number * NEXT_NS,
                             monotonic_ns=number * NEXT_NS))  # fmt: skip
    store.put(SessionEnd(session=study.session, at_ns=began_ns + 10**12, reason="complete"))


def draw_photos(folder: Path) -> dict[str, Path]:
    """Draw two plain pictures of an invented neck and return what each shows with its file."""
    shows = {
        "the whole neck, drawn, invented": "whole-neck.png",
        "fret ends at the treble side, drawn, invented": "treble-ends.png",
    }
    whole, ends = (Image.new("RGB", (WIDE, HIGH), (214, 205, 188)) for _ in range(2))
    _draw_board(ImageDraw.Draw(whole), left=60, top=330, long=WIDE - 120, wide=(280, 340), frets=FRETS)
    _draw_board(ImageDraw.Draw(ends), left=-200, top=-500, long=2.6 * WIDE, wide=(1050, 1180), frets=FRETS)
    files = [folder / name for name in shows.values()]
    for picture, file in zip((whole, ends), files, strict=True):
        picture.save(file)
    return dict(zip(shows, files, strict=True))


def _draw_board(
    draw: ImageDraw.ImageDraw, *, left: float, top: float, long: float, wide: tuple[int, int], frets: int
) -> None:
    """Draw a fingerboard with its frets at their places; lengths in pixels, ``wide`` at the nut and at the end."""
    reach = 1 - 2 ** (-(frets + 0.6) / 12)
    middle = top + wide[1] / 2

    def half(share: float) -> float:
        return (wide[0] + share * (wide[1] - wide[0])) / 2

    corners = [
        (left, middle - half(0)),
        (left + long, middle - half(1)),
        (left + long, middle + half(1)),
        (left, middle + half(0)),
    ]
    draw.polygon(corners, fill=(74, 52, 38))
    draw.line([(left, middle - half(0)), (left, middle + half(0))], fill=(236, 228, 208), width=14)
    for fret in range(1, frets + 1):
        share = (1 - 2 ** (-fret / 12)) / reach
        x = left + share * long
        draw.line([(x + 3, middle - half(share)), (x + 3, middle + half(share))], fill=(48, 33, 24), width=8)
        draw.line([(x, middle - half(share)), (x, middle + half(share))], fill=(196, 198, 200), width=7)
