"""What docs/many-benches.md tells a person to type does what it says."""

import re
import statistics
from pathlib import Path

import psycopg
import pytest
from a_shop import Shop
from test_sending import send_all

from logger.store import Store

PAGE = Path(__file__).parents[2] / "docs" / "many-benches.md"


def test_the_sql_of_the_page_runs_and_its_logins_serve(shop: Shop, measured: Store):
    roles, query = re.findall(r"```sql\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    send_all(shop, measured.path)
    with shop.owner() as link:
        link.execute(roles)

    reader = shop.server.url(shop.name, user="front_desk", password="choose another")
    with psycopg.connect(reader) as link:
        (row,) = link.execute(query).fetchall()
    bench = shop.server.url(shop.name, user="green_bench", password="choose one")
    with psycopg.connect(bench) as link:
        link.execute("INSERT INTO fretledger.mark SELECT store, 'x', 1 FROM fretledger.bench")

    assert row[:2] == ("slot_width", 45)
    values_mm = [(sequence * 7_919 - 1_000_000) / 1e6 for sequence in range(1, 51) if sequence % 10]
    assert float(row[2]) == pytest.approx(statistics.mean(values_mm))
    assert float(row[3]) == pytest.approx(statistics.stdev(values_mm))
