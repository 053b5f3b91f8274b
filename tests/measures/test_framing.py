"""Framing: cuts to the frame, pans, returns, and what must not break a shot.

Second opinions: `numpy.corrcoef`, scikit-image's registration, colour-science for the
iris.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import colour
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage import registration

from qc.measures.base import Measured
from qc.measures.framing import MEASURE, correlation, displacement, thumbnail
from qc.signal import Signal
from tests.pictures import (
    Image,
    codes,
    column,
    measure,
    picture,
    scene,
    setup_of,
)

HEIGHT, WIDTH = 270, 480
# Three pictures that have nothing to do with each other; the first one larger, to pan
# over.
WIDE = scene(HEIGHT, 3 * WIDTH, np.random.default_rng(11))
ONE = WIDE[:, :WIDTH]
TWO = scene(HEIGHT, WIDTH, np.random.default_rng(12))
THREE = scene(HEIGHT, WIDTH, np.random.default_rng(13))
FLAT = np.full((HEIGHT, WIDTH), 110.0)
BLACK = np.full((HEIGHT, WIDTH), 16.0)


def frame_of(
    images: Sequence[Image], signal: Signal | None = None, **facts: Any
) -> Measured:
    signal = Signal() if signal is None else signal
    pictures = (
        picture(codes(image, signal), signal=signal, index=i)
        for i, image in enumerate(images)
    )
    return measure(pictures, setup_of(signal=signal, **facts), [MEASURE])


def shots(images: Sequence[Image], signal: Signal | None = None) -> list[int]:
    return [int(n) for n in column(frame_of(images, signal), "framing.shot")]


def motion(images: Sequence[Image]) -> list[float]:
    return [float(v) for v in column(frame_of(images), "framing.motion_percent")]


def opened(image: Image, stops: float) -> Image:
    """Open the iris: scene light times 2^stops, clipped at 109 % by the camera."""
    light = colour.models.oetf_inverse_BT709((image - 16) / 219)
    signal = np.asarray(colour.models.oetf_BT709(light * 2**stops))
    return np.minimum(signal, 1.09) * 219 + 16


def blurred(image: Image, sigma: float) -> Image:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float64)


def at(x: float, *, y: float = 0.0) -> Image:
    """Look at the wide picture from x, y pixels off, with a camera's interpolation."""
    shift = np.array([[1.0, 0.0, -x], [0.0, 1.0, -y]])
    return np.asarray(
        cv2.warpAffine(
            WIDE, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderMode=4
        ),
        np.float64,
    )


# ------------------------------------------------------------------------- arithmetic


@given(st.integers(0, 2**32 - 1))
def test_thumbnails_correlate_as_numpy_says(number: int) -> None:
    random = np.random.default_rng(number)
    a, b = random.uniform(0, 100, (2, 60, 80)).astype(np.float32)
    one, two = thumbnail(a), thumbnail(b)
    assert one is not None
    assert two is not None
    expected = np.corrcoef(one.ravel(), two.ravel())[0, 1]
    assert correlation(one, two) == pytest.approx(float(expected), abs=1e-5)
    assert correlation(one, one) == pytest.approx(1.0, abs=1e-5)
    brighter = thumbnail(1.5 * a + 7)
    assert brighter is not None
    assert correlation(one, brighter) == pytest.approx(1.0, abs=1e-5)


def test_a_flat_picture_has_no_thumbnail() -> None:
    assert thumbnail(np.full((27, 48), 50, np.float32)) is None
    faint = np.full((27, 48), 50, np.float32)
    faint[::2] += 0.5
    assert thumbnail(faint) is None


def coarse(image: Image) -> Any:
    small = cv2.resize(image, (96, 54), interpolation=cv2.INTER_AREA)
    return small.astype(np.float32)


@settings(max_examples=40, deadline=None)
@given(st.floats(-30, 30), st.floats(-20, 20))
def test_displacement_finds_a_known_shift(x: float, y: float) -> None:
    # Shifts of up to 6 % of the width and 7 % of the height, in pixels of 480 x 270.
    before, after = at(WIDTH), at(WIDTH + x, y=y)
    d = displacement(coarse(before), coarse(after))
    # Looking further right moves the picture to the left. A tenth of a percent is half
    # a pixel here.
    assert 100 * d.x == pytest.approx(-100 * x / WIDTH, abs=0.15)
    assert 100 * d.y == pytest.approx(-100 * y / HEIGHT, abs=0.27)
    assert d.fit > 0.8
    assert d.fit >= d.fit_in_place - 1e-6


@pytest.mark.parametrize(
    ("x", "y"), [(0.0, 0.0), (7.3, 0.0), (-18.0, 5.5), (2.5, -9.0)]
)
def test_displacement_agrees_with_another_library(x: float, y: float) -> None:
    before, after = coarse(at(WIDTH)), coarse(at(WIDTH + x, y=y))
    d = displacement(before, after)
    window = np.outer(np.hanning(54), np.hanning(96))
    register: Callable[..., tuple[Any, ...]] = registration.phase_cross_correlation
    shift, _, _ = register(
        before * window, after * window, upsample_factor=20, normalization=None
    )
    # In cells of 1/96 and 1/54; scikit-image tells how to shift `after` back.
    assert d.x * 96 == pytest.approx(-float(shift[1]), abs=0.5)
    assert d.y * 54 == pytest.approx(-float(shift[0]), abs=0.5)


@pytest.mark.parametrize("sigma", [2.0, 5.0, 10.0])
@pytest.mark.parametrize("noise", [0.0, 6.0])
def test_defocus_and_noise_are_no_displacement(sigma: float, noise: float) -> None:
    random = np.random.default_rng(5)
    before = ONE + random.normal(0, noise, ONE.shape)
    after = blurred(ONE, sigma) + random.normal(0, noise, ONE.shape)
    d = displacement(coarse(before), coarse(after))
    assert 100 * abs(d.x) < 0.3
    assert 100 * abs(d.y) < 0.3
    assert d.fit - d.fit_in_place < 0.01


# ------------------------------------------------------------------------------ shots


@pytest.mark.parametrize("cut", [1, 7, 19])
def test_a_cut_begins_a_shot_at_its_very_frame(cut: int) -> None:
    assert shots([ONE] * cut + [TWO] * (20 - cut)) == [0] * cut + [1] * (20 - cut)


@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("full", [False, True])
def test_cuts_are_found_in_every_kind_of_signal(bits: int, full: bool) -> None:
    signal = Signal(bit_depth=bits, full_range=full)
    assert shots([ONE] * 3 + [TWO] * 3, signal) == [0, 0, 0, 1, 1, 1]


@pytest.mark.parametrize("stops", [-3.0, -1.0, 1.0, 2.0, 3.0])
def test_the_iris_does_not_break_a_shot(stops: float) -> None:
    changed = opened(ONE, stops)
    if stops >= 2:
        # A good part of the picture is burnt out flat.
        assert np.mean(changed >= 254) > 0.05 * (stops - 1)
    assert shots([ONE] * 5 + [changed] * 5 + [ONE] * 5) == [0] * 15


@pytest.mark.parametrize("sigma", [2.0, 5.0, 12.0])
def test_defocus_does_not_break_a_shot(sigma: float) -> None:
    # Sigma 12 at 480 wide is 48 pixels at 1920: nothing can be recognised any more.
    soft = blurred(ONE, sigma)
    assert shots([ONE] * 5 + [soft] * 5 + [ONE] * 5) == [0] * 15
    assert shots([soft] * 5 + [ONE] * 5) == [0] * 10


def test_a_hand_in_the_picture_does_not_break_a_shot() -> None:
    images = []
    for left in range(-120, 480, 40):
        image = ONE.copy()
        image[60:, max(left, 0) : max(left + 120, 0)] = 90
        images.append(image)
    assert shots([ONE, *images, ONE]) == [0] * (len(images) + 2)
    assert max(motion([ONE, *images, ONE])[1:]) < 0.3


def test_a_slow_pan_begins_a_shot_once_tiles_hold_other_things() -> None:
    # 0.5 % of the width a frame. Likeness is left out of it: only the pan counts.
    step = WIDTH * 0.005
    images = [at(WIDTH // 2 + step * i) for i in range(60)]
    measured = frame_of(images, changes={"framing.same_shot_correlation": 0.0})
    numbers = column(measured, "framing.shot").tolist()
    assert numbers[0] == 0
    assert numbers == sorted(numbers)
    # Half a tile is a sixteenth of the width; 29.5 % are four times as much and more.
    assert 0.5 * numbers.index(1) == pytest.approx(100 / 16, abs=0.6)
    assert numbers[-1] == 4
    # With likeness, shots may only be shorter.
    assert shots(images).index(1) <= numbers.index(1)


def test_a_picture_that_stays_within_half_a_tile_is_one_shot() -> None:
    x = WIDTH // 2 + WIDTH / 35 * np.sin(np.arange(40) / 3)
    assert shots([at(v) for v in x]) == [0] * 40


def test_going_back_takes_up_the_earlier_shot() -> None:
    images = [ONE] * 3 + [TWO] * 3 + [ONE] * 3 + [THREE] * 3 + [TWO] * 2
    assert shots(images) == [0] * 3 + [1] * 3 + [0] * 3 + [2] * 3 + [1] * 2


def test_going_back_works_at_another_exposure_and_focus() -> None:
    back = blurred(opened(ONE, 1.0), 2.0)
    assert shots([ONE] * 2 + [TWO] * 2 + [back] * 2) == [0, 0, 1, 1, 0, 0]


def test_the_framing_seen_longest_ago_is_forgotten_first() -> None:
    random = np.random.default_rng(21)
    others = [scene(HEIGHT, WIDTH, random) for _ in range(7)]
    # Eight are remembered; coming back to the first keeps it in mind.
    numbers = shots([ONE, *others[:4], ONE, *others[4:], ONE])
    assert (numbers[0], numbers[5], numbers[-1]) == (0, 0, 0)
    assert max(numbers) == 7
    more = [scene(HEIGHT, WIDTH, random) for _ in range(2)]
    numbers = shots([ONE, *others, *more, ONE])
    assert numbers[-1] == 10


@pytest.mark.parametrize("nothing", [FLAT, BLACK])
def test_flat_and_black_frames_carry_on(nothing: Image) -> None:
    numbers = shots(
        [nothing] * 2 + [ONE] * 3 + [nothing] * 2 + [ONE, TWO, nothing, TWO]
    )
    assert numbers == [0] * 8 + [1] * 3
    likeness = column(frame_of([nothing, ONE, nothing]), "framing.likeness")
    assert np.isnan(likeness).tolist() == [True, False, True]


def test_a_damaged_picture_is_not_looked_at() -> None:
    pictures = [
        picture(image, index=i, damaged=i == 2)
        for i, image in enumerate([ONE, ONE, TWO, ONE, ONE])
    ]
    measured = measure(pictures, setup_of(), [MEASURE])
    assert column(measured, "framing.shot").tolist() == [0] * 5
    moved = column(measured, "framing.motion_percent")
    assert np.isnan(moved).tolist() == [True, False, True, True, False]


def test_the_limit_of_likeness_can_be_set() -> None:
    other = 0.6 * ONE + 0.4 * TWO
    images = [ONE] * 2 + [other] * 2

    def count(limit: float) -> object:
        setup = setup_of({"framing.same_shot_correlation": limit})
        pictures = [picture(image, index=i) for i, image in enumerate(images)]
        return measure(pictures, setup, [MEASURE]).totals["framing"]["shots"]

    assert (count(0.5), count(0.99)) == (1, 2)


def test_likeness_is_the_correlation_with_the_first_frame() -> None:
    other = 0.7 * ONE + 0.3 * TWO
    likeness = column(frame_of([ONE, other]), "framing.likeness")

    def means(image: Image) -> Image:
        return np.asarray(cv2.resize(image, (48, 27), interpolation=cv2.INTER_AREA))

    expected = np.corrcoef(means(ONE).ravel(), means(other).ravel())[0, 1]
    assert likeness.tolist() == pytest.approx([1.0, float(expected)], abs=0.01)


# ----------------------------------------------------------------------------- motion


@pytest.mark.parametrize("percent", [0.0, 0.2, 0.5, 1.0, 3.0])
def test_motion_is_the_speed_of_the_pan(percent: float) -> None:
    step = WIDTH * percent / 100
    speeds = motion([at(WIDTH // 2 + step * i) for i in range(12)])
    assert np.isnan(speeds[0])
    assert np.median(speeds[1:]) == pytest.approx(percent, abs=0.05 + 0.05 * percent)


def test_motion_up_and_down_is_in_percent_of_the_width_too() -> None:
    speeds = motion([at(WIDTH, y=2.0 * i) for i in range(8)])
    assert np.median(speeds[1:]) == pytest.approx(100 * 2 / WIDTH, abs=0.1)


def test_a_still_camera_reads_no_motion_whatever_the_noise() -> None:
    random = np.random.default_rng(4)
    images = [ONE + random.normal(0, 8, ONE.shape) for _ in range(10)]
    assert max(motion(images)[1:]) < 0.05
    soft = [blurred(image, 4.0) for image in images]
    assert max(motion(soft)[1:]) < 0.05


def test_motion_across_a_cut_is_unknown() -> None:
    speeds = motion([ONE, ONE, TWO, TWO])
    assert np.isnan(speeds).tolist() == [True, False, True, False]


def test_the_summary_tells_shots_and_motion() -> None:
    step = WIDTH * 0.01
    images = [ONE] * 10 + [TWO] * 10 + [at(WIDTH + step * i) for i in range(10)]
    measured = frame_of(images)
    assert MEASURE.summarise is not None
    summary = MEASURE.summarise(measured)
    assert summary["shots"] == len(set(column(measured, "framing.shot").tolist()))
    assert summary["motion_median_percent"] == pytest.approx(0, abs=0.05)
    assert summary["motion_p95_percent"] == pytest.approx(1, abs=0.1)
