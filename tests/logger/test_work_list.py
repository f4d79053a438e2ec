"""What of a plan is an order, and what is less than it is known to."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logger.work_list import work_list


def _listed(down_mm: float, u_mm: float, task: str) -> Any:
    """The work list of one fret that is to be moved or filed at its bass end, with its standard uncertainty."""
    amount, nothing = np.array([[down_mm], [0.0]]), np.zeros((2, 1))
    plan: Any = SimpleNamespace(
        u_removal_mm=np.full((2, 1), u_mm), crown_left_mm=np.full((2, 1), 1.0), flat_mm=np.full((2, 1), 0.4),
        down_mm=amount if task == "reseat" else nothing, raise_mm=amount if task == "raise" else nothing,
        removal_mm=amount if task == "file" else nothing,
        reseats=(0,) if task == "reseat" else (), exceptions=(0,) if task == "raise" else (),
    )  # fmt: skip
    (one,) = work_list(SimpleNamespace(frets=(18,), paths=("bass", "treble")), plan)  # type: ignore[arg-type]
    return one


@pytest.mark.parametrize("task", ["reseat", "raise", "file"])
@pytest.mark.parametrize(
    ("size_mm", "u_mm", "noise"),
    [(0.012, 0.0066, True), (0.014, 0.0066, False), (0.012, float("nan"), False)],
    ids=["less than known to", "more than known to", "not known how well"],
)
def test_what_is_less_than_it_is_known_to_is_no_order(size_mm: float, u_mm: float, noise: bool, task: str):
    one = _listed(size_mm, u_mm, task)

    assert (one.task, one.sizes[0][1], one.noise) == (task, size_mm, noise)
