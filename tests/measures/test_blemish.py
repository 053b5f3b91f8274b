"""Blemishes: drawn scenes under a moving camera, with spots of known place and size.

What a spot does is exact arithmetic on the drawn picture: a share of the light taken
away, a Gaussian blur inside a disc, a pixel raised by so many codes. Everything is in
codes of 8-bit video: black 16, white 235 (ITU-R BT.709).
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from qc.measures import blemish, default_limits
from qc.measures.base import Measured, Setup
from qc.measures.parts.spots import blemishwords
from qc.measures.parts.spots.spotfield import coarse_shift, follow, grid_of
from qc.measures.parts.spots.spotlooks import LookKeeper, evened, level_map
from qc.measures.parts.spots.spotmaps import _CHANCE, SpotMaps
from qc.media import TakeReader, probe
from qc.records import Finding, Grade, Picture, Readings
from qc.signal import Signal
from qc.store import ColumnStore
from tests.pictures import (
    VIDEO_8,
    codes,
    footage,
    measure,
    picture,
    reader_of,
    scene,
    setup_of,
)

Image = NDArray[np.float64]
H, W = 216, 384
REACH = 96, 60
RATE = Fraction(2)  # a frame is a look
FRAMES = 26
PAINT = (0.32, 0.35)  # centre of the spots, shares of width and height


@functools.cache
def still_scene(number: int) -> Image:
    random = np.random.default_rng(number)
    return scene(H + 2 * REACH[1], W + 2 * REACH[0], random)


def panned(
    number: int = 1, *, frames: int = FRAMES, reach: float = 0.9, zoom: float = 0.0
) -> list[Image]:
    """Draw a camera that wanders over a scene, with noise of 1.5 codes and a hand."""
    return [view.copy() for view in _panned(number, frames, reach, zoom)]


@functools.cache
def _panned(number: int, frames: int, reach: float, zoom: float) -> list[Image]:
    big = still_scene(number)
    random = np.random.default_rng(100 + number)
    a, b = random.uniform(0, 6, 2)
    out = []
    for i in range(frames):
        x = REACH[0] * (1 + reach * np.sin(0.45 * i + a))
        y = REACH[1] * (1 + reach * np.sin(0.61 * i + b))
        z = 1 + zoom * np.sin(0.5 * i)
        matrix = np.array(
            [[1 / z, 0, x + W / 2 * (1 - 1 / z)], [0, 1 / z, y + H / 2 * (1 - 1 / z)]]
        )
        view = cv2.warpAffine(
            big, matrix, (W, H), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        hand = round(W * (0.6 + 0.2 * np.sin(1.7 * i))), round(H * 0.8)
        cv2.ellipse(view, hand, (50, 22), 9 * i, 0, 360, 150, -1)
        out.append(view + random.normal(0, 1.5, view.shape))
    return out


def spotted(
    image: Image,
    radius: float,
    *,
    loss: float = 0.0,
    blur: float = 0.0,
    veil: float = 0.0,
    at: tuple[float, float] = PAINT,
) -> Image:
    """Lay a soft-edged disc over a picture; half of its effect is at `radius`."""
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    away = np.hypot(x - at[0] * W, y - at[1] * H) / radius
    share = np.clip((1.25 - away) / 0.5, 0, 1)
    under = cv2.GaussianBlur(image, (0, 0), blur) if blur else image
    under = (under - VIDEO_8.black) * (1 - loss) + VIDEO_8.black + veil
    return np.asarray(image * (1 - share) + under * share)


def measured_of(images: Iterable[Image], **facts: Any) -> Measured:
    signal = facts.get("signal", VIDEO_8)
    setup = setup_of(width=W, height=H, rate=RATE, **facts)
    frames = [picture(codes(image, signal), signal=signal) for image in images]
    for i, frame in enumerate(frames):
        frame.index = frame.pts = i
    return measure(frames, setup, [blemish.MEASURE])


def findings(measured: Measured) -> list[Finding]:
    (check,) = blemish.MEASURE.checks
    return list(check(measured))


def notes(measured: Measured) -> list[str]:
    assert blemish.MEASURE.notes is not None
    return list(blemish.MEASURE.notes(measured))


def overlap(finding: Finding, radius: float, at: tuple[float, float] = PAINT) -> float:
    """Return intersection over union of a finding's box and the disc's."""
    assert finding.where is not None
    x, y, w, h = finding.where
    a, b = at[0] * W - radius, at[1] * H - radius
    side = 2 * radius
    across = max(0.0, min(x + w, a + side) - max(x, a))
    down = max(0.0, min(y + h, b + side) - max(y, b))
    both = across * down
    return both / (w * h + side * side - both)


# ----------------------------------------------------------------------------- spots


@pytest.mark.parametrize(
    ("radius", "what", "words"),
    [
        (14, {"loss": 0.12}, "darker by about 1"),
        (7, {"loss": 0.4}, "darker by about"),
        (16, {"blur": 3.0}, "blurred"),
        (16, {"blur": 5.0, "veil": 12.0}, "brighter"),
    ],
)
def test_spot_is_found_with_place_and_size(
    radius: float, what: dict[str, float], words: str
) -> None:
    measured = measured_of(spotted(f, radius, **what) for f in panned())
    (finding,) = findings(measured)
    assert overlap(finding, radius) > 0.5
    assert finding.rule == "picture.blemish"
    assert finding.grade is Grade.REVIEW
    assert words in finding.message
    # PAINT lies in the left third, and in the middle third of the height.
    assert "at the left," in finding.message
    assert "lean" in finding.advice
    assert (finding.start_frame, finding.end_frame) == (0, FRAMES)
    assert finding.worst == pytest.approx(200 * radius / W, rel=0.4)
    assert notes(measured) == []


@pytest.mark.parametrize("number", [1, 2])
def test_clean_lens_has_no_finding(number: int) -> None:
    measured = measured_of(panned(number, zoom=0.1))
    assert findings(measured) == []
    assert notes(measured) == []


def test_spot_of_another_depth_and_range_is_the_same() -> None:
    deep = Signal(bit_depth=10, full_range=True)
    images = [spotted(f, 14, loss=0.3) for f in panned()]
    (one,) = findings(measured_of(images))
    (other,) = findings(measured_of(images, signal=deep))
    assert one.where is not None
    assert other.where is not None
    assert np.abs(np.subtract(one.where, other.where)).max() <= 4
    assert overlap(other, 14) > 0.5


def test_glove_that_stays_while_the_camera_goes_on_is_no_blemish() -> None:
    # It has a grain of its own and hides what lies behind it.
    own = cv2.GaussianBlur(np.random.default_rng(7).normal(0, 1, (H, W)), (0, 0), 4.0)
    y, x = np.mgrid[:H, :W]
    far = np.hypot(x - PAINT[0] * W, y - PAINT[1] * H) / 22
    share = np.clip((1.25 - far) / 0.5, 0, 1)
    glove = 140 + 10 * own / own.std()
    drawn = [image * (1 - share) + glove * share for image in panned(2)]
    assert findings(measured_of(drawn)) == []


def test_splash_in_the_middle_of_a_take_is_told_from_there() -> None:
    at = 10
    images = panned()
    images[at:] = [spotted(f, 14, loss=0.4) for f in images[at:]]
    (finding,) = findings(measured_of(images))
    assert overlap(finding, 14) > 0.5
    # On the safe side: the good footage ends no later than the spot comes.
    assert at - 3 <= finding.start_frame <= at
    assert finding.end_frame == FRAMES
    assert re.search(r"It came (between|at) 00:00:0", finding.message)


def test_wiped_spot_ends() -> None:
    images = panned()
    images[:16] = [spotted(f, 14, loss=0.4) for f in images[:16]]
    (finding,) = findings(measured_of(images))
    assert finding.start_frame == 0
    assert 16 <= finding.end_frame <= 19
    assert "from the first frame, and went" in finding.message


def test_small_spot_is_a_note_only() -> None:
    setup = {"blemish.review_width_percent": 50.0}
    images = [spotted(f, 14, loss=0.4) for f in panned()]
    measured = measured_of(images)
    limits = setup_of(setup).limits
    (finding,) = findings(
        Measured(measured.info, limits, measured.picture, (), measured.totals)
    )
    assert finding.grade is Grade.NOTE


def test_picture_that_stands_still_cannot_be_told() -> None:
    view = still_scene(1)[:H, :W]
    random = np.random.default_rng(3)
    images = []
    for i in range(FRAMES):
        # A dirty lens, a still camera, and a hand that moves a lot.
        image = spotted(view, 14, loss=0.5)
        cv2.ellipse(image, (60 + 10 * i, 120), (60, 30), 0, 0, 360, 150, -1)
        images.append(image + random.normal(0, 1.5, image.shape))
    measured = measured_of(images)
    assert findings(measured) == []
    (note,) = notes(measured)
    assert "could not be looked for" in note
    assert blemish.MEASURE.summarise is not None
    told = blemish.MEASURE.summarise(measured)
    assert told["spots"] is None
    assert told["stuck_pixels"] is None
    assert told["judged_percent"] == 0.0


def test_interior_that_stays_while_a_window_moves_is_no_blemish() -> None:
    # A car: most of the picture is fixed to the camera, the view outside runs past.
    inside = still_scene(2)[:H, :W]
    images = []
    for outside in panned(1):
        image = inside.copy()
        image[20:110, 30:190] = outside[20:110, 30:190]
        images.append(image)
    measured = measured_of(images)
    assert findings(measured) == []
    assert blemish.MEASURE.summarise is not None
    assert blemish.MEASURE.summarise(measured)["spots"] is None


def test_caption_is_told_from_dirt() -> None:
    images = [np.rint(np.clip(f, 16, 235)).astype(np.uint8) for f in panned()]
    for image in images:
        for number, text in enumerate(("01:23:45:00", "CAM 1  REC")):
            at = (250, 60 + 20 * number)
            font = cv2.FONT_HERSHEY_SIMPLEX
            cv2.putText(image, text, at, font, 0.5, 20, 3)
            cv2.putText(image, text, at, font, 0.5, 230, 1)
    found = findings(measured_of([i.astype(np.float64) for i in images]))
    assert found
    assert any("sharp edges of its own" in f.message for f in found)
    assert any("caption" in f.advice for f in found)


def test_damaged_and_tiny_and_flat_pictures_are_no_blemish() -> None:
    setup = setup_of(width=8, height=6, rate=RATE)
    flat = [picture(np.full((6, 8), 100 + i, np.uint8), pts=i) for i in range(9)]
    measured = measure(flat, setup, [blemish.MEASURE])
    assert findings(measured) == []
    assert blemish.MEASURE.summarise is not None
    assert blemish.MEASURE.summarise(measured)["spots"] is None
    odd = [picture(f[:-1, :-3], pts=i, damaged=True) for i, f in enumerate(panned())]
    measured = measure(odd, setup_of(width=W - 3, height=H - 1), [blemish.MEASURE])
    assert findings(measured) == []
    assert blemish.MEASURE.summarise(measured)["spots"] is None


# ------------------------------------------------------------------------ arithmetic


@pytest.mark.parametrize(("dx", "dy"), [(14, 0), (-12, 8), (9, -10)])
def test_the_shift_that_was_drawn_is_found(dx: int, dy: int) -> None:
    big = still_scene(3)
    one = picture(big[40 : 40 + H, 60 : 60 + W])
    two = picture(big[40 - dy : 40 - dy + H, 60 - dx : 60 - dx + W])
    keeper = LookKeeper()
    assert keeper.look(one, 0, 0.0) == []
    (difference,) = keeper.look(two, 1, 0.5)
    expected = 100 * np.hypot(dx, dy) / W
    assert difference.moved_percent == pytest.approx(expected, abs=0.1)


def test_motion_that_differs_over_the_picture_is_followed_and_undone() -> None:
    # Exact: a zoom of 6 % about a point, which moves every place by its own step.
    big = still_scene(3)
    view = big[60 : 60 + H, 90 : 90 + W]
    zoom, x, y = 1.06, 0.3 * W, 0.4 * H
    matrix = np.array([[zoom, 0, x * (1 - zoom)], [0, zoom, y * (1 - zoom)]])
    larger = cv2.warpAffine(view, matrix, (W, H), flags=cv2.INTER_LINEAR)
    old, new = (picture(i).view(evened) for i in (view, larger))
    assert old is not None
    assert new is not None
    height, width = new.shape
    columns, rows = grid_of(height, width)
    field = follow(old, new, np.zeros((*columns.shape, 2), np.float32))
    assert field is not None
    inside = (slice(1, -1), slice(1, -1))
    centre = x * width / W, y * height / H
    share = 1 - 1 / zoom
    for axis, at in enumerate((columns, rows)):
        there = -share * (at - centre[axis])
        assert np.abs(field.there[..., axis] - there)[inside].max() < 0.5
        back = (zoom - 1) * (at - centre[axis])
        assert np.abs(field.back[..., axis] - back)[inside].max() < 0.7


def test_a_spot_does_not_move_along_and_bends_nothing() -> None:
    big = still_scene(3)
    views = [big[40 : 40 + H, 60 : 60 + W], big[40 : 40 + H, 30 : 30 + W]]
    old, new = (picture(spotted(v, 16, loss=0.7)).view(evened) for v in views)
    assert old is not None
    assert new is not None
    height, width = new.shape
    shift = coarse_shift(old.astype(np.float32), new.astype(np.float32))
    guess = np.zeros((*grid_of(height, width)[0].shape, 2), np.float32)
    guess[...] = -width * shift.x, -width * shift.y
    field = follow(old, new, guess)
    assert field is not None
    expected = -30 * width / W  # the view moves left, the scene right
    assert np.abs(field.there[..., 0] - expected).max() < 0.5
    assert np.abs(field.there[..., 1]).max() < 0.5


def test_looks_that_did_not_move_are_not_compared() -> None:
    view = picture(still_scene(3)[:H, :W])
    keeper = LookKeeper()
    assert [keeper.look(view, i, i / 2) for i in range(3)] == [[]] * 3
    assert not keeper.moved


def test_a_framing_seen_before_counts_only_once() -> None:
    big = still_scene(3)
    keeper, maps = LookKeeper(), SpotMaps()
    # To and fro between the same two framings: one piece of evidence, however often.
    for i in range(12):
        x = 60 + 20 * (i % 2)
        for found in keeper.look(picture(big[40 : 40 + H, x : x + W]), i, i / 2):
            maps.add(found)
    assert maps.pairs >= 8
    counts = sum(b.count["level"] for b in maps.blocks)
    assert np.max(counts) <= 2
    assert maps.judged == 0.0


def test_scene_cancels_and_a_spot_stays_in_the_difference() -> None:
    big = still_scene(3)
    loss = 0.3
    views = [big[40 : 40 + H, 60 : 60 + W], big[40 : 40 + H, 30 : 30 + W]]
    views = [spotted(v, 10, loss=loss) for v in views]
    keeper = LookKeeper()
    keeper.look(picture(views[0]), 0, 0.0)
    (difference,) = keeper.look(picture(views[1]), 1, 0.5)
    height, width = difference.level.shape
    there = difference.level[round(PAINT[1] * height), round(PAINT[0] * width)]
    # ln(1 - loss), a little less for the foot that is added to levels.
    assert np.log(1 - loss) <= there <= 0.6 * np.log(1 - loss)
    away = difference.level[height // 2 :]
    assert np.nanpercentile(np.abs(away), 90) < 0.02


def test_level_map_is_a_logarithm() -> None:
    y = np.full((60, 60), VIDEO_8.code(45.0), np.uint8)
    assert level_map(picture(y))[30, 30] == pytest.approx(np.log(50.0), abs=0.01)


def test_memory_does_not_grow_with_the_take() -> None:
    images = panned(1, frames=8)
    keeper, maps = LookKeeper(), SpotMaps()
    frames = [picture(i) for i in images]
    (some, *_) = [d for i, f in enumerate(frames) for d in keeper.look(f, i, i / 2)]
    for _ in range(300):
        maps.add(some)
    assert maps.pairs == 300
    assert len(maps.blocks) < 24
    total = sum(b.count["level"].max() for b in maps.blocks)
    assert total == 300


def test_chance_is_students() -> None:
    # scipy.special's quantile, which the measure uses for speed, against scipy.stats.
    from scipy.special import stdtrit

    for chance in _CHANCE.values():
        for n in (4, 9, 40):
            assert -stdtrit(n, chance) == pytest.approx(stats.t.isf(chance, n))


def test_words_of_places() -> None:
    assert blemishwords.place(0.9, 0.9) == "at the lower right"
    assert blemishwords.place(0.5, 0.9) == "at the bottom"
    # Turned a quarter clockwise, what was at the left is at the top.
    assert blemishwords.place(0.1, 0.5, 90) == "at the top"
    assert blemishwords.place(0.1, 0.5, 270) == "at the bottom"


# ---------------------------------------------------------------------------- report


def test_mark_is_an_outline_around_the_spot() -> None:
    images = [spotted(f, 14, loss=0.4) for f in panned()]
    measured = measured_of(images)
    (finding,) = findings(measured)
    assert blemish.MEASURE.mark is not None
    setup = Setup(measured.info, measured.limits)
    marks = blemish.MEASURE.mark(picture(images[0]), setup, finding)
    ((kind, points),) = marks.outlines
    assert kind == "blemish"
    assert (
        cv2.pointPolygonTest(
            points.astype(np.float32), (PAINT[0] * W, PAINT[1] * H), False
        )
        > 0
    )


# ----------------------------------------------------------------------- real pictures


def run(path: Path, change: Callable[[Image], Image] | None = None) -> Measured:
    """Measure a recording, each luma plane changed."""
    info = probe(path)
    setup = Setup(info, default_limits())
    assert info.video is not None
    reader = reader_of(blemish.MEASURE, setup)
    store = ColumnStore({"blemish.compared_percent": 0})
    begins, end = [], 0
    with TakeReader(info, threads=1) as source:
        for item in source:
            if not isinstance(item, Picture):
                continue
            seen = item
            if change is not None:
                y = np.rint(np.clip(change(item.y.astype(np.float64)), 0, 255))
                seen = picture(y, signal=item.signal, index=item.index, pts=item.pts)
            values = reader.read(seen)
            store.append({f"blemish.{name}": v for name, v in values.items()})
            begins.append(item.pts)
            end = item.pts + item.duration
    edges = np.array([*begins, end], np.int64)
    readings = Readings("picture", info.video.time_base, edges, store)
    totals = {"blemish": reader.finish()}
    return Measured(info, setup.limits, readings, (), totals)


@pytest.mark.footage
@pytest.mark.parametrize(
    "name", ["bikes.mp4", "carphone_pristine.mp4", "sample_sef_slow_motion.mp4"]
)
def test_real_moving_clips_have_no_blemish(name: str) -> None:
    assert findings(run(footage(name))) == []


@pytest.mark.footage
def test_spot_laid_over_a_real_clip_is_found() -> None:
    def dirty(y: Image) -> Image:
        rows, columns = np.mgrid[: y.shape[0], : y.shape[1]]
        away = np.hypot(columns - 100, rows - 90) / 10
        return np.asarray((y - 16) * (1 - 0.3 * np.clip((1.25 - away) * 2, 0, 1)) + 16)

    (finding,) = findings(run(footage("sample_sef_slow_motion.mp4"), dirty))
    assert finding.where is not None
    x, y, w, h = finding.where
    assert abs(x + w / 2 - 100) < 8
    assert abs(y + h / 2 - 90) < 8
