"""The command `shop`: set up the database that many benches send to, and see what it holds."""

import argparse
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.cli_arguments import FAILED, OK, CommandError, command
from logger.door import Serve

if TYPE_CHECKING:
    from logger.shop.address import ShopAddress

SHOP_VARIABLE: Final = "FRETLEDGER_SHOP"


def shop_address(named: str | None) -> "ShopAddress | None":
    """Return the shop's database that a command or else the environment names, None for no shop.

    Raises:
        ShopError: the URL does not hold, or psycopg is missing.
    """
    url = named or os.environ.get(SHOP_VARIABLE)
    if not url:
        return None
    from logger.shop.address import parse_address

    return parse_address(url)


def add_shop(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command ``shop`` and its two works."""
    parser = command(add, "shop", "one PostgreSQL database that many benches send to", lambda *_: _no_work())
    works = parser.add_subparsers(dest="work", metavar="WORK")
    init = command(works.add_parser, "init", "set the database up, or bring it up to date", _init)
    _add_url(init)
    init.add_argument("--sql", action="store_true", help="print the SQL for an empty database instead, and do nothing")
    status = command(works.add_parser, "status", "what the shop holds of every bench", _status)
    _add_url(status)
    status.add_argument("--store", type=Path, metavar="PATH", help="compare this bench's store with the shop")
    status.add_argument("--json", action="store_true", help="print one JSON object instead of a table")


def _add_url(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "url", nargs="?", metavar="URL", help=f"like postgresql://NAME@HOST/DATABASE; else {SHOP_VARIABLE}"
    )


def _no_work() -> int:
    raise CommandError("shop needs to know what to do; give init or status")


def _init(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.shop.init import PARTS, init, statements

    if options.sql:
        print(";\n".join(["BEGIN", *statements(dict.fromkeys(PARTS, 0), frozenset()), "COMMIT;"]))
        return OK
    address = _address(options)
    before = init(address)
    new = {part: len(steps) for part, steps in PARTS.items() if before[part] < len(steps)}
    if not new:
        print(f"The shop at {address.shown} was up to date.")
    elif any(before.values()):
        print(f"The shop at {address.shown} is now of version {', '.join(f'{n} ({part})' for part, n in new.items())}.")
    else:
        print(
            f"The shop at {address.shown} is set up. A bench's login needs: GRANT fretledger_bench TO name; "
            "one that only reads: GRANT fretledger_reader TO name"
        )
    return OK


def _status(options: argparse.Namespace, _serve: Serve) -> int:
    from logger.shop.status import benches, benches_lines, compare, compared_lines

    address = _address(options)
    if options.store is None:
        found = benches(address)
        listed = {"shop": address.shown, "benches": [one.json() for one in found]}
        print(json.dumps(listed) if options.json else "\n".join(benches_lines(address.shown, found)))
        return OK
    tables = compare(address, options.store)
    same = all(one.differs_from is None for one in tables)
    text = {"shop": address.shown, "store": str(options.store), "same": same,
            "waiting": sum(one.waiting for one in tables), "tables": [one.json() for one in tables]}  # fmt: skip
    print(json.dumps(text) if options.json else "\n".join(compared_lines(tables)))
    return OK if same else FAILED


def _address(options: argparse.Namespace) -> "ShopAddress":
    address = shop_address(options.url)
    if address is None:
        raise CommandError(f"shop {options.work} needs the database's URL; give it, or set {SHOP_VARIABLE}")
    return address
