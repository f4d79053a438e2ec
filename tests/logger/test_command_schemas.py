"""What `fit`, `cut` and `wear` print as JSON, against the schema in docs."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from logger.cli import run

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "report.schema.json").read_text(encoding="utf-8"))
HEAD = "kind,fret,place,value,unit,gauge,u\n"
WIRE = "tang_thickness,,,0.51,mm,,0.004\nbarb_span,,,0.70,mm,,0.004\ntang_depth,,,1.3,mm,,0.004\n"
SLOTS = "".join(f"slot_width,{fret},{place},0.56,mm,,0.004\n" for fret in (1, 2, 20) for place in ("bass", "treble"))
PIECES = "".join(
    f"tang_thickness,{fret},,{tang},mm,,0.004\nbarb_span,{fret},,{tang + 0.2},mm,,0.004\n"
    for fret, tang in ((1, 0.55), (2, 0.50))
)
NECK = '[neck]\nboard_mm = 6\nnut_mm = 14\nboard_wood = "Maple, sugar"\nmodulus_mpa = 10000\n'
BARBS = "piece_mm = 700\nbarb_pitch_mm = 2.5\nbarb_length_mm = 0.8\n"
CHOICES = (
    '[[wire]]\nname = "thin"\ntang_mm = 0.46\nspan_mm = 0.66\n[[blade]]\nname = "coarse"\nkerf_mm = 0.5\n'
    '[[blade]]\nname = "wide"\nkerf_mm = 0.61\n'
)
EARLIER = "seated_height,3,treble,1.09,mm,,0.003\nseated_height,4,bass,1.09,mm,,0.003\nseated_height,5,bass,1.1,mm,,\n"
LATER = EARLIER.replace("treble,1.09", "treble,1.01")
UNWORN = "unworn_height,3,,1.10,mm,,0.003\n"
Write = Callable[[str, str], Path]


def _validate(found: dict[str, Any], command: str) -> None:
    jsonschema.validate(found, {**SCHEMA["$defs"][f"{command}_document"], "$defs": SCHEMA["$defs"]})


@pytest.fixture
def printed(write: Write, instrument: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., dict[str, Any]]:
    """Return a function that runs a command on files of readings and gives its JSON."""

    def _printed(command: str, *files: str, wire: str = "", neck: str = "", more: tuple[str, ...] = ()) -> Any:
        text = instrument.read_text().replace("[wire]\n", f"[wire]\n{wire}") + neck
        named = [str(write(f"r{number}.csv", HEAD + rows)) for number, rows in enumerate(files)]
        arguments = [command, *named, "--instrument", str(write("n.toml", text)), "--json", *more]
        assert run(arguments, lambda *_: 0) == 0  # type: ignore[arg-type, return-value]
        return json.loads(capsys.readouterr().out)

    return _printed


@pytest.mark.parametrize(
    ("rows", "neck"),
    [
        pytest.param("slot_depth,5,centre,1.7,mm,,0.01\n", "", id="neither wire nor slots"),
        pytest.param(WIRE, "", id="wire alone"),
        pytest.param(WIRE + SLOTS, NECK, id="a back-bow"),
        pytest.param(WIRE.replace("0.70", "0.52") + SLOTS + PIECES, "", id="never fits, and pieces"),
    ],
)
def test_what_fit_prints_follows_the_schema(printed: Callable[..., Any], write: Write, rows: str, neck: str):
    choices = ("--choices", str(write("c.toml", CHOICES)))
    found = printed("fit", rows, wire=BARBS, neck=neck, more=choices)

    _validate(found, "fit")
    _validate(printed("fit", rows, wire=BARBS, neck=neck), "fit")
    assert len(found["choices"]) == 2
    assert (found["back_bow_mm"] is None) == (not neck) == (found["why_no_back_bow"] is not None)


@pytest.mark.parametrize("wire", [BARBS, "piece_mm = 700\n"])
def test_what_cut_prints_follows_the_schema(printed: Callable[..., Any], wire: str):
    found = printed("cut", wire=wire)

    _validate(found, "cut")
    assert len(found["sticks"]) == 2


@pytest.mark.parametrize("days", [(), ("--days", "700"), ("--days", "3")])
def test_what_wear_prints_follows_the_schema(printed: Callable[..., Any], days: tuple[str, ...]):
    found = printed("wear", EARLIER + UNWORN, LATER + UNWORN, more=days)

    _validate(found, "wear")
    assert [one["against_crown"] for one in found["wear"]] == [True, False, False]
    assert (found["wear"][0]["rate_mm_per_year"] is not None) == ("700" in days)
    assert found["wear"][2]["since"]["U_mm"] is None


@pytest.mark.parametrize(
    ("command", "files", "path"),
    [
        ("fit", (WIRE + SLOTS,), ()),
        ("cut", (), ("sticks", 0, "cuts", 0)),
        ("wear", (EARLIER, LATER), ("wear", 0)),
    ],
)
def test_a_key_that_the_schema_does_not_know_is_refused(
    printed: Callable[..., Any], command: str, files: tuple[str, ...], path: tuple[Any, ...]
):
    found = printed(command, *files, wire=BARBS)
    place = found
    for step in path:
        place = place[step]
    place["more"] = 1.0

    with pytest.raises(jsonschema.ValidationError, match="'more' was unexpected"):
        _validate(found, command)
