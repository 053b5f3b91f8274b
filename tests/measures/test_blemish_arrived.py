"""Whether what came at once stays while the scene moves on behind it: drawn scenes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotarrived import Arrived
from qc.measures.parts.spots.spotcome import ArrivalWatch
from qc.measures.parts.spots.spotstep import Step, frame_of, ring_of

Map = NDArray[np.float32]
H, W, X, Y = 68, 120, 60, 30
BOX = slice(Y - 10, Y + 10), slice(X - 10, X + 10)


def scene(moved: float = 0.0) -> Map:
    """Return a textured ground, percent, as the scene has come to the left."""
    fine = np.random.default_rng(5).normal(0, 1, (H, W + 20)).astype(np.float32)
    smooth = cv2.GaussianBlur(fine, (0, 0), 1.6)
    matrix = np.array([[1, 0, moved + 10], [0, 1, 0]], np.float32)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    image = cv2.warpAffine(smooth / smooth.std(), matrix, (W, H), flags=flags)
    return np.asarray(40 + 9 * image, np.float32)


def disc(at: float = 0.0, radius: float = 5.0) -> Map:
    rows, columns = np.mgrid[:H, :W].astype(np.float32)
    away = np.hypot(columns - X - at, rows - Y) / radius
    return np.asarray(np.clip((1.25 - away) / 0.5, 0, 1), np.float32)


def with_drop(percent: Map, gain: float = 0.97) -> Map:
    """Take little of the light and most of the detail."""
    under = gain * cv2.GaussianBlur(percent, (0, 0), 1.4)
    return np.asarray(percent + disc() * (under - percent), np.float32)


def level(percent: Map) -> Map:
    return np.asarray(np.log(percent + 5), np.float32)


def step(before: Map, after: Map) -> Step:
    inside = disc()[BOX] > 0.4
    # Pixels twice as fine, so that what is kept of them is the level itself.
    frames = [
        frame_of(np.repeat(np.repeat(image, 2, axis=0), 2, axis=1), row, t)
        for image, row, t in ((before, 9, 0.96), (after, 10, 1.0))
    ]
    return Step(10, 9, 9, BOX, inside, ring_of(inside), *frames)


def arrived(after: Map | None = None) -> Arrived:
    came = with_drop(scene()) if after is None else after
    found = Splash((X - 5) / W, (Y - 5) / H, 10 / W, 10 / H, -0.15, 10)
    return Arrived(found, step(scene(), came))


@pytest.mark.parametrize("moved", [0.0, 0.6, 1.5, 3.0])
def test_drop_stays_though_other_detail_comes_behind_it(moved: float) -> None:
    one = arrived()
    for part in np.linspace(0, 1, 5):
        shown = one.shows(level(with_drop(scene(float(part) * moved))))
    assert shown is True


@pytest.mark.parametrize("moved", [0.0, 0.6, 1.5, 3.0])
def test_scene_without_it_shows_that_it_is_gone(moved: float) -> None:
    one = arrived()
    for part in np.linspace(0, 1, 5):
        shown = one.shows(level(scene(float(part) * moved)))
    assert shown is False


def test_something_else_in_its_place_leaves_it_open() -> None:
    # A bright thing behind a drop, or before the scene without one.
    lit = np.asarray(scene() + 40 * disc(), np.float32)
    assert arrived().shows(level(lit)) is None


def test_thing_of_the_scene_goes_along_with_it() -> None:
    # Dark and even, it goes six px to the left with the scene.
    def dark(moved: float) -> Map:
        ground = scene(moved)
        return np.asarray(ground + disc(-moved) * (20 - ground), np.float32)

    one = arrived(dark(0.0))
    assert one.shows(level(dark(0.0))) is True
    for moved in (2.0, 4.0, 6.0, 8.0):
        shown = one.shows(level(dark(moved)))
    assert shown is not True


def test_place_that_is_covered_for_a_while_is_waited_for() -> None:
    one = arrived()
    covered = level(np.asarray(scene() + 40 * disc(), np.float32))
    there = level(with_drop(scene()))
    for number in range(1, 21):
        one.look(covered if 4 <= number < 12 else there, one.since + 0.25 * number)
    assert one.misses == 0
    assert one.has_stayed(one.since + 5.0)


@pytest.mark.parametrize(("drop", "denied"), [(True, False), (False, True)])
def test_splash_told_otherwise_is_denied_if_it_came_as_no_drop(
    drop: bool, denied: bool
) -> None:
    # Frame by frame, twice as large; a hard-edged drip, or a drop, at frame 14.
    size = (2 * W, 2 * H)
    noise = np.random.default_rng(8)
    hard = (disc(radius=4.5) > 0.5).astype(np.float32)
    watch = ArrivalWatch()
    for i in range(30):
        image = scene()
        if i >= 14:
            image = with_drop(image, 0.6) if drop else image + hard * (12 - image)
        way = cv2.INTER_LINEAR if drop else cv2.INTER_NEAREST
        fine = cv2.resize(image, size, interpolation=way)
        fine += noise.normal(0, 0.1, fine.shape).astype(np.float32)
        watch.frame(frame_of(fine, i, 0.04 * i))
    watch.search()
    here = Splash((X - 5) / W, (Y - 5) / H, 10 / W, 10 / H, -0.3, 14)
    assert watch.denies(here) is denied
    elsewhere = Splash(0.1, 0.1, 10 / W, 10 / H, -0.3, 14)
    assert not watch.denies(elsewhere)


def swung(image: Map, at: float) -> Map:
    """Lay a bright rod, five px wide, over a scene, so far from the place."""
    rod = np.clip(3.0 - np.abs(np.arange(W, dtype=np.float32) - X - at), 0, 1)
    return np.asarray(image * (1 - rod) + 75 * rod, np.float32)


def to_and_fro(*, earlier: bool) -> Arrived:
    """Return a drop that landed on a rod that had gone to and fro for a while."""
    ways = 7 * np.sin(0.4 * np.arange(24))
    frames = [
        frame_of(np.repeat(np.repeat(swung(scene(), at), 2, 0), 2, 1), -30 + i, 0.0)
        for i, at in enumerate(ways)
    ]
    before = swung(scene(), 6.0)
    found = Splash((X - 5) / W, (Y - 5) / H, 10 / W, 10 / H, -0.4, 10)
    came = step(before, with_drop(before, 0.6))
    return Arrived(found, came, frames if earlier else ())


@pytest.mark.parametrize("at", [-6.5, -3.0, 0.0, 3.5])
def test_what_goes_to_and_fro_is_seen_through_it_as_it_lay_before(at: float) -> None:
    shown = swung(scene(), at)
    one = to_and_fro(earlier=True)
    assert one.shows(level(with_drop(shown, 0.6))) is True
    assert one.shows(level(shown)) is not True


def test_without_earlier_frames_what_has_moved_leaves_it_open() -> None:
    shown = swung(scene(), -3.0)
    assert to_and_fro(earlier=False).shows(level(with_drop(shown, 0.6))) is None


def test_place_that_lay_as_it_never_did_before_leaves_it_open() -> None:
    shown = swung(swung(scene(), -9.0), 9.0)
    assert to_and_fro(earlier=True).shows(level(with_drop(shown, 0.6))) is None


@pytest.mark.parametrize("off", [4.0, 8.0, 10.0])
def test_drop_beside_what_goes_to_and_fro_is_told_to_the_frame(off: float) -> None:
    # A rod swings within 7 px of so far from the middle of the drop, four seconds to
    # and fro; before the drop lands it has been wherever it goes afterwards.
    noise, ground, watch = np.random.default_rng(8), scene(), ArrivalWatch()
    for i in range(160):
        image = swung(ground, off + 7 * np.sin(2 * np.pi * 0.01 * i))
        if i >= 70:
            image = with_drop(image, 0.6)
        fine = cv2.resize(image, (2 * W, 2 * H), interpolation=cv2.INTER_LINEAR)
        fine += noise.normal(0, 0.1, fine.shape).astype(np.float32)
        watch.frame(frame_of(fine, i, 0.04 * i))
        if i % 18 == 17:
            watch.look()
            watch.search()
    assert [told.row for told in watch.all()] == [70]
