"""Blemishes before a detailed scene that goes by slowly, near things faster than far.

What a spot does is exact arithmetic on the drawn picture (`test_blemish.spotted`), and
so is where each layer of the scene lies.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.kernels.layers import middles
from qc.measures.parts.spots.spotfixed import fixed_spots
from qc.measures.parts.spots.spotgain import gain_spots
from qc.measures.parts.spots.spotlayers import layers_along, layers_of
from qc.measures.parts.spots.spotlooks import LookKeeper, kept_maps
from qc.measures.parts.spots.spotpassing import Passing, passing
from qc.measures.parts.spots.spotslopes import Rims, fixed_pattern
from qc.measures.parts.spots.spotsway import Fixed, SwayBank
from tests.measures.test_blemish import PAINT, H, Image, W, spotted
from tests.pictures import VIDEO_8, codes, picture

Search = Callable[[Passing], list[Fixed]]
# Both ways to look for spots before such a scene must hold what follows.
BOTH = pytest.mark.parametrize("search", [fixed_spots, gain_spots])
LOOKS, EVERY_S = 26, 0.3
STEP = 0.9  # px of the far layer from look to look; the near one moves twice as far
NEAR = 150  # px from the top: from there on down the near layer is seen


@functools.cache
def layer(number: int) -> Image:
    """Draw many windows, lit and dark, with soft edges."""
    random = np.random.default_rng(number)
    out = np.full((H + 40, W + 120), 40.0)
    for _ in range(1500):
        x, y = (int(random.integers(0, n)) for n in out.shape[::-1])
        w, h = (int(v) for v in random.integers(4, 14, 2))
        out[y : y + h, x : x + w] = random.uniform(30, 200)
    return np.asarray(cv2.GaussianBlur(out, (0, 0), 1.2))


def seen(image: Image, x: float) -> Image:
    """Return the part of a layer that begins so far to the right."""
    matrix = np.array([[1, 0, x], [0, 1, 20]], np.float64)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(image, matrix, (W, H), flags=flags))


@functools.cache
def travelled(
    step: float = STEP, *, stain: bool = False, camera: bool = True
) -> tuple[Image, ...]:
    """Draw a camera that goes by two layers, with noise of a code.

    Parameters
    ----------
    stain : bool
        A disc that belongs to the far layer.
    camera : bool
        If it stands still a thing goes by it.
    """
    random = np.random.default_rng(8)
    out = []
    for i in range(LOOKS):
        far, near = (
            seen(layer(n), 20 + s * i * camera) for n, s in ((1, step), (2, 2 * step))
        )
        if stain:
            at = PAINT[0] - step * (i - LOOKS / 2) / W, PAINT[1]
            far = spotted(far, 9, loss=0.5, at=at)
        image = np.where(np.arange(H)[:, None] < NEAR, far, near)
        if not camera:
            cv2.circle(image, (40 + 9 * i, 90), 26, (150,), -1)
        out.append(np.asarray(image + random.normal(0, 1.0, image.shape)))
    return tuple(out)


def told(
    images: Sequence[Image], search: Search, every: float = EVERY_S
) -> list[Fixed]:
    keeper, bank = LookKeeper(), SwayBank()
    for i, image in enumerate(images):
        shown = picture(codes(image, VIDEO_8), index=i)
        keeper.look(shown, i, i * every)
        here = keeper.here
        if here is not None and bank.due(i * every, here):
            maps, fine = kept_maps(shown)
            bank.add(i, i * every, maps, here, fine)
    scene = passing(bank.looks)
    return [] if scene is None else search(scene)


def away(one: Fixed, at: tuple[float, float]) -> float:
    """Return how far the middle of what was found lies from a place, px."""
    rows, columns = np.nonzero(one.mask)
    h, w = one.mask.shape
    x, y = (columns.mean() + 0.5) / w - at[0], (rows.mean() + 0.5) / h - at[1]
    return float(np.hypot(x * W, y * H))


@BOTH
@pytest.mark.parametrize("at", [PAINT, (0.7, 0.85)])
@pytest.mark.parametrize(
    ("radius", "what"),
    [(5, {"loss": 0.5}), (9, {"loss": 0.4, "blur": 2.0})],
)
def test_spot_is_found_before_layers_that_move_differently(
    search: Search, at: tuple[float, float], radius: float, what: dict[str, float]
) -> None:
    found = told([spotted(f, radius, at=at, **what) for f in travelled()], search)
    assert found
    assert away(found[0], at) < radius
    assert all(away(one, at) < 2 * radius for one in found)
    # No more than the light that is missing.
    assert np.log(1 - what["loss"]) < found[0].strength < -0.04


def test_spot_is_found_where_layers_meet_behind_it() -> None:
    # There the scene is laid over itself less well, and the spot wanders more.
    at = 0.5, (NEAR + 4) / H
    found = told([spotted(f, 6, loss=0.5, at=at) for f in travelled()], fixed_spots)
    assert [away(one, at) < 3 for one in found] == [True] * len(found) != []
    assert all(np.log(0.5) < one.strength < -0.2 for one in found)


@pytest.mark.parametrize(
    ("radius", "loss", "streaks", "wide"),
    [(5, 0.5, 0.35, 3.0), (5, 0.4, 0.25, 4.0), (4, 0.5, 0.35, 3.0)],
)
def test_dust_between_two_streaks_of_dirt_is_found(
    radius: float, loss: float, streaks: float, wide: float
) -> None:
    # What is around it stays too, and so do they.
    y, x = np.mgrid[:H, :W]
    streak = np.exp(-(((np.abs(x - PAINT[0] * W) - 13) / wide) ** 2))
    film = 1 - streaks * streak * (np.abs(y - PAINT[1] * H) < 60)
    images = [spotted(view * film, radius, loss=loss) for view in travelled()]
    found = told(images, fixed_spots)
    assert [away(one, PAINT) < 2 for one in found] == [True] * len(found) != []


@functools.cache
def before_a_plain_ground(*, rests: bool) -> tuple[Image, ...]:
    """Draw a plain ground around `PAINT`, and a thing at the right that rests."""
    random = np.random.default_rng(6)
    soft = cv2.GaussianBlur(random.normal(0, 1, (H + 40, W + 120)), (0, 0), 4.0)
    soft *= 5.0 / soft.std()
    y, x = np.mgrid[:H, :W]
    out = []
    for i, view in enumerate(travelled()):
        came = 0.0 if rests else STEP * (i - LOOKS / 2)
        far = np.maximum(
            np.abs(x - PAINT[0] * W + came) / 70, np.abs(y - PAINT[1] * H) / 60
        )
        share = np.clip((far - 0.8) / 0.2, 0, 1)
        image = (120 + seen(soft, 60 + came)) * (1 - share) + view * share
        image = np.where(x > 0.78 * W, seen(layer(5), 40), image)
        out.append(np.asarray(image + random.normal(0, 0.7, image.shape)))
    return tuple(out)


def test_dust_before_a_plain_ground_is_found_where_not_all_comes_along() -> None:
    images = before_a_plain_ground(rests=False)
    found = told([spotted(f, 4, loss=0.5) for f in images], fixed_spots)
    assert [away(one, PAINT) < 2 for one in found] == [True] * len(found) != []
    assert told(images, fixed_spots) == []


def test_mark_on_a_ground_that_rests_is_no_dust() -> None:
    # It keeps its place as well, but so does all that is around it.
    images = before_a_plain_ground(rests=True)
    assert told([spotted(f, 4, loss=0.5) for f in images], fixed_spots) == []


@BOTH
def test_clean_lens_has_no_spot(search: Search) -> None:
    assert told(travelled(), search) == []


@BOTH
def test_stain_of_the_scene_is_no_spot(search: Search) -> None:
    assert told(travelled(stain=True), search) == []


@BOTH
def test_camera_that_stands_still_tells_nothing(search: Search) -> None:
    images = [spotted(f, 9, loss=0.4) for f in travelled(camera=False)]
    assert told(images, search) == []


@BOTH
def test_what_goes_by_too_little_tells_nothing(search: Search) -> None:
    # 2 px of 384 in all: the same of the scene lies behind the spot all the time.
    assert told([spotted(f, 9, loss=0.4) for f in travelled(0.08)], search) == []


@BOTH
def test_two_seconds_are_too_few(search: Search) -> None:
    images = [spotted(f, 9, loss=0.4) for f in travelled()]
    assert told(images, search, every=2.0 / LOOKS) == []


@pytest.mark.parametrize("share", [0.3, 1.0, 1.3])
def test_thing_that_the_camera_follows_loosely_is_no_spot(share: float) -> None:
    # It goes along by a share of the scene's way: nothing on the lens does.
    way = [STEP * (i - LOOKS / 2) / W for i in range(LOOKS)]
    images = [
        spotted(one, 9, loss=0.5, at=(PAINT[0] - share * there, PAINT[1]))
        for one, there in zip(travelled(), way, strict=True)
    ]
    assert [one for one in told(images, fixed_spots) if one.strength < 0] == []


def test_brighter_spot_is_found_too() -> None:
    found = told([spotted(f, 7, loss=-0.5) for f in travelled()], fixed_spots)
    assert [away(one, PAINT) < 7 for one in found] == [True] * len(found) != []
    assert found[0].strength > 0.04


@pytest.mark.parametrize("at", [PAINT, (0.7, 0.85)])
def test_smear_that_takes_detail_and_no_light_is_found(at: tuple[float, float]) -> None:
    found = told([spotted(f, 11, blur=6.0, at=at) for f in travelled()], fixed_spots)
    by_detail = [one for one in found if one.name == "detail"]
    assert by_detail
    assert all(away(one, at) < 11 for one in found)
    # More than half of the fine detail is gone, and no light in the mean.
    assert all(one.strength < np.log(0.5) for one in by_detail)


def test_place_of_the_scene_without_detail_is_no_smear() -> None:
    # It goes by with the scene.
    images = [
        spotted(one, 11, blur=4.0, at=(PAINT[0] - STEP * (i - LOOKS / 2) / W, PAINT[1]))
        for i, one in enumerate(travelled())
    ]
    assert told(images, fixed_spots) == []


def test_detail_is_parted_by_the_motion_of_the_level() -> None:
    # As the layers of level below, but with moves given, of maps twice as large.
    random = np.random.default_rng(4)
    wide = cv2.GaussianBlur(random.normal(0, 1, (48, 110)), (0, 0), 1.5)
    y, x = np.mgrid[:48, :64]
    hole = -0.5 * np.exp(-((x - 30) ** 2 + (y - 20) ** 2) / 8)
    steps = np.arange(13) * 2
    maps = np.stack([wide[:, 30 - s : 94 - s] for s in steps]) + hole
    moves = np.zeros((13, 96, 128, 2), np.float32)
    moves[..., 0] = 2.0 * (steps - 12)[:, None, None]
    layers = layers_along(maps.astype(np.float32), moves)
    inner = np.s_[10:38, 14:50]
    fine = hole - cv2.GaussianBlur(hole, (0, 0), 12.0)
    assert np.abs(layers.stays - fine)[inner].max() < 0.1
    assert np.ptp(wide[inner]) > 1.0  # of the scene next to nothing is in it
    assert np.array_equal(layers.moves[:, 20, 30, 0], (steps - 12).astype(np.float32))


@pytest.mark.parametrize("count", [1, 2, 3, 7, 8, 13, 14])
def test_middle_is_the_upper_median(count: int) -> None:
    values = np.random.default_rng(count).normal(size=(count, 6, 5))
    # numpy's own sort
    assert np.array_equal(middles(values), np.sort(values, axis=0)[count // 2])


def test_layers_of_a_sum_are_parted_again() -> None:
    # Log level is a sum: a scene that moves by whole pixels, and a disc that stays.
    random = np.random.default_rng(3)
    wide = cv2.GaussianBlur(random.normal(0, 1, (96, 200)), (0, 0), 2.0)
    y, x = np.mgrid[:96, :128]
    disc = -0.3 * np.exp(-((x - 60) ** 2 + (y - 40) ** 2) / 18)
    steps = np.arange(13) * 4
    level = np.stack([wide[:, 60 - s : 188 - s] for s in steps]) + disc
    places = np.zeros((13, 6, 8, 2), np.float32)
    places[..., 0] = steps[:, None, None]
    layers = layers_of(level.astype(np.float32), places)
    inner = np.s_[20:76, 30:98]
    fine = disc - cv2.GaussianBlur(disc, (0, 0), 12.0)
    assert np.abs(layers.stays - fine)[inner].max() < 0.05
    assert np.ptp(wide) > 0.8  # of the scene next to nothing is in it
    assert np.abs(layers.moves[:, 40, 60, 0] - (steps - 24)).max() < 0.2


def test_a_place_that_is_not_trusted_does_not_count() -> None:
    # Half of the pairs leave over something else; without trust they are as if not.
    random = np.random.default_rng(5)
    moves = random.uniform(-1.5, 1.5, (24, 2, 1, 1)) * np.ones((1, 1, 40, 40))
    y, x = np.mgrid[:40, :40]
    disc = -0.2 * np.exp(-((x - 20) ** 2 + (y - 18) ** 2) / 18)
    down, across = np.gradient(disc)
    left = -(moves[:, 0] * across + moves[:, 1] * down)
    wrong = left.copy()
    wrong[12:] += random.normal(0, 0.2, (12, 40, 40))
    trust = np.ones(left.shape, np.float32)
    trust[12:] = 0

    def solved(some: NDArray[np.float64], by: slice, much: bool) -> NDArray[np.float32]:
        m, r = moves[by].astype(np.float32), some[by].astype(np.float32)
        return fixed_pattern(Rims(m, r, 1.5, 0.02, trust[by] if much else None))

    expected = solved(left, slice(0, 12), False)
    assert np.abs(expected).max() > 0.1
    assert solved(wrong, slice(None), True) == pytest.approx(expected, abs=1e-3)
    assert np.abs(solved(wrong, slice(None), False) - expected).max() > 0.02
