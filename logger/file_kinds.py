"""What a file is by its content, never by its name: pictures, PDF and plain text are taken, everything else is not.

A picture is decoded to its last row, a PDF followed through its tables of objects, a text read as UTF-8; what a browser
could take for a page is refused in all of them.
"""

import re
import struct
import threading
import warnings
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from io import BytesIO
from typing import Final

from PIL import Image, ImageFile, JpegImagePlugin, PngImagePlugin, WebPImagePlugin

from logger.errors import AttachmentError
from logger.pdf_structure import pdf_problem
from logger.plain_file import size_words

MOST_BYTES: Final = 10_000_000
"""The largest file that is taken, bytes."""
MOST_PIXELS: Final = 64_000_000
"""The largest picture that is taken, whatever its bytes: a few of them can stand for billions of pixels."""
_TAKEN: Final = "give a JPEG, PNG or WebP picture, a PDF or plain text"
_GPS: Final = 0x8825
"""The tag of the position in Exif. Source: Exif 2.32, 4.6.3 (GPS IFD pointer); from memory."""
_GPS_IN_XMP: Final = re.compile(rb"exif:GPS(?:Latitude|Longitude|DestLatitude|DestLongitude)")
_LOCATED: Final = (
    "it holds the place where it was taken. It is kept whole, as evidence, and whoever gets the record's files can "
    "read the place; where nobody should, attach one that was exported without it instead"
)
_PAGE: Final = re.compile(
    rb"<(?:!doctype\s+html|html[\s>]|script[\s>/]|iframe[\s>/]|svg\s+[a-z]|body[\s>]|\?php\s)", re.IGNORECASE
)
"""How a web page or a program of one begins. One file in about ten thousand of 10 MB of noise holds one by chance."""
_CONTROL: Final = re.compile(r"[\x00-\x08\x0b\x0e-\x1f\x7f-\x9f]")
_WARNINGS: Final = threading.Lock()
"""What is warned of is the whole process's to say, so that one picture is read at a time."""
_UNREADABLE: Final = (
    OSError, SyntaxError, ValueError, TypeError, LookupError, ArithmeticError, EOFError, AttributeError, MemoryError,
    struct.error, zlib.error, Image.DecompressionBombError,
)  # fmt: skip
"""What the picture library is known to raise on bytes that are no whole picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileKind:
    """What a file is: its ``media_type``, the endings its name may have, and ``cautions`` for the person."""

    media_type: str
    endings: tuple[str, ...]
    cautions: tuple[str, ...] = ()


def kind_of(content: bytes) -> FileKind:
    """Return what a file is, read as a whole.

    Raises:
        AttachmentError: it is nothing that is taken, damaged, too large, or holds a web page.
    """
    if not content:
        raise AttachmentError(f"is empty; {_TAKEN}")
    if len(content) > MOST_BYTES:
        raise AttachmentError(
            f"must have at most {size_words(MOST_BYTES)}, got {size_words(len(content))}; make it smaller"
        )
    kind = next((read for begins, read in _READERS.items() if re.match(begins, content, re.DOTALL)), _text)(content)
    page = _PAGE.search(content)
    if page is not None:
        raise AttachmentError(
            f"holds a web page or a program of one ({page[0].decode('latin-1')!r} at byte {page.start()}); "
            "export it anew and attach that"
        )
    return kind


# -- pictures --------------------------------------------------------------------------------------------------------


def _jpeg(content: bytes) -> FileKind:
    cautions = _picture(content, lambda file: JpegImagePlugin.jpeg_factory(file), "JPEG")
    return FileKind(media_type="image/jpeg", endings=(".jpg", ".jpeg"), cautions=cautions)


def _png(content: bytes) -> FileKind:
    cautions = _picture(content, PngImagePlugin.PngImageFile, "PNG")
    return FileKind(media_type="image/png", endings=(".png",), cautions=cautions)


def _webp(content: bytes) -> FileKind:
    _check_pixels(*_webp_size(content))  # the library takes memory for all of them as soon as it opens one
    cautions = _picture(content, WebPImagePlugin.WebPImageFile, "WebP")
    return FileKind(media_type="image/webp", endings=(".webp",), cautions=cautions)


def _webp_size(content: bytes) -> tuple[int, int]:
    """Return width and height of a WebP picture as its first chunk says.

    Source: RFC 9649, 2.5 to 2.7 (simple lossy and lossless, extended); from memory.

    Raises:
        AttachmentError: it says nothing.
    """
    kind, head = content[12:16], content[20:30]
    if len(head) < 10 or kind not in {b"VP8 ", b"VP8L", b"VP8X"}:
        raise AttachmentError(f"is no whole WebP picture; {_TAKEN}")
    if kind == b"VP8X":
        return int.from_bytes(head[4:7], "little") + 1, int.from_bytes(head[7:10], "little") + 1
    if kind == b"VP8L":
        bits = int.from_bytes(head[1:5], "little")
        return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    return int.from_bytes(head[6:8], "little") & 0x3FFF, int.from_bytes(head[8:10], "little") & 0x3FFF


def _check_pixels(width: int, height: int) -> None:
    if width * height > MOST_PIXELS:
        raise AttachmentError(
            f"must have at most {MOST_PIXELS // 1_000_000} million pixels, got {width} x {height}; "
            "make the picture smaller"
        )


def _picture(content: bytes, opened: Callable[[BytesIO], ImageFile.ImageFile], name: str) -> tuple[str, ...]:
    """Decode a picture to its last row and return what a person should know of it.

    Raises:
        AttachmentError: it is damaged, or too large.
    """
    try:
        # Opened by its own reader, which asks nothing of another format's. What it warns of is no fault of the picture.
        with _WARNINGS, warnings.catch_warnings(action="ignore"), opened(BytesIO(content)) as picture:
            _check_pixels(*picture.size)
            cautions = _cautions(picture, content)
            if name == "JPEG":  # read to its end all the same, in less memory
                picture.draft("RGB", (max(1, picture.width // 8), max(1, picture.height // 8)))
            picture.load()
            if name == "PNG":  # decoding asks for no check sum behind the head
                with opened(BytesIO(content)) as again:
                    again.verify()
    except AttachmentError:
        raise
    except _UNREADABLE as error:
        raise AttachmentError(
            f"is no whole {name} picture: it breaks off or is damaged; open it and save it anew"
        ) from error
    return cautions


def _cautions(picture: ImageFile.ImageFile, content: bytes) -> tuple[str, ...]:
    try:
        with warnings.catch_warnings(action="error"):
            located = bool(picture.getexif().get_ifd(_GPS))
    except (*_UNREADABLE, Warning):
        return ("its Exif data cannot be read: whether they hold the place where it was taken is not known",)
    if located or _GPS_IN_XMP.search(content):
        return (_LOCATED,)
    return ()


# -- the rest --------------------------------------------------------------------------------------------------------


def _pdf(content: bytes) -> FileKind:
    problem = pdf_problem(content)
    if problem:
        raise AttachmentError(f"is no whole PDF: it {problem}")
    return FileKind(media_type="application/pdf", endings=(".pdf",))


def _heif(_content: bytes) -> FileKind:
    raise AttachmentError("is a HEIF picture, which not every browser shows; export it as JPEG and attach that")


def _text(content: bytes) -> FileKind:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise AttachmentError(f"is of no kind that is taken; {_TAKEN}") from error
    if _CONTROL.search(text):
        raise AttachmentError(f"is no plain text: it holds control characters; {_TAKEN}")
    if text.lstrip().startswith("<"):
        raise AttachmentError(f"is markup such as SVG, HTML or XML, which can hold programs; {_TAKEN}")
    return FileKind(media_type="text/plain", endings=(".txt", ".csv", ".md"))


_READERS: Final[Mapping[bytes, Callable[[bytes], FileKind]]] = {
    rb"\xff\xd8\xff": _jpeg, rb"\x89PNG\r\n\x1a\n": _png, rb"RIFF....WEBP": _webp, rb"%PDF-": _pdf,
    rb".{4}ftyp(?:hei|hev|mif|msf|avi)": _heif,
}  # fmt: skip
"""How the content of each kind begins, and who reads it; what begins otherwise may be text."""
