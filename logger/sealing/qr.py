"""A record's number and hash as a QR code (ISO/IEC 18004), to print and keep outside the store."""

import io

import segno

from logger.sealing.verify import Sealed


def _code(sealed: Sealed) -> segno.QRCode:
    # Capitals and digits alone make a smaller code.
    return segno.make_qr(f"FRETLEDGER RECORD {sealed.number} {sealed.sha256.upper()}")


def qr_text(sealed: Sealed) -> str:
    """Return the code in half blocks; blocks are the light parts, as a dark terminal shows them."""
    out = io.StringIO()
    _code(sealed).terminal(out, compact=True)
    return out.getvalue().rstrip("\n")


def qr_svg(sealed: Sealed) -> bytes:
    """Return the code as an SVG image."""
    out = io.BytesIO()
    _code(sealed).save(out, kind="svg", scale=4)
    return out.getvalue()
