"""Signing keys: the bench's, made on first use; the shop's, which certifies bench keys.

Keys are Ed25519 (RFC 8032), kept as PEM (RFC 7468, RFC 8410) in a folder that only its owner may read. What is signed
begins with a line that says what it is, so that a signature never passes for one of another kind.
"""

import hashlib
import os
import re
import stat
from base64 import b32encode
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from logger.errors import InputFileError, KeyFileError, RecordError
from logger.plain_file import read_named
from logger.sealing.canonical import canonical, parse
from logger.store import default_path

CERTIFICATE_FORMAT: Final = "fretledger-certificate-1"
BENCH, SHOP, CERTIFICATE = "bench", "shop", "certificate.json"
_HEX_KEY: Final = re.compile(r"[0-9a-f]{64}")
_HEX_SIGNATURE: Final = re.compile(r"[0-9a-f]{128}")
_PEM: Final = serialization.Encoding.PEM
_MOST_KEY_FILE: Final = 16 * 1024
_LONGEST_PATH: Final = 250
"""Names beyond this are no files on common systems, which would raise instead of telling so."""
_CODE_GROUPS, _CODE_GROUP = 5, 4
_OPEN_TO_OTHERS: Final = stat.S_IRWXG | stat.S_IRWXO


def default_folder() -> Path:
    """Return where this person's keys lie unless another folder is named; nothing is created."""
    return default_path().parent / "keys"


def short_code(digest: str) -> str:
    """Return the first 100 bits of a hash, given in hex, as five groups of four letters to write down or read out.

    Source: base32 of RFC 4648, section 6.
    """
    letters = b32encode(bytes.fromhex(digest)).decode()[: _CODE_GROUPS * _CODE_GROUP]
    return "-".join(letters[start : start + _CODE_GROUP] for start in range(0, len(letters), _CODE_GROUP))


def fingerprint(public: str) -> str:
    """Return the short code of a public key (hex), by which people name it."""
    return short_code(hashlib.sha256(bytes.fromhex(public)).hexdigest())


class SigningKey:
    """A private key; ``public`` is its public half in hex."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private
        self.public = private.public_key().public_bytes_raw().hex()

    def sign(self, purpose: str, content: bytes) -> str:
        """Return the signature, in hex, over content that is signed as ``purpose``."""
        return self._private.sign(_signed(purpose, content)).hex()


def _signed(purpose: str, content: bytes) -> bytes:
    return f"fretledger {purpose} 1\n".encode() + content


def is_signed(purpose: str, content: bytes, *, public: str, signature: str) -> bool:
    """Tell whether a signature over content is that key's; texts that are no key or signature are not."""
    if not (_HEX_KEY.fullmatch(public) and _HEX_SIGNATURE.fullmatch(signature)):
        return False
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(
            bytes.fromhex(signature), _signed(purpose, content)
        )
    except (InvalidSignature, ValueError):
        return False
    return True


# -- key files -------------------------------------------------------------------------------------------------------


def own_key(folder: Path, name: str) -> SigningKey:
    """Return the key ``bench`` or ``shop`` of a folder; made, with its public half beside it, where there is none.

    Raises:
        KeyFileError: the file is no such key, others may read it, or it cannot be read or made.
    """
    path, beside = folder / f"{name}.key", folder / f"{name}.pub"
    try:
        if not path.exists():
            _make(path)
        if os.name == "posix" and path.stat().st_mode & _OPEN_TO_OTHERS:
            raise KeyFileError(f"{path} must be readable by its owner alone; chmod 600 it, or make a new key if it was")
        private = _private(path)
        if not beside.exists():
            beside.write_bytes(private.public_key().public_bytes(_PEM, serialization.PublicFormat.SubjectPublicKeyInfo))
    except OSError as error:
        raise KeyFileError(_unreadable(path, error)) from error
    return SigningKey(private)


def _make(path: Path) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    no_password = serialization.NoEncryption()
    secret = Ed25519PrivateKey.generate().private_bytes(_PEM, serialization.PrivateFormat.PKCS8, no_password)
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(secret)
        file.flush()
        os.fsync(file.fileno())


def _private(path: Path) -> Ed25519PrivateKey:
    secret = _read(path)
    try:
        found = serialization.load_pem_private_key(secret, password=None)
    except (ValueError, TypeError) as error:
        raise KeyFileError(f"{path} must hold an Ed25519 key as unencrypted PEM; restore it from its copy") from error
    if not isinstance(found, Ed25519PrivateKey):
        raise KeyFileError(f"{path} must hold an Ed25519 key, got another kind; name another folder with --keys")
    return found


def known_public(folder: Path, name: str) -> str | None:
    """Return the public key ``bench`` or ``shop`` of a folder in hex, None where there is none.

    Raises:
        KeyFileError: the file is no such key.
    """
    path = folder / f"{name}.pub"
    return public_key(str(path)) if path.is_file() else None


def public_key(text: str) -> str:
    """Return, in hex, the public key that a text gives (64 hex digits) or names (a PEM file).

    Raises:
        KeyFileError: it does neither.
    """
    if _HEX_KEY.fullmatch(text.lower()):
        return text.lower()
    path = Path(text)
    if len(text) > _LONGEST_PATH or not path.is_file():
        raise KeyFileError(f"{text[:80]!r} is no public key; give 64 hex digits or the path of a PEM file")
    text_of_key = _read(path, "give 64 hex digits or the path of a PEM file")
    try:
        found = serialization.load_pem_public_key(text_of_key)
    except ValueError as error:
        raise KeyFileError(f"{path} must hold a public key as PEM; ask for it again") from error
    if not isinstance(found, Ed25519PublicKey):
        raise KeyFileError(f"{path} must hold an Ed25519 public key, got another kind")
    return found.public_bytes_raw().hex()


def _read(path: Path, remedy: str = "name a folder of yours with --keys") -> bytes:
    try:
        return read_named(path, most_bytes=_MOST_KEY_FILE)
    except InputFileError as error:
        raise KeyFileError(str(error)) from error
    except OSError as error:
        raise KeyFileError(f"{path}: cannot be read ({error.strerror}); {remedy}") from error


def _unreadable(path: Path, error: OSError) -> str:
    return f"{path}: cannot be read or made ({error.strerror}); name a folder of yours with --keys"


# -- certificates ----------------------------------------------------------------------------------------------------


def certify(shop: SigningKey, bench: str, *, name: str, at: datetime) -> dict[str, Any]:
    """Return the shop's certificate for a bench's public key: whose it is, and from when its signature counts."""
    stated = {
        "format": CERTIFICATE_FORMAT, "bench_key": bench, "name": name, "shop_key": shop.public,
        "from": at.astimezone(UTC).isoformat(timespec="seconds"),
    }  # fmt: skip
    return stated | {"signature": shop.sign("certificate", canonical(stated))}


def check_certificate(certificate: Any, *, bench: str) -> dict[str, str]:
    """Return a certificate after checking that its shop signed it, and for this bench's key.

    Whether that shop is trusted is for the caller to ask.

    Raises:
        RecordError: it is no certificate, was altered, or is another bench's.
    """
    keys = {"format", "bench_key", "name", "shop_key", "from", "signature"}
    if not isinstance(certificate, dict) or set(certificate) != keys or certificate["format"] != CERTIFICATE_FORMAT:
        raise RecordError("the certificate is of a format that this program does not know")
    if not all(isinstance(value, str) for value in certificate.values()):
        raise RecordError("the certificate must hold texts alone")
    stated = {key: value for key, value in certificate.items() if key != "signature"}
    signature, shop = certificate["signature"], certificate["shop_key"]
    if not is_signed("certificate", canonical(stated), public=shop, signature=signature):
        raise RecordError("the certificate was changed after the shop signed it, or another key signed it")
    if certificate["bench_key"] != bench:
        raise RecordError("the certificate is for another bench's key than the one that sealed the record")
    begins(certificate)
    return certificate


def begins(certificate: dict[str, str]) -> datetime:
    """Return from when a bench's signature counts.

    Raises:
        RecordError: the certificate names no time.
    """
    try:
        found = datetime.fromisoformat(certificate["from"])
    except ValueError as error:
        raise RecordError("the certificate names no time from which it holds") from error
    if found.tzinfo is None:
        raise RecordError("the certificate's time must say how far it is from UTC")
    return found


def read_certificate(path: Path, *, bench: str | None) -> dict[str, str]:
    """Return the certificate of a file, checked for this bench's key; None for that of the bench it names.

    Raises:
        KeyFileError: the file cannot be read or does not hold for this key.
    """
    values = _read(path, "name the file of the certificate, as the shop made it by record certify")
    try:
        held = parse(values)
        named = held.get("bench_key", "") if isinstance(held, dict) else ""
        return check_certificate(held, bench=named if bench is None else bench)
    except RecordError as error:
        raise KeyFileError(f"{path}: {error}; ask the shop for a new one, or take the file away") from error
