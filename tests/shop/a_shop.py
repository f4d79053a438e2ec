"""A shop's database that is set up, in a PostgreSQL of one's own."""

import psycopg
from private_postgres import PrivatePostgres

from logger.shop.address import ShopAddress, parse_address
from logger.shop.init import init

LOGINS = {"bench_one": "fretledger_bench", "looker": "fretledger_reader"}


def set_up(server: PrivatePostgres, name: str) -> None:
    """Make a database, set it up as a shop, and make the two logins."""
    with psycopg.connect(server.url("postgres"), autocommit=True) as link:
        link.execute(f"CREATE DATABASE {name}")
        init(parse_address(server.url(name)))
        for login, role in LOGINS.items():
            link.execute(f"CREATE ROLE {login} LOGIN PASSWORD 'pw of {login}' IN ROLE {role}")


def copied(server: PrivatePostgres, name: str, *, of: str) -> "Shop":
    """Return a shop that is a copy of another."""
    with psycopg.connect(server.url("postgres"), autocommit=True) as link:
        link.execute(f"CREATE DATABASE {name} TEMPLATE {of} STRATEGY file_copy")
    return Shop(server, name)


class Shop:
    """A shop's database, with a login that may append and one that may read."""

    def __init__(self, server: PrivatePostgres, name: str) -> None:
        self.server, self.name = server, name

    def owner(self) -> psycopg.Connection:
        """Return a connection of the database's owner, who is also a superuser."""
        return psycopg.connect(self.server.url(self.name), autocommit=True)

    def url(self, login: str = "bench_one", *, port: int | None = None) -> str:
        """Return the address for a login, through another port if need be."""
        return self.server.url(self.name, user=login, password=f"pw of {login}", port=port)

    def address(self, login: str = "bench_one", *, port: int | None = None) -> ShopAddress:
        """Return the address as the program has it."""
        return parse_address(self.url(login, port=port))

    def count(self, table: str = "reading") -> int:
        """Return how many rows a table has, of all benches."""
        with self.owner() as link:
            found = link.execute(f"SELECT count(*) FROM fretledger.{table}").fetchone()
        assert found is not None
        return int(found[0])
