"""A bar shows only where someone watches, and only for work that takes its time."""

import io

import pytest

from logger.terminal import Progress


class Screen(io.StringIO):
    def __init__(self, *, watched: bool) -> None:
        super().__init__()
        self.watched = watched

    def isatty(self) -> bool:
        return self.watched


def shown(watched: bool, seconds_each: float) -> str:
    screen, now = Screen(watched=watched), [0.0]
    bar = Progress("sessions judged", notes=screen, clock=lambda: now[0])
    for done in range(11):
        bar.show(done, 10)
        now[0] += seconds_each
    return screen.getvalue()


@pytest.mark.parametrize(("watched", "seconds_each"), [(True, 0.05), (False, 1.0)])
def test_quick_work_and_a_file_get_no_bar(watched: bool, seconds_each: float) -> None:
    assert shown(watched, seconds_each) == ""


def test_slow_work_gets_a_bar_that_goes() -> None:
    text = shown(watched=True, seconds_each=0.5)
    assert "\r[######........................] 2 of 10 sessions judged\x1b[K" in text
    assert text.count("sessions judged") == 8  # from the first second on
    assert text.endswith("\r\x1b[K")
