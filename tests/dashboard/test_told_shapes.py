"""What a person tells beside readings goes through the guard like everything else, and has a shape."""

from collections.abc import Callable, Mapping
from typing import Any

import pytest

Ask = Callable[..., tuple[int, Mapping[str, str], str]]
NOTE = {"do": "note", "session": "s", "text": "hums", "who": "", "customer": False, "replaces": None}
TOLD = [{"id": "a", "do": "factors", "factors": {"blade": "no. 3"}}, {"id": "a", **NOTE}]


@pytest.mark.parametrize("action", TOLD, ids=lambda one: one["do"])
def test_only_the_own_page_tells(ask: Ask, bench: Any, action: dict[str, Any]) -> None:
    for origin in ("", "null", "http://evil.example"):
        assert ask("POST", "/act", [action], Origin=origin)[0] == 403
    assert bench.asked == []
    assert ask("POST", "/act", [action])[0] == 200
    assert bench.asked == [{name: value for name, value in action.items() if name != "id"}]


@pytest.mark.parametrize(
    ("action", "words"),
    [
        ({"do": "factors"}, "must be 1 to 20 texts by name"),
        ({"do": "factors", "factors": []}, "must be 1 to 20 texts by name"),
        ({"do": "factors", "factors": {}}, "must be 1 to 20 texts by name"),
        ({"do": "factors", "factors": {str(n): "" for n in range(21)}}, "must be 1 to 20 texts by name"),
        ({"do": "factors", "factors": {"blade": 3}}, "blade must be a text of at most 200 characters"),
        ({"do": "factors", "factors": {"blade": "x" * 201}}, "blade must be a text of at most 200 characters"),
        ({"do": "factors", "factors": {"blade": "x"}, "session": "other"}, "knows nothing of 'session'"),
        ({"do": "note"}, "session must be a text of at most 200 characters"),
        ({**NOTE, "text": 3}, "text must be a text of at most 4000 characters"),
        ({**NOTE, "text": "x" * 4001}, "text must be a text of at most 4000 characters"),
        ({**NOTE, "who": None}, "who must be a text of at most 200 characters"),
        ({**NOTE, "customer": 1}, "a note says whether it is for the customer"),
        ({**NOTE, "replaces": True}, "and the number of the one it replaces"),
        ({**NOTE, "replaces": "1"}, "and the number of the one it replaces"),
    ],
)
def test_another_shape_is_refused_in_one_line(ask: Ask, bench: Any, action: dict[str, Any], words: str) -> None:
    status, _, text = ask("POST", "/act", [{"id": "a", **action}])

    assert status == 200
    assert words in text
    assert '"done":false' in text
    assert bench.asked == []


@pytest.mark.parametrize("action", TOLD, ids=lambda one: one["do"])
def test_a_body_too_long_is_refused(ask: Ask, bench: Any, action: dict[str, Any]) -> None:
    assert ask("POST", "/act", [{**action, "more": "x" * 70_000}])[0] == 413
    assert bench.asked == []
