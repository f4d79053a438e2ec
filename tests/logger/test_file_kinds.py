"""What a file is by its content: what is taken, what is refused, and what a person is told."""

import io
import struct
import tracemalloc
import warnings
import zlib
from collections.abc import Callable

import pypdfium2
import pytest
from fpdf import FPDF
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from logger.errors import AttachmentError
from logger.file_kinds import MOST_BYTES, kind_of

Encode = Callable[..., bytes]


def picture(kind: str, /, *, size: tuple[int, int] = (24, 16), **options: object) -> bytes:
    file = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert("RGB").save(file, kind, **options)
    return file.getvalue()


def located(kind: str) -> bytes:
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 0.0), 3: "W", 4: (0.0, 7.0, 0.0)}
    return picture(kind, exif=exif.tobytes())


def paper(*, pages: int = 1) -> bytes:
    made = FPDF()
    for number in range(pages):
        made.add_page()
        made.set_font("helvetica", size=12)
        made.cell(text=f"page {number}")
    return bytes(made.output())


def png_chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png_of(width: int, height: int) -> bytes:
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 6, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + png_chunk(b"IDAT", zlib.compress(bytes(1000))) + png_chunk(b"IEND", b"")


def webp_of(width: int, height: int) -> bytes:
    extended = b"VP8X" + struct.pack("<I", 10) + bytes(4) + (width - 1).to_bytes(3, "little")
    body = b"WEBP" + extended + (height - 1).to_bytes(3, "little")
    return b"RIFF" + struct.pack("<I", len(body)) + body


JPEG, PNG, WEBP, PDF = picture("JPEG"), picture("PNG"), picture("WEBP"), paper()
HTML = b"<html><script>alert(1)</script></html>"


@pytest.mark.parametrize(
    ("content", "media_type"),
    [
        pytest.param(JPEG, "image/jpeg", id="JPEG"),
        pytest.param(picture("JPEG", progressive=True, quality=95), "image/jpeg", id="progressive JPEG"),
        pytest.param(JPEG + b"\0\0a trailer that phones write", "image/jpeg", id="JPEG with a trailer"),
        pytest.param(picture("MPO"), "image/jpeg", id="JPEG of several pictures"),
        pytest.param(PNG, "image/png", id="PNG"),
        pytest.param(WEBP, "image/webp", id="lossy WebP"),
        pytest.param(picture("WEBP", lossless=True), "image/webp", id="lossless WebP"),
        pytest.param(PDF, "application/pdf", id="PDF"),
        pytest.param(b"fret 7: sprang on the treble side\n", "text/plain", id="text"),
        pytest.param("\ufeffSägen, 0,58 mm\r\n".encode(), "text/plain", id="text with a byte order mark"),
    ],
)
def test_what_is_taken_is_known_by_its_content(content: bytes, media_type: str) -> None:
    kind = kind_of(content)

    assert (kind.media_type, kind.cautions) == (media_type, ())


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"", "is empty", id="empty"),
        pytest.param(bytes(MOST_BYTES + 1), r"at most 10\.0 MB, got 10\.0 MB", id="large"),
        pytest.param(JPEG[: len(JPEG) // 2], "is no whole JPEG picture", id="cut JPEG"),
        pytest.param(PNG[:-20], "is no whole PNG picture", id="cut PNG"),
        pytest.param(PNG[:60] + b"\xff" + PNG[61:], "is no whole PNG picture", id="PNG with a flipped byte"),
        pytest.param(WEBP[: len(WEBP) // 2], "is no whole WebP picture", id="cut WebP"),
        pytest.param(WEBP[:22], "is no whole WebP picture", id="WebP without its size"),
        pytest.param(b"\xff\xd8\xff" + HTML, "is no whole JPEG picture", id="a page that begins as a JPEG"),
        pytest.param(JPEG + HTML, "holds a web page", id="a page behind a JPEG"),
        pytest.param(picture("JPEG", comment=HTML), "holds a web page", id="a page in a JPEG's comment"),
        pytest.param(PNG + HTML, "holds a web page", id="a page behind a PNG"),
        pytest.param(PDF + HTML, "does not end as a PDF does", id="a page behind a PDF"),
        pytest.param(PDF.replace(b"%PDF-1.3\n", b"%PDF-1.3\n%<html >\n"), "no table|holds a web", id="a page in a PDF"),
        pytest.param(b"note\n" + HTML, "holds a web page", id="a page in a text"),
        pytest.param(b'  <svg xmlns="http://www.w3.org/2000/svg"/>', "is markup such as SVG", id="SVG"),
        pytest.param(b"\xef\xbb\xbf<?xml version='1.0'?><svg/>", "is markup such as SVG", id="SVG as XML"),
        pytest.param(b"a\x00b", "holds control characters", id="text with NUL"),
        pytest.param(b"a\x1b[2Jb", "holds control characters", id="text that a terminal obeys"),
        pytest.param(b"GIF89a\x01\x00\x01\x00\x80\xff", "is of no kind that is taken; give a JPEG", id="GIF"),
        pytest.param(b"PK\x03\x04\xff\xfe", "is of no kind that is taken", id="zip"),
        pytest.param(b"\x00\x00\x00\x18ftypheic\x00\x00", "HEIF picture.*export it as JPEG", id="HEIF"),
        pytest.param(png_of(60_000, 60_000), "at most 64 million pixels, got 60000 x 60000", id="a bomb of pixels"),
        pytest.param(webp_of(16_383, 16_383), "at most 64 million pixels, got 16383 x 16383", id="a bomb as WebP"),
        pytest.param(PDF[: len(PDF) // 2], "does not end as a PDF does", id="cut PDF"),
        pytest.param(b"%PDF-9.9\n" + PDF[9:], "from 1.0 to 2.0", id="PDF of no version"),
        pytest.param(PDF[:9] + b" " + PDF[9:], "no table of objects where its end says", id="PDF that was shifted"),
        pytest.param(PDF.replace(b" 00000 n", b" 0000x n"), "table of objects that is damaged", id="PDF, bad table"),
        pytest.param(PDF.replace(b"/Root", b"/Rood"), "names no document", id="PDF without a document"),
        pytest.param(PDF.replace(b"/Root", b"/Encrypt 9 0 R /Root"), "is locked; print it", id="locked PDF"),
    ],
)  # fmt: skip
def test_what_is_refused_is_said(content: bytes, words: str) -> None:
    with pytest.raises(AttachmentError, match=words):
        kind_of(content)


def test_a_pdf_that_names_its_tables_in_a_circle_ends() -> None:
    place = PDF.rindex(b"xref\n", 0, PDF.rindex(b"startxref"))

    with pytest.raises(AttachmentError, match="in a circle"):
        kind_of(PDF.replace(b"/Root", b"/Prev %d /Root" % place))


def test_a_pdf_that_was_saved_by_another_program_is_taken() -> None:
    """Another library's own form of the tables of objects."""
    document = pypdfium2.PdfDocument(paper(pages=3))
    file = io.BytesIO()
    document.save(file)
    document.close()

    assert kind_of(file.getvalue()).media_type == "application/pdf"


def test_a_pdf_whose_table_is_a_stream_is_taken() -> None:
    head = b"%PDF-1.5\n1 0 obj\n<< /Type /Catalog >>\nendobj\n"
    stream = b"2 0 obj\n<< /Type /XRef /Size 3 /W [1 2 1] /Root 1 0 R /Length 0 >>\nstream\n\nendstream\nendobj\n"
    whole = head + stream + b"startxref\n%d\n%%%%EOF\n" % len(head)

    assert kind_of(whole).media_type == "application/pdf"
    with pytest.raises(AttachmentError, match="no table of objects"):
        kind_of(whole.replace(b"/XRef", b"/Xref"))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_place_inside_is_told_and_taken_all_the_same(kind: str) -> None:
    (caution,) = kind_of(located(kind)).cautions

    assert caution.startswith("it holds the place where it was taken. It is kept whole")


def test_a_place_in_xmp_is_told() -> None:
    told = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:Description exif:GPSLatitude="51,30N"/></x:xmpmeta>'

    assert kind_of(picture("JPEG", xmp=told)).cautions


def test_exif_that_cannot_be_read_is_told() -> None:
    broken = picture("JPEG", exif=b"Exif\0\0MM\0*\0\0\0\x08\0\x02" + b"\x88\x25\0\x04\0\0\0\x01\0\0\0\x20")

    (caution,) = kind_of(broken).cautions

    assert "cannot be read" in caution


def test_a_bomb_takes_no_memory() -> None:
    tracemalloc.start()
    for content in (png_of(60_000, 60_000), webp_of(16_383, 16_383)):
        with pytest.raises(AttachmentError):
            kind_of(content)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert most < 1_000_000


def test_nothing_is_left_of_the_warnings_that_were_off() -> None:
    before = list(warnings.filters)
    kind_of(JPEG)

    assert warnings.filters == before


@settings(max_examples=150)
@given(
    content=st.sampled_from([JPEG, PNG, WEBP, PDF, located("JPEG"), located("WEBP")]),
    place=st.floats(0, 1, exclude_max=True), new=st.binary(min_size=0, max_size=6), cut=st.integers(0, 9),
)  # fmt: skip
def test_any_damage_is_taken_or_refused_in_words(content: bytes, place: float, new: bytes, cut: int) -> None:
    at = int(place * len(content))
    damaged = content[:at] + new + content[at + cut :]

    refused = ""
    try:
        kind_of(damaged)
    except AttachmentError as error:
        refused = str(error)

    assert "\n" not in refused
