"""Invented necks with what their readings say planted in them: proud ends, slot widths, and how they were fretted."""

from pathlib import Path

from logger.readings_import import import_readings

HEAD = "kind,fret,place,value,unit,gauge,round,u,resolution,session,sequence,taken_at\n"
PLACES = ("bass", "centre", "treble")
DESCRIBED = """\
name = "{name}"
invented = true
scale_mm = 645.0
frets = 20
[wire]
name = "invented medium"
lot = "{lot}"
blade = "{blade}"
[board]
wood = "{wood}"
"""


def neck(
    folder: Path, store: Path, number: int, *, name: str = "", proud: int = 0, slot_mm: float = 0.58, lot: str = "7",
    blade: str = "A", wood: str = "plum", day: int = 0, raised_mm: float = 0.0,
) -> None:  # fmt: skip
    """Keep one invented neck in a store: so many of its 16 judged ends proud, its slots so wide."""
    called = name or f"no. {number} (invented)"
    described = folder / "neck.toml"
    described.write_text(DESCRIBED.format(name=called, lot=lot, blade=blade, wood=wood), encoding="utf-8")
    rows = [("crown_height", "", "", 1.10), ("tang_thickness", "", "", 0.53), ("barb_span", "", "", 0.75)]
    ends = 0
    for fret in range(1, 9):
        for place in PLACES:
            ends += place != "centre"
            up = 0.2 if place != "centre" and ends <= proud else 0.0
            rows += [("seated_height", fret, place, 1.10 + up + raised_mm), ("slot_width", fret, place, slot_mm)]
    on = day or number
    taken_at = f"2026-{3 + (on - 1) // 28:02d}-{(on - 1) % 28 + 1:02d}T12:00:00"
    text = HEAD + "".join(
        f"{kind},{fret},{place},{value:.4f},mm,caliper,1,0.002,0.001,s{number},{n},{taken_at}\n"
        for n, (kind, fret, place, value) in enumerate(rows, 1)
    )
    file = folder / "neck.csv"
    file.write_text(text, encoding="utf-8")
    done = import_readings(file, store, instrument=described)
    assert done.refused == []
