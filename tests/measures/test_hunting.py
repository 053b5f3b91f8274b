"""Hunting: swings of known frequency and depth, and what must not be taken for them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

from qc.judge import find
from qc.measures import default_limits, focus, framing, hunting
from qc.measures.base import Measured
from qc.measures.hunting import MEASURE
from qc.measures.parts.focus.swings import share_at_keys, swinging, turning_points
from qc.records import Finding, Grade, Picture, Readings, TakeResult
from qc.store import ColumnStore
from tests.pictures import (
    column,
    info_of,
    measure,
    picture,
    reader_of,
    scene,
    setup_of,
)

MEASURES = (framing.MEASURE, focus.MEASURE, hunting.MEASURE)
RATE = 25


def sine(hz: float, depth: float, seconds: float, rate: float = RATE) -> Any:
    """A level that swings `depth` from crest to trough, and its times."""
    times = np.arange(round(seconds * rate)) / rate
    return 0.5 * depth * np.cos(2 * math.pi * hz * times), times


# ------------------------------------------------------------------------ arithmetic


@settings(deadline=None)
@given(st.lists(st.floats(-5, 5), min_size=2, max_size=60), st.floats(0.2, 4))
def test_turns_alternate_and_each_leg_is_deep_enough(
    values: list[float], depth: float
) -> None:
    array = np.array(values)
    turns = turning_points(array, depth)
    legs = np.diff(array[turns])
    assert (np.abs(legs) >= depth).all()
    assert (legs[1:] * legs[:-1] < 0).all()
    assert (np.diff(turns) > 0).all()
    # Some way of that height exists from a lower to a later higher place, or the other
    # way about, if and only if there are turns.
    spread = array[None, :] - array[:, None]
    later = np.triu(np.ones(spread.shape, bool), 1)
    assert (turns.size > 0) == bool((np.abs(spread[later]) >= depth).any())


@pytest.mark.parametrize("rate", [24, 50])
@pytest.mark.parametrize("hz", [0.25, 0.5, 1.0, 2.0, 3.5])
def test_frequency_and_depth_of_a_sine_are_its_own(hz: float, rate: int) -> None:
    values, times = sine(hz, 0.8, 5.0 / hz, rate)
    (found,) = swinging(values, times, depth=0.3, least=2.5)
    assert found.hz == pytest.approx(hz, rel=0.02)
    # Frames miss the crests by at most half a frame.
    least = math.cos(math.pi * hz / rate)
    assert 0.8 * least - 1e-9 <= found.depth <= 0.8 + 1e-9
    assert found.swings == pytest.approx(5.0, abs=0.5)


@pytest.mark.parametrize("hz", [0.1, 6.0])
def test_what_is_too_slow_or_too_quick_is_no_hunt(hz: float) -> None:
    values, times = sine(hz, 0.8, 6.0 / hz, 50)
    assert swinging(values, times, depth=0.3, least=2.5) == []


def test_times_and_not_frames_count() -> None:
    # A variable rate: frames at random moments.
    times = np.sort(np.random.default_rng(3).uniform(0, 6, 200))
    values = 0.4 * np.cos(2 * math.pi * 1.3 * times)
    (found,) = swinging(values, times, depth=0.3, least=2.5)
    assert found.hz == pytest.approx(1.3, rel=0.05)


def test_ripples_beside_deep_swings_are_not_counted() -> None:
    deep, _ = sine(1.0, 2.0, 4.0)
    ripple, _ = sine(1.0, 0.4, 3.0)
    values = np.concatenate([ripple + 0.8, deep, ripple + 0.8])
    times = np.arange(len(values)) / RATE
    (found,) = swinging(values, times, depth=0.3, least=2.5)
    assert 70 <= found.first <= 80
    assert 165 <= found.last <= 180


@pytest.mark.parametrize("frame", [36, 38, 63, 87])
def test_a_blip_in_a_deep_swing_does_not_end_it(frame: int) -> None:
    """One frame, as a key frame gives it, in a trough of five swings."""
    values, times = sine(1.0, 1.6, 5.0)
    values[frame] += 0.5
    (found,) = swinging(values, times, depth=0.35, least=2.5)
    assert found.hz == pytest.approx(1.0, rel=0.03)
    assert found.swings == pytest.approx(5.0, abs=0.5)


def test_a_rise_at_the_key_frame_is_all_at_keys_and_a_slow_one_is_not() -> None:
    times = np.arange(100) / RATE
    keys = np.arange(100) % 25 == 0
    saw = -0.02 * (np.arange(100) % 25)
    turns = turning_points(saw, 0.3)
    assert share_at_keys(saw, times, keys, turns) == pytest.approx(1.0)
    assert share_at_keys(saw, times, np.roll(keys, 10), turns) <= 0.0
    # Of a straight rise of ten frames the three about the key frame are three tenths.
    zigzag = np.abs((np.arange(100) % 20) - 10) / 10.0
    share = share_at_keys(zigzag, times, np.arange(100) % 20 == 15, np.array([10, 20]))
    assert share == pytest.approx(0.2, abs=0.11)


# ------------------------------------------------------------------------------ takes


def take_of(
    percent: NDArray[np.floating],
    *,
    tiles: float = 1.0,
    rest: float = 0.0,
    shots: Sequence[float] | None = None,
    motion: float | NDArray[np.floating] = 0.0,
    keys: NDArray[np.bool_] | None = None,
    rate: Fraction = Fraction(RATE),
    width: int = 0,
    **changes: Any,
) -> Measured:
    """Make readings in which a share of the tiles is as sharp as told.

    The rest go along by so much of it, as where noise lies beside their detail.
    """
    setup = setup_of({f"hunting.{k}": v for k, v in changes.items()}, rate=rate)
    n = len(percent)
    store = ColumnStore(
        {
            f"{m.name}.{c.name}": c.width if c.width > 1 else 0
            for m in MEASURES
            for c in m.columns
        }
        | {"focus.tile_across": 48}
    )
    detail = np.full((n, 48), 2.0)
    whole, sharp = round(48 * tiles), np.asarray(percent)[:, None] / 100.0
    detail[:, :whole] *= sharp
    detail[:, whole:] *= 1.0 - rest * (1.0 - sharp)
    values: dict[str, NDArray[Any]] = {
        "focus.tile_detail": detail,
        "focus.tile_across": np.full((n, 48), 0.5),
        "framing.shot": np.zeros(n) if shots is None else np.array(shots),
        "framing.motion_percent": np.full(n, motion),
    }
    if keys is not None:
        values["hunting.key"] = keys
    store.extend(values, n)
    readings = Readings("picture", 1 / rate, np.arange(n + 1), store)
    measured = Measured(info_of(rate=rate, width=width), setup.limits, readings, (), {})
    for m in (focus.MEASURE, MEASURE):
        assert m.derive is not None
        for name, derived in m.derive(measured).items():
            store.add(f"{m.name}.{name}", derived)
    return measured


def hunts(measured: Measured) -> list[Finding]:
    return [f for f in find(measured, MEASURES) if f.rule == "focus.hunting"]


def level(
    hz: float, trough: float, swings: float, *, before: int = 50, after: int = 50
) -> NDArray[np.float64]:
    """Sharpness in percent: level, some swings down to `trough` and back, level."""
    times = np.arange(round(swings * RATE / hz)) / RATE
    low = math.log(trough / 100)
    swing = 100 * np.exp(0.5 * low * (1 - np.cos(2 * math.pi * hz * times)))
    return np.concatenate([np.full(before, 100.0), swing, np.full(after, 100.0)])


@pytest.mark.parametrize(("frames", "number"), [(0, 1), (10, 1), (40, 0)])
def test_a_moment_of_motion_does_not_end_it(frames: int, number: int) -> None:
    percent = level(0.7, 25, 4)
    motion = np.zeros(len(percent))
    middle = len(percent) // 2
    motion[middle - frames // 2 : middle + frames // 2] = 1.0
    found = hunts(take_of(percent, motion=motion))
    assert len(found) == number
    assert all(f.end_frame - f.start_frame > 3 * RATE / 0.7 for f in found)


@pytest.mark.parametrize("hz", [0.4, 1.0, 3.0])
@pytest.mark.parametrize(
    ("trough", "grade"), [(55, Grade.REVIEW), (25, Grade.REJECT), (80, None)]
)
def test_hunting_is_found_with_frequency_and_depth(
    hz: float, trough: float, grade: Grade | None
) -> None:
    percent = level(hz, trough, 4)
    found = hunts(take_of(percent))
    if grade is None:
        assert found == []
        return
    (finding,) = found
    assert finding.grade is grade
    # At 3 Hz a trough may fall between frames: half a frame off, 0.93 of the depth.
    assert finding.worst == pytest.approx(100 - trough, abs=6 if hz > 2 else 1)
    assert f"{hz:.1f} Hz" in finding.message
    slack = 0.25 * RATE / hz + 1
    assert finding.start_frame == pytest.approx(50, abs=slack)
    assert finding.end_frame == pytest.approx(len(percent) - 50, abs=slack)
    assert "autofocus" in finding.advice


@pytest.mark.parametrize("swings", [1, 2])
def test_focusing_by_hand_is_no_hunt(swings: int) -> None:
    percent = level(0.8, 30, swings)
    assert hunts(take_of(percent)) == []
    assert len(hunts(take_of(percent, least_swings=swings))) == 1


def test_a_hand_over_part_of_the_picture_is_no_hunt() -> None:
    percent = level(1.0, 30, 4)
    assert hunts(take_of(percent, tiles=0.4)) == []
    assert hunts(take_of(percent, tiles=0.55)) == []
    assert len(hunts(take_of(percent, tiles=0.8))) == 1


def test_tiles_that_noise_flattens_go_along_with_the_lens() -> None:
    percent = level(1.0, 30, 4)
    assert len(hunts(take_of(percent, tiles=0.55, rest=0.3))) == 1
    # As when a hand moves over half of the picture.
    assert hunts(take_of(percent, tiles=0.55, rest=0.0)) == []


def test_a_moving_picture_is_not_looked_at_and_said_so() -> None:
    percent = level(1.0, 30, 4)
    measured = take_of(percent, motion=0.5)
    assert hunts(measured) == []
    assert np.isnan(column(measured, "hunting.swing_percent")).all()
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert "could be told nowhere" in note


def tremor(n: int) -> NDArray[np.float64]:
    """Motion of a picture in the hand, percent of the width a frame: 0.08 to 0.24."""
    t = np.arange(n) / RATE
    return 0.16 + 0.05 * np.sin(2 * math.pi * 2.3 * t) + 0.03 * np.sin(11.0 * t)


def test_hunting_in_the_hand_is_found() -> None:
    percent = level(1.0, 30, 4)
    (finding,) = hunts(take_of(percent, motion=tremor(len(percent)), width=640))
    assert finding.start_frame == pytest.approx(50, abs=8)
    assert finding.end_frame == pytest.approx(len(percent) - 50, abs=8)
    # What a shutter open all the time may have smeared is taken off.
    assert 55 < finding.worst <= 71


def test_sharpness_that_swings_with_the_hand_is_no_hunt() -> None:
    # Each time the hand moves the shutter smears the picture, and each time it rests
    # it is sharp.
    percent = level(1.0, 30, 4)
    moved = 0.12 + 0.14 * (1 - percent / 100)
    assert hunts(take_of(percent, motion=moved, width=640)) == []
    # Sharper while it moves is no smear.
    moved = 0.12 + 0.14 * (percent / 100)
    assert len(hunts(take_of(percent, motion=moved, width=640))) == 1


def test_each_shot_is_followed_by_itself() -> None:
    # Cuts between two framings, one softer, are no swings.
    percent = np.where((np.arange(200) // 12) % 2, 40.0, 100.0)
    shots = (np.arange(200) // 12) % 2
    assert hunts(take_of(percent, shots=shots.tolist())) == []


def test_a_framing_that_ends_while_the_picture_rests_does_not_part_a_hunt() -> None:
    # A head before a wall moves off, little by little: the shot is another, the place
    # the lens looks at is not. At a cut nobody knows the motion.
    percent = level(0.7, 25, 4)
    half = len(percent) // 2
    shots = np.where(np.arange(len(percent)) < half, 0.0, 1.0).tolist()
    (found,) = hunts(take_of(percent, shots=shots))
    assert found.end_frame - found.start_frame > 3 * RATE / 0.7
    motion = np.zeros(len(percent))
    motion[half] = math.nan
    assert hunts(take_of(percent, shots=shots, motion=motion)) == []


@pytest.mark.parametrize("upward", [True, False])
def test_detail_that_comes_or_goes_with_key_frames_is_the_coding(upward: bool) -> None:
    n, group = 250, 24
    place = np.arange(n) % group
    fade = 1.0 - 0.5 * place / group if upward else 0.5 + 0.5 * place / group
    percent = 100.0 * fade
    keys = place == 0
    assert hunts(take_of(percent, keys=keys)) == []
    # The same out of step with the key frames, or of a camera without groups.
    assert len(hunts(take_of(percent, keys=np.roll(keys, 11)))) == 1
    assert len(hunts(take_of(percent, keys=np.ones(n, bool)))) == 1


def test_a_hunt_at_the_pace_of_key_frames_is_still_found() -> None:
    percent = level(RATE / 24, 40, 5, before=36)
    keys = np.arange(len(percent)) % 24 == 0
    assert len(hunts(take_of(percent, keys=keys))) == 1


def test_a_take_without_pictures_or_detail_is_no_trouble() -> None:
    assert hunts(take_of(np.empty(0))) == []
    assert hunts(take_of(np.full(100, math.nan))) == []


def test_the_figure_shows_the_swings() -> None:
    measured = take_of(level(1.0, 40, 4))
    (finding,) = hunts(measured)

    class Result:
        picture = measured.picture
        limits = measured.limits

    assert MEASURE.exhibits is not None
    exhibits: Callable[..., Any] = MEASURE.exhibits
    (exhibit,) = exhibits(cast(TakeResult, Result()), finding)
    assert exhibit.kind == "lines"
    curve, turns = exhibit.lines
    assert curve.x[0] < 0 < curve.x[-1]
    # Eight legs: from the level down and up four times.
    assert len(turns.x) == 9
    assert turns.y[1::2] == pytest.approx(40, abs=1)


# --------------------------------------------------------------------------- pictures


def test_the_reader_notes_key_frames() -> None:
    reader = reader_of(MEASURE, setup_of())
    plain = picture(np.full((40, 60), 90.0))
    key = Picture(
        index=0,
        pts=0,
        y=plain.y,
        cb=plain.cb,
        cr=plain.cr,
        signal=plain.signal,
        key=True,
    )
    assert reader.read(plain) == {"key": 0.0}
    assert reader.read(key) == {"key": 1.0}


def test_swings_of_the_lens_are_found_in_pictures() -> None:
    sharp = scene(200, 320, np.random.default_rng(4))
    random = np.random.default_rng(5)

    def frames() -> Any:
        for i in range(110):
            inside = 25 <= i < 85
            phase = 2 * math.pi * (i - 25) / 20  # 1.25 Hz, three swings
            sigma = 0.7 * (1 - math.cos(phase)) if inside else 0.0
            y = ndimage.gaussian_filter(sharp, sigma) if sigma > 0.05 else sharp
            yield picture(y + random.normal(0, 1, y.shape), index=i)

    (finding,) = hunts(measure(frames(), setup_of(width=320, height=200), MEASURES))
    assert "1.2 Hz" in finding.message or "1.3 Hz" in finding.message
    assert abs(finding.start_frame - 25) <= 8
    assert abs(finding.end_frame - 85) <= 8


def test_a_stretch_too_short_to_compare_with_needs_more_swings() -> None:
    least = math.ceil(default_limits()["hunting.least_swings"])
    for swings, told in ((least + 1, False), (least + 2, True)):
        percent = level(2.0, 30, swings, before=2, after=2)  # 2.2 and 2.7 s
        assert bool(hunts(take_of(percent))) is told
    # The same with rest before and behind it.
    assert hunts(take_of(level(2.0, 30, least)))


@pytest.mark.parametrize("turned", [False, True])
def test_it_ends_where_the_swings_end(turned: bool) -> None:
    # Sharpness wanders by itself before and after, further up than it swings.
    percent = level(1.0, 30, 3, before=0, after=0) * 0.8
    rise = np.linspace(percent[-1], 100.0, 60)
    percent = np.concatenate([np.full(40, 80.0), percent, rise])
    percent = percent[::-1] if turned else percent
    (found,) = hunts(take_of(percent))
    first = len(rise) if turned else 40
    # From 10 to 90 % of the way: a sine takes a tenth of its period to leave a level.
    assert abs(found.start_frame - first) <= 0.15 * RATE
    assert abs(found.end_frame - (first + 3 * RATE)) <= 0.15 * RATE


def test_what_hunts_is_not_told_as_soft_too() -> None:
    def rules(percent: NDArray[np.float64]) -> list[tuple[str, int, int]]:
        measured = take_of(percent)
        found = find(measured, MEASURES)
        return [(f.rule, f.start_frame, f.end_frame) for f in found]

    swings = level(0.7, 20, 3)
    assert [rule for rule, *_ in rules(swings)] == ["focus.hunting"]
    # What stays soft after it is soft; and what never comes back is soft throughout.
    stays = np.concatenate([swings[: -50 - 18], np.full(60, 20.0), np.full(40, 100.0)])
    (hunting_is, soft_is) = sorted(rules(stays))
    assert (hunting_is[0], soft_is[0]) == ("focus.hunting", "focus.soft")
    assert soft_is[1] >= hunting_is[2] - 2
    assert soft_is[2] == len(stays) - 40
    low = np.concatenate([np.full(80, 100.0), 0.4 * level(0.7, 20, 3, before=0)])
    assert {rule for rule, *_ in rules(low)} == {"focus.hunting", "focus.soft"}


def test_kinds_of_coded_frames_are_no_hunt() -> None:
    # Every fourth frame keeps more of the noise, here and there the second too.
    random = np.random.default_rng(7)
    n = 250
    percent = np.where(np.arange(n) % 4 == 0, 95.0, 62.0)
    percent[2::4] = random.choice([62.0, 75.0], percent[2::4].size)
    percent *= np.exp(random.normal(0, 0.04, n))
    assert hunts(take_of(percent)) == []


def test_kinds_of_frames_that_waver_slowly_are_no_hunt() -> None:
    # The mean of a few frames goes to and fro too, by less than the frames do.
    n = 200
    slowly = np.exp(0.1 * np.sin(2 * math.pi * np.arange(n) / 37))
    percent = np.where(np.arange(n) % 4 == 0, 92.0, 65.0) * slowly
    percent *= np.exp(np.random.default_rng(0).normal(0, 0.025, n))
    assert hunts(take_of(percent)) == []
