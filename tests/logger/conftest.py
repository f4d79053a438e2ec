"""Files that a person would write, for the tests of this folder."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from logger.begin import default_gauges, keep_instrument
from logger.bench import Bench
from logger.instrument import parse_instrument
from logger.limits import default_limits, limits_toml
from logger.store import ReadingRow, SessionEnd, SessionGauge, SessionRow, Store

INSTRUMENT = """\
name = "Invented neck"
kind = "steel-string"
scale_mm = 645.0
frets = 20
join_fret = 14
nut_width_mm = 43.0
join_width_mm = 56.0
radius_mm = 400.0
[wire]
name = "medium"
[board]
wood = "plum"
"""
GAUGES = """\
[gauge.caliper]
kind = "caliper"
resolution_mm = 0.01
u_mm = 0.004
zero_u_mm = 0.003
[gauge.depth]
kind = "depth_indicator"
resolution_mm = 0.001
u_mm = 0.003
zero_u_mm = 0.002
[gauge.rocker]
kind = "rocker"
resolution_mm = 0.001
u_mm = 0.003
zero_u_mm = 0.002
"""


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str, str], Path]:
    """Return a function that writes a text under a name and returns its path."""

    def _write(name: str, text: str) -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return _write


@pytest.fixture
def instrument(write: Callable[[str, str], Path]) -> Path:
    return write("I.toml", INSTRUMENT)


@pytest.fixture
def gauges(write: Callable[[str, str], Path]) -> Path:
    return write("G.toml", GAUGES)


NECK = """\
name = "{name}"
kind = "steel-string"
invented = true
scale_mm = 645.0
frets = 20
join_fret = 14
"""
WORTH = '{"resolution_mm": 0.001, "u_mm": 0.003, "zero_u_mm": 0.002}'
NS = 1_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "s.db") as made:
        yield made


@pytest.fixture
def bass_bench(store: Store) -> Iterator[Bench]:
    """A bench that was begun with a bass neck of five frets and the gauges that it takes where none are named."""
    neck = parse_instrument('name = "n"\nkind = "bass"\nscale_mm = 864\nfrets = 5\n', where="test")
    one = Bench(store, neck, default_limits("bass"), specs=default_gauges())
    one.start()
    yield one
    one.stop(reason="test over")


@pytest.fixture
def visit(store: Store) -> Callable[..., None]:
    """Return a function that keeps a session which measured the seated heights of some frets."""

    def keep(name: str, session: str, *, seated: dict[str, float], frets: Sequence[int] = (7,),
             at_ns: int = NS, ended: bool = True) -> None:  # fmt: skip
        neck = parse_instrument(NECK.format(name=name), where="a test")
        identity, revision = keep_instrument(store, neck)
        limits = limits_toml(default_limits(neck.kind))
        store.put(SessionRow(id=session, instrument=identity, revision=revision, started_at_ns=at_ns, monotonic_ns=0,
                             boot_id="b", software="a test", limits=limits))  # fmt: skip
        store.put(SessionGauge(session=session, gauge="depth", kind="depth_indicator", description=WORTH, profile="p",
                               profile_sha256="0"))  # fmt: skip
        places = [(fret, place, mm) for fret in frets for place, mm in seated.items()]
        for number, (fret, place, mm) in enumerate(places, start=1):
            store.put(ReadingRow(session=session, gauge="depth", sequence=number, kind="seated_height", fret=fret,
                                 place=place, round="1", value_nm=round(mm * 1e6), unit="mm", raw=b"", status="ok",
                                 taken_at_ns=at_ns + number, monotonic_ns=number))  # fmt: skip
        if ended:
            store.put(SessionEnd(session=session, at_ns=at_ns + NS, reason="done"))

    return keep
