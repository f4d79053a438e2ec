"""A readings file goes into a store once, row by row, and comes out as it went in."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logger.cli import run
from logger.csv_table import csv_line, guarded, unguarded
from logger.errors import ReadingsFileError
from logger.export import export_readings
from logger.readings_csv import KEPT, OPTIONAL, REQUIRED, read_readings
from logger.readings_import import import_readings
from logger.store import Store, StoreReader
from logger.store.inspection import inspect

Write = Callable[[str, str], Path]
NAMES = (*REQUIRED, *OPTIONAL, *KEPT)
HEAD = "kind,fret,place,value,unit,gauge,u,session,sequence,taken_at,taken_back\n"
ROWS = HEAD + (
    "slot_width,5,bass,0.58,mm,caliper,0.004,a,1,2026-01-31T14:05:00.250+00:00,\n"
    "slot_width,5,bass,0.59,mm,caliper,0.004,a,2,2026-01-31T14:05:01+00:00,slipped\n"
    "seated_height,5,bass,43.3,thou,depth,,a,1,,\n"
    ",,,1.7,mm,depth,,a,2,,\n"
    "seated_height,5,treble,1.1,mm,depth,,,,,\n"
)


def _out(store: Path) -> list[dict[str, str]]:
    text = io.StringIO(newline="")
    export_readings(store, text)
    return list(csv.DictReader(io.StringIO(text.getvalue(), newline="")))


def _run(*arguments: object) -> int:
    return run([str(one) for one in arguments], lambda *_, **__: None)  # type: ignore[arg-type, return-value]


def test_readings_are_kept_with_their_sessions_gauges_and_take_backs(write: Write, tmp_path: Path, instrument: Path):
    store = tmp_path / "s.db"
    done = import_readings(write("r.csv", ROWS), store, instrument=instrument)

    assert [(one.source, len(one.readings), len(one.taken_back)) for one in done.sessions] == [("a", 4, 1), ("", 1, 0)]
    assert done.refused == []
    with StoreReader(store) as reader:
        named, bare = reader.sessions()
        kept = reader.readings(named.id)
        ends = [end.reason for one in (named, bare) if (end := reader.session_end(one.id))]
        assert reader.instruments()[0].name == "Invented neck"
        assert reader.readings(bare.id)[0].row.sequence == 6, "a row without a number has that of its line"
    assert named.note == "imported from r.csv, its session a"
    assert bare.note == "imported from r.csv, no session named"
    assert ends == ["imported", "imported"]
    assert [(one.row.gauge, one.row.sequence, one.row.value_nm) for one in kept] == [
        ("caliper", 1, 580_000), ("caliper", 2, 590_000), ("depth", 1, 1_099_820), ("depth", 2, 1_700_000)
    ]  # fmt: skip
    assert {one.row.status for one in kept} == {"imported"}
    assert [one.taken_back.why for one in kept if one.taken_back] == ["slipped"]
    assert kept[0].row.taken_at_ns == 1_769_868_300_250_000_000
    assert kept[2].row.taken_at_ns == 0
    assert kept[2].row.raw.decode() == "seated_height,5,bass,43.3,thou,depth,,a,1,,\n"
    assert kept[3].row.kind is None


def test_the_same_file_again_adds_nothing_and_a_longer_one_only_what_is_new(write: Write, tmp_path: Path):
    store = tmp_path / "s.db"
    import_readings(write("r.csv", ROWS), store)
    before = _out(store)

    again = import_readings(write("r.csv", ROWS), store)
    assert sum(len(one.readings) + len(one.taken_back) for one in again.sessions) == 0
    assert sum(one.known for one in again.sessions) == 5
    assert _out(store) == before

    rows = ROWS.splitlines(keepends=True)
    longer = HEAD + rows[1].replace(",\n", ",thumb on the jaw\n") + "slot_width,6,bass,0.57,mm,caliper,0.004,a,3,,\n"
    more = import_readings(write("other.csv", longer), store)
    (session,) = more.sessions
    assert (len(session.readings), session.known) == (1, 1)
    assert session.taken_back == {("caliper", 1): "thumb on the jaw"}
    assert len(_out(store)) == len(before) + 1


def test_a_store_knows_its_own_export(write: Write, tmp_path: Path):
    store = tmp_path / "s.db"
    import_readings(write("r.csv", ROWS), store)
    own = tmp_path / "own.csv"
    with own.open("w", encoding="utf-8", newline="") as out:
        export_readings(store, out)
    again = import_readings(own, store)

    assert sum(len(one.readings) for one in again.sessions) == 0
    assert again.refused == []
    assert sum(one.known for one in again.sessions) == 5


def test_a_dry_run_shows_and_keeps_nothing(write: Write, tmp_path: Path, capsys):
    store = tmp_path / "s.db"
    file = write("r.csv", ROWS)

    assert _run("readings", "import", file, "--store", store, "--dry-run") == 0
    shown = capsys.readouterr().out.splitlines()
    assert not store.exists()
    assert shown[0] == "would keep 5 new readings and 1 take-backs; 0 kept already, 0 refused"
    assert "        2  slot_width" in shown
    assert "        1  no feature" in shown
    assert _run("readings", "import", file, "--store", store) == 0
    before = _out(store)
    assert _run("readings", "import", file, "--store", store, "--dry-run") == 0
    assert "would keep 0 new readings and 0 take-backs; 5 kept already" in capsys.readouterr().out
    assert _out(store) == before


BAD = [
    ("slot_width,5,bass,wide,mm,caliper,0.004,a,9,,", "value must be a plain decimal number, got 'wide'"),
    ("slot_width,99,bass,0.5,mm,caliper,0.004,a,9,,", "fret must be a whole number from 1 to 48, got '99'"),
    ("slot_width,5,bass,0.5,mm,caliper,0.004,a,x,,", "sequence must be a whole number, got 'x'"),
    ("slot_width,5,bass,0.5,mm,caliper,0.004,a,9,1969-01-01,", "taken_at must lie between 1970 and 2200"),
    ("slot_width,5,bass,0.5,mm,caliper,0.009,a,9,,", "gauge 'caliper' must be worth the same in all rows"),
    (
        "slot_width,5,bass,0.5,mm,caliper,0.004,a,1,,",
        "kept already with other content: value_nm 580000 is kept, 500000",
    ),
    ("slot_width,5,bass,0.5,mm", "5 cells under 11 columns"),
    (",x,,0.5,mm,caliper,0.004,a,9,,", "fret must be a whole number, got 'x'"),
    (",,,,mm,caliper,0.004,a,9,,", "value is missing"),
]


@pytest.mark.parametrize(("row", "words"), BAD)
def test_a_row_that_does_not_hold_is_refused_by_itself(write: Write, tmp_path: Path, row: str, words: str, capsys):
    file = write("r.csv", ROWS + row + "\n")

    assert _run("readings", "import", file, "--store", tmp_path / "s.db") == 2
    refused = [line for line in capsys.readouterr().out.splitlines() if line.startswith("refused: ")]
    assert len(refused) == 1
    assert refused[0].startswith("refused: line 7: ")
    assert words in refused[0]
    assert len(_out(tmp_path / "s.db")) == 5


def test_a_file_that_is_no_readings_file_makes_no_store(write: Write, tmp_path: Path):
    with pytest.raises(ReadingsFileError, match="unknown column"):
        import_readings(write("r.csv", "kind,fret,place,value,unit,colour\n"), tmp_path / "s.db")
    assert not (tmp_path / "s.db").exists()


@pytest.mark.parametrize("text", [HEAD, HEAD + "slot_width,5,bass,wide,mm,caliper,,a,1,,\n"], ids=["empty", "refused"])
@pytest.mark.parametrize("more", [(), ("--dry-run",)], ids=["kept", "dry run"])
def test_an_import_that_keeps_nothing_makes_no_store(write: Write, tmp_path: Path, text: str, more: tuple[str, ...]):
    folder = tmp_path / "fresh"
    folder.mkdir()

    _run("readings", "import", write("r.csv", text), "--store", folder / "s.db", *more)

    assert list(folder.iterdir()) == []


def test_no_clock_is_said_to_jump_over_readings_of_a_file(write: Write, tmp_path: Path, caplog):
    store = tmp_path / "s.db"
    import_readings(write("r.csv", ROWS), store)

    assert caplog.text == ""
    assert inspect(store).notes == []


def test_an_import_that_broke_off_is_completed(write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    store = tmp_path / "s.db"
    true_put = Store.submit
    taken = 0

    def submit(self: Store, row: object):
        nonlocal taken
        taken += 1
        if taken == 7:
            raise KeyboardInterrupt
        return true_put(self, row)  # type: ignore[arg-type]

    monkeypatch.setattr(Store, "submit", submit)
    with pytest.raises(KeyboardInterrupt):
        import_readings(write("r.csv", ROWS), store)
    monkeypatch.undo()
    import_readings(write("r.csv", ROWS), store)

    whole = tmp_path / "whole.db"
    import_readings(write("r.csv", ROWS), whole)
    assert sorted(map(str, _out(store))) == sorted(map(str, _out(whole)))
    with StoreReader(store) as reader:
        assert reader.open_sessions() == []


def test_imported_readings_are_judged_as_their_file_is(tmp_path: Path, capsys):
    folder = Path(__file__).parents[2] / "docs" / "example"
    files = ["--instrument", folder / "instrument.toml"]
    _run("evaluate", folder / "readings.csv", *files, "--gauges", folder / "gauges.toml", "--json")
    direct = json.loads(capsys.readouterr().out)
    import_readings(folder / "readings.csv", tmp_path / "s.db", instrument=folder / "instrument.toml",
                    gauges=folder / "gauges.toml")  # fmt: skip
    _run("readings", "--store", tmp_path / "s.db", "--gauges-to", tmp_path / "g.toml")
    (tmp_path / "again.csv").write_text(capsys.readouterr().out, encoding="utf-8")
    _run("evaluate", tmp_path / "again.csv", *files, "--gauges", tmp_path / "g.toml", "--json")
    through = json.loads(capsys.readouterr().out)

    assert len(direct["verdicts"]) > 100
    assert through["verdicts"] == direct["verdicts"]
    assert through["profile"] == direct["profile"]
    assert through["plan"] == direct["plan"]


NASTY = ["=1+1", "+1", "-1", "@SUM(A1)", "'quoted", "''", "'", "\t=1", "\r", "a\nb", "a\r\nb", 'say "hi"', "a,b", " a ",
         "'; DROP TABLE reading; --", "\0", "a\0b", "\u2028", "\x85x", "é", "=cmd|' /C x'!A0", "no", "0", " no ",
         "x" * 200_000]  # fmt: skip


@pytest.mark.parametrize("text", NASTY)
def test_no_cell_begins_as_a_formula_and_every_text_comes_back(text: str):
    assert guarded(text)[:1] not in {"=", "+", "-", "@", "\t", "\r"}
    assert unguarded(guarded(text)) == text
    (row,) = csv.reader(io.StringIO(csv_line([guarded(text), "x"]), newline=""), strict=True)
    assert [unguarded(cell) for cell in row] == [text, "x"]


@given(st.text())
def test_any_text_comes_back_from_its_cell(text: str):
    (row,) = csv.reader(io.StringIO(csv_line([guarded(text), "x"]), newline=""), strict=True)

    assert unguarded(row[0]) == text


@pytest.mark.parametrize(
    ("text", "rule"),
    [("n" * 10_000_000, "must have at most 120 characters, got 10000000; shorten it"),
     ("n" * 121, "must have at most 120 characters, got 121; shorten it"),
     ("a\x1b[2J", r"must be one line of plain text, got 'a\x1b[2J'; leave control characters away"),
     ("a\nb", "must be one line of plain text"), ("\u2028", "must be one line of plain text")],
    ids=["huge", "long", "escape", "two lines", "line separator"],
)  # fmt: skip
@pytest.mark.parametrize("name", ["gauge", "round", "session", "place"])
def test_a_name_too_long_or_with_control_characters_is_refused(text: str, rule: str, name: str, tmp_path: Path):
    file, store = tmp_path / "r.csv", tmp_path / "s.db"
    cells = {"kind": "slot_depth", "fret": "5", "value": "1.7", "unit": "mm", "gauge": "g", "session": "a"}
    cells[name] = text
    file.write_bytes((csv_line(NAMES) + csv_line([guarded(cells.get(one, "")) for one in NAMES])).encode())
    (refused,) = import_readings(file, store).refused

    assert f"{name} {rule}" in refused
    assert len(refused) < 200
    assert not store.exists()
    with pytest.raises(ReadingsFileError, match="must "):
        read_readings(file, frets=20, gauges={})


def test_a_reason_is_limited_as_a_note_is(write: Write, tmp_path: Path):
    row = "slot_width,5,bass,0.59,mm,caliper,0.004,a,2,2026-01-31T14:05:01+00:00,"
    done = import_readings(write("r.csv", f"{HEAD}{row}{'x' * 501}\n"), tmp_path / "s.db")
    assert "taken_back must have at most 500 characters, got 501" in done.refused[0]


def test_a_text_from_outside_is_cut_where_a_line_tells_of_it(
    write: Write, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    store = tmp_path / "s.db"
    import_readings(write("r.csv", ROWS), store)
    for option in ("--session", "--instrument", "--kind"):
        assert _run("readings", "--store", store, option, "n" * 10_000_000) in {2, 4}
        line = capsys.readouterr().err
        assert f"'{'n' * 60}'..." in line
        assert len(line) < 900
    with pytest.raises(SystemExit):
        _run("readings", "--store", store, "--format", "n" * 10_000_000)
    assert len(capsys.readouterr().err) < 900
    assert _run("evaluate", tmp_path / ("\x1b[2J" + "n" * 5000), "--instrument", "none.toml") == 2
    line = capsys.readouterr().err
    assert "\x1b" not in line
    assert len(line) < 900


@pytest.mark.parametrize("text", [one for one in NASTY if one.isprintable() and len(one) <= 120])
def test_hostile_texts_go_in_and_out(text: str, tmp_path: Path):
    file, store = tmp_path / "r.csv", tmp_path / "s.db"
    cells = {"kind": "slot_depth", "fret": "5", "place": "bass", "value": "1.7", "unit": "mm", "gauge": text,
             "round": text, "session": text, "sequence": "3", "taken_back": text}  # fmt: skip
    line = csv_line([guarded(cells.get(name, "")) for name in NAMES])
    file.write_bytes((csv_line(NAMES) + line).encode())
    done = import_readings(file, store)
    out = tmp_path / "out.csv"
    with out.open("w", encoding="utf-8", newline="") as target:
        export_readings(store, target)
    back = import_readings(out, tmp_path / "second.db", dry_run=True)

    assert (done.refused, back.refused) == ([], [])
    first, second = done.sessions[0].readings[0], back.sessions[0].readings[0]
    assert (first.gauge, first.round) == (second.gauge, second.round) == (text, text or None)
    assert done.sessions[0].source == text
    gone = list(done.sessions[0].taken_back.values())
    assert gone == ([] if text in {"no", "0"} else [text])


_TEXT = st.text(st.just(" ") | st.characters(exclude_categories=["C", "Z"]), max_size=12)
_SIZE = st.integers(1, 10_000_000_000)
_NM = st.integers(-10_000_000_000, 10_000_000_000)


def _mm(nm: int) -> str:
    return f"{'-' if nm < 0 else ''}{abs(nm) // 1_000_000}.{abs(nm) % 1_000_000:06d}"


@st.composite
def _csv_rows(draw: st.DrawFn) -> list[dict[str, str]]:
    """Draw rows as an export writes them: one session, each gauge's numbers once, one worth for each gauge."""
    gauges = draw(st.lists(_TEXT, min_size=1, max_size=3, unique=True))
    worth = {gauge: draw(st.sampled_from(["", "0.004", "0.0005"])) for gauge in gauges}
    rows = []
    for number in range(1, draw(st.integers(1, 6)) + 1):
        gauge = draw(st.sampled_from(gauges))
        fret = draw(st.integers(2, 40))
        kind = draw(st.sampled_from(["slot_width", "seated_height", "fret_step", "tang_thickness", ""]))
        row = dict.fromkeys(NAMES, "") | {
            "kind": kind, "fret": "" if kind in {"", "tang_thickness"} else str(fret), "unit": "mm",
            "place": "" if kind in {"", "tang_thickness"} else draw(st.sampled_from(["bass", "centre", "treble"])),
            "feet": f"{fret - 1}-{fret + 2}" if kind == "fret_step" else "", "gauge": guarded(gauge),
            "round": guarded(draw(_TEXT.filter(bool))), "u": worth[gauge], "session": "a", "sequence": str(number),
            "taken_at": draw(st.sampled_from(["", "2026-01-31T14:05:00.123+00:00", "1999-12-31T23:59:59.999+00:00"])),
            "taken_back": guarded(draw(_TEXT.filter(lambda text: text.strip().lower() not in {"", "no", "false", "0"}))
                                  if draw(st.booleans()) else ""),
        }  # fmt: skip
        if kind == "slot_width" and draw(st.booleans()):
            low = draw(st.integers(0, 10_000_000))
            row |= {"low": _mm(low), "high": _mm(low + draw(st.integers(1, 1_000_000)))}
        else:
            row["value"] = _mm(draw(_NM if kind in {"seated_height", "fret_step"} else _SIZE))
        rows.append(row)
    return rows


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=_csv_rows())
@example(rows=[dict.fromkeys(NAMES, "") | {"kind": "slot_depth", "fret": "5", "value": "0.000001", "unit": "mm",
                                          "session": "a", "sequence": "1"}])  # fmt: skip
def test_what_goes_in_comes_out(rows: list[dict[str, str]], tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("round")
    text = csv_line(NAMES) + "".join(csv_line([row[name] for name in NAMES]) for row in rows)
    (folder / "r.csv").write_bytes(text.encode())
    done = import_readings(folder / "r.csv", folder / "s.db")
    out = _out(folder / "s.db")

    assert done.refused == []
    assert [{**row, "session": "a"} for row in out] == rows
