"""Focus: closed forms of the Laplacian's variance, noise, edges, and whole takes.

Published and closed-form values are in ``values/focus.toml``. Second opinions: scipy's
filters and scikit-image's blur measure.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import erf
from skimage import measure as skimage_measure

from qc.judge import find
from qc.measures import focus, framing, steadiness
from qc.measures.base import Measured
from qc.measures.focus import MEASURE, noise_sigma, relative_sharpness
from qc.measures.parts.focus import sharpness
from qc.measures.parts.focus.motionblur import edge_share, open_share, unsmeared_rise
from qc.measures.parts.focus.sharpness import (
    across_share,
    blur_radius,
    coarse_contrast,
    crispest_edges,
    edge_rise,
)
from qc.measures.parts.focus.tiles import agreed_share, best_of, tile_weights
from qc.media.probe import probe
from qc.media.reader import TakeReader
from qc.records import Finding, Grade, Picture, Readings, TakeResult
from qc.signal import Signal
from qc.store import ColumnStore
from qc.views import TILE_COLUMNS, TILE_ROWS, laplacian_tiles, luma_pass
from tests.pictures import (
    Image,
    codes,
    column,
    footage,
    info_of,
    measure,
    picture,
    reader_of,
    scene,
    setup_of,
)

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "focus.toml").read_text(encoding="utf-8")
)
RISE_OVER_SIGMA = VALUES["rise"]["rise_over_sigma"]
TEN = Signal(bit_depth=10)
EIGHT = Signal()
SHARP = scene(360, 640, np.random.default_rng(31))
OTHER = scene(360, 640, np.random.default_rng(32))
MEASURES = (framing.MEASURE, focus.MEASURE)
MOVING = (framing.MEASURE, steadiness.MEASURE, focus.MEASURE)


def variance(y: NDArray[Any], signal: Signal = EIGHT) -> float:
    """Variance of the Laplacian over the whole picture, native codes squared."""
    return laplacian_tiles(picture(y, signal=signal)).whole_variance()


def read(y: NDArray[Any], signal: Signal = EIGHT, **facts: Any) -> dict[str, Any]:
    reader = reader_of(MEASURE, setup_of(signal=signal))
    return dict(reader.read(picture(y, signal=signal, **facts)))


def blurred(image: Image, sigma: float) -> Image:
    return np.asarray(ndimage.gaussian_filter(image, sigma, mode="mirror"))


def noisy(image: Image, sigma: float, number: int = 0) -> Image:
    return image + np.random.default_rng(number).normal(0, sigma, image.shape)


def sigma_of(y: NDArray[Any], signal: Signal = EIGHT) -> float:
    p = picture(y, signal=signal)
    return noise_sigma(p.y, black=signal.black, ceiling=signal.ceiling)


# ---------------------------------------------------------------- closed forms, 6.2


@pytest.mark.parametrize("sigma", [4.0, 10.0, 20.0])
def test_white_noise_reads_twenty_times_its_variance(sigma: float) -> None:
    noise = noisy(np.full((600, 800), 126.0), sigma)
    # Rounding to codes adds a twelfth. The estimate of a variance from n samples of a
    # Laplacian, 480 000 here, scatters by about 0.3 %.
    expected = VALUES["noise"]["energy"] * (sigma**2 + 1 / 12)
    assert variance(noise) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("frequency", "expected"), VALUES["sinusoid"]["values"])
def test_a_sinusoid_reads_8_a2_sin4(frequency: float, expected: float) -> None:
    signal = Signal(bit_depth=16, full_range=True)
    scale = 256  # finer codes, so that rounding does not count
    a = VALUES["sinusoid"]["amplitude"]
    # From crest to crest or trough, so that the mirror at the border continues it.
    x = np.arange(513)
    wave = 126 + a * np.cos(2 * np.pi * frequency * x)
    y = np.tile(wave * scale, (64, 1))
    found = variance(y, signal) / scale**2
    assert expected == pytest.approx(
        8 * a**2 * math.sin(math.pi * frequency) ** 4, rel=2e-3
    )
    # One crest of 513 pixels is there twice.
    assert found == pytest.approx(expected, rel=8e-3)


def test_a_checkerboard_reads_64_a2() -> None:
    rows, columns = np.indices((120, 160))
    a = VALUES["checkerboard"]["amplitude"]
    y = 126 + a * (1 - 2 * ((rows + columns) % 2))
    assert variance(y) == VALUES["checkerboard"]["variance"]


def test_a_hard_step_reads_two_h2_over_w() -> None:
    step = VALUES["step"]
    y = np.full((100, step["width"]), 60.0)
    y[:, step["width"] // 2 :] += step["height"]
    assert variance(y) == pytest.approx(step["variance"], rel=1e-12)


@pytest.mark.parametrize(
    ("sigma", "expected", "limit"),
    [
        (s, v, w)
        for (s, v), (_, w) in zip(
            VALUES["blurred_step"]["values"],
            VALUES["blurred_step"]["limit_form"],
            strict=True,
        )
    ],
)
def test_a_blurred_step_reads_its_closed_form(
    sigma: float, expected: float, limit: float
) -> None:
    h, width, scale = VALUES["step"]["height"], VALUES["step"]["width"], 256
    hard = np.where(np.arange(width) < width // 2, 60.0, 60.0 + h)
    edge = ndimage.gaussian_filter1d(hard, sigma, mode="nearest", truncate=8)
    y = np.tile(edge * scale, (20, 1))
    found = variance(y, Signal(bit_depth=16, full_range=True)) / scale**2
    # Two or three digits are published; the wide-blur form is over by sampling alone.
    assert found == pytest.approx(expected, rel=0.01)
    assert limit == pytest.approx(
        h**2 / (4 * math.sqrt(math.pi) * sigma**3 * width), rel=0.01
    )
    assert found < 1.01 * limit


@pytest.mark.parametrize(("sigma", "expected"), VALUES["blurred_noise"]["values"])
def test_blurred_noise_reads_its_closed_form(sigma: float, expected: float) -> None:
    scale = 256
    noise = noisy(np.zeros((1000, 1400)), VALUES["blurred_noise"]["noise"])
    y = (126 + ndimage.gaussian_filter(noise, sigma, mode="wrap")) * scale
    found = variance(y, Signal(bit_depth=16, full_range=True)) / scale**2
    # Blurred noise has fewer independent samples: at sigma 3 its variance scatters by
    # 1.5 %. Rounding to 1/256 code adds 20 / 12 / 256^2 = 0.000025.
    assert found == pytest.approx(expected, rel=0.04)


@settings(deadline=None)
@given(
    st.tuples(st.integers(8, 60), st.integers(8, 60)),
    st.sampled_from([8, 10, 12]),
    st.integers(0, 2**32 - 1),
)
def test_the_reading_is_scipys_laplacian_in_eight_bit_codes(
    shape: tuple[int, int], bits: int, number: int
) -> None:
    signal = Signal(bit_depth=bits)
    y = np.random.default_rng(number).integers(0, signal.top + 1, shape)
    lap = ndimage.laplace(y.astype(np.float64), mode="mirror")
    expected = float(np.var(lap)) / 4 ** (bits - 8)
    assert read(y, signal)["laplacian_variance"] == pytest.approx(expected, rel=1e-9)


def test_eight_and_ten_bits_agree() -> None:
    eight, ten = read(SHARP), read(codes(SHARP, TEN), TEN)
    # Rounding to 8 bits adds 20 / 12 to the variance; the noise reading sees it too.
    assert ten["laplacian_variance"] == pytest.approx(
        eight["laplacian_variance"], rel=0.02
    )
    assert ten["sharpness"] == pytest.approx(eight["sharpness"], rel=0.02)
    assert ten["tile_detail"] == pytest.approx(eight["tile_detail"], rel=0.03)
    assert ten["edge_rise_px"] == pytest.approx(eight["edge_rise_px"], rel=0.05)


# -------------------------------------------------------------------------- interlace


def test_a_combed_picture_is_not_sharper_than_its_fields() -> None:
    # Between the fields the picture has moved by 12 pixels: edges comb.
    soft = blurred(SHARP, 2.0)
    top, bottom = soft[0::2], np.roll(soft, 12, axis=1)[1::2]
    combed = np.empty_like(soft)
    combed[0::2], combed[1::2] = top, bottom
    as_frame = read(combed)
    as_fields = read(combed, interlaced=True)
    alone = [variance(top), variance(bottom)]
    assert as_frame["laplacian_variance"] > 20 * max(alone)
    # Variance over two sets of equal size and (nearly) equal mean.
    assert as_fields["laplacian_variance"] == pytest.approx(np.mean(alone), rel=1e-3)
    assert as_fields["edge_rise_px"] > 3.5
    assert as_frame["edge_rise_px"] < 2.5


def test_noise_of_a_combed_picture_is_that_of_its_fields() -> None:
    combed = np.full((360, 640), 120.0)
    combed[1::2] = 126
    y = noisy(combed, 2.0)
    assert read(y, interlaced=True)["noise_codes"] == pytest.approx(2.0, rel=0.1)


# ------------------------------------------------------------------------------ noise


@pytest.mark.parametrize("signal", [EIGHT, TEN], ids=["8-bit", "10-bit"])
@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.0, 4.0, 8.0])
def test_noise_is_read_within_a_tenth(signal: Signal, sigma: float) -> None:
    scale = signal.code_scale
    y = noisy(np.full((360, 640), signal.code(50)), sigma / scale)
    found = sigma_of(y, signal) * scale
    # What the camera wrote holds the noise and the rounding to whole codes.
    written = math.sqrt(sigma**2 + scale**2 / 12)
    assert found == pytest.approx(written, rel=0.1)


def test_the_noise_filters_bias_is_what_chance_makes_it() -> None:
    # The quietest 15 % of blocks of pure noise are quieter than all by chance: the
    # mean of theirs over the mean of all, simulated with numpy and scipy alone.
    noise = np.random.default_rng(1).normal(0, 1, (1600, 1600))
    kernel = [1.0, -2.0, 1.0]
    filtered = ndimage.convolve1d(ndimage.convolve1d(noise, kernel, 0), kernel, 1)
    blocks = np.abs(filtered).reshape(100, 16, 100, 16).mean(axis=(1, 3)).ravel()
    quiet = np.sort(blocks)[: round(sharpness._NOISE_SHARE * blocks.size)]
    assert quiet.mean() / blocks.mean() == pytest.approx(
        sharpness._NOISE_BIAS, abs=0.005
    )
    # And the filter's energy, from its impulse response.
    impulse = np.outer(kernel, kernel)
    assert np.sum(impulse**2) == sharpness._NOISE_ENERGY


@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0])
def test_texture_is_not_taken_for_much_noise(sigma: float) -> None:
    # The scene is full of edges and has grain of its own of some 0.8 codes in this
    # filter: the reading may be over the noise put in by that and by a quarter.
    found = sigma_of(noisy(SHARP, sigma))
    assert 0.9 * sigma < found < 1.25 * math.hypot(sigma, sigma_of(SHARP))
    assert sigma_of(SHARP) < 1.0
    # Out of focus, nothing but the noise is left.
    assert sigma_of(noisy(blurred(SHARP, 3.0), sigma)) == pytest.approx(sigma, rel=0.1)


@pytest.mark.parametrize("code", [16, 254])
def test_clipped_parts_hold_no_noise_and_are_left_out(code: int) -> None:
    y = noisy(np.full((360, 640), 120.0), 3.0)
    y[:, :400] = code
    assert sigma_of(y) == pytest.approx(3.0, rel=0.1)


def test_noise_of_a_clipped_or_tiny_picture_is_unknown() -> None:
    assert math.isnan(sigma_of(np.full((360, 640), 16)))
    assert math.isnan(sigma_of(np.full((360, 640), 254)))
    assert math.isnan(sigma_of(noisy(np.full((30, 40), 120.0), 3.0)))


def test_straight_edges_and_slopes_are_no_noise() -> None:
    y = np.tile(np.linspace(40, 220, 640), (360, 1))
    y[100:200] += 10
    # A slope rounded to whole codes carries a little rounding noise of its own.
    assert sigma_of(codes(y, TEN), TEN) * TEN.code_scale < 0.1


# ------------------------------------------------------------------------------ edges


def edges(
    sigma: float, *, height: int = 360, width: int = 640, contrast: float = 100
) -> Image:
    """Draw five upright edges, each blurred by a Gaussian."""
    x = np.arange(width)
    places = width * (np.arange(5) + 0.5) / 5 + 0.3
    wave = np.prod([erf((x - p) / (sigma * math.sqrt(2))) for p in places], axis=0)
    return np.tile(126 + contrast / 2 * wave, (height, 1))


def rise_of(y: Image, signal: Signal = EIGHT, **facts: Any) -> float:
    p = picture(y, signal=signal)
    sigma = noise_sigma(p.y, black=signal.black, ceiling=signal.ceiling)
    noise = 0.0 if math.isnan(sigma) else sigma
    return edge_rise(p.y, noise=noise, code_scale=signal.code_scale, **facts)


@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.0, 3.0, 4.0, 8.0])
@pytest.mark.parametrize("noise", [0.0, 1.0, 3.0])
@pytest.mark.parametrize("turned", [False, True])
def test_the_rise_of_edges_is_that_of_the_blur(
    sigma: float, noise: float, turned: bool
) -> None:
    y = noisy(edges(sigma), noise)
    found = rise_of(y.T if turned else y)
    # Edges of 8 pixels, five in 640, run into one another; one of 1 pixel falls
    # between two halvings.
    slack = 0.25 if sigma in (1, 8) else 0.2
    assert found == pytest.approx(RISE_OVER_SIGMA * sigma, rel=slack)


@pytest.mark.parametrize("contrast", [20, 60, 180])
@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0])
def test_the_rise_does_not_hang_on_contrast(contrast: float, sigma: float) -> None:
    found = rise_of(edges(sigma, contrast=contrast))
    assert found == pytest.approx(RISE_OVER_SIGMA * sigma, rel=0.25)


@pytest.mark.parametrize("sigma", [0.5, 2.0, 4.0])
def test_ten_bits_and_full_range_read_the_same_rise(sigma: float) -> None:
    for signal in (TEN, Signal(bit_depth=12), Signal(bit_depth=10, full_range=True)):
        found = rise_of(codes(edges(sigma), signal), signal)
        assert found == pytest.approx(RISE_OVER_SIGMA * sigma, rel=0.2)


@pytest.mark.parametrize("contrast", [20, 60, 180])
@pytest.mark.parametrize(
    ("sigma", "signal"), [(1.0, EIGHT), (2.0, EIGHT), (4.0, TEN), (8.0, EIGHT)]
)
def test_the_height_of_the_crispest_edges_is_that_drawn(
    contrast: float, sigma: float, signal: Signal
) -> None:
    # Slope times blur: the erf's steepest slope is its height / (sigma sqrt(2 pi)).
    y = codes(edges(sigma, contrast=contrast), signal)
    found = crispest_edges(
        picture(y, signal=signal).y, noise=0.0, code_scale=signal.code_scale
    )
    # As the rise, it is read with a quarter's slack.
    assert found.height == pytest.approx(contrast, rel=0.3)


def test_larger_pictures_are_read_at_1920() -> None:
    # Twice the pixels and twice the blur is the same lens.
    small = rise_of(edges(2.0, height=200, width=1920))
    large = rise_of(edges(4.0, height=400, width=3840))
    assert large == pytest.approx(small, rel=0.2)


def test_a_field_is_read_across_only() -> None:
    # Lines of a field lie two apart: upright edges tell, level ones would mislead.
    level = edges(2.0).T
    assert rise_of(edges(2.0), interlaced=True) == pytest.approx(5.1, rel=0.15)
    assert math.isnan(rise_of(level, interlaced=True))


def test_without_edges_the_rise_is_unknown() -> None:
    assert math.isnan(rise_of(np.full((360, 640), 120.0)))
    assert math.isnan(rise_of(noisy(np.full((360, 640), 120.0), 4.0)))
    assert math.isnan(rise_of(edges(1.0)[:40, :60]))


@pytest.mark.parametrize("noise", [0.0, 2.0, 6.0])
def test_a_sharp_picture_reads_sharp_in_any_noise(noise: float) -> None:
    found = rise_of(noisy(SHARP, noise))
    assert found < 3.0


# -------------------------------------------------------------------- steps of blur


def test_sharpness_falls_with_every_step_of_blur() -> None:
    steps = [read(blurred(SHARP, s) if s else SHARP) for s in (0.0, 1.0, 2.0, 4.0)]
    for name, falls in (
        ("laplacian_variance", True),
        ("sharpness", True),
        ("edge_rise_px", False),
    ):
        values = [step[name] for step in steps]
        assert values == sorted(values, reverse=falls)
        assert len(set(values)) == 4
    tiles = np.array([step["tile_detail"] for step in steps])
    assert (np.diff(tiles[:3], axis=0) < 0).all()
    # Crete et al. 2007 as scikit-image has it: 0 for no blur, 1 for the most.
    blur_effect: Callable[..., float] = skimage_measure.blur_effect
    other = [blur_effect(blurred(SHARP, s) if s else SHARP) for s in (0, 1, 2, 4)]
    assert other == sorted(other)
    assert np.argsort([s["sharpness"] for s in steps]).tolist() == (
        np.argsort(other)[::-1].tolist()
    )


def test_noise_does_not_make_a_soft_picture_sharp() -> None:
    soft = blurred(SHARP, 3.0)
    for noise in (1.0, 3.0, 6.0):
        grainy = read(noisy(soft, noise))
        # Untreated, the noise alone reads more than many a sharp picture.
        assert grainy["laplacian_variance"] > 15 * noise**2
        clean = read(noisy(SHARP, noise))
        assert grainy["sharpness"] < 0.15 * clean["sharpness"] + 0.1 * noise**2 * 20
        shares = grainy["tile_detail"] / read(SHARP)["tile_detail"]
        assert np.median(shares) < 0.5


@pytest.mark.parametrize("gain", [0.5, 0.25, 1.5])
def test_detail_of_a_tile_does_not_hang_on_gain(gain: float) -> None:
    dimmed = SHARP * 1.0
    dimmed = (np.minimum(dimmed, 160) - 16) * gain + 16
    full = read(codes(np.minimum(SHARP, 160), TEN), TEN)["tile_detail"]
    found = read(codes(dimmed, TEN), TEN)["tile_detail"]
    known = ~np.isnan(found)
    assert known.mean() > 0.9
    # The scene's own grain, read as noise, weighs a little differently: a few percent.
    assert found[known] == pytest.approx(full[known], rel=0.05)


def test_coarse_contrast_is_the_spread_within_the_tile_and_a_share_of_its_level() -> (
    None
):
    # Tiles of 30 x 40 cells: half 20 %, half 60 %. Spread 20, level 40.
    small = np.full((TILE_ROWS * 30, TILE_COLUMNS * 40), 30, np.uint8)
    for i in range(TILE_ROWS):
        small[i * 30 : i * 30 + 15] = 70
    expected = math.sqrt(20**2 + (0.1 * 40) ** 2)
    found = coarse_contrast(small, black=10, white=110)
    assert found == pytest.approx(expected, rel=1e-12)
    dark = np.full((60, 80), 13, np.uint8)
    assert np.isnan(coarse_contrast(dark, black=10, white=110)).all()


def test_defocus_leaves_coarse_contrast_alone() -> None:
    sharp, soft = (
        coarse_contrast(cast(Any, luma_pass(picture(p)).small), black=16, white=235)
        for p in (SHARP, blurred(SHARP, 2.0))
    )
    assert soft == pytest.approx(sharp, rel=0.2)


def test_a_damaged_picture_is_not_read() -> None:
    assert read(SHARP, damaged=True) == {}


# ------------------------------------------------------------------- against the shot


def test_relative_sharpness_is_the_middle_tile_against_its_best() -> None:
    nan = math.nan
    reference = np.array([2.0, 4.0, nan, 1.0])
    detail = np.array(
        [
            [2.0, 4.0, 9.0, 1.0],  # 100, 100, 100
            [1.0, 3.0, 9.0, 0.1],  # 50, 75, 10
            [1.0, 3.0, 9.0, nan],  # 50, 75: of two the upper one
            [nan, 3.0, 9.0, nan],  # one tile is not enough
            [nan, nan, 9.0, nan],
        ]
    )
    found = relative_sharpness(detail, reference)
    assert found[:3] == pytest.approx([100, 50, 75])
    assert np.isnan(found[3:]).all()


def test_tiles_count_by_their_contrast() -> None:
    detail = np.array([[0.9, 0.8, 0.7, 0.3, 0.2], [math.nan, 0.8, 0.7, 0.3, 0.2]])
    # Sorted, weights add up to 2, 4, 5, 6, 7: half of 7 lies in the second, whose share
    # is 30 %. Without the first tile half of 6 lies there, too.
    weights = np.array([1.0, 1.0, 1.0, 2.0, 2.0])
    found = relative_sharpness(detail, np.ones(5), weights)
    assert found == pytest.approx([30, 30])
    # Weighed alike, as if they were not.
    alike = relative_sharpness(detail, np.ones(5), np.full(5, 0.3))
    assert alike == pytest.approx(relative_sharpness(detail, np.ones(5)))


def test_of_few_tiles_nearly_all_must_be_soft() -> None:
    # A thing has left one of four tiles, another has come and gone in two.
    detail = np.array([[1.0, 0.3, 0.2, 0.3], [0.4, 0.3, 0.2, 0.3]])
    counts = np.ones(4, np.bool_)
    found = relative_sharpness(
        detail, np.ones(4), np.ones(4), share=agreed_share(counts)
    )
    assert found == pytest.approx([100, 40])
    # Of many it is hardly more than half: 0.5 + 0.4 * 4 / 48.
    assert agreed_share(np.ones(48, np.bool_)) == pytest.approx(0.5333, abs=1e-4)


def test_the_subject_is_told_by_tiles_with_contrast() -> None:
    # A nearly even tile, in which a coder leaves many times its contrast.
    detail = np.tile([3.0, 0.8, 0.7, 0.6], (20, 1))
    contrast = np.tile([0.5, 10.0, 12.0, 14.0], (20, 1))
    known = ~np.isnan(best_of(detail, 0.25))
    assert known.tolist() == [True, False, False, False]
    known = ~np.isnan(best_of(detail, 0.25, contrast=contrast))
    assert known.all()


def test_weights_are_held_within_bounds() -> None:
    nan = math.nan
    contrast = np.array([[4.0, 8.0, 40.0, 0.1, nan], [4.0, 8.0, 40.0, 0.1, nan]])
    counts = np.array([True, True, True, True, False])
    # The middle of 0.1, 4, 8 and 40 is 6: from 0.6 to 12, and 6 where unknown.
    assert tile_weights(contrast, counts) == pytest.approx([4, 8, 12, 0.6, 6])
    assert tile_weights(np.full((2, 5), nan), counts) == pytest.approx(np.ones(5))


def test_one_subject_tile_is_enough_when_there_is_but_one() -> None:
    found = relative_sharpness(np.array([[0.5], [math.nan]]), np.array([2.0]))
    assert found[0] == pytest.approx(25)
    assert np.isnan(found[1])


def test_without_a_reference_nothing_is_relative() -> None:
    assert np.isnan(relative_sharpness(np.ones((3, 2)), np.full(2, math.nan))).all()


def take_of(
    relative: Sequence[float],
    *,
    shots: Sequence[float] | None = None,
    motion: Sequence[float] | None = None,
    rise: float | NDArray[np.float64] = 1.2,
    rate: Fraction = Fraction(25),
    **changes: Any,
) -> Measured:
    """Make readings in which every tile's detail is `relative` percent of 2."""
    setup = setup_of({f"focus.{k}": v for k, v in changes.items()}, rate=rate)
    n = len(relative)
    shapes = {
        f"{m.name}.{c.name}": c.width if c.width > 1 else 0
        for m in MEASURES
        for c in m.columns
    }
    store = ColumnStore(shapes)
    tiles = np.repeat(np.array(relative)[:, None] / 50, 48, axis=1)
    store.extend(
        {
            "focus.tile_detail": tiles,
            "focus.edge_rise_px": np.where(np.arange(n) % 12 == 0, rise, np.nan),
            "framing.shot": np.zeros(n) if shots is None else np.array(shots),
            "framing.motion_percent": np.zeros(n)
            if motion is None
            else np.array(motion),
        },
        n,
    )
    info = info_of(rate=rate)
    readings = Readings("picture", 1 / rate, np.arange(n + 1), store)
    measured = Measured(info, setup.limits, readings, (), {})
    assert MEASURE.derive is not None
    for name, values in MEASURE.derive(measured).items():
        store.add(f"focus.{name}", values)
    return measured


def soft(measured: Measured) -> list[Finding]:
    return [f for f in find(measured, MEASURES) if f.rule == "focus.soft"]


def spans(measured: Measured) -> list[tuple[int, int, Grade]]:
    return [(f.start_frame, f.end_frame, f.grade) for f in soft(measured)]


def test_relative_percent_is_against_the_95th_percentile_of_the_shot() -> None:
    detail = np.linspace(50, 100, 101)
    measured = take_of(detail.tolist())
    best = float(np.percentile(detail, 95))
    found = column(measured, "focus.relative_percent")
    assert found == pytest.approx(100 * detail / best, rel=1e-5)


def test_soft_stretches_are_found_to_the_frame() -> None:
    measured = take_of([100] * 30 + [40] * 20 + [100] * 30 + [20] * 15 + [100] * 30)
    assert spans(measured) == [(30, 50, Grade.REVIEW), (80, 95, Grade.REJECT)]
    review, reject = soft(measured)
    assert review.worst == pytest.approx(40)
    assert reject.worst == pytest.approx(20)
    assert (review.limit, reject.limit) == (50, 25)


@pytest.mark.parametrize(
    ("frames", "percent", "grade"),
    [
        (10, 45, Grade.REVIEW),  # 0.4 s: long enough
        (9, 45, None),
        (9, 20, None),  # however deep: focus does not come and go so fast
        (10, 20, Grade.REJECT),
        (30, 51, None),
        (30, 49, Grade.REVIEW),
    ],
)
def test_length_and_depth_decide_the_grade(
    frames: int, percent: float, grade: Grade | None
) -> None:
    measured = take_of([100] * 40 + [percent] * frames + [100] * 40)
    expected = [] if grade is None else [(40, 40 + frames, grade)]
    assert spans(measured) == expected


def test_a_soft_stretch_ends_only_when_focus_is_clearly_back() -> None:
    # Over the limit of 50 but under 57.5, the level of release.
    measured = take_of([100] * 40 + [40] * 12 + [55] * 8 + [40] * 5 + [100] * 40)
    assert spans(measured) == [(40, 65, Grade.REVIEW)]


def test_each_shot_has_its_own_best() -> None:
    detail = [100] * 60 + [30] * 60
    assert spans(take_of(detail)) == [(60, 120, Grade.REVIEW)]
    assert spans(take_of(detail, shots=[0] * 60 + [1] * 60)) == []


def test_a_shot_taken_up_again_is_held_against_its_earlier_best() -> None:
    detail = [100] * 60 + [30] * 60 + [30] * 40
    shots = [0] * 60 + [1] * 60 + [0] * 40
    assert spans(take_of(detail, shots=shots)) == [(120, 160, Grade.REVIEW)]


def test_a_shot_shorter_than_the_minimum_is_not_judged_and_said_so() -> None:
    detail = [100] * 80 + [100] * 10 + [20] * 20 + [100] * 80
    shots = [0] * 80 + [1] * 30 + [2] * 80  # 1.2 s
    motion = np.zeros(190)
    motion[[80, 110]] = math.nan  # cuts
    measured = take_of(detail, shots=shots, motion=motion.tolist())
    assert spans(measured) == []
    relative = column(measured, "focus.relative_percent")
    assert np.flatnonzero(np.isnan(relative)).tolist() == list(range(80, 110))
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert "not judged in 16 % of the frames" in note
    assert "too short" in note
    assert spans(take_of(detail, shots=shots, shot_min_seconds=1.0)) == [
        (90, 110, Grade.REJECT)
    ]


def test_without_any_shot_long_enough_the_note_says_so() -> None:
    measured = take_of([100] * 20)
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert note.startswith("Focus was not judged")
    assert MEASURE.summarise is not None
    assert math.isnan(float(str(MEASURE.summarise(measured)["relative_percent_min"])))


def test_frames_in_motion_are_not_judged() -> None:
    detail = [100] * 40 + [30] * 20 + [100] * 40
    motion = [0.02] * 40 + [0.9] * 20 + [0.02] * 40
    measured = take_of(detail, motion=motion)
    assert spans(measured) == []
    relative = column(measured, "focus.relative_percent")
    # The frame before the motion is smeared by it, too.
    assert np.flatnonzero(np.isnan(relative)).tolist() == list(range(39, 60))
    assert spans(take_of(detail, motion=motion, motion_limit_percent=1.0)) == [
        (40, 60, Grade.REVIEW)
    ]
    unknown = [math.nan] * 100
    assert spans(take_of(detail, motion=unknown)) == [(40, 60, Grade.REVIEW)]


@pytest.mark.parametrize(
    ("rise", "grade"),
    [(1.5, None), (3.9, None), (4.5, Grade.REVIEW), (12.0, Grade.REJECT)],
)
def test_a_shot_without_crisp_edges_is_soft_throughout(
    rise: float, grade: Grade | None
) -> None:
    measured = take_of([100] * 75, rise=rise)
    expected = [] if grade is None else [(0, 75, grade)]
    assert spans(measured) == expected
    for finding in soft(measured):
        assert "throughout" in finding.message
        assert finding.unit == "px"
        assert finding.worst == pytest.approx(rise)


def test_thousands_of_shots_are_judged_in_no_time() -> None:
    n = 60_000
    shots = np.arange(n) // 3  # a shaky camera: a new framing every three frames
    cuts = np.where(np.arange(n) % 3, 0.0, math.nan)
    measured = take_of([100] * n, shots=shots.tolist(), motion=cuts.tolist())
    assert np.isnan(column(measured, "focus.relative_percent")).all()
    # Where one framing flows into the next, edges of the whole move tell.
    measured = take_of([100] * n, shots=shots.tolist())
    assert np.nanmin(column(measured, "focus.relative_percent")) == 100


# ------------------------------------------------------------------------ whole takes


def watch(
    images: Sequence[Image], signal: Signal = EIGHT, noise: float = 1.0
) -> Measured:
    """Run both readers over pictures, each with fresh noise; 25 frames a second."""
    random = np.random.default_rng(8)
    field = random.normal(0, noise, (400, 680))

    def frames() -> Any:
        for i, image in enumerate(images):
            h, w = image.shape
            top, left = random.integers(0, 40, 2)
            y = image + field[top : top + h, left : left + w]
            yield picture(codes(y, signal), signal=signal, index=i)

    return measure(frames(), setup_of(signal=signal), MEASURES)


@pytest.mark.parametrize("signal", [EIGHT, TEN], ids=["8-bit", "10-bit"])
@pytest.mark.parametrize("sigma", [1.5, 3.0, 8.0])
def test_lost_focus_is_found_to_the_frame(signal: Signal, sigma: float) -> None:
    lost = blurred(SHARP, sigma)
    measured = watch([SHARP] * 40 + [lost] * 15 + [SHARP] * 30, signal)
    (finding,) = soft(measured)
    assert (finding.start_frame, finding.end_frame) == (40, 55)
    assert finding.grade is Grade.REJECT
    assert column(measured, "framing.shot").max() == 0
    clear = np.delete(column(measured, "focus.relative_percent"), range(40, 55))
    assert clear.min() > 80


def test_slow_loss_of_focus_is_found_where_it_gets_soft() -> None:
    sigmas = [0.0] * 30 + [i * 0.15 for i in range(1, 21)] + [3.0] * 20
    images = [blurred(SHARP, s) if s else SHARP for s in sigmas]
    measured = watch(images)
    (finding,) = soft(measured)
    # Half of the fine detail of this scene is gone at a blur of about 0.6 pixels.
    assert 32 <= finding.start_frame <= 38
    assert finding.end_frame == 70


def test_a_cut_to_a_softer_picture_is_no_loss_of_focus() -> None:
    gentle = blurred(OTHER, 1.0)
    measured = watch([SHARP] * 45 + [gentle] * 45)
    assert soft(measured) == []
    assert column(measured, "framing.shot").tolist() == [0] * 45 + [1] * 45


def test_a_subject_that_leaves_half_of_the_tiles_is_no_loss_of_focus() -> None:
    # Hands and instruments leave the right half; a smooth drape is left.
    left = SHARP.copy()
    left[:, 320:] = np.tile(np.linspace(90, 140, 320), (360, 1))
    measured = watch([SHARP] * 40 + [left] * 30 + [SHARP] * 20)
    assert soft(measured) == []


def test_a_darker_stretch_is_no_loss_of_focus() -> None:
    dim = (SHARP - 16) * 0.5 + 16
    measured = watch([SHARP] * 40 + [dim] * 30, TEN, noise=0.5)
    assert soft(measured) == []
    relative = column(measured, "focus.relative_percent")
    assert np.median(relative[40:]) == pytest.approx(np.median(relative[:40]), rel=0.05)


@pytest.mark.parametrize("noise", [1.0, 3.0, 6.0])
def test_a_smooth_subject_is_not_judged_by_its_noise(noise: float) -> None:
    # A drape without weave: all "detail" is what taking the noise off leaves by chance.
    y, x = np.indices((360, 640))
    drape = 110 + 30 * np.sin(x / 90) + 20 * np.cos(y / 70)
    assert soft(watch([drape] * 75, noise=noise)) == []


@pytest.mark.parametrize(
    ("kind", "noise"), [("mottled", 1.0), ("folds", 1.0), ("even", 3.0), ("folds", 3.0)]
)
def test_a_flat_noisy_subject_is_not_judged_and_said_so(
    kind: str, noise: float
) -> None:
    # Walls and drapes: nothing in them was ever sharp, in focus or not.
    y, x = np.indices((360, 640))
    random = np.random.default_rng(1)
    mottle = ndimage.gaussian_filter(random.normal(0, 1, (360, 640)), 12)
    image = {
        "mottled": 120 + 7 * mottle / mottle.std(),
        "folds": 110 + 25 * np.sin(x / 25 + np.sin(y / 60)),
        "even": np.full((360, 640), 120.0),
    }[kind]
    measured = watch([image] * 60, noise=noise)
    assert soft(measured) == []
    assert np.isnan(column(measured, "focus.relative_percent")).all()
    assert np.isnan(column(measured, "focus.shot_rise_px")).all()
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert "not judged" in note


def grainy(
    image: Image, noise: Sequence[float], *, correlated: float = 0.0
) -> Measured:
    """Watch one picture in noise of a strength for each frame, perhaps correlated."""
    random = np.random.default_rng(8)
    even = random.normal(0, 1, (400, 680))
    field = blurred(even, correlated) if correlated else even
    field = field / field.std()

    def frames() -> Any:
        for i, sigma in enumerate(noise):
            h, w = image.shape
            top, left = random.integers(0, 40, 2)
            grain = sigma * field[top : top + h, left : left + w]
            yield picture(image + grain, index=i)

    return measure(frames(), setup_of(), MEASURES)


@pytest.mark.parametrize(
    ("lens", "correlated", "noise"),
    [(0.0, 0.0, 8.0), (0.0, 0.6, 8.0), (1.0, 0.0, 3.0), (1.0, 0.6, 3.0)],
)
def test_gain_raised_in_a_take_is_no_loss_of_focus(
    lens: float, correlated: float, noise: float
) -> None:
    # Between two readings of the noise, the 12th frames, it begins and ends.
    image = blurred(SHARP, lens) if lens else SHARP
    strengths = [0.7] * 29 + [noise] * 27 + [0.7] * 20
    measured = grainy(image, strengths, correlated=correlated)
    assert soft(measured) == []
    relative = column(measured, "focus.relative_percent")
    clean = np.concatenate([relative[:29], relative[56:]])
    assert clean.min() > 80


def test_lost_focus_is_found_where_gain_was_raised_before() -> None:
    random = np.random.default_rng(4)
    lost = blurred(SHARP, 3.0)
    images = [SHARP] * 29 + [noisy(SHARP, 6.0)] * 20 + [SHARP] * 20 + [lost] * 20

    def frames() -> Any:
        for i, image in enumerate(images):
            yield picture(image + random.normal(0, 0.7, image.shape), index=i)

    (finding,) = soft(measure(frames(), setup_of(), MEASURES))
    assert (finding.start_frame, finding.end_frame) == (69, 89)


def test_noise_does_not_hide_lost_focus() -> None:
    lost = noisy(blurred(SHARP, 3.0), 4.0)
    measured = watch([SHARP] * 36 + [lost] * 24 + [SHARP] * 12)
    (finding,) = soft(measured)
    assert (finding.start_frame, finding.end_frame) == (36, 60)


def test_a_take_that_is_never_sharp_is_told_although_nothing_falls() -> None:
    for sigma, grade in ((3.0, Grade.REVIEW), (8.0, Grade.REJECT)):
        (finding,) = soft(watch([blurred(SHARP, sigma)] * 50))
        assert (finding.start_frame, finding.end_frame) == (0, 50)
        assert finding.grade is grade
        assert finding.worst is not None
        # In a scene full of small things steep slopes are steeper than one edge's.
        assert 0.45 < finding.worst / (RISE_OVER_SIGMA * sigma) < 1.15
    for noise in (1.0, 6.0):
        assert soft(watch([SHARP] * 50, noise=noise)) == []


def test_a_sweep_of_the_camera_is_not_called_soft() -> None:
    # The camera shakes for half a second: 10 pixels to and fro, smeared by half.
    def smeared(offset: int) -> Image:
        moved = np.roll(SHARP, offset, axis=1)
        return np.asarray(ndimage.uniform_filter1d(moved, 5, axis=1, mode="wrap"))

    shake = [smeared(10 * (i % 2)) for i in range(15)]
    measured = watch([SHARP] * 40 + shake + [SHARP] * 40)
    assert soft(measured) == []
    relative = column(measured, "focus.relative_percent")
    assert np.isnan(relative[41:54]).all()
    # The same smear without motion is a fault.
    measured = watch([SHARP] * 40 + [smeared(0)] * 15 + [SHARP] * 40)
    assert len(soft(measured)) == 1


def test_the_mark_shows_sharp_edges_and_few_on_a_soft_picture() -> None:
    images = [SHARP] * 40 + [blurred(SHARP, 3.0)] * 15
    (finding,) = soft(watch(images))
    assert MEASURE.mark is not None
    share = []
    for image in (SHARP, blurred(SHARP, 3.0), noisy(blurred(SHARP, 3.0), 4.0)):
        marks = MEASURE.mark(picture(image), setup_of(), finding)
        share.append(float(marks.areas[0][1].mean()))
    assert share[0] > 0.03
    assert max(share[1:]) < 0.002


def test_the_summary_has_sharpness_noise_and_rise() -> None:
    measured = watch([SHARP] * 40, noise=2.0)
    assert MEASURE.summarise is not None
    summary = MEASURE.summarise(measured)
    assert summary["noise_codes_median"] == pytest.approx(2.0, rel=0.15)
    # Noise is taken off: what is left is the scene's own, read above without noise.
    alone = float(str(summary["sharpness_median"]))
    assert alone == pytest.approx(read(SHARP)["sharpness"], rel=0.1)
    assert float(str(summary["sharpness_max"])) >= alone
    assert 0.8 < float(str(summary["edge_rise_px_min"])) < 2.0


# ------------------------------------------------------- motion and what it explains


def smeared_edge(smear: float, sigma: float, scale: int = 50) -> NDArray[np.float64]:
    """A Gaussian edge moved over while the shutter is open, on a fine grid."""
    x = (np.arange(80 * scale) - 40 * scale) / scale
    edge = 0.5 * (1 + erf(x / (sigma * math.sqrt(2))))
    width = round(smear * scale)
    if width < 2:
        return np.asarray(edge)
    return np.asarray(ndimage.uniform_filter1d(edge, width, mode="nearest"))


@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("smear", [0.0, 1.0, 3.0, 10.0])
def test_what_a_smear_leaves_of_an_edge_is_its_closed_form(
    smear: float, sigma: float
) -> None:
    bends = [np.diff(smeared_edge(k, sigma), 2) for k in (smear, 0.0)]
    expected = math.sqrt(np.sum(bends[0] ** 2) / np.sum(bends[1] ** 2))
    assert edge_share(smear, sigma) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("smear", [0.5, 1.5])
def test_the_smear_is_taken_off_the_rise(smear: float, sigma: float) -> None:
    edge = smeared_edge(smear, sigma)
    rise = np.diff(np.interp([0.1, 0.9], edge, np.arange(len(edge)) / 50))
    found = unsmeared_rise(rise, np.array([smear]), 1.0)
    assert found == pytest.approx(RISE_OVER_SIGMA * sigma, rel=0.1)


def test_a_wide_rise_that_motion_may_explain_is_unknown() -> None:
    found = unsmeared_rise(np.array([5.0, 5.0, 1.2]), np.array([6.0, 0.5, 6.0]), 1.0)
    assert math.isnan(found[0])
    assert found[1:] == pytest.approx([5.0, 1.0], rel=0.01)


@pytest.mark.parametrize("shutter", [0.1, 0.25, 0.5])
def test_crisp_edges_in_motion_tell_how_short_the_shutter_is(shutter: float) -> None:
    shift = np.linspace(0, 40, 60)
    rise = np.hypot(1.0, 0.8 * shutter * shift)
    found = open_share(rise, shift)
    assert shutter <= found <= min(2.0 * shutter, 1.0)
    assert open_share(rise, np.zeros(60)) == 1.0


def test_the_direction_of_detail_is_read() -> None:
    stripes = np.tile(126 + 60 * np.cos(np.arange(640) * 0.9), (360, 1))
    p = picture(stripes)
    assert across_share(p.y, noise=0.0) == pytest.approx(1.0, abs=0.01)
    q = picture(stripes.T)
    assert across_share(q.y, noise=0.0) == pytest.approx(0.0, abs=0.01)
    # Smeared along, detail across the motion stays; defocus takes both alike.
    smear = np.asarray(ndimage.uniform_filter1d(SHARP, 5, axis=1, mode="mirror"))
    still, moved, lost = (
        across_share(picture(i).y, noise=0.0)
        for i in (SHARP, smear, blurred(SHARP, 1.0))
    )
    assert np.median(moved) < 0.5 * np.median(still)
    assert np.median(lost) == pytest.approx(float(np.median(still)), abs=0.1)
    ten = across_share(picture(codes(SHARP, TEN), signal=TEN).y, noise=0.0)
    assert ten == pytest.approx(still, abs=0.02)
    assert np.isnan(across_share(np.full((360, 640), 90, np.uint8), noise=1.0)).all()


def swaying(sigma: float, *, speed: float, open_for: float) -> Measured:
    """A take from a boom that sways without rest; out of focus from frame 30 to 45.

    Parameters
    ----------
    speed : float
        Pixels a frame at most.
    open_for : float
        Share of the frame that the shutter is open.
    """
    big = scene(300, 520, np.random.default_rng(5))
    lost = blurred(big, sigma) if sigma else big
    random = np.random.default_rng(9)
    reach_px = speed * 25 / (2 * math.pi * 0.8)

    def frames() -> Any:
        for i in range(60):
            view = (lost if 30 <= i < 45 else big).astype(np.float32)
            total = np.zeros((240, 400))
            for k in range(4):
                phase = 2 * math.pi * 0.8 * (i + open_for * k / 4) / 25
                offset = reach_px * math.sin(phase)
                move = np.array([[1, 0, 0.9 * offset - 60], [0, 1, 0.4 * offset - 30]])
                total += cv2.warpAffine(view, move, (400, 240), None, cv2.INTER_CUBIC)
            y = total / 4 + random.normal(0, 1, total.shape)
            yield picture(y, index=i)

    return measure(frames(), setup_of(width=400, height=240), MOVING)


@pytest.mark.parametrize(
    ("sigma", "speed", "open_for"), [(1.0, 1.0, 0.5), (1.5, 4.0, 1.0)]
)
def test_focus_is_judged_on_a_swaying_boom(
    sigma: float, speed: float, open_for: float
) -> None:
    measured = swaying(sigma, speed=speed, open_for=open_for)
    (finding,) = soft(measured)
    assert abs(finding.start_frame - 30) <= 2
    assert abs(finding.end_frame - 45) <= 2
    assert np.isnan(column(measured, "focus.relative_percent")).mean() < 0.05


def test_a_swaying_boom_in_focus_raises_no_alarm() -> None:
    assert soft(swaying(0.0, speed=4.0, open_for=1.0)) == []


def test_in_a_long_move_edges_are_held_against_those_of_the_move() -> None:
    # A new framing each second, one flowing into the next; tiles cannot tell.
    n = 200
    rises = np.where((np.arange(n) >= 96) & (np.arange(n) < 156), 3.0, 1.2)
    facts: dict[str, Any] = {"motion": [0.06] * n, "rise": rises}
    (finding,) = soft(take_of([100] * n, shots=(np.arange(n) // 25).tolist(), **facts))
    assert finding.start_frame == pytest.approx(96, abs=12)
    assert finding.end_frame == pytest.approx(156, abs=12)
    # An edge's energy of bends goes with s^-3 (limit_form of the blurred step).
    assert finding.worst == pytest.approx(100 * (1.2 / 3.0) ** 1.5, abs=3)
    # So little is no fault.
    rises = np.where(rises > 2, 1.8, 1.2)
    facts["rise"] = rises
    assert soft(take_of([100] * n, shots=(np.arange(n) // 25).tolist(), **facts)) == []


def test_slow_drift_is_told_with_its_beginning() -> None:
    rate = Fraction(5)
    level = np.concatenate([np.full(150, 100.0), np.linspace(100, 30, 300)])
    (finding,) = soft(take_of(level.tolist(), rate=rate))
    # A tenth is lost 300 / 7 = 43 frames after the 150th: 38.6 s; a step so far back
    # is 6 s long.
    assert "focus has drifted since 00:00:" in finding.message
    label = finding.message.rsplit("since ", 1)[1][:11]
    seconds = int(label[6:8]) + int(label[9:11]) / 5
    assert 33 <= seconds <= 42
    sudden = [100.0] * 200 + [30.0] * 100
    (finding,) = soft(take_of(sudden, rate=rate))
    assert "drifted" not in finding.message


def test_the_shots_sharpest_frame_is_shown_beside() -> None:
    detail = [100] * 60 + [30] * 60 + [100] * 20
    shots = [0] * 120 + [1] * 20
    measured = take_of(detail, shots=shots)
    (finding,) = soft(measured)
    assert MEASURE.companions is not None

    class Result:
        picture = measured.picture

    (companion,) = MEASURE.companions(cast(TakeResult, Result()), finding)
    assert companion.row == 59  # the nearest of the sharp ones, not another shot's


def test_the_advice_says_what_the_rig_reaches() -> None:
    detail = [100] * 60 + [30] * 60
    (plain,) = soft(take_of(detail))
    (told,) = soft(take_of(detail, near_limit_m=1.0, dioptre=2.0))
    assert told.advice.startswith(plain.advice)
    assert "from 0.33 m to 0.50 m" in told.advice


@pytest.mark.parametrize("radius", [3.0, 5.0])
def test_the_radius_of_a_blur_disc_is_estimated(radius: float) -> None:
    size = 2 * math.ceil(radius) + 1
    fine = (np.arange(size * 10) + 0.5) / 10 - size / 2
    inside = np.hypot(fine[:, None], fine) <= radius
    disc = inside.reshape(size, 10, size, 10).mean(axis=(1, 3))
    y = ndimage.convolve(edges(0.6), disc / disc.sum(), mode="nearest")
    # A disc's edge is no Gaussian's: the reading is some too wide.
    assert blur_radius(rise_of(y)) == pytest.approx(radius, rel=0.3)
    rise = RISE_OVER_SIGMA * VALUES["disc"]["sigma_over_radius"] * radius
    assert blur_radius(rise) == pytest.approx(radius, rel=1e-3)


# ---------------------------------------------------------------------- real pictures


def first_pictures(path: Path, count: int) -> list[Picture]:
    out = []
    with TakeReader(probe(path)) as reader:
        for item in reader:
            if isinstance(item, Picture) and item.index < count:
                y = item.y.copy()
                out.append(picture(y, signal=item.signal, index=item.index))
    return out


@pytest.mark.footage
def test_a_moving_plane_of_focus_is_put_in_order() -> None:
    folder = footage("defocus_series")
    full = Signal(full_range=True)
    values, rises = [], []
    for step in range(6):
        y = cv2.imread(str(folder / f"step{step}.jpg"), cv2.IMREAD_GRAYSCALE)
        assert y is not None
        values.append(variance(np.asarray(y), full))
        rises.append(rise_of(np.asarray(y, np.float64), full))
    assert min(values[:2]) > values[2] > values[3] > max(values[4:])
    # Another author's script on the same pictures: a cross-check.
    assert values == pytest.approx(VALUES["defocus_series"]["values"], rel=0.1)
    assert max(rises[:2]) < min(rises[4:])


@pytest.mark.footage
def test_a_distorted_copy_is_softer_than_the_original() -> None:
    medians = {}
    for name in ("pristine", "distorted"):
        pictures = first_pictures(footage(f"carphone_{name}.mp4"), 40)
        readings = [read(p.y, p.signal)["laplacian_variance"] for p in pictures]
        medians[name] = float(np.median(readings))
        assert medians[name] == pytest.approx(VALUES["carphone"][name], rel=0.15)
    assert medians["pristine"] > 2 * medians["distorted"]


@pytest.mark.footage
@pytest.mark.parametrize(
    "name",
    [
        "bikes.mp4",
        "cap13_edit2.webm",
        "karma.mp4",
        "nasa_13013.mp4",
        "cityCC0.mpg",
        "sample_sef_slow_motion.mp4",
        "hdr10-av1.mp4",
        "carphone_distorted.mp4",
    ],
)
def test_real_takes_in_focus_raise_no_alarm_and_defocus_does(name: str) -> None:
    info = probe(footage(name))
    assert info.video is not None
    setup = setup_of(
        signal=info.video.signal,
        width=info.video.width,
        height=info.video.height,
        rate=info.video.frame_rate,
    )
    pictures = first_pictures(footage(name), 120)
    assert soft(measure(pictures, setup, MOVING)) == []
    # The same pictures, all out of focus: nothing in them is ever sharp. Between small
    # things slopes are steeper than one edge's: there it takes more.
    sigma = 4.0 if name == "sample_sef_slow_motion.mp4" else 3.0
    lost = (
        picture(
            cv2.GaussianBlur(p.y.astype(np.float32), (0, 0), sigma),
            signal=p.signal,
            index=p.index,
        )
        for p in pictures
    )
    measured = measure(lost, setup, MOVING)
    judged = ~np.isnan(column(measured, "focus.shot_rise_px"))
    if judged.any():
        told = sum(f.end_frame - f.start_frame for f in soft(measured))
        assert told >= 0.9 * judged.sum()
