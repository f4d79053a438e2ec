"""How far a board moves with the air: against the Wood Handbook's tables, hand computations and a store's history."""

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.begin import default_gauges
from logger.bench import Bench
from logger.board import board_of, movement_json
from logger.climate import Air, climate_json
from logger.door import Door, PageServer
from logger.errors import InstrumentError
from logger.instrument import Instrument, parse_instrument
from logger.limits import default_limits
from logger.sitting import SittingOptions, run_sitting
from logger.store import Climate, Store, StoreReader

MAHOGANY = 'wood = "Mahogany"\ncut = "quarter"\n'
FRETTED = MAHOGANY + "fretted_at_moisture_percent = 12.0\n"
WIDTHS = "nut_width_mm = 43.0\njoin_width_mm = 56.0\n"


def _neck(board: str, *, widths: str = WIDTHS, name: str = "n") -> Instrument:
    text = f'name = "{name}"\nkind = "bass"\nscale_mm = 864\nfrets = 5\n{widths}'
    return parse_instrument(f"{text}[board]\n{board}" if board else text, where="test")


def _row(temperature_c: float, humidity: float, number: int = 1) -> Climate:
    return Climate(
        session="s", number=number, at_ns=number, temperature_mc=round(temperature_c * 1000),
        humidity_mpercent=round(humidity * 1000), who="me",
    )  # fmt: skip


def _told(board: str, now: Climate, first: Climate | None = None, **more: str) -> dict[str, object]:
    return climate_json(now, board_of(_neck(board, **more)), first)


def test_a_board_that_dried_since_it_was_fretted():
    # By hand: 70 °F and 50 % settle wood at 9.2 % (Wood Handbook table 4-2, read to 0.06); quarter-sawn mahogany moves
    # 0.00172 per percent (table 13-5): 56 mm x 0.00172 x (9.2 - 12.0) = -0.270 mm, half of it on each side
    found = _told(FRETTED, _row(21.11, 50))

    assert found["moisture_percent"] == pytest.approx(9.2, abs=0.06)
    assert found["movement_mm"] == pytest.approx(-0.270, abs=0.06 * 56 * 0.00172)
    assert found["sprout_mm"] == pytest.approx(0.135, abs=0.06 * 28 * 0.00172)
    assert found["movement_mm"] == pytest.approx(
        56 * 0.00172 * (found["moisture_percent"] - 12), abs=0.005 * 56 * 0.002
    )
    assert found["movement_words"] == (
        "Once it has settled, the board is about 0.27 mm narrower than when fretted at 12.0 %: feel for fret ends, "
        f"about {found['sprout_mm']:.2f} mm on each side"
    )
    assert "about 10.5 thou narrower" in str(found["movement_words_in"])  # 0.267 mm / 0.0254
    assert f"about {float(str(found['sprout_mm'])) / 0.0254:.1f} thou on each side" in str(found["movement_words_in"])
    assert found["movement_unknown"] == ""
    assert found["movement_source"] == (
        "0.00172 of the width per percent of moisture, Mahogany, quarter-sawn: USDA Wood Handbook GTR-190, table 13-5"
    )


def test_a_board_that_took_up_moisture_has_no_fret_sprout():
    # By hand: 70 °F and 65 % settle at 12.0 %; 56 x 0.00238 (flat-sawn) x (12.0 - 8.0) = 0.533 mm
    found = _told('wood = "mahogany"\ncut = "flat"\nfretted_at_moisture_percent = 8\n', _row(21.11, 65))

    assert found["movement_mm"] == pytest.approx(0.533, abs=0.06 * 56 * 0.00238)
    assert found["sprout_mm"] == 0
    assert re.fullmatch(
        r"Once it has settled, the board is about 0\.5\d mm wider than when fretted at 8\.0 %: no fret end comes out",
        str(found["movement_words"]),
    )


def test_a_board_that_did_not_move_says_so():
    board = board_of(_neck(FRETTED))

    same, hardly = (movement_json(board, percent, None) for percent in (12.0, 11.96))

    assert (same["movement_mm"], same["sprout_mm"]) == (0, 0)
    assert hardly["movement_words"] == "Once it has settled, the board is about as wide as when fretted at 12.0 %"
    assert "0.2 thou narrower" in hardly["movement_words_in"]


def test_the_first_air_stands_for_the_moisture_at_fretting():
    first, now = _row(21.11, 50), _row(21.11, 35, number=2)

    found, stated = (_told(board, now, first) for board in (MAHOGANY, FRETTED))

    # By hand: 9.2 to 7.0 % by the table (35 %: 6.9 to 7.1): 56 x 0.00172 x -2.2 = -0.21 mm
    assert found["movement_mm"] == pytest.approx(-0.21, abs=0.012)
    assert "narrower than in the first air noted for it (9.2 %): feel for fret ends" in str(found["movement_words"])
    assert "when fretted at 12.0 %" in str(stated["movement_words"])


def test_a_coefficient_of_ones_own_needs_no_published_wood():
    found = _told('wood = "ebony"\ncoefficient = 0.003\nfretted_at_moisture_percent = 10\n', _row(21.11, 50))

    assert found["movement_mm"] == pytest.approx(56 * 0.003 * (9.2 - 10), abs=0.06 * 56 * 0.003)
    assert found["movement_source"] == "0.003 of the width per percent of moisture, stated with the instrument"


@pytest.mark.parametrize(
    ("board", "widths", "now", "why"),
    [
        pytest.param("", WIDTHS, _row(21, 50), "wood not stated", id="no board"),
        pytest.param('cut = "flat"\n', WIDTHS, _row(21, 50), "wood not stated", id="only a cut"),
        pytest.param('wood = "ebony"\n', WIDTHS, _row(21, 50), "wood not known", id="unpublished"),
        pytest.param('wood = "plum"\ncut = "flat"\n', WIDTHS, _row(21, 50), "wood not known", id="unpublished, cut"),
        pytest.param('wood = "mahogany"\n', WIDTHS, _row(21, 50), "cut not stated", id="no cut"),
        pytest.param(FRETTED, "", _row(21, 50), "width not stated", id="no width"),
        pytest.param(FRETTED, WIDTHS, _row(-15, 50), "moisture not known", id="too cold to say"),
        pytest.param(MAHOGANY, WIDTHS, _row(21, 50), "no earlier climate", id="the first"),
        pytest.param(FRETTED, WIDTHS, _row(21, 20), "moisture beyond 6 to 14 %", id="too dry for the coefficient"),
        pytest.param(
            MAHOGANY + "fretted_at_moisture_percent = 15\n", WIDTHS, _row(21, 50), "moisture beyond 6 to 14 %", id="wet"
        ),
    ],
)
def test_what_cannot_be_told_says_why(board: str, widths: str, now: Climate, why: str):
    found = _told(board, now, now, widths=widths)

    assert found["movement_unknown"] == why
    assert (found["movement_mm"], found["sprout_mm"]) == (None, None)
    assert (found["movement_words"], found["movement_words_in"]) == ("", "")


@pytest.mark.parametrize(
    ("widths", "width"), [(WIDTHS, 56.0), ("nut_width_mm = 43.0\n", 43.0), ("join_width_mm = 56.0\n", 56.0)]
)
def test_the_widest_that_is_stated_is_the_width(widths: str, width: float):
    assert board_of(_neck(FRETTED, widths=widths)).width_mm == width


@pytest.mark.parametrize(
    ("board", "message"),
    [
        ('cut = "rift"\n', "[board]: cut must be one of quarter, flat, got 'rift'"),
        ("cut = 1\n", "[board]: cut must be a text in quotes, got 1"),
        ("wood = 5\n", "[board]: wood must be a text in quotes, got 5"),
        ('fretted_at_moisture_percent = "9"\n', "fretted_at_moisture_percent must be a number, got '9'"),
        ("fretted_at_moisture_percent = 0\n", "fretted_at_moisture_percent must be above 0 and at most 30, got 0"),
        ("fretted_at_moisture_percent = 31\n", "fretted_at_moisture_percent must be above 0 and at most 30, got 31"),
        ("coefficient = 0.25\n", "coefficient must be above 0 and at most 0.01, got 0.25"),
    ],
)
def test_a_board_that_does_not_hold_is_refused_in_one_line(board: str, message: str):
    with pytest.raises(InstrumentError, match=re.escape(message)) as caught:
        _neck(board)

    assert "\n" not in str(caught.value)


def test_other_notes_on_the_board_stay_free():
    assert _neck('wood = "plum"\nglue = "hide"\nthickness_mm = 6\n').board["glue"] == "hide"


# -- with a store ------------------------------------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "s.db") as one:
        yield one


def _sit(store: Store, neck: Instrument, *airs: tuple[float, float]) -> dict[str, object]:
    """Hold a sitting of its own in these airs and return what its bench shows of the last."""
    bench = Bench(store, neck, default_limits("bass"), specs=default_gauges(), resume=False)
    bench.start()
    try:
        for number, (temperature, humidity) in enumerate(airs):
            action = {"do": "climate", "temperature_c": temperature, "humidity_percent": humidity}
            assert bench.door.act(str(number), action).done
        for _ in range(50):
            snapshot = bench.door.snapshot()
            if (snapshot.get("climate") or {}).get("humidity_percent") == airs[-1][1]:
                return dict(snapshot["climate"])
            bench.door.wait(snapshot["version"], timeout_s=1)
    finally:
        bench.stop(reason="done")
    raise AssertionError("the climate was never shown")


def test_the_reference_is_the_first_climate_of_the_instrument_in_any_session(store: Store):
    other = _sit(store, _neck(MAHOGANY, name="another"), (21.11, 65))
    first = _sit(store, _neck(MAHOGANY), (21.11, 50))
    dry = _sit(store, _neck(MAHOGANY), (21.11, 45), (21.11, 35))
    renewed = _sit(store, _neck(MAHOGANY + 'note = "oiled"\n'), (21.11, 50))

    assert other["movement_unknown"] == first["movement_unknown"] == "no earlier climate"
    assert dry["movement_mm"] == pytest.approx(-0.21, abs=0.012)
    assert "first air noted for it (9.2 %)" in str(dry["movement_words"])
    assert renewed["movement_mm"] == 0  # a new description, the same instrument


def test_within_one_sitting_the_first_air_is_the_reference(store: Store):
    found = _sit(store, _neck(MAHOGANY), (21.11, 50), (21.11, 35))

    assert found["movement_mm"] == pytest.approx(-0.21, abs=0.012)


def test_a_store_without_a_climate_has_no_first_one(store: Store):
    with store.reader() as reader:
        assert reader.first_climate("nobody") is None


def test_a_session_without_an_instrument_has_no_board(store: Store):
    with store.reader() as reader:
        told = Air(reader, "whatever", None)

    assert told.told([]) is None
    assert "movement_words" not in (told.told([_row(21, 50)]) or {})
    assert told.words([_row(21, 50)]) == ["air at the bench: 21 °C, 50 % humidity, wood settles at 9.2 % moisture"]
    assert told.words([_row(-15, 50)]) == ["air at the bench: \N{MINUS SIGN}15 °C, 50 % humidity"]
    assert told.words([]) == []


class _Page:
    url = "http://127.0.0.1:1/"

    def stop(self) -> None:
        """Nothing to stop."""


@pytest.mark.parametrize(
    ("board", "words"),
    [
        (FRETTED, "wood settles at 9.2 % moisture. Once it has settled, the board is about 0.27 mm narrower than when"),
        ('wood = "ebony"\n', "wood settles at 9.2 % moisture; board movement not known: wood not known"),
    ],
)
def test_the_terminal_tells_it_where_a_sitting_starts(tmp_path: Path, capsys, board: str, words: str):
    path = tmp_path / "I.toml"
    path.write_text(_neck(board).source, encoding="utf-8")

    class Stopped:
        def wait(self) -> None:
            """Stop at once."""

    def serve(door: Door, *, port: int) -> PageServer:
        return _Page()

    options = SittingOptions(store=tmp_path / "s.db", instrument=path, browser=False, climate=(21_110, 50_000))
    status = run_sitting(options, serve, stop=Stopped(), out=io.StringIO())

    err = capsys.readouterr().err
    assert status == 0
    assert f"fretledger: air at the bench: 21.11 °C, 50 % humidity, {words}" in err
    with StoreReader(tmp_path / "s.db") as reader:
        assert len(reader.climates(reader.sessions()[0].id)) == 1
