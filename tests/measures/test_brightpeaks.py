"""Wet glints told from tissue that burns: patches measured, and what they are told as.

Expected values come from how the pictures are drawn, and from plain numpy over the same
pixels. The network is asked about pictures that it was not fitted on: not rendered by
the theatre, but drawn here with a few strokes.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightblocks import at_least, block_counts
from qc.measures.parts.burnt.brightcues import Scene
from qc.measures.parts.burnt.brightparts import BrightMemory, Parts, classify
from qc.measures.parts.burnt.brightpeaks import (
    PEAKS,
    _extremes,
    glints,
    patch_of,
    peaks_of,
    pooled,
    uncertain,
)
from qc.records import Picture
from qc.signal import Signal

CODE = 225  # 95 % of 8 bits, limited range: 16 + 219 x 0.95 = 224.05 (BT.709-6)
FLESH = (0.62, 0.36, 0.30)


def shot(light: NDArray[np.float64]) -> Picture:
    """Shoot linear light without a knee; BT.709-6, 8 bits, 4:2:0."""
    light = cv2.GaussianBlur(light, (0, 0), 0.7)
    light = light + np.random.default_rng(3).normal(0, 0.003, light.shape)
    curve = 1.099 * np.maximum(light, 0.018) ** 0.45 - 0.099
    v = np.minimum(np.where(light < 0.018, 4.5 * light, curve), 1.05)
    r, g, b = np.moveaxis(v, -1, 0)
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    cb, cr = (
        cv2.resize(c, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        for c in ((b - luma) / 1.8556, (r - luma) / 1.5748)
    )
    planes = (16 + 219 * luma, 128 + 224 * cb, 128 + 224 * cr)
    y, u, w = (np.clip(np.rint(p), 0, 255).astype(np.uint8) for p in planes)
    return Picture(index=0, pts=0, duration=1, y=y, cb=u, cr=w, signal=Signal())


def flesh(width: int, height: int, light: float) -> NDArray[np.float64]:
    """Fill a picture with softly mottled flesh."""
    rough = np.random.default_rng(1).normal(0, 1, (height, width))
    soft = cv2.GaussianBlur(rough, (0, 0), width / 80)
    mottled = np.exp(0.15 * soft / soft.std()) * light
    return np.asarray(mottled[..., None] * np.array(FLESH), np.float64)


def told(picture: Picture) -> tuple[Parts, NDArray[np.bool_]]:
    """Tell a picture apart, and say what of it burns."""
    parts = classify(picture, code=CODE, memory=BrightMemory())
    return parts, picture.y >= CODE


@pytest.mark.parametrize("width", [640, 960, 1920])
def test_sharp_small_specks_on_dark_flesh_are_glints(width: int) -> None:
    light = flesh(width, width * 9 // 16, 0.6)
    for x, y in np.random.default_rng(2).uniform(0.2, 0.8, (60, 2)):
        middle = (int(x * width), int(y * width * 9 / 16))
        cv2.circle(light, middle, max(width // 400, 1), (3.0, 3.0, 3.0), -1)
    parts, burnt = told(shot(light))
    assert burnt.mean() > 0.0005
    assert parts.glint.sum() > 0.9 * burnt.sum()


@pytest.mark.parametrize("width", [640, 960, 1920])
def test_flesh_that_burns_in_broad_soft_spots_is_no_glint(width: int) -> None:
    parts, burnt = told(shot(flesh(width, width * 9 // 16, 2.3)))
    assert 0.05 < burnt.mean() < 0.6
    assert parts.glint.sum() < 0.02 * burnt.sum()


def test_a_small_soft_spot_that_only_just_burns_is_no_glint() -> None:
    # As small as a glint, but what is around nearly burns: a mottled place.
    light = flesh(960, 540, 1.0)
    rows, columns = np.indices(light.shape[:2])
    for x, y in ((300, 200), (520, 300), (640, 180), (400, 400)):
        away = np.hypot(columns - x, rows - y) / 40
        light += (1.6 * np.exp(-(away**2)))[..., None] * np.array(FLESH)
    parts, burnt = told(shot(light))
    assert burnt.sum() > 500
    assert parts.glint.sum() < 0.1 * burnt.sum()


def test_glints_at_the_rim_of_burnt_flesh_do_not_take_it_with_them() -> None:
    light = flesh(960, 540, 0.5)
    rows, columns = np.indices(light.shape[:2])
    bed = np.hypot(columns - 480, rows - 270) < 120
    light[bed] *= 6
    for angle in np.linspace(0, 2 * np.pi, 24, endpoint=False):
        at = (int(480 + 128 * np.cos(angle)), int(270 + 128 * np.sin(angle)))
        cv2.circle(light, at, 2, (3.0, 3.0, 3.0), -1)
    parts, burnt = told(shot(light))
    inside = burnt & (np.hypot(columns - 480, rows - 270) < 112)
    assert inside.sum() > 30000
    assert (parts.glint & inside).sum() < 0.02 * inside.sum()


@pytest.mark.parametrize("shape", [(1080, 1920), (270, 481), (7, 9), (1, 1)])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_extremes_are_those_of_four_rows_of_each_patch(
    shape: tuple[int, int], kind: type[np.unsignedinteger]
) -> None:
    y = np.random.default_rng(1).integers(0, 250, shape).astype(kind)
    patch = patch_of(shape[1])
    side = 4 * patch
    most, least = _extremes(y, patch)
    padding = [(0, -n % side) for n in shape]
    full = np.pad(y, padding, mode="edge")
    cut = full.reshape(full.shape[0] // side, side, full.shape[1] // side, side)
    rows = cut[:, ::patch]
    np.testing.assert_array_equal(most, rows.max(axis=(1, 3)))
    np.testing.assert_array_equal(least, rows.min(axis=(1, 3)))


@pytest.mark.parametrize(
    ("width", "patch"), [(16, 1), (640, 1), (960, 1), (1280, 1), (1920, 2), (3840, 4)]
)
def test_a_patch_is_a_240th_of_the_width_in_whole_blocks(
    width: int, patch: int
) -> None:
    assert patch_of(width) == patch


def test_pooled_counts_are_shares_of_whole_patches() -> None:
    mask = (np.random.default_rng(5).random((44, 60)) < 0.3).astype(np.uint8)
    counts = block_counts(mask)
    for patch in (1, 2, 4):
        side = 4 * patch
        full = np.pad(mask, [(0, -n % side) for n in mask.shape])
        cut = full.reshape(full.shape[0] // side, side, full.shape[1] // side, side)
        share = pooled(counts, patch)
        np.testing.assert_allclose(share, cut.mean(axis=(1, 3)), rtol=1e-6)


def test_only_asked_patches_that_are_not_deep_in_what_burns_are_asked() -> None:
    counts = np.full((20, 20), 16, np.uint8)
    counts[:, 12:] = 0
    asked = counts > 0
    asked[:4] = False
    at = uncertain(pooled(counts, 1), asked, 1)
    rows, columns = np.divmod(at, 20)
    # Nothing deeper than two patches from where nothing burns; the picture's own
    # border is no such place.
    assert set(columns.tolist()) == {10, 11}
    assert set(rows.tolist()) == set(range(4, 20))
    two = uncertain(pooled(counts, 2), asked, 2)
    assert set((two // 10).tolist()) == set(range(2, 10))


def test_measures_are_finite_and_in_the_named_order_for_any_size() -> None:
    random = np.random.default_rng(7)
    for h, w in ((5, 7), (64, 64), (270, 481)):
        y = random.integers(16, 255, (h, w)).astype(np.uint8)
        counts = block_counts(at_least(y, CODE))
        share = pooled(counts, patch_of(w))
        small = (max(h // 4, 1), max(w // 4, 1))
        rgb = random.random((3, *small)).astype(np.float32)
        burnt = random.random(small).astype(np.float32)
        scene = Scene(rgb, rgb[1], burnt, 0.95, 1.05, "bt709")
        at = uncertain(share, counts > 0, patch_of(w))
        rows = peaks_of(y, Signal(), share, scene, at)
        assert rows.shape == (len(at), len(PEAKS))
        assert np.isfinite(rows).all()
        most = rows[:, PEAKS.index("most")]
        top = (int(y.max()) - 16) / 219 - 0.95
        assert most.max() == pytest.approx(top, abs=1e-5)
        assert (rows[:, PEAKS.index("least")] <= most).all()
        found = glints(y, Signal(), counts, counts > 0, scene)
        assert found.shape == counts.shape
        assert not found[counts == 0].any()
