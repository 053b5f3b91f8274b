"""Whether a place is seen through a drop: drawn pairs, known to the number."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.spotstep import ring_of
from qc.measures.parts.spots.spotthrough import Through, through

Map = NDArray[np.float32]
H, W, RADIUS = 60, 60, 9.0
FOOT = 5.0  # percent, added before logarithms are taken
GAIN = 0.6


def scene(number: int = 3, rough: float = 12.0, grain: float = 1.2) -> Map:
    """Return a textured ground of 45 %, percent of black-to-white."""
    fine = np.random.default_rng(number).normal(0, 1, (H, W)).astype(np.float32)
    smooth = cv2.GaussianBlur(fine, (0, 0), grain)
    return np.asarray(45 + rough * smooth / smooth.std(), np.float32)


def disc(soft: float = 0.5, radius: float = RADIUS) -> Map:
    """Return the share of a disc; its rim is so wide, of the radius."""
    rows, columns = np.mgrid[:H, :W].astype(np.float32)
    away = np.hypot(columns - W / 2, rows - H / 2) / radius
    return np.asarray(np.clip((1 + soft / 2 - away) / soft, 0, 1), np.float32)


def seen(before: Map, after: Map, *, surely: bool = False) -> Through | None:
    inside = disc() > 0.4
    noise = np.random.default_rng(7).normal(0, 0.1, (2, H, W)).astype(np.float32)
    sides = before + noise[0], after + noise[1]
    return through(*sides, inside, ring_of(inside), surely=surely)


def filtered(
    before: Map, *, gain: float = GAIN, blur: float = 2.2, veil: float = 0.0
) -> Map:
    """Return a scene through a drop: blurred, less of it, and light of its own."""
    under = gain * cv2.GaussianBlur(before, (0, 0), blur) if blur else gain * before
    return np.asarray(before + disc() * (under + veil - before), np.float32)


def test_drop_that_darkens_is_told_by_how_much() -> None:
    before = scene()
    told = seen(before, filtered(before))
    assert told is not None
    # The rim takes less than the middle does.
    inside = disc() > 0.4
    passed = 1 - (1 - GAIN) * float(disc()[inside].mean())
    expected = math.log((45 * passed + FOOT) / (45 + FOOT))
    assert told.level == pytest.approx(expected, abs=0.03)
    assert told.detail < math.log(0.5)  # a blur of 2.2 px leaves little of 1.2 px


@pytest.mark.parametrize(("gain", "veil"), [(0.9, 18.0), (0.8, 25.0)])
def test_drop_that_brightens_is_told(gain: float, veil: float) -> None:
    before = scene(rough=7.0)
    told = seen(before, filtered(before, gain=gain, veil=veil))
    assert told is not None
    assert told.level > 0
    assert told.detail < math.log(0.5)


def test_drop_that_only_blurs_is_told() -> None:
    before = scene()
    told = seen(before, filtered(before, gain=1.0))
    assert told is not None
    assert told.level == pytest.approx(0.0, abs=0.02)
    assert told.detail < math.log(0.5)


@pytest.mark.parametrize("gain", [0.6, 0.8, 1.3])
def test_shadow_or_light_keeps_what_detail_there_was(gain: float) -> None:
    before = scene()
    assert seen(before, filtered(before, gain=gain, blur=0.0)) is None


def test_where_there_is_no_detail_a_shadow_cannot_be_told_from_a_drop() -> None:
    before = scene(rough=0.0)
    told = seen(before, filtered(before, blur=0.0))
    assert told is not None
    assert told.detail == 0.0


def test_only_the_edge_tells_a_drip_on_an_even_ground() -> None:
    before = scene(rough=0.0)

    def drip(soft: float) -> Map:
        lumps = 10 * scene(9, rough=0.15, grain=3.0) - 450
        return np.asarray(before + disc(soft) * (lumps - 0.6 * before), np.float32)

    assert seen(before, drip(0.05)) is None
    assert seen(before, drip(0.6)) is not None


def test_glint_that_goes_out_leaves_what_is_around() -> None:
    after = scene(rough=1.0)
    assert seen(np.asarray(after + 40 * disc()), after) is None


@pytest.mark.parametrize("gain", [0.35, 0.5, 0.7])
def test_drop_half_over_an_edge_is_no_glint_that_goes_out(gain: float) -> None:
    # Bright cloth beside a dark one: what is left of its light is as the dark one's.
    before = scene(rough=1.5)
    before[:, : W // 2 - 6] *= 0.5
    after = filtered(before, gain=gain)
    told = seen(before, after)
    assert told is not None
    light = [float((side + FOOT)[disc() > 0.4].mean()) for side in (before, after)]
    assert told.level == pytest.approx(math.log(light[1] / light[0]), abs=0.01)


def test_other_grain_in_a_place_is_of_the_scene() -> None:
    before, other = scene(3), scene(4)
    after = np.asarray(before + disc() * (0.6 * other - before), np.float32)
    assert seen(before, after) is None


def test_what_changes_nothing_is_not_told() -> None:
    assert seen(scene(), scene()) is None


def test_what_a_drop_takes_by_itself_hides_no_grain() -> None:
    # It takes most in its middle, where the scene is brightest: that turns the slopes
    # of the scene round, but not its grain.
    rows, columns = np.mgrid[:H, :W].astype(np.float32)
    far = (columns - W / 2) ** 2 + (rows - H / 2) ** 2
    grain = 1 + 0.2 * (scene(rough=1.0, grain=2.0) - 45)
    before = np.asarray((20 + 60 * np.exp(-far / 30)) * grain, np.float32)
    assert seen(before, filtered(before, gain=0.2, blur=1.0)) is not None


@pytest.mark.parametrize("gain", [0.5, 0.6, 0.8])
def test_where_it_must_be_sure_something_is_seen_through_it(gain: float) -> None:
    # Half over a bright thing and half over a dark one; or over an even ground, which
    # shows nothing.
    before = scene(rough=2.0)
    before[:, W // 2 :] *= 0.5
    assert seen(before, filtered(before, gain=gain), surely=True) is not None
    even = scene(rough=0.0)
    assert seen(even, filtered(even, gain=gain), surely=True) is None
    assert seen(even, filtered(even, gain=gain)) is not None


def test_where_it_must_be_sure_no_other_grain_will_do() -> None:
    before, other = scene(3, grain=2.5), scene(4, grain=2.5)
    after = np.asarray(before + disc() * (0.6 * other - before), np.float32)
    assert seen(before, after, surely=True) is None


def small(number: int, *, blur: float) -> Through | None:
    """Return how a drop of 4 px is seen that takes half of the light."""
    before, where = scene(number, rough=8.0, grain=2.0), disc(radius=4.2)
    under = 0.5 * (cv2.GaussianBlur(before, (0, 0), blur) if blur else before)
    after = np.asarray(before + where * (under - before), np.float32)
    inside = where > 0.4
    return through(before, after, inside, ring_of(inside))


@pytest.mark.parametrize("number", range(12))
def test_hollow_of_a_small_drop_does_not_pass_for_detail_that_is_kept(
    number: int,
) -> None:
    assert small(number, blur=1.0) is not None


def test_small_shadow_that_keeps_its_detail_is_none() -> None:
    kept = [number for number in range(16) if small(number, blur=0.0) is None]
    # Where a place of 4 px has next to no detail nothing can be told.
    assert set(kept) >= {3, 8}
    assert not any(small(number, blur=1.0) is None for number in kept)


def town(number: int) -> tuple[Map, Map, Map]:
    """Return lit windows, the same with the middle one dark, and where that is."""
    random = np.random.default_rng(number)
    lit, out = np.full((2, H, W), 8, np.float32)
    for row in range(-2, 4):
        for column in range(-3, 4):
            y, x = H // 2 - 3 + 12 * row, W // 2 - 2 + 9 * column
            at = slice(max(y, 0), max(y + 7, 0)), slice(max(x, 0), max(x + 5, 0))
            middle = row == column == 0
            lit[at] = 70 if middle or random.random() < 0.6 else 11
            out[at] = 10 if middle else lit[at]
    one, two = (cv2.GaussianBlur(side, (0, 0), 0.7) for side in (lit, out))
    changed = np.abs(np.log((one + FOOT) / (two + FOOT))) > 0.15
    inside = cv2.dilate(changed.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return one, two, inside


@pytest.mark.parametrize("number", range(6))
def test_window_that_goes_dark_among_lit_ones_is_no_drop(number: int) -> None:
    lit, out, inside = town(number)
    assert through(lit, out, inside, ring_of(inside)) is None


@pytest.mark.parametrize("gain", [0.3, 0.5, 0.7])
@pytest.mark.parametrize("number", range(3))
def test_drop_before_lit_windows_is_told(number: int, gain: float) -> None:
    lit, *_ = town(number)
    assert seen(lit, filtered(lit, gain=gain)) is not None
