"""Where the shop's database is, said without its password; connecting to it; its faults in words."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

import psycopg
from psycopg import conninfo, errors

from logger.errors import ShopError

_HOW: Final = "write postgresql://NAME@HOST/DATABASE, and @, : and / in a password as %40, %3A and %2F"
_LONGEST: Final = 300
_SECRET: Final = ("password", "sslpassword", "oauth_client_secret")

CONNECTION: Final[Mapping[str, str]] = MappingProxyType({
    "connect_timeout": "5",
    # A network that swallows everything is noticed within half a minute instead of two hours.
    "keepalives_idle": "10",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "20000",
    "application_name": "fretledger",
    "client_encoding": "UTF8",
})
"""Options of every connection, unless the URL says otherwise. Source: PostgreSQL manual, "Parameter Key Words"."""

_SET_UP: Final = "set it up with `fretledger shop init URL`"
_REMEDIES: Final[tuple[tuple[type[psycopg.Error], str], ...]] = (
    (errors.InsufficientPrivilege, "a bench's login needs `GRANT fretledger_bench`, a reader's `fretledger_reader`"),
    (errors.UndefinedTable, _SET_UP),
    (errors.InvalidSchemaName, _SET_UP),
    (errors.ProgramLimitExceeded, "a name in a key is too long for the shop; go on in a new store with a shorter one"),
    (errors.DiskFull, "free some space at the shop"),
    (errors.QueryCanceled, "the shop is busy, or something locks a table of it; try again in a minute"),
)


_ASK: Final = "ask who looks after the shop's database"
_CONNECTING: Final[tuple[tuple[str, str, str], ...]] = (
    (r"password authentication failed|no password supplied|authentication failed",
     "the login is refused: password authentication failed", "check the name and the password"),
    (r"role .* does not exist", "there is no login of that name", f"check the name, or {_ASK}"),
    (r"database .* does not exist", "that server has no such database", "check its name, or create it first"),
    (r"no pg_hba\.conf entry", "the server lets nobody in from this machine with that login", _ASK),
    (r"invalid port number", "a port must be a number from 1 to 65535", "correct it in the URL"),
    (r"resolve host|translate host name|[Nn]ame or service not known", "no machine of that name is known here",
     "check the name, and that this machine is on the shop's network"),
    (r"Connection refused", "that machine answers, but no PostgreSQL there does",
     "check the port, that the server runs, and that it listens to other machines"),
    (r"timeout|timed out", "nothing answers there", "check the address, the network and the firewall"),
    (r"unreachable|No route to host", "there is no way to that machine", "check the address and the network"),
    (r"SSL negotiation|expected authentication request|invalid response", "what answers there is no PostgreSQL",
     "check the address and the port"),
    (r"No such file or directory", "no PostgreSQL of this machine listens at that place",
     "check that it runs, or name its host"),
    (r"starting up|shutting down|too many", "the server takes no connection just now", "try again in a minute"),
    (r"closed the connection|closed unexpectedly|terminating connection|EOF detected|reset by peer",
     "the connection broke off", "check the network and try again"),
    (r"SSL", "no encrypted connection could be made", f"check sslmode in the URL, or {_ASK}"),
)  # fmt: skip
"""What libpq and the server say while a connection is made or lost, what it means, and what to do."""
_OF_CONNECTIONS: Final = ("08", "28", "3D", "53", "57P")
"""How codes of faults of a connection begin. Source: PostgreSQL manual, "PostgreSQL Error Codes"; libpq's have none."""


@dataclass(frozen=True, slots=True)
class ShopAddress:
    """A database: ``conninfo`` to connect with, which may hold a password, and ``shown``, which never does."""

    conninfo: str = field(repr=False)
    shown: str
    secrets: tuple[str, ...] = field(repr=False)

    def without_secrets(self, text: str) -> str:
        """Return a text with every secret of the address struck out."""
        for secret in self.secrets:
            text = text.replace(secret, "***")
        return text


def parse_address(text: str) -> ShopAddress:
    """Return the address that a URL (or a libpq connection string) names.

    Raises:
        ShopError: it names none; the text is not repeated, since it may hold a password.
    """
    try:
        parts = {name: str(value) for name, value in conninfo.conninfo_to_dict(text).items()}
        whole = conninfo.make_conninfo(**{**CONNECTION, **parts})
    except psycopg.Error:
        raise ShopError(f"the shop's URL does not hold: it may lack a part or have a stray sign; {_HOW}") from None
    # A password with an unescaped sign is taken apart wrongly, and what is left of it must not be shown as a host.
    named = "dbname" in parts or "service" in parts
    astray = any("@" in parts.get(name, "") for name in ("host", "dbname")) or parts.get("port", "0").strip(
        "0123456789,"
    )
    if not named or astray:
        raise ShopError(f"the shop's URL must name a host and a database, each without stray signs; {_HOW}")
    return ShopAddress(whole, _shown(parts), tuple(parts[name] for name in _SECRET if parts.get(name)))


def _shown(parts: Mapping[str, str]) -> str:
    host = parts.get("host") or parts.get("hostaddr") or parts.get("service", "")
    name = f"{parts['user']}@" if "user" in parts else ""
    port = f":{parts['port']}" if "port" in parts else ""
    return f"postgresql://{name}{host}{port}/{parts.get('dbname', '')}"


def connect(address: ShopAddress) -> psycopg.Connection:
    """Return a connection on which every statement stands alone unless inside ``transaction()``.

    Raises:
        psycopg.Error: the database cannot be reached, or does not let this login in.
    """
    return psycopg.connect(address.conninfo, autocommit=True)


def _connecting(told: str) -> str:
    return next((f"{cause}; {remedy}" for sign, cause, remedy in _CONNECTING if re.search(sign, told)), "")


def in_words(error: psycopg.Error, address: ShopAddress, *, doing: str) -> ShopError:
    """Return what a fault of the database means, in one line without a password."""
    if (error.sqlstate or "08000").startswith(_OF_CONNECTIONS) and (known := _connecting(str(error))):
        return ShopError(f"the shop at {address.shown} could not be {doing}: {known}")
    cause = address.without_secrets(" ".join(str(error).split()) or type(error).__name__)
    cause = cause if len(cause) <= _LONGEST else f"{cause[:_LONGEST]}..."
    remedy = next((f"; {words}" for kind, words in _REMEDIES if isinstance(error, kind)), "")
    return ShopError(f"the shop at {address.shown} could not be {doing} ({cause}){remedy}")
