"""Many benches, one shop: every bench's committed rows, forwarded to one PostgreSQL.

A bench's own store stays the original and is the outbox; the shop's database is what all benches' rows are read from.
Importing this package raises ShopError where psycopg is not installed.
"""

from logger.errors import ShopError

try:
    import psycopg  # noqa: F401 - tried here, so that its absence is one line wherever the shop is used
except ImportError as error:
    raise ShopError(
        f"a shop's database needs psycopg, which cannot be used here ({error}); "
        "install it with: python -m pip install 'fretledger[shop]'"
    ) from error
