"""Judgements are kept while nothing is added, and made by a process that nobody waits for."""

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from logger import judgements as judgements_module
from logger.judgements import Judgements
from logger.judging import Judged, judge_session
from logger.lessons import learn
from logger.lessons_words import lessons_json
from logger.looking import Looking
from logger.sessions import SessionKey
from logger.store import Store, TakeBack

Visit = Callable[..., None]
EVEN = {"bass": 1.10, "centre": 1.10, "treble": 1.10}
PROUD = {"bass": 1.10, "centre": 1.10, "treble": 1.25}
PATIENCE_S = 60


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The sessions that are judged here, one by one."""
    sessions: list[str] = []

    def judge(reader: object, key: SessionKey, *, again: bool) -> Judged:
        sessions.append(key.session)
        return judge_session(reader, key, again=again)  # type: ignore[arg-type]

    monkeypatch.setattr(judgements_module, "judge_session", judge)
    return sessions


def judge_all(kept: Judgements, store: Store) -> None:
    with store.reader() as reader:
        kept.take_in(reader)
        kept.judge_all(reader)


def test_only_what_is_new_is_judged(store: Store, visit: Visit, counted: list[str]) -> None:
    visit("First", "s1", seated=EVEN)
    visit("Second", "s2", seated=PROUD, at_ns=2 * 10**9)
    kept = Judgements(store.path)
    judge_all(kept, store)
    assert counted == ["s2", "s1"], "the newest first"
    judge_all(kept, store)
    assert counted == ["s2", "s1"]
    store.put(TakeBack(session="s2", number=1, gauge="depth", sequence=3, at_ns=1, who="", why="slipped"))
    visit("Third", "s3", seated=EVEN, at_ns=3 * 10**9)
    judge_all(kept, store)
    assert counted == ["s2", "s1", "s3", "s2"]
    assert kept.failed() == []


def test_a_neck_that_comes_again_is_compared_by_its_heights(store: Store, visit: Visit, counted: list[str]) -> None:
    visit("Rill", "s1", seated=EVEN)
    kept = Judgements(store.path)
    judge_all(kept, store)
    visit("Rill", "s2", seated={place: mm + 0.02 for place, mm in EVEN.items()}, at_ns=2 * 10**9)
    judge_all(kept, store)
    assert counted == ["s1", "s2", "s1"]
    (change,) = kept.lessons().changes
    assert change.mean is not None
    assert change.mean.value_mm == pytest.approx(0.02)


def test_a_page_and_the_command_say_the_same(store: Store, visit: Visit) -> None:
    visit("Rill", "s1", seated=EVEN)
    visit("Rill", "s2", seated=PROUD, at_ns=2 * 10**9)
    kept = Judgements(store.path)
    judge_all(kept, store)
    assert lessons_json(kept.lessons()) == lessons_json(learn(store.path))


def test_the_newest_are_kept_where_there_are_too_many(
    store: Store, visit: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judgements_module, "MOST_KEPT", 2)
    for number in range(1, 5):
        visit(f"no. {number}", f"s{number}", seated=EVEN, at_ns=number * 10**9)
    kept = Judgements(store.path)
    judge_all(kept, store)
    assert kept.progress() == {"judged": 2, "of": 2, "due": 0, "background": False, "trouble": ""}
    assert kept.of("s1") is None
    assert kept.of("s4") is not None


def test_verdicts_are_counted_at_the_newest_visit_of_each(store: Store, visit: Visit) -> None:
    visit("Rill", "s1", seated=PROUD)
    visit("Rill", "s2", seated=EVEN, at_ns=2 * 10**9)
    visit("Reed", "s3", seated=PROUD, at_ns=3 * 10**9)
    kept = Judgements(store.path)
    judge_all(kept, store)
    assert kept.checks()["proud_end"] == {"fail": 1, "remeasure": 0, "pass": 3}


# -- in the background -----------------------------------------------------------------------------------------------


@pytest.fixture
def behind(store: Store) -> Iterator[Judgements]:
    kept = Judgements(store.path, background=True)
    yield kept
    kept.close()
    assert not judging()


def judging() -> list[multiprocessing.process.BaseProcess]:
    return [one for one in multiprocessing.active_children() if one.name == "judging"]


def until(holds: Callable[[], bool]) -> None:
    deadline_s, pause = time.monotonic() + PATIENCE_S, threading.Event()
    while not holds():
        assert time.monotonic() < deadline_s, "it did not come about"
        pause.wait(0.05)


def test_failed_are_found_without_anybody_looking_at_them(store: Store, visit: Visit, behind: Judgements) -> None:
    """Found in the background, once more after a reading is taken back, and told when the process is killed."""
    visit("Even", "s1", seated=EVEN)
    visit("Proud", "s2", seated=PROUD, at_ns=2 * 10**9)
    looking = Looking(store.path, current="s2", judgements=behind)

    began_s = time.monotonic()
    first = looking.ask("rack", {"state": "failed"})
    assert time.monotonic() - began_s < 1, "nobody waits for what is being judged"
    assert (first["of"], first["judging"]["of"]) == (0, 2)
    until(lambda: looking.ask("rack", {})["judging"]["due"] == 0)
    told = looking.ask("rack", {"state": "failed"})
    assert [one["name"] for one in told["instruments"]] == ["Proud"]
    assert told["instruments"][0]["sessions"][0]["outcome"]["counts"]["fail"] == 3

    store.put(TakeBack(session="s2", number=1, gauge="depth", sequence=3, at_ns=1, who="", why="slipped"))
    until(lambda: looking.ask("rack", {"state": "failed"})["of"] == 0)

    (process,) = judging()
    assert process.pid is not None
    os.kill(process.pid, signal.SIGSTOP)
    visit("Third", "s3", seated=EVEN, at_ns=3 * 10**9)
    looking.ask("rack", {})
    os.kill(process.pid, signal.SIGKILL)
    until(lambda: looking.ask("rack", {})["judging"]["trouble"] != "")
    assert "the process that judges has ended" in looking.ask("rack", {})["judging"]["trouble"]
    assert looking.ask("rack", {})["judging"]["due"] == 1, "it is tried once more"


def test_a_session_that_ends_the_process_twice_is_left_out(store: Store, visit: Visit) -> None:
    visit("Even", "s1", seated=EVEN)
    kept = Judgements(store.path)
    with store.reader() as reader:
        kept.take_in(reader)
    for due in (1, 0):
        taken = kept._next()
        assert taken is not None
        kept._strike(taken[0])
        assert kept.progress()["due"] == due
    found = kept.of("s1")
    assert found is not None
    assert found.counts is None
    assert "ended the process that judges" in kept.lessons().skipped[0]


def test_a_store_that_cannot_be_read_is_told_in_the_background(
    store: Store, visit: Visit, behind: Judgements, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit("Even", "s1", seated=EVEN)
    behind._store = store.path.with_name("gone.db")
    with store.reader() as reader:
        behind.take_in(reader)
    until(lambda: behind.progress()["trouble"] != "")
    assert "gone.db" in behind.progress()["trouble"]
    assert behind.progress()["due"] == 1
