"""What was made before, by name, so that it is made again only when what it is made of has changed."""

from collections.abc import Callable
from operator import is_
from typing import Any, TypeVar

Made = TypeVar("Made")


class Remembered:
    """What was made of some inputs, by name.

    Inputs are told apart as objects and are held here, so that none can be mistaken for a later one. What is made must
    depend on name and inputs alone; then an answer never depends on earlier calls.
    """

    def __init__(self) -> None:
        self._made: dict[object, tuple[tuple[object, ...], object, Any]] = {}

    def once(self, name: object, inputs: tuple[object, ...], make: Callable[[], Made], *, given: object = None) -> Made:
        """Return what ``make`` made of these inputs, or makes now where one of them is another than before.

        Args:
            name: of what is made.
            inputs: told apart as objects.
            make: makes it.
            given: told apart by value.
        """
        before = self._made.get(name)
        if before is None or not _same(before[0], inputs) or before[1] != given:
            before = self._made[name] = (inputs, given, make())
        made: Made = before[2]
        return made

    def within(self, name: str) -> "Remembered":
        """Return what is remembered under names of its own."""
        return self.once(("within", name), (), Remembered)


def _same(before: tuple[object, ...], now: tuple[object, ...]) -> bool:
    return len(before) == len(now) and all(map(is_, before, now))
