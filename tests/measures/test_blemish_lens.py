"""Blemishes where little can be seen of them: flat, dark, zoomed or still pictures."""

from __future__ import annotations

from fractions import Fraction

import cv2
import numpy as np
import pytest

from qc.measures.parts.spots.splash import SplashWatch
from qc.measures.parts.spots.spotplaces import stood_still
from qc.measures.parts.spots.spotpool import pooled_regions
from qc.records import Readings
from qc.store import ColumnStore
from tests.measures.test_blemish import (
    FRAMES,
    PAINT,
    VIDEO_8,
    H,
    Image,
    W,
    findings,
    measured_of,
    overlap,
    panned,
    spotted,
    still_scene,
)
from tests.pictures import picture

# ------------------------------------------------------------------- flat and dark


def draped(*, frames: int = FRAMES) -> list[Image]:
    """Draw a pan over a scene with a large flat cloth, wherever the spot may lie."""
    big = still_scene(1).copy()
    big[:190, :260] = 90.0
    random = np.random.default_rng(7)
    out = []
    for i in range(frames):
        x = round(60 + 55 * np.sin(0.45 * i))
        y = round(50 + 40 * np.sin(0.61 * i))
        view = big[y : y + H, x : x + W]
        out.append(view + random.normal(0, 1.5, view.shape))
    return out


def test_drop_on_a_flat_drape_is_found_while_the_camera_pans() -> None:
    images = draped()
    # Nothing but the cloth passes under the spot.
    x, y = round(PAINT[0] * W), round(PAINT[1] * H)
    assert all(f[y - 20 : y + 20, x - 20 : x + 20].std() < 2 for f in images)
    assert findings(measured_of(images)) == []
    (finding,) = findings(measured_of(spotted(f, 12, loss=0.2) for f in images))
    assert overlap(finding, 12) > 0.5
    assert "darker by about" in finding.message


def at_night(images: list[Image]) -> list[Image]:
    """Leave a seventh of the light, under noise of 2.5 codes."""
    random = np.random.default_rng(11)
    return [
        (f - VIDEO_8.black) / 7 + VIDEO_8.black + random.normal(0, 2.5, f.shape)
        for f in images
    ]


def test_drop_on_a_dark_noisy_picture_is_found() -> None:
    assert findings(measured_of(at_night(panned(2)))) == []
    images = at_night([spotted(f, 14, loss=0.4) for f in panned(2)])
    found = findings(measured_of(images))
    assert [overlap(f, 14) > 0.3 for f in found] == [True]


def test_many_places_are_surer_together_than_each_of_them() -> None:
    # Students of chance, smoothed as the maps are, and a disc that is 2.5 lower.
    random = np.random.default_rng(3)
    t = cv2.GaussianBlur(random.normal(0, 1, (135, 240)), (0, 0), 1.0)
    t = np.asarray(t / t.std() * 0.8, np.float32)
    n = np.full(t.shape, 20, np.float32)
    assert not list(pooled_regions((0.02 * t, t, n), "level", 0.04))
    y, x = np.mgrid[:135, :240]
    disc = np.hypot(x - 150, y - 60) < 9
    t[disc] -= 4.0
    masks = list(pooled_regions((0.02 * t, t, n), "level", 0.04))
    assert masks
    for mask in masks:
        assert (mask & disc).sum() / (mask | disc).sum() > 0.5


# -------------------------------------------------------------- zoomed and standing


@pytest.mark.parametrize(
    ("step", "still"),
    [((0.0, 0.0, 0.0), True), ((0.1, 0.0, 0.0), False), ((0.0, 0.0, 0.2), False)],
)
def test_a_zoom_is_motion_too(step: tuple[float, float, float], still: bool) -> None:
    names = [f"steadiness.{n}_percent" for n in ("dx", "dy", "zoom")]
    store = ColumnStore(dict.fromkeys(names, 0))
    for _ in range(40):
        store.append(dict(zip(names, step, strict=True)))
    edges = np.arange(41, dtype=np.int64)
    readings = Readings("picture", Fraction(1, 25), edges, store)
    assert stood_still(readings) is still


# -------------------------------------------------------------------------- splashes


def splashes(images: list[Image]) -> list[int]:
    """Return the rows at which splashes come; every third picture is looked at."""
    watch = SplashWatch()
    for i, image in enumerate(images):
        seen = picture(image, index=i)
        watch.frame(seen, i)
        if i % 3 == 0:
            watch.look(seen, i / 10)
    return [s.row for s in watch.found]


def resting(frames: int = 40) -> list[Image]:
    view = still_scene(2)[:H, :W]
    random = np.random.default_rng(5)
    return [view + random.normal(0, 1.0, view.shape) for _ in range(frames)]


def test_splash_on_a_picture_at_rest_is_told_to_the_frame() -> None:
    at = 11
    images = resting()
    assert splashes(images) == []
    images[at:] = [spotted(f, 12, loss=0.4, blur=3.0) for f in images[at:]]
    assert splashes(images) == [at]


def test_what_slides_in_or_goes_again_is_no_splash() -> None:
    slid, brief = resting(), resting()
    for i in range(11, 40):
        x = min(60 + 12 * (i - 11), round(PAINT[0] * W))
        cv2.circle(slid[i], (x, round(PAINT[1] * H)), 12, 40, -1)
    assert splashes(slid) == []
    brief[11:20] = [spotted(f, 12, loss=0.4, blur=3.0) for f in brief[11:20]]
    assert splashes(brief) == []


def test_a_lamp_that_goes_out_is_no_splash() -> None:
    images = resting()
    images[:11] = [spotted(f, 12, veil=80.0) for f in images[:11]]
    assert splashes(images) == []


def test_shadow_that_comes_at_once_keeps_the_detail_and_is_no_splash() -> None:
    images = resting()
    images[11:] = [spotted(f, 12, loss=0.4) for f in images[11:]]
    assert splashes(images) == []


def test_splash_in_a_take_without_any_motion_is_told_as_what_may_lie_there() -> None:
    images = resting(30)
    images[9:] = [spotted(f, 12, loss=0.5, blur=3.0) for f in images[9:]]
    (finding,) = findings(measured_of(images))
    assert finding.start_frame == 9
    assert "It may lie on the lens" in finding.message
