"""Focus where grain, light or one field would hide what the lens does."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction

import numpy as np
import pytest
from scipy import ndimage

from qc.judge import find
from qc.measures import focus, framing, hunting, noise
from qc.measures.base import Measure, Measured
from qc.measures.parts.focus.coarser import coarser_detail, true_percent
from qc.measures.parts.focus.lightlevel import light_of, nearest
from qc.measures.parts.focus.sharpness import edge_rise
from qc.records import Readings
from qc.store import ColumnStore
from tests.pictures import Image, measure, picture, scene, setup_of

HEIGHT, WIDTH = 240, 384
SHARP = scene(HEIGHT, WIDTH, np.random.default_rng(11))
MEASURES = (framing.MEASURE, focus.MEASURE, hunting.MEASURE)


def blurred(image: Image, sigma: float) -> Image:
    return np.asarray(ndimage.gaussian_filter(image, sigma, mode="mirror"))


def grain(number: int, sigma: float, shape: tuple[int, int] = (HEIGHT, WIDTH)) -> Image:
    """Return noise that neighbours share, as a coder leaves it: read too low."""
    smooth = blurred(np.random.default_rng(number).normal(0, 1, shape), 0.6)
    return np.asarray(sigma * smooth / smooth.std())


def watch(
    images: Iterable[Image],
    *,
    interlaced: bool = False,
    measures: Sequence[Measure] = MEASURES,
) -> Measured:
    pictures = (
        picture(y, index=i, interlaced=interlaced) for i, y in enumerate(images)
    )
    return measure(pictures, setup_of(width=WIDTH, height=HEIGHT), measures)


def spans(measured: Measured) -> list[tuple[str, int, int]]:
    found = find(measured, MEASURES)
    return [
        (f.rule, f.start_frame, f.end_frame)
        for f in found
        if f.rule.startswith("focus.")
    ]


# ------------------------------------------------------------------- a step coarser


@pytest.mark.parametrize("sigma", [1.0, 3.0])
def test_noise_leaves_nothing_a_step_coarser(sigma: float) -> None:
    random = np.random.default_rng(1)
    y = np.rint(120 + random.normal(0, sigma, (1080, 1920))).astype(np.uint8)
    left = coarser_detail([y], noise=math.hypot(sigma, math.sqrt(1 / 12)))
    # A mean of four has a quarter of the variance; 12 times that in both differences.
    assert np.mean(left**2) < 0.05 * 12 * sigma**2 / 4


@pytest.mark.parametrize("frequency", [0.05, 0.11, 0.2])
def test_a_sinusoid_a_step_coarser_reads_its_closed_form(frequency: float) -> None:
    # Two pixels' mean of a sin(2 pi f x) has a cos(pi f); two pixels apart a second
    # difference is 4 sin^2(2 pi f) times that, and its mean square half of the square.
    amplitude = 50.0
    wave = 120 + amplitude * np.sin(2 * math.pi * frequency * np.arange(960))
    y = np.tile(np.rint(wave), (540, 1)).astype(np.uint8)
    swing = amplitude * math.cos(math.pi * frequency)
    expected = swing * 4 * math.sin(2 * math.pi * frequency) ** 2 / math.sqrt(2)
    for plane in (y, y.T):
        found = coarser_detail([np.ascontiguousarray(plane)], noise=0.0)
        assert found == pytest.approx(np.full((6, 8), expected), rel=0.05)


def test_of_two_fields_the_softer_is_read_and_tiny_pictures_are_not() -> None:
    sharp, soft = (SHARP.astype(np.uint8), blurred(SHARP, 3.0).astype(np.uint8))
    both = coarser_detail([sharp[0::2], soft[1::2]], noise=0.0)
    same = coarser_detail([soft[1::2], soft[1::2]], noise=0.0)
    assert both == pytest.approx(same)
    assert np.isnan(coarser_detail([sharp[:30, :30]], noise=0.0)).all()


@pytest.mark.parametrize("share", [0.05, 0.2, 0.4])
@pytest.mark.parametrize("left", [20.0, 35.0, 50.0])
def test_grain_is_told_from_detail(share: float, left: float) -> None:
    # Energies add: a share is grain that stays, the rest follows the lens.
    truth = np.array([100.0] * 30 + [left] * 30 + [99.0] * 30)
    fine = 100 * np.sqrt(share + (1 - share) * (truth / 100) ** 2)
    read = np.where(np.arange(90) % 12 == 0, truth, np.nan)
    found = true_percent(fine, read)
    assert found == pytest.approx(truth, abs=0.6)


def test_coarser_detail_alone_takes_no_focus_away() -> None:
    fine = np.full(60, 95.0)
    read = np.where(np.arange(60) % 12 == 0, 30.0, np.nan)
    assert (true_percent(fine, read) == fine).all()  # the finest is still there
    # Where there is as much of it as in the rest of the shot, if never much.
    fine = np.where(np.arange(60) < 30, 66.0, 64.0)
    read = np.where(
        np.arange(60) % 12 == 0, np.where(np.arange(60) < 30, 90.0, 30.0), np.nan
    )
    assert (true_percent(fine, read) == fine).all()
    fine = np.full(60, 40.0)
    read = np.where(np.arange(60) % 12 == 0, 70.0, np.nan)
    assert (true_percent(fine, read) == fine).all()  # edges as narrow as pixels
    assert (true_percent(fine, np.full(60, np.nan)) == fine).all()


# ----------------------------------------------------------------------- whole takes


def test_lost_focus_is_found_where_edges_are_wide_and_grain_is_left() -> None:
    # At full zoom: nothing finer than two pixels, before.
    sharp, lost = blurred(SHARP, 1.3), blurred(SHARP, 3.5)
    images = [(lost if 60 <= i < 100 else sharp) + grain(i, 1.3) for i in range(140)]
    assert spans(watch(images)) == [("focus.soft", 60, 100)]
    assert spans(watch(sharp + grain(i, 1.3) for i in range(80))) == []


@pytest.mark.parametrize("first", [80, 16])
def test_grain_for_a_time_makes_nothing_soft_where_there_is_none(first: int) -> None:
    # Before and behind it nothing trembles, and nothing is known of noise there. 16
    # frames have no best of their own: they are not held against that of the grain.
    plain = blurred(SHARP, 1.0)
    frames = range(first, 150)
    images = [
        plain + blurred(grain(i, 12.0), 0.5) if i in frames else plain
        for i in range(150 if first == 16 else 200)
    ]
    measures = (noise.MEASURE, *MEASURES)
    measured = watch(images, measures=measures)
    assert [f.rule for f in find(measured, measures)] == ["picture.noise"]


def test_one_field_out_of_focus_is_out_of_focus() -> None:
    def frame(i: int, sigma: float) -> Image:
        out = SHARP + grain(i, 0.7)
        out[1::2] = blurred(SHARP, sigma)[1::2] + grain(i + 500, 0.7)[1::2]
        return out

    images = [frame(i, 3.0 if 50 <= i < 90 else 0.01) for i in range(120)]
    assert spans(watch(images, interlaced=True)) == [("focus.soft", 50, 90)]


@pytest.mark.parametrize("share", [0.75, 0.54, 0.29])  # -1, -2 and -4 stops
@pytest.mark.parametrize("when", ["goes out", "goes on", "late"])
def test_a_lamp_is_no_focus(share: float, when: str) -> None:
    subject, shift = blurred(SHARP, 0.8) - 16, 2.8

    def frame(i: int) -> Image:
        dark = {"goes out": 60 <= i < 110, "goes on": i < 80, "late": i < 130}[when]
        return 16 + subject * (share if dark else 1.0) + grain(i, shift)

    images = [frame(i) for i in range(180)]
    assert spans(watch(images)) == []
    # Focus lost in the light, in the end.
    for i in range(150, 180):
        images[i] = 16 + blurred(subject, 4.0) + grain(i, shift)
    told = spans(watch(images))
    if when != "late":  # too short a time in the light to know its best
        assert told == [("focus.soft", 150, 180)]


def test_light_is_that_of_most_tiles() -> None:
    rows = np.arange(100)
    contrast = np.full((100, 48), np.nan)
    contrast[::10] = 8.0
    contrast[40:70:10] = 2.0
    contrast[40:70:10, :20] = np.nan  # too dark to read
    contrast[80, :20] = 30.0  # a swab over some
    store = ColumnStore({"focus.tile_contrast_percent": 48})
    store.extend({"focus.tile_contrast_percent": contrast}, 100)
    readings = Readings("picture", 1 / Fraction(25), np.arange(101), store)
    found = light_of(readings, rows)
    assert found[::10].tolist() == [1, 1, 1, 1, 0.25, 0.25, 0.25, 1, 1, 1]
    assert np.isnan(np.delete(found, rows[::10])).all()
    assert nearest(found)[31:40].tolist() == [0.25] * 9
    assert nearest(np.full(4, np.nan)).tolist() == [1] * 4


# ----------------------------------------------------------------------------- edges


@pytest.mark.parametrize("sigma", [4.0, 5.5, 8.0])
@pytest.mark.parametrize("rough", [0.4, 0.8])
def test_wide_edges_under_grain_read_wide(sigma: float, rough: float) -> None:
    # Grain decides the curvature of such edges, as if they were crisp; a coder has
    # smoothed the quiet parts, so that less noise is known of than there is.
    y, x = np.indices((540, 960))
    squares = np.where((x // 64 + y // 64) % 2 == 0, 90.0, 150.0)
    image = blurred(squares, sigma) + grain(3, rough, squares.shape)
    found = edge_rise(np.rint(image).astype(np.uint8), noise=0.15)
    assert found == pytest.approx(2 * 1.2816 * sigma, rel=0.2)


def test_low_crisp_edges_stay_crisp() -> None:
    # A weave of 20 codes over wide shading: its edges are those of the picture.
    x = np.arange(WIDTH)
    weave = blurred(np.where((x // 8) % 2 == 0, 0.0, 20.0), 0.6)
    shade = blurred(np.where((x // 96) % 2 == 0, 90.0, 120.0), 9.0)
    y = np.rint(np.tile(weave + shade, (HEIGHT, 1))).astype(np.uint8)
    assert edge_rise(y, noise=0.15) < 2.5
