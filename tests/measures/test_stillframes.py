"""Single repeats where little moves: known by construction, before and after coding."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.stillness.repeats import catching_up, notches, repeated
from qc.measures.parts.stillness.rhythms import cadences
from qc.measures.parts.stillness.stillframes import Changes, still
from qc.spans import runs
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


@pytest.mark.parametrize(("beside", "twice"), [(0.2, True), (0.022, False)])
def test_of_a_picture_at_rest_one_frame_is_the_stillest(
    beside: float, twice: bool
) -> None:
    take = changes(1)
    # As a webcam's recording has it: difference, largest cell, pixels that change.
    for row, values in enumerate(
        [(0.195, 7.3, 33), (0.167, 5.5, 30), (0.498, 7.3, 77), (0.002, 0.9, 0.4),
         (beside, 3.7, 4), (0.037, 3.7, 7), (0.189, 6.8, 29), (0.155, 5.0, 26)],
        start=17,
    ):  # fmt: skip
        put(take, row, *values)
    assert repeated(take, still(take))[20] == twice


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


# ---------------------------------------------------------- motion that catches up


@pytest.mark.parametrize("number", range(5))
def test_a_repeat_is_told_by_the_frame_that_makes_up_for_it(number: int) -> None:
    take = changes(number)
    # A codec short of data: as many pixels change, a cell still by two fifths.
    put(take, 20, 0.22, 3.9, 35)
    assert rows(take) == []
    assert np.flatnonzero(catching_up(take)).tolist() == []
    # The next frame has moved for two.
    put(take, 21, 0.5, 19.0, 45)
    assert np.flatnonzero(catching_up(take)).tolist() == [20]
    # Alone it may be a frame that a coder has skipped.
    assert not repeated(take, still(take)).any()


@pytest.mark.parametrize("slowed", [1, 20])
def test_shallow_repeats_are_told_where_they_come_close_together(slowed: int) -> None:
    take = changes(1)
    at = [14, 20, 32, 41]
    for row in at:
        put(take, row, 0.22, 3.9, 35)
        put(take, row + 1, 0.5, 19.0, 45)
    assert np.flatnonzero(catching_up(take)).tolist() == at
    # Four within a second are told, four within twenty are chance.
    slow = replace(take, times=slowed * take.times)
    told = np.flatnonzero(repeated(slow, still(slow))).tolist()
    assert told == (at if slowed == 1 else [])


def test_a_turn_of_motion_is_no_notch() -> None:
    take = changes(1)
    put(take, 33, 0.04, 3.7, 8)
    assert rows(take) == [33]
    # It was about to stop before, and begins slowly.
    put(take, 31, 0.2, 5.5, 22)
    put(take, 32, 0.25, 7.8, 30)
    assert rows(take) == []


def test_motion_that_jumps_or_slows_is_no_repeat() -> None:
    for number in range(20):
        take = changes(number, spread=0.3)
        assert not catching_up(take).any()
    take = changes(1)
    put(take, 20, 0.6, 20.0, 60)  # a jerk
    for row, share in ((30, 0.6), (31, 0.35), (32, 0.35), (33, 0.6)):  # a turn
        put(take, row, 0.3 * share, 10 * share, 30)
    assert not catching_up(take).any()
    assert not catching_up(replace(take, cell=0.3 * take.cell)).any()
    short = replace(take, cell=take.cell[:6], difference=take.difference[:6])
    assert not catching_up(short).any()


# ------------------------------------------------------------------- key frames


def test_what_a_key_frame_builds_anew_does_not_end_a_still() -> None:
    take = changes(1)
    for row in range(20, 41):
        put(take, row, 0.002, 0.5, 0.05)
    # In a small picture single pixels change by more than the whole does.
    put(take, 24, 0.6, 12.0, 70)
    put(take, 36, 0.6, 12.0, 70)
    assert np.flatnonzero(still(take)).tolist() == list(range(20, 41))
    # A part of the picture that moves.
    put(take, 36, 0.6, 12.0, 10)
    assert not still(take)[36]


@pytest.mark.parametrize("leading", [1, 2, 3])
def test_frames_that_lead_up_to_a_key_frame_have_their_part_of_its_pulse(
    leading: int,
) -> None:
    # In an open group they are mixed of the frame before them and the key frame: by
    # equal steps from one to the other.
    take = changes(1)
    for row in range(20, 45):
        put(take, row, 0.002, 0.5, 0.05)
    for row in range(36 - leading, 37):
        put(take, row, 0.9 / (leading + 1), 2.4, 75)
    assert np.flatnonzero(still(take)).tolist() == list(range(20, 45))
    # A part of the picture that moves.
    put(take, 35, 0.3, 12.0, 10)
    assert not still(take)[35]


def test_key_frames_alone_make_no_frames_live() -> None:
    # A scene at rest whose noise a codec takes away, but for key frames.
    take = changes(1)
    take.difference[:] *= np.where(take.key, 2.0, 0.04)
    take.cell[:] = np.where(take.key, 6.0, 0.15 * take.cell)
    assert not still(take).any()
    # Some of the noise comes back in each: beside frames that move, too, it is live.
    take.difference[:30] = changes(1).difference[:30]
    # Under half a second, of 25 frames, is no freeze.
    assert max((b - a for a, b in runs(still(take))), default=0) < 12
    # A kept picture is the same again soon.
    take.changed[30:60] = np.where(take.key[30:60], 70, 0.02)
    assert np.flatnonzero(still(take)).tolist() == list(range(30, 60))


@pytest.mark.parametrize("group", [12, 15, 25])
def test_a_rhythm_is_told_in_spite_of_key_frames(group: int) -> None:
    again = np.arange(240) % 2 == 1
    keys = np.arange(240) % group == 0
    change = np.where(again, 0.05, 1.0)
    # A repeat that is a key frame is coded anew, and no repeat to be seen.
    change[keys] = 0.6
    found_, inside = cadences(
        again & ~keys, np.ones(240, bool), change, 20 * change, keys
    )
    assert [(c.first, c.last, c.period, c.repeats) for c in found_] == [(0, 240, 2, 1)]
    assert inside.tolist() == again.tolist()


@pytest.mark.parametrize(
    ("difference", "cell", "changed", "told"),
    [
        (0.07, 8.0, 6.0, True),  # all falls, the largest cell to a fifth
        (0.07, 8.0, 40.0, False),  # new noise in most pixels
        (0.07, 25.0, 6.0, False),  # something goes on moving
        (0.60, 8.0, 6.0, False),
    ],
)
def test_in_small_pictures_all_that_is_read_must_fall(
    difference: float, cell: float, changed: float, told: bool
) -> None:
    plain = changes(3)
    take = replace(
        plain,
        difference=5.0 * plain.difference,
        cell=4.0 * plain.cell,
        changed=1.7 * plain.changed,
    )
    put(take, 30, difference, cell, changed)
    found_at = np.flatnonzero(repeated(take, still(take)))
    assert found_at.tolist() == ([30] if told else [])
