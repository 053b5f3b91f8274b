"""A scene at rest whose noise a coder takes away, against a picture that is kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.records import Grade, Readings
from qc.store import ColumnStore
from tests.measures.test_stillness import found, live, places, read

FRAMES, FIRST, LAST = 250, 100, 180
FROZEN = 3.0


def take(*, slow: bool, left: NDArray[np.float64], keys_every: int = 50) -> Measured:
    """Return a take that stands still from frame 100 to 180, by what is read of it.

    Parameters
    ----------
    slow : bool
        Motion dies down before, and rises again behind.
    left : (80,) array
        Pixels that change meanwhile, percent.
    """
    change, changed = np.full(FRAMES, 0.4), np.full(FRAMES, 12.0)
    if slow:
        fade = np.array([0.7, 0.4, 0.2, 0.1, 0.05])
        change[FIRST - 5 : FIRST] *= fade
        change[LAST : LAST + 5] *= fade[::-1]
    change[FIRST:LAST] = 0.001
    changed[FIRST:LAST] = left
    columns = {
        "difference_percent": change,
        "cell_percent": 40 * change,
        "changed_percent": changed,
        "identical": changed == 0.0,
        "key": np.arange(FRAMES) % keys_every == 0,
        "level_percent": np.full(FRAMES, 70.0),
        "state": np.where(
            (np.arange(FRAMES) >= FIRST) & (np.arange(FRAMES) < LAST), FROZEN, 0.0
        ),
    }
    store = ColumnStore({f"stillness.{name}": 0 for name in columns})
    for row in range(FRAMES):
        store.append({f"stillness.{n}": float(v[row]) for n, v in columns.items()})
    measured = read(live("still", 1.0)[:2])
    assert measured.picture is not None
    edges = np.arange(FRAMES + 1)
    base = measured.picture.time_base
    return replace(measured, picture=Readings("picture", base, edges, store))


KEPT = np.where(np.arange(LAST - FIRST) % 5, 0.0, 0.05)
# Some noise comes back with most frames.
AT_REST = np.where(np.arange(LAST - FIRST) % 5, 0.07, 0.0)


@pytest.mark.parametrize(
    ("slow", "left", "every", "grade", "doubt"),
    [
        (False, KEPT, 50, Grade.REJECT, False),
        (True, KEPT, 50, Grade.REVIEW, True),
        (False, AT_REST, 50, Grade.REVIEW, True),
        # Coders of single pictures leave the noise in each.
        (True, KEPT, 1, Grade.REJECT, False),
    ],
)
def test_what_may_be_a_scene_at_rest_is_to_be_looked_at(
    slow: bool, left: NDArray[np.float64], every: int, grade: Grade, doubt: bool
) -> None:
    (finding,) = found(take(slow=slow, left=left, keys_every=every))
    assert (finding.rule, finding.grade) == ("picture.frozen", grade)
    assert places([finding]) == [(FIRST, LAST)]
    assert ("scene at rest" in finding.message) == doubt


def test_motion_that_dies_down_and_noise_that_comes_back_are_live() -> None:
    assert found(take(slow=True, left=AT_REST)) == []
