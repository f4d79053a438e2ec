"""Read a file of translated words over the page's own: what it does not say stays English, what nobody asks is refused.

The file is TOML or JSON and has the tables of `dashboard.words.page_words`: ``[page]`` with its sentences, ``[views]``,
``[verdicts.pass]`` and so on. Names in braces must be those of the English sentence.
"""

import json
import string
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from logger.errors import InputFileError
from logger.input_text import input_text

NO_WORDS: Final = frozenset({"usual", "opens"})
"""Names in `page_words` that the scripts compare with, and nobody reads."""


class TranslationError(InputFileError):
    """A file of translated words cannot be read, or says what the page does not ask for."""


def read_translation(path: Path, english: Mapping[str, Any]) -> dict[str, Any]:
    """Return the English words with those of a file in their place.

    Raises:
        TranslationError: the file cannot be read, is neither TOML nor JSON, or does not hold.
    """
    text = input_text(path, TranslationError, what="a file of words")
    try:
        given = json.loads(text) if path.suffix == ".json" else tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOML and JSON faults are all of this kind
        where = f" goes wrong at line {error.lineno}, column {error.colno}" if isinstance(error, json.JSONDecodeError) \
            else f": {str(error)[:120]}"  # fmt: skip
        raise TranslationError(f"{path}: words must be TOML or, named .json, JSON{where}; mend the file") from error
    if not isinstance(given, dict):
        raise TranslationError(f"{path}: words must be a table, got a {type(given).__name__}")
    return _over(english, given, path)


def _over(english: Mapping[str, Any], given: Mapping[str, Any], path: Path, table: str = "") -> dict[str, Any]:
    unknown = sorted(f"{table}{name}" for name in given if name not in english or name in NO_WORDS)
    if unknown:
        raise TranslationError(f"{path}: the page has no word named {', '.join(map(repr, unknown))}; leave it out")
    return {name: _word(text, given[name], path, f"{table}{name}") if name in given else text
            for name, text in english.items()}  # fmt: skip


def _word(english: Any, given: Any, path: Path, name: str) -> Any:
    if isinstance(english, Mapping):
        if not isinstance(given, Mapping):
            raise TranslationError(f"{path}: {name} must be a table of words, got {given!r}")
        return _over(english, given, path, f"{name}.")
    if not isinstance(given, str) or not given.strip():
        raise TranslationError(f"{path}: {name} must be a text with words in it, got {given!r}")
    asked, said = _braces(english, path, name), _braces(given, path, name)
    if said != asked:
        wanted = ", ".join(f"{{{one}}}" for one in sorted(asked)) or "none"
        raise TranslationError(
            f"{path}: {name} must have the names in braces of the English ({wanted}), got {given!r}; keep them"
        )
    return given


def _braces(text: str, path: Path, name: str) -> set[str]:
    try:
        return {field for _, field, _, _ in string.Formatter().parse(text) if field is not None}
    except ValueError as error:
        raise TranslationError(f"{path}: {name} must close every brace that it opens, got {text!r}") from error
