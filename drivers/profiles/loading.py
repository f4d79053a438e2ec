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
from drivers.input_file import MOST_TOML, read_input
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
_PLACE: Final = re.compile(rf"-?(?:{_RESOLUTION.pattern})|")
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


def _off_or(least: float, most: float) -> _Key:
    rule = f"0, or a number from {least:g} to {most:g} s"
    return _Key(kind=float, rule=rule, holds=lambda value: value == 0 or least <= value <= most, default=0.0)


def _above(kind: type, least: float, most: float, unit: str, default: Any = None) -> _Key:
    rule = f"a number from {least:g} to {most:g}{unit}"
    return _Key(kind=kind, rule=rule, holds=lambda value: least <= value <= most, default=default)


def _uuid() -> _Key:
    rule = "a UUID in lower case such as 0000fff1-0000-1000-8000-00805f9b34fb, or empty"
    return _Key(kind=str, rule=rule, holds=lambda text: text == "" or bool(_UUID.fullmatch(text)), default="")


def _length(default: str) -> _Key:
    return _Key(kind=str, rule='a text such as "0.020", in mm', holds=lambda text: bool(_RESOLUTION.fullmatch(text)),
                default=default)  # fmt: skip


def _place() -> _Key:
    return _Key(kind=str, rule='a text such as "-0.500", in mm, or empty', default="",
                holds=lambda text: bool(_PLACE.fullmatch(text)))  # fmt: skip


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
    "silent_after_s": _off_or(0.2, 3600),
    **{name: _Key(kind=dict, rule="a table", holds=lambda _: True, default=_NOTHING)
       for name in ("serial", "bluetooth", "ask", "capture")},
}  # fmt: skip
_SERIAL_KEYS: Final = {
    "baud": _Key(kind=int, rule="a whole number from 50 to 4000000", holds=lambda baud: 50 <= baud <= 4_000_000),
    "bytesize": _one_of(int, 7, 8, default=8),
    "parity": _one_of(str, "none", "even", "odd", default="none"),
    "stopbits": _one_of(int, 1, 2, default=1),
    "pause_s": _above(float, 0.002, 1, " s", default=0.02),
}
_BLUETOOTH_KEYS: Final = {
    "characteristic": _uuid(), "write": _uuid(), "service": _uuid(),
    "name": _Key(kind=str, rule="how the advertised name begins", holds=str.isprintable, default=""),
}  # fmt: skip
_ASK_KEYS: Final = {
    "text": _Key(kind=str, rule="at most 64 ASCII characters", holds=lambda text: text.isascii() and len(text) <= 64,
                 default=""),
    "hex": _Key(kind=str, rule="at most 64 bytes as pairs of hexadecimal digits",
                holds=lambda text: bool(_HEX.fullmatch(text)), default=""),
    "every_s": _off_or(0.02, 3600),
}  # fmt: skip
_CAPTURE_KEYS: Final = {
    "band_mm": _length("0.020"), "drift_mm": _length("0.005"), "rearm_mm": _length("0.100"),
    "low_mm": _place(), "high_mm": _place(),
    "dwell_s": _above(float, 0.05, 60, " s", default=1.0), "away_s": _above(float, 0, 60, " s", default=0.15),
    "gap_s": _above(float, 0.01, 60, " s", default=0.5),
    "least": _Key(kind=int, rule="a whole number from 3 to 1000", holds=lambda count: 3 <= count <= 1000, default=5),
    "hands_free": _Key(kind=bool, rule="true or false", holds=lambda _: True, default=True),
}  # fmt: skip
_TABLES: Final = {"serial": _SERIAL_KEYS, "bluetooth": _BLUETOOTH_KEYS, "ask": _ASK_KEYS, "capture": _CAPTURE_KEYS}


def load_profiles(
    user_folder: Path | None = None, *, on_fault: Callable[[ProfileError], None] | None = None
) -> dict[str, Profile]:
    """Return all profiles by name: the shipped ones and those of ``user_folder``, which may be missing.

    Args:
        user_folder: the person's own profiles.
        on_fault: told of every file of theirs that does not hold and is left out; without it the first is raised.

    Raises:
        ProfileError: If a file cannot be read or does not hold, or two files have the same name inside.
    """
    profiles = {profile.name: profile for profile in (_load(file, where) for file, where in _shipped())}
    for file, where in _of_user(user_folder):
        try:
            profile = _load(file, where)
            if (first := profiles.get(profile.name)) is not None:
                words = f"name in {where!r} must be its own, got {profile.name!r} as in {first.file!r}"
                raise ProfileError(f"{words}; give one a new name", file=where, key="name")
        except ProfileError as error:
            if on_fault is None:
                raise
            on_fault(error)
            continue
        profiles[profile.name] = profile
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
        content = read_input(file, most_bytes=MOST_TOML) if isinstance(file, Path) else file.read_bytes()
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
    tables = {name: dict(checked.pop(name)) for name in _TABLES}
    del checked["format"]
    checked["resolution"] = Decimal(checked["resolution"])
    values = {name: _checked(tables[name], keys, f"{name}.", where) for name, keys in _TABLES.items() if name in table}
    profile = Profile(
        **checked,
        serial=SerialSettings(**values.get("serial", {})),
        bluetooth=BluetoothSettings(**values["bluetooth"]) if "bluetooth" in values else None,
        ask=_ask(values["ask"], where) if "ask" in values else None,
        capture=_capture(values["capture"], where) if "capture" in values else None,
        sha256=sha256(content).hexdigest(),
        file=where,
    )
    _links(profile, "serial" in values)
    return profile


def _links(profile: Profile, serial: bool) -> None:
    """Refuse a profile whose ways of connecting, asking and decoding do not go together.

    Raises:
        ProfileError: they do not.
    """
    radio, ask, where = profile.bluetooth, profile.ask, repr(profile.file)
    every_s = ask.every_s if ask else 0.0
    rules = (
        (
            serial != bool(radio), "serial",
            (f"profile {where} must have one of the tables [serial] and [bluetooth], it has "
             f"{'both' if radio else 'neither'}; keep the one that the gauge is connected by"),
        ),
        (
            radio or profile.decoder != SELF_DESCRIBING, "decoder",
            (f"decoder {SELF_DESCRIBING!r} in profile {where} needs a table [bluetooth], it has [serial]; choose "
             "another decoder, a serial gauge describes nothing"),
        ),
        (
            radio or profile.framing != "messages", "framing",
            (f"framing 'messages' in profile {where} needs a table [bluetooth], it has [serial]; leave framing out, a "
             "serial line has no messages"),
        ),
        (
            not (radio and ask) or radio.write, "bluetooth.write",
            (f"profile {where} must say bluetooth.write, the characteristic that takes what [ask] sends, it does not; "
             "add its UUID"),
        ),
        (
            not profile.silent_after_s or profile.silent_after_s > every_s, "silent_after_s",
            (f"silent_after_s in profile {where} must be longer than ask.every_s, got {profile.silent_after_s:g} and "
             f"{every_s:g}; set it to several times as much, a gauge that is asked is quiet in between"),
        ),
    )  # fmt: skip
    for holds, key, words in rules:
        if not holds:
            raise ProfileError(words, file=profile.file, key=key)


def _ask(values: dict[str, Any], where: str) -> Ask:
    text, pairs = values["text"], values["hex"].strip()
    if bool(text) == bool(pairs):
        raise ProfileError(
            f"[ask] in profile {where!r} must have one of text and hex, it has {'both' if text else 'neither'}; "
            "keep the one that the gauge waits for",
            file=where, key="ask.text",
        )  # fmt: skip
    return Ask(send=text.encode() or bytes.fromhex(pairs), every_s=values["every_s"])


def _capture(values: dict[str, Any], where: str) -> CaptureSettings:
    texts = {name: values.pop(f"{name}_mm") for name in ("drift", "band", "rearm", "low", "high")}
    lengths = {f"{name}_nm": to_nm(Decimal(text), "mm") for name, text in texts.items() if text}
    if not 0 < lengths["drift_nm"] <= lengths["band_nm"] < lengths["rearm_nm"]:
        got = ", ".join(texts[name] for name in ("drift", "band", "rearm"))
        raise ProfileError(
            f"[capture] in profile {where!r} must have a drift_mm over 0, a band_mm no less and a rearm_mm above that, "
            f"got {got}; put them in this order",
            file=where, key="capture",
        )  # fmt: skip
    if texts["low"] and texts["high"] and lengths["low_nm"] >= lengths["high_nm"]:
        raise ProfileError(
            f"[capture] in profile {where!r} must have a low_mm under high_mm, got {texts['low']} and {texts['high']}; "
            "exchange them",
            file=where, key="capture",
        )  # fmt: skip
    return CaptureSettings(**values, **lengths)  # type: ignore[arg-type] # each was checked by its key


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
