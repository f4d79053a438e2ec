"""Profile files read, checked key by key, and put together."""

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from hashlib import sha256
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from drivers.errors import ProfileError
from drivers.profiles.profile import (
    DECODERS,
    FRAMINGS,
    SELF_DESCRIBING,
    Ask,
    BluetoothSettings,
    Profile,
    SerialSettings,
)
from drivers.reading import NM_PER_UNIT, to_nm
from drivers.steady import CaptureSettings

FORMAT: Final = 1
_RESOLUTION: Final = re.compile(r"[0-9]{1,3}\.[0-9]{1,6}|[0-9]{1,3}")
_UUID: Final = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_HEX: Final = re.compile(r"(?: *[0-9A-Fa-f]{2}){0,64} *")
_NAME: Final = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Key:
    """One key: its type, the rule it follows in words and as a test, and what stands for it when it is missing."""

    kind: type
    rule: str
    holds: Callable[[Any], bool]
    default: Any = None


def _one_of(kind: type, *values: Any, default: Any = None) -> _Key:
    rule = "one of " + ", ".join(map(repr, values)) if len(values) > 1 else repr(values[0])
    return _Key(kind=kind, rule=rule, holds=lambda value: value in values, default=default)


_NOTHING: Final[Mapping[str, Any]] = MappingProxyType({})


def _above(kind: type, least: float, most: float, unit: str, default: Any = None) -> _Key:
    rule = f"a number from {least:g} to {most:g}{unit}"
    return _Key(kind=kind, rule=rule, holds=lambda value: least <= value <= most, default=default)


def _uuid(text: str) -> bool:
    return text == "" or bool(_UUID.fullmatch(text))


def _length(default: Any = None) -> _Key:
    return _Key(kind=str, rule='a text such as "0.020", in mm', holds=lambda text: bool(_RESOLUTION.fullmatch(text)),
                default=default)  # fmt: skip


_KEYS: Final = {
    "format": _one_of(int, FORMAT),
    "name": _Key(kind=str, rule="lower-case words joined by hyphens", holds=lambda text: bool(_NAME.fullmatch(text))),
    "words": _Key(kind=str, rule="a line of text", holds=lambda text: bool(text.strip()) and text.isprintable()),
    "kind": _one_of(str, "caliper", "depth_indicator", "rocker"),
    "decoder": _one_of(str, *DECODERS, default="text"),
    "framing": _one_of(str, *FRAMINGS, default="lines"),
    "unit": _one_of(str, *NM_PER_UNIT),
    "decimal_comma": _Key(kind=bool, rule="true or false", holds=lambda _: True, default=False),
    "resolution": _Key(
        kind=str,
        rule='a text such as "0.01", larger than 0',
        holds=lambda text: bool(_RESOLUTION.fullmatch(text)) and Decimal(text) > 0,
    ),
    "silent_after_s": _above(float, 0, 3600, " s", default=0.0),
    **{name: _Key(kind=dict, rule="a table", holds=lambda _: True, default=_NOTHING)
       for name in ("serial", "bluetooth", "ask", "capture")},
}  # fmt: skip
_SERIAL_KEYS: Final = {
    "baud": _Key(kind=int, rule="a whole number from 50 to 4000000", holds=lambda baud: 50 <= baud <= 4_000_000),
    "bytesize": _one_of(int, 7, 8, default=8),
    "parity": _one_of(str, "none", "even", "odd", default="none"),
    "stopbits": _one_of(int, 1, 2, default=1),
}
_BLUETOOTH_KEYS: Final = {
    "characteristic": _Key(kind=str, rule="a UUID such as 0000fff1-0000-1000-8000-00805f9b34fb, or empty", holds=_uuid,
                           default=""),
    "write": _Key(kind=str, rule="a UUID, or empty", holds=_uuid, default=""),
    "service": _Key(kind=str, rule="a UUID, or empty", holds=_uuid, default=""),
    "name": _Key(kind=str, rule="how the advertised name begins", holds=str.isprintable, default=""),
}  # fmt: skip
_ASK_KEYS: Final = {
    "text": _Key(kind=str, rule="at most 64 ASCII characters", holds=lambda text: text.isascii() and len(text) <= 64,
                 default=""),
    "hex": _Key(kind=str, rule="at most 64 bytes as pairs of hexadecimal digits",
                holds=lambda text: bool(_HEX.fullmatch(text)), default=""),
    "every_s": _above(float, 0, 3600, " s", default=0.0),
}  # fmt: skip
_CAPTURE_KEYS: Final = {
    "band_mm": _length("0.020"), "drift_mm": _length("0.005"), "rearm_mm": _length("0.100"),
    "dwell_s": _above(float, 0.05, 60, " s", default=1.0), "away_s": _above(float, 0, 60, " s", default=0.15),
    "gap_s": _above(float, 0.01, 60, " s", default=0.5),
    "least": _Key(kind=int, rule="a whole number from 3 to 1000", holds=lambda count: 3 <= count <= 1000, default=5),
    "hands_free": _Key(kind=bool, rule="true or false", holds=lambda _: True, default=True),
}  # fmt: skip


def load_profiles(user_folder: Path | None = None) -> dict[str, Profile]:
    """Return all profiles by name: the shipped ones and those of ``user_folder``, which may be missing.

    Raises:
        ProfileError: If a file cannot be read or does not hold, or two files have the same name inside.
    """
    profiles: dict[str, Profile] = {}
    for file, where in (*_shipped(), *_of_user(user_folder)):
        profile = _load(file, where)
        if (first := profiles.setdefault(profile.name, profile)) is not profile:
            raise ProfileError(
                f"name in {where!r} must be its own, got {profile.name!r} as in {first.file!r}; give one a new name",
                file=where,
                key="name",
            )
    return profiles


def _shipped() -> Iterator[tuple[Traversable, str]]:
    folder = files("drivers.profiles")
    found = (file for file in folder.iterdir() if file.name.endswith(".toml"))
    return ((file, f"drivers/profiles/{file.name}") for file in sorted(found, key=lambda file: file.name))


def _of_user(folder: Path | None) -> Iterator[tuple[Traversable, str]]:
    found = [] if folder is None else sorted(folder.glob("*.toml"))
    return ((path, str(path)) for path in found)


def _load(file: Traversable, where: str) -> Profile:
    try:
        content = file.read_bytes()
        table = tomllib.loads(content.decode())
    except OSError as error:
        raise ProfileError(
            f"profile {where!r} cannot be read, {error}; look at the file's rights", file=where
        ) from error
    except ValueError as error:  # not TOML, or not UTF-8
        raise ProfileError(
            f"profile {where!r} must be TOML in UTF-8, {error}; mend or move the file", file=where
        ) from error
    checked = _checked(table, _KEYS, "", where)
    tables = {name: dict(checked.pop(name)) for name in ("serial", "bluetooth", "ask", "capture")}
    del checked["format"]
    _links(table, checked["decoder"], checked["framing"], where)
    checked["resolution"] = Decimal(checked["resolution"])
    return Profile(
        **checked,
        serial=SerialSettings(**_checked(tables["serial"], _SERIAL_KEYS, "serial.", where))
        if "serial" in table
        else SerialSettings(),
        bluetooth=BluetoothSettings(**_checked(tables["bluetooth"], _BLUETOOTH_KEYS, "bluetooth.", where))
        if "bluetooth" in table
        else None,
        ask=_ask(_checked(tables["ask"], _ASK_KEYS, "ask.", where), where) if "ask" in table else None,
        capture=_capture(_checked(tables["capture"], _CAPTURE_KEYS, "capture.", where), where)
        if "capture" in table
        else None,
        sha256=sha256(content).hexdigest(),
        file=where,
    )


def _links(table: Mapping[str, Any], decoder: str, framing: str, where: str) -> None:
    """Refuse a profile whose ways of connecting and decoding do not go together.

    Raises:
        ProfileError: they do not.
    """
    radio = "bluetooth" in table
    if ("serial" in table) == radio:
        raise ProfileError(
            f"profile {where!r} must have one of the tables [serial] and [bluetooth], it has "
            f"{'both' if radio else 'neither'}; keep the one that the gauge is connected by",
            file=where, key="serial",
        )  # fmt: skip
    if decoder == SELF_DESCRIBING and not radio:
        raise ProfileError(
            f"decoder {decoder!r} in profile {where!r} needs a table [bluetooth]; a serial gauge describes nothing",
            file=where, key="decoder",
        )  # fmt: skip
    if radio and "ask" in table and not table["bluetooth"].get("write"):
        raise ProfileError(
            f"profile {where!r} must say bluetooth.write, the characteristic that takes what [ask] sends; add its UUID",
            file=where, key="bluetooth.write",
        )  # fmt: skip
    if framing == "messages" and not radio:
        raise ProfileError(
            f"framing 'messages' in profile {where!r} needs a table [bluetooth]; a serial line has no messages",
            file=where, key="framing",
        )  # fmt: skip


def _ask(values: dict[str, Any], where: str) -> Ask:
    if bool(values["text"]) == bool(values["hex"]):
        raise ProfileError(
            f"[ask] in profile {where!r} must have one of text and hex; keep the one that the gauge waits for",
            file=where, key="ask.text",
        )  # fmt: skip
    return Ask(send=values["text"].encode() or bytes.fromhex(values["hex"]), every_s=values["every_s"])


def _capture(values: dict[str, Any], where: str) -> CaptureSettings:
    lengths = {f"{name}_nm": to_nm(Decimal(values.pop(f"{name}_mm")), "mm") for name in ("band", "drift", "rearm")}
    try:
        return CaptureSettings(**values, **lengths)  # type: ignore[arg-type] # each was checked by its key
    except ValueError as error:
        raise ProfileError(f"[capture] in profile {where!r}: {error}", file=where, key="capture") from error


def _checked(table: dict[str, Any], keys: dict[str, _Key], prefix: str, where: str) -> dict[str, Any]:
    for name in table.keys() - keys.keys():
        known = ", ".join(prefix + key for key in keys)
        raise ProfileError(
            f"profile {where!r} has the unknown key {prefix + name!r}; known are {known}", file=where, key=prefix + name
        )
    return {name: _value(table.get(name, key.default), key, prefix + name, where) for name, key in keys.items()}


def _value(value: Any, key: _Key, name: str, where: str) -> Any:
    if value is None:
        raise ProfileError(f"profile {where!r} lacks the key {name!r}; set it to {key.rule}", file=where, key=name)
    if key.kind is float and type(value) is int:
        value = float(value)
    kind = Mapping if key.kind is dict else key.kind
    if not isinstance(value, kind) or (type(value) is bool) is not (key.kind is bool) or not key.holds(value):
        raise ProfileError(f"{name} in profile {where!r} must be {key.rule}, got {value!r}", file=where, key=name)
    return value
