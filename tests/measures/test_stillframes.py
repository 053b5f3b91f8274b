"""Single repeats where little moves: known by construction, before and after coding."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.stillness.stillframes import Changes, notches
from tests.measures.test_stillness import coded, found, live, places

FRAMES = 60


def changes(number: int, spread: float = 0.1) -> Changes:
    """Return a take in which something moves, by chance more and less."""
    random = np.random.default_rng(number)

    def around(value: float) -> NDArray[np.float64]:
        return value * np.exp(spread * random.standard_normal(FRAMES))

    return Changes(
        difference=around(0.3),
        cell=around(10.0),
        changed=around(35.0),
        identical=np.zeros(FRAMES, bool),
        key=np.arange(FRAMES) % 12 == 0,
        times=np.arange(FRAMES + 1) / 25,
    )


def put(
    take: Changes, row: int, difference: float, cell: float, changed: float
) -> None:
    take.difference[row] = difference
    take.cell[row] = cell
    take.changed[row] = changed


def rows(take: Changes) -> list[int]:
    return np.flatnonzero(notches(take)).tolist()


@pytest.mark.parametrize("number", range(5))
def test_a_notch_in_all_of_motion_is_a_repeat(number: int) -> None:
    take = changes(number)
    assert rows(take) == []
    put(take, 20, 0.06, 2.3, 10)
    put(take, 33, 0.04, 3.7, 8)
    # A key frame builds all anew, but moves nothing.
    put(take, 48, 0.5, 2.3, 70)
    assert rows(take) == [20, 33, 48]


def test_what_is_no_repeat() -> None:
    take = changes(1)
    # Motion pauses for a frame, but noise is new all over.
    put(take, 20, 0.12, 2.3, 35)
    # Motion pauses for longer.
    for row in (30, 31):
        put(take, row, 0.05, 2.3, 9)
    # An area as large as a hand still moves.
    put(take, 50, 0.1, 4.5, 20)
    assert rows(take) == []


def test_uneven_motion_hides_repeats() -> None:
    for number in range(20):
        assert rows(changes(number, spread=0.7)) == []
    # Where hardly anything moves there is nothing to stop.
    take = changes(1)
    put(take, 20, 0.06, 1.0, 10)
    assert rows(replace(take, cell=0.3 * take.cell)) == []


def test_unknown_frames_and_short_takes_tell_nothing() -> None:
    take = changes(1)
    put(take, 20, 0.06, 2.3, 10)
    take.cell[21:25] = np.nan
    assert rows(take) == []
    part = Changes(*(getattr(take, n)[:5] for n in Changes.__slots__))
    assert rows(part) == []


def test_coded_repeats_of_a_moving_hand_are_found(tmp_path: Path) -> None:
    images = list(live("hand", 2.0))
    name = "h264 of constant rate"
    assert found(coded(tmp_path, images, name)) == []
    for at in (40, 77, 110):
        images[at] = images[at - 1]
    findings = found(coded(tmp_path, images, name))
    assert places(findings) == [(40, 41), (77, 78), (110, 111)]
