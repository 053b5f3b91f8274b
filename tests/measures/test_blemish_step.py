"""The moment a drop lands: drawn frames whose steps are known by construction."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.spotdrop import drop_of
from qc.measures.parts.spots.spotstep import BESIDE, Frame, Step, frame_of, steps_in

Map = NDArray[np.float32]
H, W, N, AT = 136, 240, 30, 14
X, Y, RADIUS = 140, 60, 8


def scene() -> Map:
    """Return a textured ground, percent of black-to-white."""
    fine = np.random.default_rng(3).normal(0, 1, (H, W)).astype(np.float32)
    return np.asarray(45 + 50 * cv2.GaussianBlur(fine, (0, 0), 3.0), np.float32)


def disc(x: float = X, y: float = Y, radius: float = RADIUS) -> Map:
    rows, columns = np.mgrid[:H, :W].astype(np.float32)
    far = np.hypot(columns - x, rows - y) / radius
    return np.asarray(np.clip((1.25 - far) / 0.5, 0, 1), np.float32)


def frames(change: Callable[[Map, int], Map], seconds: float = 0.04) -> list[Frame]:
    random, ground = np.random.default_rng(4), scene()
    out = []
    for i in range(N):
        percent = change(ground.copy(), i) + random.normal(0, 0.3, (H, W))
        out.append(frame_of(percent.astype(np.float32), i, i * seconds))
    return out


def drop(image: Map, i: int) -> Map:
    """Take 40 % and blur what lies behind."""
    under = 0.6 * cv2.GaussianBlur(image, (0, 0), 2.0)
    return np.asarray(image + disc() * (under - image)) if i >= AT else image


def steps(change: Callable[[Map, int], Map], seconds: float = 0.04) -> list[Step]:
    return list(steps_in(frames(change, seconds), BESIDE))


@pytest.mark.parametrize("seconds", [0.04, 0.1])
def test_drop_is_told_to_the_frame(seconds: float) -> None:
    came = steps(drop, seconds)
    assert came
    for step in came:
        assert (step.row, step.without) == (AT, AT - 1)
        found = drop_of(step)
        assert found is not None
        assert found.row == AT
        assert found.level < 0
        assert (found.x + found.w / 2) * W == pytest.approx(X, abs=3)
        assert (found.y + found.h / 2) * H == pytest.approx(Y, abs=3)


def test_drop_that_spreads_over_two_frames_is_told() -> None:
    def spreads(image: Map, i: int) -> Map:
        return np.asarray((image + drop(image, i)) / 2) if i == AT else drop(image, i)

    assert {step.row for step in drops(spreads)} in ({AT}, {AT + 1})


def test_only_the_frames_asked_for_are_looked_at() -> None:
    assert list(steps_in(frames(drop), AT + 2)) == []


def test_what_moves_in_is_no_step() -> None:
    def moves_in(image: Map, i: int) -> Map:
        left = max(AT + 6 - i, 0)
        return np.asarray(image + disc(X + 6 * left) * (20 - image))

    assert [s for s in steps(moves_in) if drop_of(s) is not None] == []


def test_what_comes_and_goes_is_no_step() -> None:
    def blinks(image: Map, i: int) -> Map:
        return drop(image, i) if i < AT + 2 else image

    assert steps(blinks) == []


def test_what_does_not_show_what_was_behind_is_no_drop() -> None:
    stripes = 15 + 30 * (np.arange(W, dtype=np.float32) // 4 % 2) * np.ones((H, 1))

    def opaque(image: Map, i: int) -> Map:
        return np.asarray(image + disc() * (stripes - image)) if i >= AT else image

    assert [s for s in steps(opaque) if drop_of(s) is not None] == []


def test_glint_that_goes_out_is_no_drop() -> None:
    def goes_out(image: Map, i: int) -> Map:
        smooth = np.full_like(image, 45)
        return np.asarray(smooth + disc() * 40) if i < AT else smooth

    assert [s for s in steps(goes_out) if drop_of(s) is not None] == []


def test_frames_that_were_held_or_lost_let_nothing_land() -> None:
    # A dark thing walks by and is gone from one frame to the next, as it is where a
    # recorder repeats a frame and then goes on.
    def held(image: Map, i: int) -> Map:
        shown = max(i, AT) if i >= AT else 2
        dots = sum(disc(40 + 2 * shown + 40 * k, 110) for k in range(3))
        return np.asarray(drop(image, i) - 30 * np.clip(dots, 0, 1))

    assert steps(held) == []


def test_nothing_lands_at_a_cut() -> None:
    # Two smooth walls; the second is dark in one compact place.
    def cut(image: Map, i: int) -> Map:
        wall = 0.05 * (image - 45)
        dark = 38 if i == AT else 35
        return 45 + wall if i < AT else 60 - np.flipud(wall) - dark * disc()

    assert steps(cut) == []


def test_too_few_frames_tell_nothing() -> None:
    assert list(steps_in(frames(drop)[: 2 * BESIDE], 0)) == []


def drops(change: Callable[[Map, int], Map]) -> list[Step]:
    return [step for step in steps(change) if drop_of(step) is not None]


def test_drop_lands_though_a_hand_passes_beside_it() -> None:
    # A bright hand, 16 px wide, is beside the place six frames before the drop comes,
    # and moves on all the time, four px a frame.
    def passes(image: Map, i: int) -> Map:
        hand = disc(X - 18 + 4 * (i - AT + 6), Y - 24, 8)
        return np.asarray(drop(image, i) * (1 - hand) + 75 * hand)

    assert {step.row for step in drops(passes)} == {AT}


@pytest.mark.parametrize(("loss", "speed", "every"), [(0.15, 5, 12), (0.25, 4, 20)])
def test_weak_drop_lands_before_white_while_bars_run_on_beside_it(
    loss: float, speed: int, every: int
) -> None:
    # The bars change twice as much of what lies around it as anything may that comes
    # with a drop, but just so in the frames before and after.
    rows, columns = np.mgrid[:H, :W]
    left = X + 1.25 * RADIUS + (2 if every == 12 else 4)
    near = np.clip(columns - left, 0, 1) * (columns < left + 40)

    def runs_on(image: Map, i: int, lost: float = loss) -> Map:
        bars = ((rows + speed * i) % every < every // 2) * near
        white = 90 + 0.05 * (image - 45)
        if i >= AT:
            white = white * (1 - lost * disc())
        return np.asarray(white * (1 - bars) + 60 * bars, np.float32)

    assert {step.row for step in drops(runs_on)} == {AT}
    assert drops(lambda image, i: runs_on(image, i, 0.0)) == []


def test_place_is_asked_for_its_lasting_change() -> None:
    # Where the drop comes a bright thing passes eight frames before: that changes
    # the place by more, but not for long.
    def passes(image: Map, i: int) -> Map:
        return image + 50 * disc() if i == AT - 8 else drop(image, i)

    assert {step.row for step in drops(passes)} == {AT}


def test_drop_on_something_bright_is_no_glint_that_goes_out() -> None:
    # It leaves a glove as dark as what is around the glove; the glove's grain stays.
    def glove(image: Map, i: int) -> Map:
        lit = image + 3 * (image - 45) + 35 * disc(radius=7)
        return np.asarray(lit * (1 - 0.45 * disc(radius=7) * (i >= AT)))

    assert {step.row for step in drops(glove)} == {AT}


@pytest.mark.parametrize("angle", [0, 90, 200])
def test_what_slides_in_within_a_frame_is_no_drop(angle: float) -> None:
    # Two fifths of it cover the place in one frame, all of it in the next: a drop that
    # lands meanwhile would show all of it, two fifths as dark.
    turn = np.deg2rad(angle)

    def slides(image: Map, i: int) -> Map:
        if i < AT:
            return image
        away = 9.0 if i == AT else 0.0
        at = disc(X + away * np.cos(turn), Y + away * np.sin(turn))
        return np.asarray(image * (1 - 0.5 * at))

    assert drops(slides) == []


def test_shadow_that_comes_within_three_frames_is_no_drop() -> None:
    # That of a finger that slows down.
    def slows(image: Map, i: int) -> Map:
        share = {AT - 2: 0.2, AT - 1: 0.5}.get(i, float(i >= AT))
        return np.asarray(image * (1 - 0.4 * share * disc()))

    assert drops(slows) == []


def test_drop_over_the_edge_of_two_things_is_told() -> None:
    # A dark line through its middle becomes lighter, by the blur.
    def edge(image: Map, i: int) -> Map:
        image[:, X + 3 :] *= 1.6
        image[:, X - 1 : X + 3] *= 0.3
        return drop(image, i)

    assert {step.row for step in drops(edge)} == {AT}


def test_drop_is_told_while_something_moves_against_its_rim() -> None:
    # Lines to its left run on, half as strong as the drop.
    def runs(image: Map, i: int) -> Map:
        lines = 6 * np.sin(0.8 * (np.arange(W) + 2 * i))
        lines[X - 12 :] = 0
        return drop(image + np.float32(lines), i)

    assert {step.row for step in drops(runs)} == {AT}


def test_much_that_changes_around_it_then_is_no_drop() -> None:
    def shadow(image: Map, i: int) -> Map:
        wide = disc(X, Y, 24) * 0.25 if i >= AT else np.float32(0)
        return np.asarray(drop(image, i) * (1 - wide))

    assert drops(shadow) == []


@pytest.mark.parametrize(
    ("off", "phase"), [(12, 0.8), (12, 2.3), (12, 3.0), (0, 0.0), (0, 3.0)]
)
def test_drop_lands_on_an_instrument_that_goes_to_and_fro(
    off: int, phase: float
) -> None:
    # A bright rod, 6 px wide, sways under the drop or its rim all the time: the drop
    # and the rod change places that touch.
    columns = np.arange(W, dtype=np.float32)

    def sways(image: Map, i: int) -> Map:
        ground = np.clip(45 + 2.5 * (image - 45), 4, 95)
        middle = X + off + 8 * np.sin(0.08 * (i - AT) + phase)
        rod = np.clip(3.5 - np.abs(columns - middle), 0, 1)
        return drop(np.asarray(ground * (1 - rod) + 80 * rod, np.float32), i)

    assert {step.row for step in drops(sways)} == {AT}


def test_rod_that_jerks_while_it_sways_is_no_drop() -> None:
    columns = np.arange(W, dtype=np.float32)

    def jerks(image: Map, i: int) -> Map:
        middle = X + 8 * np.sin(0.3 * i) + 12 * (i >= AT)
        rod = np.clip(3.5 - np.abs(columns - middle), 0, 1)
        return np.asarray(image * (1 - rod) + 80 * rod, np.float32)

    assert drops(jerks) == []


def at_border(x: float, y: float) -> Callable[[Map, int], Map]:
    """Return what darkens a disc whose middle lies there."""

    def lands(image: Map, i: int) -> Map:
        under = 0.6 * cv2.GaussianBlur(image, (0, 0), 2.0)
        return np.asarray(image + disc(x, y) * (i >= AT) * (under - image))

    return lands


@pytest.mark.parametrize(("x", "y"), [(X, 10), (X, H - 11), (10, Y), (W - 11, Y)])
def test_drop_that_touches_the_border_is_told(x: float, y: float) -> None:
    assert {step.row for step in drops(at_border(x, y))} == {AT}


@pytest.mark.parametrize(("x", "y"), [(X, -2), (X, H + 1), (-2, Y), (W + 1, Y)])
def test_what_may_reach_in_from_outside_is_no_drop(x: float, y: float) -> None:
    # Most of it lies outside of the picture, as the tip of a finger does.
    assert drops(at_border(x, y)) == []


def test_drop_is_told_however_much_else_moves() -> None:
    # Dark and bright rods run across, each changing more than the drop in every frame.
    random = np.random.default_rng(11)
    rods = random.uniform(0, W, 14), random.uniform(3, 6, 14), 80 * (np.arange(14) % 2)
    rows = [(9, 28), (96, 115)]

    def runs(image: Map, i: int) -> Map:
        for k, (start, speed, level) in enumerate(zip(*rods, strict=True)):
            x = int(start + speed * i) % W
            top, low = rows[k % 2]
            image[top:low, x : x + 12] = 8 + level
        return drop(image, i)

    assert AT in {step.row for step in drops(runs)}
