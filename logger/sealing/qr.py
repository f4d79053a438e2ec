"""A record's number and hash as a QR code (ISO/IEC 18004), to print and keep outside the store."""

import io

import segno

from logger.sealing.verify import Sealed


def _code(number: int, sha256: str) -> segno.QRCode:
    # Capitals and digits alone make a smaller code.
    return segno.make_qr(f"FRETLEDGER RECORD {number} {sha256.upper()}")


def modules_of(number: int, sha256: str) -> list[str]:
    """Return the code of a record row by row, "1" for a dark module and "0" for a light one, without its quiet zone."""
    return ["".join("1" if dark else "0" for dark in row) for row in _code(number, sha256).matrix]


def qr_text(sealed: Sealed) -> str:
    """Return the code in half blocks; blocks are the light parts, as a dark terminal shows them."""
    out = io.StringIO()
    _code(sealed.number, sealed.sha256).terminal(out, compact=True)
    return out.getvalue().rstrip("\n")


def qr_svg(sealed: Sealed) -> bytes:
    """Return the code as an SVG image."""
    out = io.BytesIO()
    _code(sealed.number, sealed.sha256).save(out, kind="svg", scale=4)
    return out.getvalue()
