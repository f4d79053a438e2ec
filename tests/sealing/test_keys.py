"""Keys on disk, the short code, and what a shop certifies."""

import csv
import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from sealed_bench import KEY, OTHER_KEY, SHOP

from logger.errors import KeyFileError, RecordError
from logger.sealing import keys
from logger.sealing.canonical import canonical

REFERENCE = Path(__file__).parents[1] / "reference" / "rfc8032_ed25519.csv"
posix = pytest.mark.skipif(os.name != "posix", reason="no modes of files")


def vectors() -> list[dict[str, str]]:
    lines = [line for line in REFERENCE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("vector", vectors(), ids=lambda one: f"message {one['message'][:4]}")
def test_the_library_signs_as_the_rfc_says(vector: dict[str, str]) -> None:
    found = {name: bytes.fromhex(value) for name, value in vector.items()}
    private = Ed25519PrivateKey.from_private_bytes(found["private"])

    assert private.public_key().public_bytes_raw() == found["public"]
    assert private.sign(found["message"]) == found["signature"]
    Ed25519PublicKey.from_public_bytes(found["public"]).verify(found["signature"], found["message"])


def test_what_is_signed_begins_with_what_it_is() -> None:
    signature = KEY.sign("record", b"content")

    Ed25519PublicKey.from_public_bytes(bytes.fromhex(KEY.public)).verify(
        bytes.fromhex(signature), b"fretledger record 1\ncontent"
    )
    assert keys.is_signed("record", b"content", public=KEY.public, signature=signature)
    assert not keys.is_signed("head", b"content", public=KEY.public, signature=signature)
    assert not keys.is_signed("record", b"Content", public=KEY.public, signature=signature)
    assert not keys.is_signed("record", b"content", public=OTHER_KEY.public, signature=signature)


@pytest.mark.parametrize("text", ["", "zz", "00" * 32, "AB" * 64, "0" * 127])
def test_what_is_no_signature_is_none(text: str) -> None:
    assert not keys.is_signed("record", b"", public=KEY.public, signature=text)
    assert not keys.is_signed("record", b"", public=text, signature=KEY.sign("record", b""))


def test_a_short_code_is_the_first_hundred_bits_in_base_32() -> None:
    # base32 of "foobar" is MZXW6YTBOI: RFC 4648, section 10 (from memory)
    assert keys.short_code(b"foobarfoobarfoobar".hex()) == "MZXW-6YTB-OJTG-633C-MFZG"


def test_a_key_is_made_once_and_for_its_owner_alone(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "keys"

    first, second = keys.own_key(folder, "bench"), keys.own_key(folder, "bench")

    assert first.public == second.public == keys.known_public(folder, "bench")
    assert keys.own_key(folder, "shop").public != first.public
    if os.name == "posix":
        assert (folder / "bench.key").stat().st_mode & 0o777 == 0o600
        assert folder.stat().st_mode & 0o777 == 0o700


def test_a_lost_public_half_is_written_again(tmp_path: Path) -> None:
    made = keys.own_key(tmp_path, "bench")
    (tmp_path / "bench.pub").unlink()

    assert keys.known_public(tmp_path, "bench") is None
    keys.own_key(tmp_path, "bench")
    assert keys.known_public(tmp_path, "bench") == made.public


@posix
def test_a_key_that_others_may_read_is_refused(tmp_path: Path) -> None:
    keys.own_key(tmp_path, "bench")
    (tmp_path / "bench.key").chmod(0o640)

    with pytest.raises(KeyFileError, match="must be readable by its owner alone; chmod 600"):
        keys.own_key(tmp_path, "bench")


def _pem(kind: str) -> bytes:
    private = generate_private_key(SECP256R1()) if kind == "other" else Ed25519PrivateKey.generate()
    encryption = serialization.BestAvailableEncryption(b"x") if kind == "locked" else serialization.NoEncryption()
    return private.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, encryption)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"", "must hold an Ed25519 key as unencrypted PEM", id="empty"),
        pytest.param(b"\x00\xff" * 100, "must hold an Ed25519 key as unencrypted PEM", id="bytes"),
        pytest.param(_pem("locked"), "must hold an Ed25519 key as unencrypted PEM", id="encrypted"),
        pytest.param(_pem("other"), "got another kind", id="another curve"),
        pytest.param(b"x" * 20_000, "must have at most 16 kB, got 20 kB", id="large"),
    ],
)
def test_a_file_that_is_no_key_is_told_and_left_alone(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "bench.key"
    path.write_bytes(content)
    path.chmod(0o600)

    with pytest.raises(KeyFileError, match=words):
        keys.own_key(tmp_path, "bench")
    assert path.read_bytes() == content


@pytest.mark.parametrize("text", ["", "ab", "no such file", "zz" * 32, "a" * 5000])
def test_a_text_that_is_no_public_key_is_refused(text: str) -> None:
    with pytest.raises(KeyFileError, match="is no public key; give 64 hex digits or the path of a PEM file"):
        keys.public_key(text)


def test_a_public_key_is_given_or_named(tmp_path: Path) -> None:
    made = keys.own_key(tmp_path, "bench")

    assert keys.public_key(made.public.upper()) == made.public
    assert keys.public_key(str(tmp_path / "bench.pub")) == made.public
    with pytest.raises(KeyFileError, match="must hold a public key as PEM"):
        keys.public_key(str(tmp_path / "bench.key"))


# -- certificates ----------------------------------------------------------------------------------------------------

AT = datetime(2023, 1, 1, tzinfo=UTC)


def test_a_certificate_holds_for_the_bench_it_names() -> None:
    made = keys.certify(SHOP, KEY.public, name="bench 2", at=AT)

    assert keys.check_certificate(made, bench=KEY.public) == made
    assert keys.begins(made) == AT
    with pytest.raises(RecordError, match="for another bench's key"):
        keys.check_certificate(made, bench=OTHER_KEY.public)


@pytest.mark.parametrize(
    ("alter", "words"),
    [
        pytest.param(lambda one: one | {"name": "bench 3"}, "changed after the shop signed it", id="name"),
        pytest.param(lambda one: one | {"from": "2020-01-01T00:00:00+00:00"}, "changed after", id="from"),
        pytest.param(lambda one: one | {"shop_key": OTHER_KEY.public}, "another key signed it", id="shop"),
        pytest.param(lambda one: one | {"signature": "00" * 64}, "another key signed it", id="signature"),
        pytest.param(lambda one: one | {"more": "x"}, "of a format", id="more"),
        pytest.param(lambda one: one | {"format": "fretledger-certificate-2"}, "of a format", id="format"),
        pytest.param(lambda one: one | {"name": 5}, "must hold texts alone", id="number"),
        pytest.param(lambda one: [one], "of a format", id="list"),
    ],
)
def test_a_certificate_that_was_altered_is_refused(alter: Callable[[dict[str, Any]], Any], words: str) -> None:
    made = keys.certify(SHOP, KEY.public, name="bench 2", at=AT)

    with pytest.raises(RecordError, match=words):
        keys.check_certificate(alter(made), bench=KEY.public)


@pytest.mark.parametrize(
    ("begins", "words"),
    [("yesterday", "names no time"), ("2023-01-01T00:00:00", "how far it is from UTC")],
)
def test_a_certificate_without_a_time_is_refused(begins: str, words: str) -> None:
    made = keys.certify(SHOP, KEY.public, name="bench 2", at=AT)
    stated = {name: value for name, value in made.items() if name != "signature"} | {"from": begins}

    with pytest.raises(RecordError, match=words):
        keys.check_certificate(stated | {"signature": SHOP.sign("certificate", canonical(stated))}, bench=KEY.public)


def test_a_certificate_file_that_does_not_hold_is_told(tmp_path: Path) -> None:
    path = tmp_path / "certificate.json"
    path.write_bytes(canonical(keys.certify(SHOP, OTHER_KEY.public, name="x", at=AT)))

    with pytest.raises(KeyFileError, match=r"for another bench's key .* ask the shop for a new one"):
        keys.read_certificate(path, bench=KEY.public)
