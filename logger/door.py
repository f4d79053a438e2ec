"""The door between the bench and whoever looks at it: plain messages in, whole snapshots out.

The bench calls `publish`; a page calls `snapshot`, `wait` and `act`. Nothing but plain mappings crosses, so
that the page can become a process of its own. Every call is safe from any thread.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol

REMEMBERED_ACTIONS: Final = 5000

Snapshot = Mapping[str, Any]
Action = Mapping[str, Any]
Question = Callable[[str, Mapping[str, str]], Mapping[str, Any]]
"""What is asked for and how it is narrowed down, to plain JSON values."""


class QuestionError(ValueError):
    """A question that cannot be answered, in words for the person."""


def _no_question(what: str, _wanted: Mapping[str, str]) -> Mapping[str, Any]:
    raise QuestionError(f"nothing can be asked here, got {what[:40]!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of an action: done or not, and one line for the person."""

    done: bool
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """An attached file: how it is called, what it is, all of it, and whether it is a picture to be shown small."""

    name: str
    media_type: str
    content: bytes
    small: bool


class Keeper(Protocol):
    """Keeps what takes longer than a reading, and gives files; see `logger.keeping.Keeping`."""

    def keep(self, what: str, given: Mapping[str, str]) -> Mapping[str, Any]:
        """Do what is asked for and return what became of it.

        Raises:
            QuestionError: it cannot be done.
        """

    def open(self, sha256: str) -> File:
        """Return an attached file.

        Raises:
            QuestionError: it is not there, or not as it was.
        """


class _NoKeeper:
    def keep(self, what: str, _given: Mapping[str, str]) -> Mapping[str, Any]:
        raise QuestionError(f"nothing can be kept here, got {what[:40]!r}")

    def open(self, _sha256: str) -> File:
        raise QuestionError("no file is attached here")


class Door:
    """Hold the newest snapshot, hand actions to the bench, each at most once, and questions to whoever answers them."""

    def __init__(
        self, on_action: Callable[[str, Action], Answer], on_question: Question = _no_question,
        keeper: Keeper | None = None,
    ) -> None:  # fmt: skip
        self._on_action = on_action
        self._on_question = on_question
        self._keeper: Keeper = keeper or _NoKeeper()
        self._changed = threading.Condition()
        self._snapshot: Snapshot = {"version": 0}
        self._answers: OrderedDict[str, Answer] = OrderedDict()
        self._acting = threading.Lock()
        self._closed = False

    def publish(self, snapshot: Snapshot) -> None:
        """Replace the snapshot; its ``version`` must grow."""
        with self._changed:
            self._snapshot = snapshot
            self._changed.notify_all()

    def snapshot(self) -> Snapshot:
        """Return the newest snapshot; it is never changed afterwards."""
        with self._changed:
            return self._snapshot

    def wait(self, version: int, *, timeout_s: float) -> bool:
        """Wait until the snapshot is not ``version`` any more; False after the time or when the door is shut."""
        with self._changed:
            self._changed.wait_for(lambda: self._closed or self._snapshot["version"] != version, timeout_s)
            return not self._closed and bool(self._snapshot["version"] != version)

    def act(self, action_id: str, action: Action) -> Answer:
        """Do an action once: the same ``action_id`` again returns the first answer."""
        with self._acting:
            if action_id not in self._answers:
                self._answers[action_id] = self._on_action(action_id, action)
                while len(self._answers) > REMEMBERED_ACTIONS:
                    self._answers.popitem(last=False)
            return self._answers[action_id]

    def ask(self, what: str, wanted: Mapping[str, str]) -> Mapping[str, Any]:
        """Return the answer to a question; it changes nothing.

        Raises:
            QuestionError: the question is none, or asks for what is not there.
        """
        return self._on_question(what, wanted)

    def keep(self, what: str, given: Mapping[str, str]) -> Mapping[str, Any]:
        """Have something kept that takes longer than a reading, beside the actions; plain values in and out.

        Raises:
            QuestionError: it cannot be done.
        """
        return self._keeper.keep(what, given)

    def open(self, sha256: str) -> File:
        """Return an attached file.

        Raises:
            QuestionError: it is not there, or not as it was.
        """
        return self._keeper.open(sha256)

    @property
    def closed(self) -> bool:
        """Tell whether the bench has shut the door."""
        with self._changed:
            return self._closed

    def close(self) -> None:
        """Shut the door: every waiter returns."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()


class PageServer(Protocol):
    """A running page."""

    url: str

    def stop(self) -> None:
        """Stop serving and free the port."""


class Serve(Protocol):
    """Start a page for a door; port 0 picks a free one."""

    def __call__(self, door: Door, *, port: int) -> PageServer:
        """Return the running page.

        Raises:
            OSError: the port is taken.
        """
