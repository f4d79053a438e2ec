"""Small copies of attached pictures, for a page and a printed sheet."""

from io import BytesIO
from typing import Final

from PIL import Image, ImageOps

SIDE: Final = 480
"""The longer side at most, pixels: sharp as the width of a hand on a tablet, and 50 mm wide on paper."""
QUALITY: Final = 82
FORMATS: Final = ("JPEG", "PNG", "WEBP")
_WHITE: Final = (255, 255, 255)


def small_picture(content: bytes) -> bytes:
    """Return a picture as a small JPEG, turned as it was held, with nothing but its pixels.

    Args:
        content: of a JPEG, PNG or WebP picture that was checked as a whole when it was attached.

    Raises:
        OSError: it is no such picture.
    """
    with Image.open(BytesIO(content), formats=FORMATS) as picture:
        picture.draft("RGB", (2 * SIDE, 2 * SIDE))
        turned = ImageOps.exif_transpose(picture)
        turned.thumbnail((SIDE, SIDE))
        shown = turned.convert("RGBA")
    under = Image.new("RGB", shown.size, _WHITE)
    under.paste(shown, mask=shown.getchannel("A"))
    made = BytesIO()
    under.save(made, "JPEG", quality=QUALITY)
    return made.getvalue()
