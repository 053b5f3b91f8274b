"""From when to when a spot is there: series that step, and takes in which one comes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots import blemishwords
from qc.measures.parts.spots.spotlooks import LookKeeper
from qc.measures.parts.spots.spotmaps import Spot
from qc.measures.parts.spots.spottrail import Kept, SpotTrail, decoded
from qc.measures.parts.spots.spotwhen import Series, When, when_of
from tests.measures.test_blemish import (
    FRAMES,
    findings,
    measured_of,
    panned,
    spotted,
)
from tests.pictures import picture

N, TRIALS = 40, 40


def drawn(
    number: int, begin: int, end: int, *, scatter: float = 0.15, along: float = 0.7
) -> Series:
    """Draw a spot's series: noise about nothing, and a slow one about 1 within."""
    random = np.random.default_rng(number)
    values = random.normal(0, scatter, N)
    slow = np.zeros(N)
    for i in range(1, N):
        slow[i] = along * slow[i - 1] + np.sqrt(1 - along**2) * random.normal(0, 0.25)
    values[begin:end] += 1 + slow[begin:end]
    rows = 5 * np.arange(N, dtype=np.int64)
    return Series(rows, values, scatter, {})


@pytest.mark.parametrize("at", [4, 20, 33])
def test_step_lies_between_the_rows_that_are_told(at: int) -> None:
    told = [when_of(drawn(number, at, N)) for number in range(TRIALS)]
    right = [w.without < 5 * at <= w.by and w.gone < 0 for w in told if w.sure]
    assert len(right) >= 0.85 * TRIALS
    assert np.mean(right) >= 0.9  # 95 % is what the series itself says
    assert np.median([w.by - w.without for w in told]) <= 10


def test_spot_that_is_there_all_along_has_no_step() -> None:
    told = [when_of(drawn(number, 0, N)) for number in range(TRIALS)]
    assert sum(w.without >= 0 or w.gone >= 0 for w in told) <= 2
    assert sum(w.sure for w in told) >= 0.85 * TRIALS


def test_spot_that_comes_and_is_wiped_off_has_two_steps() -> None:
    told = [when_of(drawn(number, 10, 28)) for number in range(TRIALS)]
    right = [w.without < 50 <= w.by and w.until < 140 <= w.gone for w in told]
    assert np.mean(right) >= 0.85


def test_a_hand_that_passes_before_is_no_spot() -> None:
    told = []
    for number in range(TRIALS):
        series = drawn(number, 25, N)
        series.values[8:11] = 1.2
        told.append(when_of(series))
    assert np.mean([75 <= w.without < 125 <= w.by for w in told]) >= 0.8


def test_a_hand_that_darkens_before_a_blur_comes_is_no_blur() -> None:
    alone, both = [], []
    for number in range(TRIALS):
        series = drawn(number, 25, N)
        level = np.random.default_rng(900 + number).normal(0, 0.05, N)
        series.values[4:9] = 0.8
        level[4:9] -= 0.4
        alone.append(when_of(series))
        changes = {"detail": -0.8 * series.values, "level": level}
        both.append(
            when_of(Series(series.rows, series.values, series.scatter, changes))
        )
    right = [[w.without < 125 <= w.by for w in told] for told in (alone, both)]
    widths = [np.mean([w.by - w.without for w in told]) for told in (alone, both)]
    assert np.mean(right[1]) >= max(0.9, np.mean(right[0]) - 0.05)
    assert widths[1] < widths[0]


@pytest.mark.parametrize("at", [9, 13])
def test_drop_that_comes_is_told_from_there_and_not_from_the_start(at: int) -> None:
    images = panned()
    images[at:] = [spotted(f, 14, loss=0.07, blur=4.0) for f in images[at:]]
    (finding,) = findings(measured_of(images))
    assert at - 3 <= finding.start_frame <= at
    assert "It came " in finding.message
    assert "first frame" not in finding.message


def test_sentence_and_time_codes_agree() -> None:
    images = [spotted(f, 14, loss=0.3) for f in panned()]
    (finding,) = findings(measured_of(images))
    assert (finding.start_frame, finding.end_frame) == (0, FRAMES)
    assert "It was there from the first frame." in finding.message


def spot_of(when: When, *, dated: bool = True) -> Spot:
    return Spot(
        0.3,
        0.3,
        0.05,
        0.05,
        level=-0.1,
        detail=0.0,
        sure=20.0,
        first_row=when.by,
        row=when.until,
        without=when.without,
        gone=when.gone,
        dated=dated,
    )


@pytest.mark.parametrize(
    ("when", "words"),
    [
        (When(-1, 0, 90, -1, sure=True), "It was there from the first frame."),
        (When(-1, 8, 90, -1, sure=True), "when the picture first moved, at [8]."),
        (When(11, 12, 90, -1, sure=True), "It came at [12]."),
        (When(11, 20, 90, -1, sure=True), "It came between [11] and [20]."),
        (
            When(11, 20, 60, 70, sure=True),
            "It came between [11] and [20], and went between [60] and [70].",
        ),
    ],
)
def test_words_of_when(when: When, words: str) -> None:
    message = blemishwords.spot_message(spot_of(when), "here", 5.0, lambda r: f"[{r}]")
    assert message.endswith(words)


def test_what_cannot_be_dated_is_said_to_be_so() -> None:
    spot = spot_of(When(-1, 0, 90, -1, sure=False), dated=False)
    message = blemishwords.spot_message(spot, "here", 5.0, str)
    assert message.endswith("Since when could not be told.")


@pytest.mark.parametrize(
    ("level", "detail", "plain"),
    [(-0.02, -0.1, False), (-0.1, 0.0, True), (0.1, 0.0, True), (0.0, -0.5, True)],
)
def test_a_spot_is_plain_if_there_is_something_to_say_of_its_looks(
    level: float, detail: float, plain: bool
) -> None:
    """What is hardly seen is a note, see `_spot_finding`."""
    spot = spot_of(When(-1, 0, 90, -1, sure=True))
    spot = replace(spot, level=level, detail=detail)
    assert blemishwords.is_plain(spot, 3.0) is plain
    assert blemishwords.is_plain(spot, 30.0)
    assert ("hardly seen" in blemishwords.spot_message(spot, "here", 5.0, str)) is (
        not plain
    )


@pytest.mark.parametrize(("splash", "thing"), [(False, "Something"), (True, "A spot")])
def test_what_is_large_hangs_into_the_picture_unless_it_came_at_once(
    splash: bool, thing: str
) -> None:
    # A drape or a cable comes in from the side, and nothing is seen through it.
    spot = spot_of(When(11, 12, 90, -1, sure=True))
    spot = replace(spot, w=0.2, h=0.2, splash=splash)
    assert blemishwords.spot_message(spot, "here", 20.0, str).startswith(thing)
    assert ("hangs" in blemishwords.spot_advice(spot)) is not splash


def kept_of() -> tuple[Kept, NDArray[np.float32]]:
    images = panned(1, frames=8)
    keeper = LookKeeper()
    frames = [picture(i) for i in images]
    (some, *_) = [d for i, f in enumerate(frames) for d in keeper.look(f, i, i / 2)]
    trail = SpotTrail()
    for _ in range(500):
        trail.add(some)
    assert len(trail.kept) <= 160  # memory does not grow with the take
    assert not trail.whole
    return trail.kept[0], some.level


def test_bytes_stand_for_what_was_measured() -> None:
    kept, level = kept_of()
    back = decoded(kept.both["level"], "level")
    assert np.array_equal(np.isnan(back), np.isnan(level))
    # 0.6 in 127 steps: half a step off at most.
    assert np.nanmax(np.abs(back - level)) <= 0.5 * 0.6 / 127 + 1e-6


def test_framing_counts_once_in_each_stretch() -> None:
    # The same two framings before and after row 13: to the whole they are one.
    images = panned(1, frames=8)
    frames = [picture(i) for i in (*images, *images)]
    keeper, trail = LookKeeper(), SpotTrail()
    for i, frame in enumerate(frames):
        for difference in keeper.look(frame, i, i / 2):
            trail.add(difference)
    whole, later = trail.stretches([(0, 99), (8, 99)])
    assert later.pairs < whole.pairs
    assert later.count["level"].max() >= 0.5 * whole.count["level"].max()
