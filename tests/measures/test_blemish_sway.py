"""Blemishes under a picture that moves a little or not at all.

What a spot does is exact arithmetic on the drawn picture (`test_blemish.spotted`); the
fixed pattern of drawn pairs is known exactly.
"""

from __future__ import annotations

from fractions import Fraction

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import SplashWatch
from qc.measures.parts.spots.spotfield import follow, grid_of
from qc.measures.parts.spots.spotlooks import (
    LookKeeper,
    detail_map,
    evened,
    half_level,
)
from qc.measures.parts.spots.spotplaces import stood_still
from qc.measures.parts.spots.spotslopes import Rims, fixed_pattern
from qc.measures.parts.spots.spotsway import Fixed, SwayBank
from qc.records import Readings
from qc.store import ColumnStore
from tests.measures.test_blemish import (
    PAINT,
    H,
    Image,
    W,
    findings,
    measured_of,
    overlap,
    spotted,
    still_scene,
)
from tests.pictures import picture

# ---------------------------------------------------------------- the fixed pattern


def swayed_pairs(
    pattern: Image, scene: Image, shifts: list[tuple[float, float]], size: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return moves and what is left over of pairs of a scene under a fixed pattern.

    Each look of a pair is moved half the way, as a camera's would be.
    """
    moves, left = [], []
    for dx, dy in shifts:
        looks = []
        for sign in (-0.5, 0.5):
            # The later look shows the scene moved; laid back, its pattern moves.
            m = np.array([[1, 0, sign * dx], [0, 1, sign * dy]], np.float32)
            flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            moved = cv2.warpAffine(
                pattern, m, (size, size), flags=flags, borderMode=cv2.BORDER_REPLICATE
            )
            looks.append(scene + moved)
        left.append(looks[0] - looks[1])
        moves.append(
            np.broadcast_to(np.array([dx, dy])[:, None, None], (2, size, size))
        )
    return np.stack(moves).astype(np.float32), np.stack(left).astype(np.float32)


def test_fixed_pattern_is_found_again_from_small_moves() -> None:
    size = 64
    y, x = np.mgrid[:size, :size]
    disc = np.clip((1.25 - np.hypot(x - 40, y - 26) / 5) / 0.5, 0, 1)
    pattern = -0.2 * cv2.GaussianBlur(disc, (0, 0), 1.0)
    random = np.random.default_rng(3)
    scene = random.normal(0, 0.3, (size, size))
    shifts = [(float(a), float(b)) for a, b in random.uniform(-1.6, 1.6, (30, 2))]
    moves, left = swayed_pairs(pattern, scene, shifts, size)
    left += random.normal(0, 0.01, left.shape).astype(np.float32)
    found = fixed_pattern(Rims(moves, left, 0.4, 0.02))
    # What is wide is taken away on both sides.
    goal = pattern - cv2.GaussianBlur(pattern, (0, 0), 14.0)
    assert np.corrcoef(found.ravel(), goal.ravel())[0, 1] > 0.95
    # A stiff solution is weaker than what is there, and never stronger.
    share = found[24:29, 38:43].mean() / goal[24:29, 38:43].mean()
    assert 0.7 <= share <= 1.02
    nothing = fixed_pattern(Rims(moves, np.zeros_like(left), 0.4, 0.02))
    assert np.abs(nothing).max() < 1e-6


def test_a_surface_that_is_not_bent_keeps_to_the_whole() -> None:
    big = still_scene(3)
    views = [big[40 : 40 + H, 60 : 60 + W], big[40 : 40 + H, 57 : 57 + W]]
    old, new = (picture(spotted(v, 16, loss=0.7)).view(evened) for v in views)
    assert old is not None
    assert new is not None
    guess = np.zeros((*grid_of(*new.shape)[0].shape, 2), np.float32)
    field = follow(old, new, guess, bend=False)
    assert field is not None
    expected = -3 * new.shape[1] / W
    assert np.abs(field.there[..., 0] - expected).max() < 0.25


# --------------------------------------------------------------------- a slight sway


def swaying(
    frames: int = 24, *, reach: float = 0.012, number: int = 3, camera: bool = True
) -> list[Image]:
    """Draw a boom that sways by a share of the width each way, and a hand."""
    big = still_scene(number)
    random = np.random.default_rng(17)
    out = []
    for i in range(frames):
        x = 60 + (W * reach * np.sin(0.7 * i) if camera else 0)
        y = 40 + (W * reach * 0.6 * np.sin(1.1 * i + 1) if camera else 0)
        m = np.array([[1, 0, x], [0, 1, y]], np.float64)
        view = cv2.warpAffine(
            big, m, (W, H), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        hand = round(W * (0.7 + 0.05 * np.sin(1.7 * i))), round(H * 0.85)
        cv2.ellipse(view, hand, (40, 18), 9 * i, 0, 360, 150, -1)
        out.append(np.asarray(view + random.normal(0, 1.0, view.shape), np.float64))
    return out


def fixed(images: list[Image]) -> list[Fixed]:
    """Return what the bank finds; a look every third of a second."""
    keeper, bank = LookKeeper(), SwayBank()
    for i, image in enumerate(images):
        seen = picture(image, index=i)
        keeper.look(seen, i, i / 3)
        here = keeper.here
        if here is not None and bank.due(i / 3, here):
            maps = seen.view(half_level), seen.view(detail_map)
            bank.add(i, i / 3, maps, here)
    return bank.spots()


def overlaps(one: Fixed, radius: float) -> bool:
    rows, columns = np.nonzero(one.mask)
    height, width = one.mask.shape
    away = np.hypot(
        columns.mean() / width * W - PAINT[0] * W,
        rows.mean() / height * H - PAINT[1] * H,
    )
    return bool(away < radius)


@pytest.mark.parametrize("what", [{"loss": 0.3, "blur": 2.0}, {"blur": 4.0}])
def test_drop_is_found_though_the_picture_only_sways(what: dict[str, float]) -> None:
    blur, loss = what.get("blur", 0.0), what.get("loss", 0.0)
    images = [spotted(f, 12, loss=loss, blur=blur) for f in swaying()]
    found = fixed(images)
    assert found
    assert all(overlaps(one, 12) for one in found)


@pytest.mark.parametrize("reach", [0.006, 0.012])
@pytest.mark.parametrize(
    ("loss", "radius"), [(0.65, 9), (0.65, 12), (0.75, 9), (0.75, 16), (0.85, 16)]
)
def test_dark_drop_is_found_though_more_than_its_rim_counts_no_more(
    loss: float, radius: float, reach: float
) -> None:
    images = [spotted(f, radius, loss=loss, blur=2.0) for f in swaying(reach=reach)]
    by_level = [one for one in fixed(images) if one.name == "level"]
    assert by_level
    assert all(overlaps(one, radius) for one in by_level)
    # No more than the light that is missing, and not the little that slopes say.
    assert all(np.log(1 - loss) < one.strength < np.log(0.6) for one in by_level)


def test_sway_without_a_drop_shows_nothing() -> None:
    assert fixed(swaying()) == []


def gloved(number: int) -> list[Image]:
    """Draw a sway with a glove that covers a place in every fourth picture."""
    random = np.random.default_rng(number)
    images = swaying(30)
    for image in images[::4]:
        x = PAINT[0] * W + random.uniform(-40, 40)
        y = PAINT[1] * H + random.uniform(-18, 18)
        level, angle = float(random.choice((60, 170))), random.uniform(0, 180)
        cv2.ellipse(image, (round(x), round(y)), (46, 20), angle, 0, 360, level, -1)
    return images


@pytest.mark.parametrize("number", [1021, 1022, 1023])
def test_drop_is_found_though_a_glove_often_passes_behind_it(number: int) -> None:
    images = gloved(number)
    assert fixed(images) == []
    found = fixed([spotted(image, 12, loss=0.45, blur=2.0) for image in images])
    assert found
    assert all(overlaps(one, 12) for one in found)


def railed(images: list[Image]) -> list[Image]:
    """Draw a dark rail below the place, so near that it sways twice as far."""
    rows = np.arange(H)[:, None]
    out = []
    for i, image in enumerate(images):
        came = W * 0.012 * 0.6 * np.sin(1.1 * i + 1)
        top = PAINT[1] * H + 32 - 2.0 * came
        rail = np.clip(top - rows + 0.5, 0, 1) * np.clip(rows - top + 8.5, 0, 1)
        out.append(np.asarray(image * (1 - rail) + 70 * rail))
    return out


def test_drop_is_found_beside_a_rail_that_is_left_over() -> None:
    assert fixed(railed(swaying())) == []
    found = fixed(railed([spotted(f, 16, loss=0.4) for f in swaying()]))
    assert found
    assert all(overlaps(one, 16) for one in found)


def test_stain_that_sways_along_is_no_drop() -> None:
    # The same disc, but on the scene.
    images = swaying()
    for i, image in enumerate(images):
        at = (
            PAINT[0] - 0.012 * np.sin(0.7 * i),
            PAINT[1] - 0.012 * 0.6 * np.sin(1.1 * i + 1) * W / H,
        )
        images[i] = spotted(image, 12, loss=0.3, at=at)
    assert fixed(images) == []


def test_camera_at_rest_gives_no_pairs_though_a_hand_moves() -> None:
    images = [spotted(f, 12, loss=0.4) for f in swaying(camera=False)]
    assert fixed(images) == []


def test_drop_under_a_sway_is_a_finding() -> None:
    images = [spotted(f, 12, loss=0.4, blur=2.0) for f in swaying(40)]
    (finding,) = findings(measured_of(images))
    assert overlap(finding, 12) > 0.4
    assert "stays in its place" in finding.message


# ------------------------------------------------------------------- comes and stays


def splashes(images: list[Image]) -> list[tuple[int, bool]]:
    """Return row and `moved` of the splashes; every third picture is looked at."""
    watch, keeper = SplashWatch(), LookKeeper()
    for i, image in enumerate(images):
        seen = picture(image, index=i)
        watch.frame(seen, i)
        if i % 3 == 0:
            keeper.look(seen, i, i / 6)
            watch.look(seen, i / 6, keeper.here)
    return [(s.row, s.moved) for s in watch.found]


def drifting(frames: int = 60, *, step: float = 0.4) -> list[Image]:
    big = still_scene(2)
    random = np.random.default_rng(5)
    out = []
    for i in range(frames):
        m = np.array([[1, 0, 20 + step * i], [0, 1, 30]], np.float64)
        view = cv2.warpAffine(
            big, m, (W, H), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        out.append(np.asarray(view + random.normal(0, 1.0, view.shape), np.float64))
    return out


def test_drop_that_comes_while_the_camera_drifts_is_told_to_the_frame() -> None:
    at = 20
    images = drifting()
    assert splashes(images) == []
    images[at:] = [spotted(f, 12, loss=0.4, blur=3.0) for f in images[at:]]
    rows = [row for row, _ in splashes(images)]
    assert at in rows


def test_stain_that_comes_on_the_scene_and_drifts_along_is_no_drop() -> None:
    at = 20
    images = drifting(step=1.6)
    for i in range(at, len(images)):
        x = PAINT[0] - 1.6 * (i - at) / W
        images[i] = spotted(images[i], 12, loss=0.4, at=(x, PAINT[1]))
    assert splashes(images) == []


def test_a_place_that_only_blurs_at_once_is_told() -> None:
    random = np.random.default_rng(8)
    view = still_scene(2)[:H, :W] + 12 * random.normal(0, 1, (H, W))
    images = [view + random.normal(0, 1.0, view.shape) for _ in range(60)]
    assert splashes(images) == []
    images[20:] = [spotted(f, 16, blur=5.0) for f in images[20:]]
    found = splashes(images)
    assert found
    assert all(18 <= row <= 26 for row, _ in found)


def test_drop_on_a_picture_that_never_moves_may_lie_on_the_lens() -> None:
    view = still_scene(2)[:H, :W]
    random = np.random.default_rng(5)
    images = [view + random.normal(0, 1.0, view.shape) for _ in range(40)]
    assert findings(measured_of(images)) == []
    images[9:] = [spotted(f, 14, loss=0.3, blur=3.0) for f in images[9:]]
    (finding,) = findings(measured_of(images))
    assert "may lie on the lens" in finding.message
    assert finding.start_frame in (8, 9)
    assert overlap(finding, 14) > 0.4


@pytest.mark.parametrize(("step", "still"), [(0.05, True), (0.3, False)])
def test_a_little_sway_is_told_from_rest(step: float, still: bool) -> None:
    names = [f"steadiness.{n}_percent" for n in ("dx", "dy", "zoom")]
    store = ColumnStore(dict.fromkeys(names, 0))
    for i in range(40):
        store.append(dict(zip(names, (step * (-1) ** i, 0.0, 0.0), strict=True)))
    edges = np.arange(41, dtype=np.int64)
    readings = Readings("picture", Fraction(1, 25), edges, store)
    assert stood_still(readings, 0.25) is still
