"""Sheets are printed in a process of their own, one after another, and what fails takes nothing along."""

from collections.abc import Callable, Iterator
from io import BytesIO

import pytest
from PIL import Image

from logger.looking import Looking
from logger.printing import BusyError, Printer, PrintError
from logger.sheet_pdf import sheet_pdf
from logger.small_picture import SIDE, small_picture
from logger.store import Store

SHOP = {"audience": "shop", "unit": "mm", "paper": "letter"}


@pytest.fixture(scope="module")
def printer() -> Iterator[Printer]:
    made = Printer()
    yield made
    made.close()


def picture(width: int, height: int, *, turned: int = 1, form: str = "JPEG") -> bytes:
    """Return a picture that is red on the left and blue on the right, held as Exif says, with a position."""
    drawn = Image.new("RGB", (width, height), (200, 0, 0))
    drawn.paste((0, 0, 200), (width // 2, 0, width, height))
    exif = Image.Exif()
    exif[0x0112] = turned
    exif.get_ifd(0x8825).update({1: "N", 2: (1.0, 2.0, 3.0)})
    made = BytesIO()
    drawn.save(made, form, exif=exif)
    return made.getvalue()


def test_the_other_process_prints_the_same_sheet_again_and_again(
    printer: Printer, store: Store, visit: Callable[..., None]
) -> None:
    visit("Reed no. 1", "s1", seated={"bass": 1.10, "centre": 1.10, "treble": 1.25})
    told = dict(Looking(store.path, current="s1").ask("record", {}))
    ours = sheet_pdf(told, **SHOP)

    assert printer.sheet(told, SHOP) == ours
    process = printer._process
    assert printer.sheet(told, SHOP) == ours
    assert printer._process is process


def test_one_that_fails_takes_no_other_along(printer: Printer, caplog: pytest.LogCaptureFixture) -> None:
    with pytest.raises(PrintError, match="could not be laid out; the bench's log says why"):
        printer.sheet({}, SHOP)
    assert "KeyError: 'instrument'" in caplog.text
    assert Image.open(BytesIO(printer.small(picture(40, 20)))).size == (40, 20)


def test_whoever_comes_while_enough_are_printing_is_told_so() -> None:
    one = Printer(most=1)
    one._places.acquire()
    with pytest.raises(BusyError, match="ask again in a moment"):
        one.small(b"")
    assert one._process is None


def test_what_never_ends_is_ended_and_the_next_is_printed() -> None:
    one = Printer(limit_s=0)
    try:
        with pytest.raises(PrintError, match="more than 0 s"):
            one.small(picture(4, 4))
        assert one._process is None
        one._limit_s = 60
        assert one.small(picture(4, 4))
        process = one._process
        one._pipe.close()
        process.join(10)
        assert process.exitcode == 0, "the process ends with the pipe, however the bench ended"
    finally:
        one.close()


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_a_small_picture_is_turned_as_it_was_held_and_holds_nothing_else(form: str) -> None:
    """Exif orientation 6: the first row is the right side of the picture. Source: Exif 2.32, 4.6.4; from memory."""
    made = small_picture(picture(1600, 800, turned=6, form=form))
    with Image.open(BytesIO(made)) as small:
        assert (small.format, small.size) == ("JPEG", (SIDE // 2, SIDE))
        top, bottom = small.getpixel((100, 50)), small.getpixel((100, SIDE - 50))
        assert not small.getexif()
    assert top[0] > 150 > top[2]
    assert bottom[2] > 150 > bottom[0]
    assert b"Exif" not in made


def test_what_is_clear_in_a_picture_becomes_white() -> None:
    made = BytesIO()
    Image.new("RGBA", (30, 30), (0, 0, 0, 0)).save(made, "PNG")
    with Image.open(BytesIO(small_picture(made.getvalue()))) as small:
        assert small.getpixel((15, 15)) == (255, 255, 255)
