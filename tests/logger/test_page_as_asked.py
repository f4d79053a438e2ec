"""What a command hands to the page: only what was asked for."""

import argparse
from pathlib import Path
from typing import Any

import pytest

from logger.cli_arguments import add_page, page_as_asked


def given(*arguments: str) -> dict[str, Any]:
    parser = argparse.ArgumentParser()
    add_page(parser)
    found: dict[str, Any] = {}

    def serve(door: Any, *, port: int, **more: Any) -> Any:
        found.update(more, port=port)

    page_as_asked(parser.parse_args(arguments), serve)("a door", port=7)  # type: ignore[arg-type]
    return found


def test_the_page_stays_on_this_machine_unless_asked() -> None:
    assert given() == {"port": 7}


def test_the_network_s_lines_go_to_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    given("--lan")["lan"]("pairing code 123 456")
    assert capsys.readouterr() == ("", "pairing code 123 456\n")


def test_words_are_a_file() -> None:
    assert given("--words", "w.toml") == {"port": 7, "language": Path("w.toml")}
