"""Motion of the whole picture: textures moved by exactly known parts of a pixel.

Expected values are exact: the texture is a sum of cosines, or is shifted by its
Fourier transform. scikit-image's registration is the second opinion.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage import registration

from qc.measures.parts.motion.globalmotion import Motion, MotionTracker
from qc.views import proxy_luma
from tests.pictures import picture, scene

HEIGHT, WIDTH = 135, 240
_random = np.random.default_rng(31)
# Wave vectors of 7 px and longer, about as strong as natural pictures have them.
_LENGTHS = np.exp(_random.uniform(np.log(7), np.log(90), 80))
_WAYS = _random.uniform(0, 2 * np.pi, 80)
_WAVES = 2 * np.pi / _LENGTHS * np.stack([np.cos(_WAYS), np.sin(_WAYS)])
_PHASES = _random.uniform(0, 2 * np.pi, 80)
_HEIGHTS = 0.12 * np.sqrt(_LENGTHS)
WIDE = scene(360, 600, np.random.default_rng(32))

Small = NDArray[np.float32]


def texture(
    x: float = 0.0,
    y: float = 0.0,
    *,
    zoom: float = 1.0,
    roll: float = 0.0,
    height: int = HEIGHT,
    width: int = WIDTH,
) -> Small:
    """Return the texture moved right and down by (x, y) px, zoomed and turned."""
    v = np.arange(height)[:, None] - (height - 1) / 2 - y
    u = np.arange(width)[None, :] - (width - 1) / 2 - x
    c, s = np.cos(roll) / zoom, np.sin(roll) / zoom
    # cos(fx (c u + s v) + fy (c v - s u) + phase), as a product of columns and rows.
    fx, fy = _WAVES[:, :, None]
    columns = np.exp(1j * (c * fx - s * fy) * u)
    rows = np.exp(1j * ((s * fx + c * fy) * v.T + _PHASES[:, None]))
    waves = (_HEIGHTS[:, None] * rows).T @ columns
    return np.asarray(40.0 + waves.real, np.float32)


def follow(images: Sequence[Small]) -> list[Motion | None]:
    tracker = MotionTracker()
    return [tracker.read(image) for image in images]


def one(before: Small, after: Small) -> Motion:
    motion = follow([before, after])[1]
    assert motion is not None
    return motion


def seen(x: float, y: float, noise: float = 0.0, number: int = 0) -> Small:
    """Shift a drawn picture by its Fourier transform, then make it small."""
    height, width = WIDE.shape
    turn = np.fft.fftfreq(width)[None] * x + np.fft.fftfreq(height)[:, None] * y
    moved = np.fft.ifft2(np.fft.fft2(WIDE) * np.exp(-2j * np.pi * turn)).real
    moved = moved[45:315, 60:540]
    random = np.random.default_rng(number)
    grain = random.normal(0, noise, moved.shape) if noise else 0.0
    return picture(moved + grain).view(proxy_luma)


# ------------------------------------------------------------------------- exactness


@settings(max_examples=25, deadline=None)
@given(st.floats(-3, 3), st.floats(-3, 3))
def test_a_shift_is_found_to_a_hundredth_of_a_pixel(x: float, y: float) -> None:
    motion = one(texture(), texture(x, y))
    assert motion.x == pytest.approx(x, abs=0.01)
    assert motion.y == pytest.approx(y, abs=0.01)
    assert motion.zoom == pytest.approx(0, abs=2e-4)
    assert motion.trust > 0.9


@pytest.mark.parametrize("x", [-38.0, -20.25, 12.5, 30.0])
def test_a_jump_is_found_however_far(x: float) -> None:
    before, after = texture(), texture(x, 0.3 * x)
    motion = one(before, after)
    assert motion.x == pytest.approx(x, abs=0.02)
    assert motion.y == pytest.approx(0.3 * x, abs=0.02)


@pytest.mark.parametrize("zoom", [0.98, 0.995, 1.001, 1.01, 1.03])
def test_zoom_is_told_from_shift(zoom: float) -> None:
    motion = one(texture(), texture(0.4, -0.3, zoom=zoom))
    assert motion.zoom == pytest.approx(zoom - 1, abs=3e-4)
    assert motion.x == pytest.approx(0.4, abs=0.02)
    assert motion.y == pytest.approx(-0.3, abs=0.02)
    assert motion.roll == pytest.approx(0, abs=3e-4)


@pytest.mark.parametrize("degrees", [-1.0, 0.1, 0.5])
def test_roll_is_told_from_shift(degrees: float) -> None:
    motion = one(texture(), texture(0.2, 0.1, roll=np.radians(degrees)))
    assert np.degrees(motion.roll) == pytest.approx(degrees, abs=0.02)
    assert motion.zoom == pytest.approx(0, abs=3e-4)
    assert motion.x == pytest.approx(0.2, abs=0.02)


def test_errors_do_not_add_up() -> None:
    t = np.arange(70)
    x, y = 2.0 * np.sin(0.11 * t), 1.5 * np.sin(0.07 * t + 1)
    motions = follow([texture(a, b) for a, b in zip(x, y, strict=True)])
    path = np.cumsum([[m.x, m.y] for m in motions[1:] if m is not None], axis=0)
    assert len(path) == len(t) - 1
    error = path - np.stack([x[1:] - x[0], y[1:] - y[0]], 1)
    assert np.abs(error).max() < 0.01


def test_a_long_pan_with_zoom_adds_up() -> None:
    t = np.arange(40)
    images = [texture(0.9 * i, -0.4 * i, zoom=1.004**i) for i in t]
    motions = [m for m in follow(images)[1:] if m is not None]
    assert len(motions) == 39
    # The centre of the picture before lies, seen from the centre, at the pan so far:
    # zoom moves it along.
    for i, m in enumerate(motions):
        assert m.x == pytest.approx(0.9 - 0.004 * 0.9 * i, abs=0.02)
        assert m.y == pytest.approx(-0.4 + 0.004 * 0.4 * i, abs=0.02)
        assert m.zoom == pytest.approx(0.004, abs=3e-4)


@pytest.mark.parametrize("noise", [0.0, 4.0])
def test_drawn_pictures_agree_with_exact_shift_and_another_library(
    noise: float,
) -> None:
    register: Callable[..., tuple[Any, ...]] = registration.phase_cross_correlation
    window = np.outer(np.hanning(HEIGHT), np.hanning(WIDTH))
    before = seen(0, 0, noise)
    for number, (x, y) in enumerate([(0.5, -0.2), (1.3, 2.6), (-5.1, 3.3)], 1):
        after = seen(x, y, noise, number)
        motion = one(before, after)
        # Pixels of the drawing are half as large as those of the small picture.
        assert motion.x == pytest.approx(x / 2, abs=0.02)
        assert motion.y == pytest.approx(y / 2, abs=0.02)
        shift, _, _ = register(
            (before - before.mean()) * window,
            (after - after.mean()) * window,
            upsample_factor=50,
            normalization=None,
        )
        # The window holds the other one back a little.
        assert motion.x == pytest.approx(-float(shift[1]), abs=0.15)
        assert motion.y == pytest.approx(-float(shift[0]), abs=0.15)


def test_a_resting_camera_reads_rest_under_noise() -> None:
    motions = follow([seen(0, 0, 6.0, number) for number in range(12)])[1:]
    xs = [m.x for m in motions if m is not None]
    assert len(xs) == 11
    # 0.02 px of 240 are under a hundredth of a percent of the width.
    assert np.std(xs) < 0.02


# ------------------------------------------------------------- what must not mislead


def covered(image: Small, x: float, share: float, *, number: int = 3) -> Small:
    """Lay a textured thing over so much of the width, moved by x px."""
    thing = scene(200, 400, np.random.default_rng(number)).astype(np.float32) / 2.2
    out = image.copy()
    width = int(share * WIDTH)
    first = int(40 + x)
    out[20:120, first : first + width] = thing[20:120, 100 : 100 + width]
    return out


@pytest.mark.parametrize("share", [0.2, 0.35, 0.42])
def test_what_moves_before_a_still_picture_does_not_count(share: float) -> None:
    images = [covered(texture(), 3.0 * i, share) for i in range(8)]
    for motion in follow(images)[1:]:
        assert motion is not None
        assert motion.x == pytest.approx(0, abs=0.03)
        assert motion.y == pytest.approx(0, abs=0.03)
        assert motion.trust < 0.9


def test_a_thing_before_a_faint_ground_is_not_the_picture() -> None:
    # A ground with a tenth of the texture, too little to be followed by itself.
    ground = (20 + 0.1 * (texture() - 40.0)).astype(np.float32)
    thing = scene(200, 400, np.random.default_rng(3)).astype(np.float32) / 2.2
    images = []
    for i in range(8):
        image = ground.copy()
        image[45:130, 85 + 2 * i :] = thing[45:130, 100 : 255 - 2 * i]
        images.append(image)
    for motion in follow(images)[1:]:
        assert motion is not None
        assert np.hypot(motion.x, motion.y) < 0.03


def test_a_faint_ground_that_moves_does_not_rest() -> None:
    images = []
    for i in range(8):
        ground = (20 + 0.1 * (texture(0.8 * i) - 40.0)).astype(np.float32)
        images.append(covered(ground, 0.8 * i, 0.6))
    # The thing is laid to whole pixels: where it is near to what it should be.
    shifts = [m.x for m in follow(images)[1:] if m is not None]
    assert sum(shifts) == pytest.approx(0.8 * 7, abs=1.0)


@pytest.mark.parametrize(("goes", "rests"), [(0.0, 1.0), (0.8, 0.0)])
def test_a_faint_ground_tells_whether_it_rests(goes: float, rests: float) -> None:
    tracker, behind = MotionTracker(), []
    thing = scene(200, 400, np.random.default_rng(3)).astype(np.float32) / 2.2
    for i in range(8):
        image = (20 + 0.03 * (texture(goes * i) - 40.0)).astype(np.float32)
        # In the middle, so that a faint ground is left on both sides.
        image[25:105, 70 + i : 185 + i] = thing[25:105, 100:215]
        tracker.read(image)
        behind.append(tracker.behind)
    asked = [b for b in behind if not np.isnan(b)]
    assert len(asked) >= 3
    assert np.mean(asked) == rests


def test_the_picture_is_followed_behind_a_still_thing() -> None:
    images = [covered(texture(0.8 * i, 0.2 * i), 0.0, 0.15) for i in range(8)]
    for motion in follow(images)[1:]:
        assert motion is not None
        assert motion.x == pytest.approx(0.8, abs=0.04)
        assert motion.y == pytest.approx(0.2, abs=0.04)


@pytest.mark.parametrize(("gain", "lift"), [(0.7, 0.0), (1.3, 5.0), (1.0, -8.0)])
def test_changes_of_light_are_no_motion(gain: float, lift: float) -> None:
    motion = one(texture(), (gain * texture(0.5, 0.25) + lift).astype(np.float32))
    assert motion.x == pytest.approx(0.5, abs=0.02)
    assert motion.y == pytest.approx(0.25, abs=0.02)


def test_bands_of_flicker_are_no_motion() -> None:
    rows = np.arange(HEIGHT)[:, None]
    images = [
        (texture() * (1 + 0.03 * np.sin(rows / 12 + i))).astype(np.float32)
        for i in range(8)
    ]
    for motion in follow(images)[1:]:
        assert motion is not None
        assert np.hypot(motion.x, motion.y) < 0.05


def test_a_repeated_picture_has_not_moved_at_all() -> None:
    image = texture(0.3, 0.3)
    motions = follow([texture(), image, image.copy(), image.copy()])
    for motion in motions[2:]:
        assert motion is not None
        assert (motion.x, motion.y, motion.zoom, motion.roll) == (0, 0, 0, 0)
        assert motion.trust > 0.9


def noise_of(number: int) -> Small:
    random = np.random.default_rng(number)
    return np.asarray(random.normal(20, 5, (HEIGHT, WIDTH)), np.float32)


def test_noise_alone_tells_nothing() -> None:
    assert follow([noise_of(i) for i in range(6)]) == [None] * 6


@pytest.mark.parametrize("level", [0.0, 50.0])
def test_a_flat_picture_tells_nothing(level: float) -> None:
    random = np.random.default_rng(2)
    flat = [
        (level + random.normal(0, 0.05, (HEIGHT, WIDTH))).astype(np.float32)
        for _ in range(4)
    ]
    assert follow(flat) == [None] * 4


def test_a_thing_in_one_place_of_a_flat_picture_is_not_the_picture() -> None:
    images = []
    for i in range(5):
        image = np.full((HEIGHT, WIDTH), 30, np.float32)
        image[60:75, 50:130] = texture(0.5 * i)[60:75, 50:130]
        images.append(image)
    assert follow(images) == [None] * 5


def test_a_cut_is_unknown_and_the_new_picture_is_followed() -> None:
    other = WIDE[100 : 100 + HEIGHT, 200 : 200 + WIDTH].astype(np.float32) / 2.2
    moved = WIDE[100 : 100 + HEIGHT, 199 : 199 + WIDTH].astype(np.float32) / 2.2
    motions = follow([texture(), texture(0.5), other, moved])
    assert motions[2] is None
    assert motions[3] is not None
    assert motions[3].x == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    ("height", "width"), [(240, 135), (101, 240), (61, 83), (240, 240)]
)
def test_any_shape_of_picture(height: int, width: int) -> None:
    size = {"height": height, "width": width}
    motion = one(texture(**size), texture(0.7, -0.4, **size))
    assert motion.x == pytest.approx(0.7, abs=0.03)
    assert motion.y == pytest.approx(-0.4, abs=0.03)


@pytest.mark.parametrize(("height", "width"), [(1, 1), (1, 240), (20, 20), (30, 240)])
def test_pictures_too_small_tell_nothing(height: int, width: int) -> None:
    size = {"height": height, "width": width}
    assert follow([texture(**size), texture(0.7, **size)]) == [None, None]


def test_a_change_of_size_begins_anew() -> None:
    small = texture(height=100, width=180)
    motions = follow([texture(), small, texture(0.5, height=100, width=180)])
    assert motions[1] is None
    assert motions[2] is not None
    assert motions[2].x == pytest.approx(0.5, abs=0.02)
