"""Repeats on a tripod, told by noise that stops; what a coder short of data makes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.stillness.noisestops import noise_stops
from qc.measures.parts.stillness.repeats import notches
from qc.measures.parts.stillness.stillframes import Changes, still
from tests.measures.test_stillness import coded, found, held, live, places, read

FRAMES = 100


def tripod(number: int = 1, every: int = 12) -> Changes:
    """Return a take in which nothing moves, and noise is new in each frame."""
    random = np.random.default_rng(number)

    def around(value: float, spread: float) -> NDArray[np.float64]:
        return value * np.exp(spread * random.standard_normal(FRAMES))

    return Changes(
        difference=around(0.42, 0.08),
        cell=around(1.4, 0.1),
        changed=around(66.0, 0.03),
        identical=np.zeros(FRAMES, bool),
        key=np.arange(FRAMES) % every == 0,
        times=np.arange(FRAMES + 1) / 25,
    )


def put(
    take: Changes, row: int, difference: float, changed: float, cell: float = 0.9
) -> None:
    take.difference[row] = difference
    take.changed[row] = changed
    take.cell[row] = cell


def rows(take: Changes) -> list[int]:
    return np.flatnonzero(noise_stops(take)).tolist()


@pytest.mark.parametrize("number", range(5))
def test_frames_without_new_noise_are_repeats(number: int) -> None:
    take = tripod(number)
    assert rows(take) == []
    put(take, 20, 0.09, 18.0)
    # A coder is done with what stands longer.
    for row, left in zip(range(50, 54), (0.07, 0.01, 0.0, 0.0), strict=True):
        put(take, row, left, 150 * left)
    assert rows(take) == [20, 50, 51, 52, 53]


def test_a_key_frame_inside_is_bridged_and_one_beside_is_left_out() -> None:
    take = tripod()
    for row in (35, 37, 61):
        put(take, row, 0.05, 10.0)
    put(take, 36, 0.5, 72.0)
    put(take, 60, 0.5, 72.0)
    assert rows(take) == [35, 36, 37, 61]


def test_what_is_no_repeat_of_a_tripod() -> None:
    take = tripod()
    put(take, 15, 0.09, 60.0)  # fainter noise, but new in most pixels
    put(take, 25, 0.09, 18.0, cell=6.0)  # something small moves
    # A pan that turns: noise aside, all changes less and less, and more again.
    slow = np.abs(np.linspace(-1, 1, 31))
    take.difference[40:71] *= 0.2 + 3 * slow
    take.changed[40:71] *= 0.3 + 0.7 * np.minimum(1, 3 * slow)
    assert rows(take) == []


def test_a_kind_of_frames_with_less_noise_is_none() -> None:
    take = tripod(every=1)
    for row in range(4, FRAMES, 4):
        put(take, row, 0.1, 20.0)
    assert rows(take) == []


@pytest.mark.parametrize("first", [61, 71])
def test_a_few_frames_held_on_a_tripod_are_told_to_the_frame(
    tmp_path: Path, first: int
) -> None:
    # Frame 60 is a key frame, and frame 61 gets what the coder left out of it.
    images = held(live("still", 3.0), first, first + 4)
    (finding,) = found(coded(tmp_path, images, "mpeg2"))
    assert finding.rule == "picture.repeated"
    assert places([finding]) == [(first, first + 4)]


def moving(number: int = 2) -> Changes:
    """Return a take in which a hand moves, and noise is coded now and then."""
    random = np.random.default_rng(number)
    return Changes(
        difference=0.2 * np.exp(0.25 * random.standard_normal(FRAMES)),
        cell=16.0 * np.exp(0.15 * random.standard_normal(FRAMES)),
        changed=15.0 * np.exp(0.4 * random.standard_normal(FRAMES)),
        identical=np.zeros(FRAMES, bool),
        key=np.arange(FRAMES) % 25 == 0,
        times=np.arange(FRAMES + 1) / 25,
    )


@pytest.mark.parametrize(("cell", "told"), [(1.8, True), (3.8, False)])
def test_motion_at_full_speed_stops_for_a_frame_whatever_its_noise(
    cell: float, told: bool
) -> None:
    take = moving()
    # As a coder of constant rate has it: it fills in noise where nothing moves.
    put(take, 40, 0.09, 24.0, cell)
    assert np.flatnonzero(notches(take)).tolist() == ([40] if told else [])


@pytest.mark.parametrize(
    ("before", "first"),
    [
        (14.0, 37),  # motion at full speed
        (4.0, 40),  # hardly any
    ],
)
def test_a_still_begins_where_motion_stopped(before: float, first: int) -> None:
    take = moving()
    take.cell[36] = before
    take.difference[36] = 0.2
    # A coder refines the kept picture, with more than the quietest live frames have.
    for row, left in zip(range(37, 40), (0.09, 0.09, 0.08), strict=True):
        put(take, row, left, 20.0, cell=1.8)
    for row in range(40, 75):
        put(take, row, 0.0, 0.01, cell=0.5)
    assert int(np.flatnonzero(still(take))[0]) == first


def test_what_is_the_same_by_chance_where_a_coder_gives_out_is_no_repeat() -> None:
    images = [image.copy() for image in live("still", 3.0)[:120]]
    # From frame 60 on noise is new in every twelfth frame only; in most others a pixel
    # changes, in two nothing does.
    for row in range(61, 120):
        if row % 12:
            images[row] = images[row - 1].copy()
            images[row][90, 160] += 40.0 * (row not in (79, 80)) * (-1) ** row
    assert found(read(images)) == []
    # Among frames full of noise one that is the same is told.
    assert places(found(read(held(images, 30, 31)))) == [(30, 31)]
