"""`fretledger store`: copy a store, look it over, recover what a damaged one still holds, pack it anew, sum it up."""

import argparse
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from logger.cli_arguments import FAILED, OK, add_store, command, store_path
from logger.counted import counted
from logger.errors import StoreLossError
from logger.features import KINDS
from logger.store.care import Packed, copy, repack
from logger.store.chain import Chain
from logger.store.counts import not_as_witnessed
from logger.store.inspection import Inspection, inspect
from logger.store.recovery import Recovered, recover
from logger.store.totals import Total, Totals, totals
from logger.store.trail import table_words
from logger.terminal import Terminal, progress_shown

_MIB: Final = 1 << 20


def add_store_care(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command `store` and what it can do."""
    parser = add("store", help="copy, inspect, recover or repack the session store", description=__doc__)
    work = parser.add_subparsers(dest="work", metavar="WORK", required=True)
    for name, words, run, target in (
        ("copy", "copy the whole store, and its attached files, while the bench writes", _copy, "the file to be"),
        ("inspect", "is the store what it was: what is lost, and what to do", _inspect, None),
        ("recover", "take what a damaged store still holds into a new one", _recover, "the store to be"),
        ("repack", "write the store anew without empty room; no row is left out", _repack, None),
        ("totals", "number, mean and spread of every kind of reading in the whole store", _totals, None),
    ):
        one = command(work.add_parser, name, words, run)
        if target is not None:
            one.add_argument("target", type=Path, metavar="TO", help=target)
        add_store(one)
        one.add_argument("--json", action="store_true", help="print one JSON object instead of lines")


def _copy(options: argparse.Namespace, _serve: object) -> int:
    found = progress_shown(lambda progress: copy(store_path(options), options.target, progress))
    lines = [f"copied to {found.path}: {_rows(found)}", *_inspection_lines(found)]
    return _say(options, lines, _inspection_json(found), [*found.wrong, *found.astray])


def _inspect(options: argparse.Namespace, _serve: object) -> int:
    found = progress_shown(lambda progress: inspect(store_path(options), progress))
    lines = [f"{found.path}: {_rows(found)}", *_inspection_lines(found)]
    return _say(options, lines, _inspection_json(found), [*found.wrong, *found.astray])


def _recover(options: argparse.Namespace, _serve: object) -> int:
    found: Recovered = progress_shown(lambda progress: recover(store_path(options), options.target, progress))
    rows = ", ".join(counted(count, table_words(name)) for name, count in found.kept.items() if count) or "no rows"
    made_from = f"store {found.source_id or 'unknown'}, file SHA-256 {found.file_sha256}"
    lines = [
        f"recovered into {found.path}: {rows}",
        *(f"wrong: {text}" for text in found.wrong),
        *([] if found.wrong else ["nothing is known to be lost"]),
        f"the new store is {found.store_id}; it and every record sealed from it say what it was made from: {made_from}",
    ]
    held = {"path": str(found.path), "store": found.store_id, "kept": found.kept, "lost": found.lost,
            "wrong": found.wrong, "source": found.source_id, "file_sha256": found.file_sha256,
            "log_sha256": found.log_sha256 or None, "witnessed": found.witnessed, "changed": found.changed}  # fmt: skip
    return _say(options, lines, held, found.wrong)


def _repack(options: argparse.Namespace, _serve: object) -> int:
    try:
        found: Packed = progress_shown(lambda progress: repack(store_path(options), progress))
    except StoreLossError as error:
        return _say(options, [str(error)], {"wrong": [str(error)]}, [str(error)])
    sizes = f"{found.before_bytes / _MIB:.1f} MiB before, {found.after_bytes / _MIB:.1f} MiB now"
    held = {"path": str(found.path), "before_bytes": found.before_bytes, "after_bytes": found.after_bytes,
            "tables": _tables(found.chain), "wrong": []}  # fmt: skip
    return _say(options, [f"{found.path}: {sizes}; {_counts(found.chain)}, every one the same as before"], held, [])


def _totals(options: argparse.Namespace, _serve: object) -> int:
    found: Totals = progress_shown(lambda progress: totals(store_path(options), progress))
    lines = [f"{found.readings} readings in all, {found.taken_back} of them taken back"]
    if found.kinds:
        lines.append(f"{'':<28} {'readings':>10} {'mean mm':>9} {'spread mm':>10}")
    lines += [_total_line(kind, total) for kind, total in found.kinds.items()]
    held = {
        "readings": found.readings,
        "taken_back": found.taken_back,
        "kinds": {
            kind: {"count": total.count, "mean_mm": total.mean_mm, "sd_mm": total.sd_mm}
            for kind, total in found.kinds.items()
        },
    }
    status = _say(options, lines, held, [])
    if told := not_as_witnessed(store_path(options)):
        Terminal().note(told)
    return status


def _total_line(kind: str, total: Total) -> str:
    words = KINDS[kind].words if kind in KINDS else kind.replace("_", " ") or "of no feature"
    spread = "" if total.sd_mm is None else f"{total.sd_mm:.4f}"
    return f"{words:<28} {total.count:>10} {total.mean_mm:>9.4f} {spread:>10}".rstrip()


def _say(options: argparse.Namespace, lines: list[str], held: Mapping[str, Any], wrong: list[str]) -> int:
    print(json.dumps(held, ensure_ascii=False, allow_nan=False) if options.json else "\n".join(lines))
    return FAILED if wrong else OK


def _counts(chain: Chain, more: Mapping[str, int] = MappingProxyType({})) -> str:
    counts = {name: link.entries for name, link in chain.items()} | dict(more)
    readings, sessions = (counted(counts.get(name, 0), name) for name in ("reading", "session"))
    return f"{readings}, {sessions}, {counted(sum(counts.values()), 'row')} in all"


def _rows(found: Inspection) -> str:
    counts = _counts(found.chain, found.in_part)
    return f"{counts} can be read, going past the damage" if found.in_part else counts


def _inspection_lines(found: Inspection) -> list[str]:
    lines = [f"wrong: {text}" for text in [*found.wrong, *found.astray]]
    if found.to_do:
        lines.append(f"what to do: {found.to_do}")
    elif found.witnessed_at is not None:
        lines.append(f"sound: everything that its witness saw at {found.witnessed_at} is there and as it was kept")
    else:
        lines.append("sound in itself")
    return [*lines, *(f"note: {text}" for text in found.notes)]


def _inspection_json(found: Inspection) -> dict[str, Any]:
    return {
        "path": str(found.path), "store": found.store_id, "version": found.version, "sound": not found.to_do,
        "witnessed_at": found.witnessed_at, "tables": _tables(found.chain), "readable_in_part": found.in_part,
        "rests_on": found.rests_on, "wrong": found.wrong, "astray": found.astray, "to_do": found.to_do or None,
        "notes": found.notes,
    }  # fmt: skip


def _tables(chain: Chain) -> dict[str, Any]:
    return {name: {"entries": link.entries, "head": link.head} for name, link in chain.items()}
