import re
from collections.abc import Callable
from decimal import Decimal
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

import pytest

from drivers import FrameError, Profile, ProfileError, SerialSettings, load_profiles
from drivers.frames.text import Number

WHOLE = """format = 1
name = "shop-caliper"
words = "the caliper by the window"
kind = "caliper"
decoder = "text"
unit = "mm"
decimal_comma = true
resolution = "0.01"

[serial]
baud = 2400
bytesize = 7
parity = "even"
stopbits = 2
"""


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    """Write a profile file into a person's folder."""

    def write_text(text: str) -> Path:
        path = tmp_path / "own.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write_text


@pytest.mark.parametrize(
    ("name", "kind", "unit", "resolution_nm"),
    [
        ("caliper-mm", "caliper", "mm", 10_000),
        ("depth-indicator-inch", "depth_indicator", "in", 12_700),
        ("rocker-indicator-mm", "rocker", "mm", 1_000),
    ],
)
def test_shipped_profiles_hold(name: str, kind: str, unit: str, resolution_nm: int) -> None:
    profile = load_profiles()[name]

    assert (profile.name, profile.kind, profile.unit, profile.resolution_nm) == (name, kind, unit, resolution_nm)
    content = files("drivers.profiles").joinpath(f"{name}.toml").read_bytes()
    assert profile.sha256 == sha256(content).hexdigest()
    assert profile.make_decode()(b"0") == Number(value_nm=0, unit=unit)


def test_every_shipped_file_has_the_name_inside() -> None:
    shipped = {file.name for file in files("drivers.profiles").iterdir() if file.name.endswith(".toml")}

    assert {f"{name}.toml" for name in load_profiles()} == shipped


def test_a_persons_folder_adds_profiles(write: Callable[[str], Path]) -> None:
    path = write(WHOLE)

    profiles = load_profiles(path.parent)

    assert profiles.keys() > load_profiles().keys()
    assert profiles["shop-caliper"] == Profile(
        name="shop-caliper",
        words="the caliper by the window",
        kind="caliper",
        decoder="text",
        unit="mm",
        decimal_comma=True,
        resolution=Decimal("0.01"),
        serial=SerialSettings(baud=2400, bytesize=7, parity="even", stopbits=2),
        sha256=sha256(WHOLE.encode()).hexdigest(),
        file=str(path),
    )
    assert profiles["shop-caliper"].make_decode()(b"1,5").value_nm == 1_500_000


def test_a_profile_chooses_whether_labels_are_read(write: Callable[[str], Path]) -> None:
    labelled = load_profiles(write(WHOLE.replace('"text"', '"labelled_text"')).parent)["shop-caliper"]
    plain = load_profiles(write(WHOLE).parent)["shop-caliper"]

    assert labelled.make_decode()(b"D= 1,5 OK") == Number(value_nm=1_500_000, unit="mm", status="D= OK")
    with pytest.raises(FrameError, match=r"^line must be one decimal number"):
        plain.make_decode()(b"D= 1,5 OK")


def test_what_is_usual_may_be_left_out(write: Callable[[str], Path]) -> None:
    usual = r"(decoder|decimal_comma|bytesize|parity|stopbits) = .*\n"
    path = write(re.sub(usual, "", WHOLE))

    profile = load_profiles(path.parent)["shop-caliper"]

    assert (profile.decoder, profile.decimal_comma) == ("text", False)
    assert profile.serial == SerialSettings(baud=2400, bytesize=8, parity="none", stopbits=1)


def test_a_missing_folder_adds_nothing(tmp_path: Path) -> None:
    assert load_profiles(tmp_path / "none") == load_profiles()


def test_a_shipped_profile_is_never_shadowed(write: Callable[[str], Path]) -> None:
    path = write(WHOLE.replace("shop-caliper", "caliper-mm"))
    words = f"name in '{path}' must be its own, got 'caliper-mm' as in 'drivers/profiles/caliper-mm.toml'; give one"

    with pytest.raises(ProfileError, match=rf"^{re.escape(words)}") as caught:
        load_profiles(path.parent)

    assert (caught.value.file, caught.value.key) == (str(path), "name")


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("format = 1", "format = 2", "format", "format in profile {} must be 1, got 2"),
        ("format = 1", "format = true", "format", "format in profile {} must be 1, got True"),
        ("format = 1", "", "format", "profile {} lacks the key 'format'; set it to 1"),
        ('unit = "mm"', "", "unit", "profile {} lacks the key 'unit'; set it to one of 'mm', 'in', 'thou'"),
        ('unit = "mm"', 'unit = "cm"', "unit", "unit in profile {} must be one of 'mm', 'in', 'thou', got 'cm'"),
        (
            'kind = "caliper"',
            'kind = "ruler"',
            "kind",
            "kind in profile {} must be one of 'caliper', 'depth_indicator'",
        ),
        ('"text"', '"code"', "decoder", "decoder in profile {} must be one of 'text', 'labelled_text',"),
        ("= true", '= "yes"', "decimal_comma", "decimal_comma in profile {} must be true or false, got 'yes'"),
        ("= true", "= 1", "decimal_comma", "decimal_comma in profile {} must be true or false, got 1"),
        ('"0.01"', "0.01", "resolution", "resolution in profile {} must be a text such as"),
        ('"0.01"', '"0.00"', "resolution", "resolution in profile {} must be a text such as"),
        ('"0.01"', '"1e-2"', "resolution", "resolution in profile {} must be a text such as"),
        ("shop-caliper", "Shop Caliper", "name", "name in profile {} must be lower-case words joined by hyphens"),
        ("the caliper by the window", " ", "words", "words in profile {} must be a line of text, got ' '"),
        (
            "[serial]",
            "colour = 1\n[serial]",
            "colour",
            "profile {} has the unknown key 'colour'; known are format, name",
        ),
        ("baud = 2400", "", "serial.baud", "profile {} lacks the key 'serial.baud'; set it to a whole number from 50"),
        (
            "baud = 2400",
            "baud = 0",
            "serial.baud",
            "serial.baud in profile {} must be a whole number from 50 to 4000000",
        ),
        ('"even"', '"E"', "serial.parity", "serial.parity in profile {} must be one of 'none', 'even', 'odd', got 'E'"),
        ("bytesize", "bits", "serial.bits", "profile {} has the unknown key 'serial.bits'; known are serial.baud"),
        ("[serial]", "[cable]", "cable", "profile {} has the unknown key 'cable'"),
        ("format = 1", "format =", "", "profile {} must be TOML in UTF-8"),
    ],
)
def test_a_profile_that_does_not_hold_is_refused(
    write: Callable[[str], Path], old: str, new: str, key: str, words: str
) -> None:
    path = write(WHOLE.replace(old, new, 1))

    with pytest.raises(ProfileError, match=rf"^{re.escape(words.format(repr(str(path))))}") as caught:
        load_profiles(path.parent)

    assert (caught.value.file, caught.value.key) == (str(path), key)


def test_other_encodings_are_refused(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_bytes(WHOLE.replace("window", "\u00e9").encode("latin-1"))

    with pytest.raises(ProfileError, match=r"must be TOML in UTF-8, 'utf-8' codec"):
        load_profiles(tmp_path)


def test_a_folder_in_place_of_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "own.toml").mkdir()

    with pytest.raises(ProfileError, match=r"own\.toml' cannot be read, .*; look at the file's rights$"):
        load_profiles(tmp_path)


def test_a_persons_bad_file_is_told_and_the_others_stay(write: Callable[[str], Path]) -> None:
    path = write(WHOLE)
    (path.parent / "bad.toml").write_text("x = 1")
    told: list[ProfileError] = []

    profiles = load_profiles(path.parent, on_fault=told.append)

    assert profiles.keys() == {*load_profiles(), "shop-caliper"}
    assert [Path(error.file).name for error in told] == ["bad.toml"]
