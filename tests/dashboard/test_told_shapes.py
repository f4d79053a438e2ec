"""What a person tells beside readings goes through the guard like everything else, and has a shape."""

from collections.abc import Callable, Mapping
from typing import Any

import pytest

Ask = Callable[..., tuple[int, Mapping[str, str], str]]
NOTE = {"do": "note", "session": "s", "text": "hums", "who": "", "customer": False, "replaces": None}
CHECK = {
    "do": "check_begin", "gauge": "green", "sizes": [["10", "0.001", "limits"]], "unit": "mm", "repeats": 3,
    "both_ways": False, "who": "", "temperature_c": None,
}  # fmt: skip
TOLD = [{"id": "a", "do": "factors", "factors": {"blade": "no. 3"}}, {"id": "a", **NOTE}, {"id": "a", **CHECK},
        {"id": "a", "do": "check_typed", "text": "10.01", "unit": "mm"}, {"id": "a", "do": "check_finish"},
        {"id": "a", "do": "check_correct", "gauge": "green"}]  # fmt: skip


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
        ({**CHECK, "gauge": 3}, "gauge must be a text of at most 200 characters"),
        ({**CHECK, "who": "x" * 201}, "who must be a text of at most 200 characters"),
        ({**CHECK, "sizes": "10"}, "known sizes must be a list of at most 20"),
        ({**CHECK, "sizes": [["10", "0.1", "limits"]] * 21}, "known sizes must be a list of at most 20"),
        ({**CHECK, "sizes": [["10", "0.1"]]}, "known sizes must be a list of at most 20"),
        ({**CHECK, "sizes": [["10", 0.1, "limits"]]}, "known sizes must be a list of at most 20"),
        ({**CHECK, "repeats": 2.5}, "a check says how many readings"),
        ({**CHECK, "repeats": True}, "a check says how many readings"),
        ({**CHECK, "both_ways": 1}, "a check says how many readings"),
        ({**CHECK, "temperature_c": "21"}, "a check says how many readings"),
        ({**CHECK, "temperature_c": 1e300}, "a check says how many readings"),
        ({"do": "check_typed", "text": 3, "unit": "mm"}, "text must be a text of at most 4000 characters"),
        ({"do": "check_correct"}, "gauge must be a text of at most 200 characters"),
        ({"do": "check_finish", "gauge": "green"}, "knows nothing of 'gauge'"),
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
