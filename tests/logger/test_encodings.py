"""What is written where the terminal's encoding lacks a sign."""

import io
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import run
from logger.terminal import write_plainly

Write = Callable[[str, str], Path]
LOW = "kind,fret,place,value,unit,gauge\nseated_height,7,bass,1.0,mm,depth\nseated_height,7,centre,1.1,mm,depth\n"


def _written(monkeypatch: pytest.MonkeyPatch, encoding: str, text: str) -> bytes:
    """Return the bytes of a text on a stdout of that encoding."""
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding=encoding))
    write_plainly()
    sys.stdout.write(text)
    sys.stdout.flush()
    return raw.getvalue()


@pytest.mark.parametrize(
    ("encoding", "written"),
    [
        ("utf-8", "−0.5 ± 0.1 µm ä μ ²".encode()),
        ("cp1252", b"-0.5 \xb1 0.1 \xb5m \xe4 u \xb2"),
        ("ascii", b"-0.5 +/- 0.1 um ? u ?"),
    ],
)
def test_signs_that_an_encoding_lacks_are_written_plainly(
    monkeypatch: pytest.MonkeyPatch, encoding: str, written: bytes
):
    assert _written(monkeypatch, encoding, "−0.5 ± 0.1 µm ä μ ²") == written


@pytest.mark.parametrize(("encoding", "size"), [("cp1252", "-0.100 ± 0.008 mm"), ("ascii", "-0.100 +/- 0.008 mm")])
def test_evaluate_keeps_the_minus_in_any_encoding(
    write: Write, instrument: Path, gauges: Path, encoding: str, size: str
):
    command = ["evaluate", write("r.csv", LOW), "--instrument", instrument, "--gauges", gauges]
    ended = subprocess.run(
        [Path(sys.executable).with_name("fretledger"), *command],
        env={**os.environ, "PYTHONIOENCODING": encoding}, capture_output=True, check=False,
    )  # fmt: skip

    assert ended.returncode == 1, ended.stderr
    assert ended.stderr == b""
    assert size in ended.stdout.decode(encoding)


def test_errors_are_written_plainly_too(write: Write, monkeypatch: pytest.MonkeyPatch):
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stderr", io.TextIOWrapper(raw, encoding="ascii"))

    assert run(["cut", "--instrument", "näck−.toml"], lambda *_: 0) == 2  # type: ignore[arg-type, return-value]
    sys.stderr.flush()
    assert raw.getvalue().startswith(b"fretledger: n?ck-.toml: no such file")


def test_readings_are_utf8_whatever_the_terminal_is(monkeypatch: pytest.MonkeyPatch):
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
    monkeypatch.setattr("logger.export.export_readings", lambda store, out, **_: out.write("Fühler\n"))

    assert run(["readings", "--store", "any.db"], lambda *_: 0) == 0  # type: ignore[arg-type, return-value]
    assert raw.getvalue() == "Fühler\n".encode()
