"""Profile files read, checked key by key, and put together."""

import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from hashlib import sha256
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Final

from drivers.errors import ProfileError
from drivers.profiles.profile import Profile, SerialSettings
from drivers.reading import NM_PER_UNIT

FORMAT: Final = 1
_RESOLUTION: Final = re.compile(r"[0-9]{1,3}\.[0-9]{1,6}|[0-9]{1,3}")
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


_KEYS: Final = {
    "format": _one_of(int, FORMAT),
    "name": _Key(kind=str, rule="lower-case words joined by hyphens", holds=lambda text: bool(_NAME.fullmatch(text))),
    "words": _Key(kind=str, rule="a line of text", holds=lambda text: bool(text.strip()) and text.isprintable()),
    "kind": _one_of(str, "caliper", "depth_indicator", "rocker"),
    "decoder": _one_of(str, "text", "labelled_text", default="text"),
    "unit": _one_of(str, *NM_PER_UNIT),
    "decimal_comma": _Key(kind=bool, rule="true or false", holds=lambda _: True, default=False),
    "resolution": _Key(
        kind=str,
        rule='a text such as "0.01", larger than 0',
        holds=lambda text: bool(_RESOLUTION.fullmatch(text)) and Decimal(text) > 0,
    ),
    "serial": _Key(kind=dict, rule="a table", holds=lambda _: True),
}
_SERIAL_KEYS: Final = {
    "baud": _Key(kind=int, rule="a whole number from 50 to 4000000", holds=lambda baud: 50 <= baud <= 4_000_000),
    "bytesize": _one_of(int, 7, 8, default=8),
    "parity": _one_of(str, "none", "even", "odd", default="none"),
    "stopbits": _one_of(int, 1, 2, default=1),
}


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
    serial = _checked(checked.pop("serial"), _SERIAL_KEYS, "serial.", where)
    del checked["format"]
    checked["resolution"] = Decimal(checked["resolution"])
    return Profile(**checked, serial=SerialSettings(**serial), sha256=sha256(content).hexdigest(), file=where)


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
    if type(value) is not key.kind or not key.holds(value):
        raise ProfileError(f"{name} in profile {where!r} must be {key.rule}, got {value!r}", file=where, key=name)
    return value
