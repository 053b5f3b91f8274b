"""Focus that is lost while the picture moves: what a smear explains, and what not.

A picture that moves while the shutter is open is its own mean over the way: drawn here
by adding up pictures moved by so much. It loses detail along the motion and keeps what
lies across, which a lens takes as well.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import erf

from qc.judge import find
from qc.measures import focus, framing, steadiness
from qc.measures.base import Measured
from qc.measures.parts.focus.acrossmotion import over_best
from qc.measures.parts.focus.edgemoves import held_to_step
from qc.measures.parts.focus.motionblur import beside_share, edge_share, telling_axes
from qc.measures.parts.focus.shutter import open_by_detail, smear_for
from qc.records import Finding, Grade
from tests.measures.test_focus import take_of
from tests.pictures import Image, measure, picture, reader_of, scene, setup_of

Array = NDArray[np.float64]
MOVING = (framing.MEASURE, steadiness.MEASURE, focus.MEASURE)
WIDTH, HEIGHT = 400, 240
BIG = scene(340, 500, np.random.default_rng(41))


def soft(measured: Measured) -> list[Finding]:
    return [f for f in find(measured, (focus.MEASURE,)) if f.rule == "focus.soft"]


def moving(
    way: Array,
    *,
    open_for: float,
    turned: float,
    lost: tuple[int, int] | None = None,
    sigma: float = 3.0,
) -> Measured:
    """A take that moves along a line; out of focus in some frames.

    Parameters
    ----------
    way : (n + 1,) array
        Where the picture is as frames begin, pixels along the line.
    open_for : float
        Share of the frame that the shutter is open.
    turned : float
        Direction of the line, degrees from the picture's lines.
    lost, sigma
        Frames that are out of focus, and by how much, pixels.
    """
    x, y = math.cos(math.radians(turned)), math.sin(math.radians(turned))
    random = np.random.default_rng(9)
    blurred = ndimage.gaussian_filter(BIG, sigma)

    def frames() -> Any:
        for i in range(len(way) - 1):
            out = lost is not None and lost[0] <= i < lost[1]
            view = (blurred if out else BIG).astype(np.float32)
            total = np.zeros((HEIGHT, WIDTH))
            for k in range(6):
                at = np.interp(i + open_for * k / 6, np.arange(len(way)), way)
                move = np.array([[1, 0, x * at - 50], [0, 1, y * at - 50]])
                total += cv2.warpAffine(
                    view, move, (WIDTH, HEIGHT), None, cv2.INTER_CUBIC
                )
            yield picture(total / 6 + random.normal(0, 1, total.shape), index=i)

    return measure(frames(), setup_of(width=WIDTH, height=HEIGHT), MOVING)


def door() -> Array:
    """A pale door between two thin seals, and rooms out of focus to its sides."""
    random = np.random.default_rng(12)
    view = 150.0 + ndimage.gaussian_filter(random.normal(0, 3, (340, 500)), 0.7)
    room = ndimage.gaussian_filter(random.normal(0, 1, (340, 500)), 6.0)
    room *= 30.0 / room.std()
    for side in (slice(0, 103), slice(397, None)):
        view[:, side] += room[:, side]
    view[:, [103, 104, 395, 396]] -= 60.0
    return np.asarray(ndimage.gaussian_filter(view, 0.5), np.float32)


def jerk(first: int, seconds: float = 0.6) -> Array:
    """A hand that gives way by 25 pixels once, at up to 3 pixels a frame, and back."""
    at = np.arange(101) / 25.0 - first / 25.0
    there = np.clip(at / seconds, 0.0, 1.0)
    back = np.clip((at - 1.2) / 1.8, 0.0, 1.0)
    # Half a cosine takes pi / 2 of its mean speed in the middle.
    return 12.5 * (np.cos(math.pi * back) - np.cos(math.pi * there))


@pytest.mark.parametrize("turned", [0.0, 90.0])
@pytest.mark.parametrize("lasts", [12, 20])
@pytest.mark.parametrize("sigma", [1.0, 3.0])
def test_what_lies_across_a_jerk_tells_that_focus_is_lost(
    turned: float, lasts: int, sigma: float
) -> None:
    # The jerk goes on for 15 frames from the 38th; focus goes in the midst of it.
    lost = 42, 42 + lasts
    measured = moving(jerk(38), open_for=0.1, turned=turned, lost=lost, sigma=sigma)
    (finding,) = soft(measured)
    assert abs(finding.start_frame - 42) <= 3
    assert abs(finding.end_frame - 42 - lasts) <= 3


@pytest.mark.parametrize("turned", [0.0, 45.0, 90.0, 120.0])
@pytest.mark.parametrize("open_for", [0.5, 1.0])
def test_a_jerk_in_focus_is_not_soft(turned: float, open_for: float) -> None:
    assert soft(moving(jerk(38), open_for=open_for, turned=turned)) == []


def test_a_shake_in_focus_is_not_soft() -> None:
    # 3 Hz at up to 7 pixels a frame, from one frame to the next, smeared all the way.
    at = np.arange(101)
    way = np.where((at >= 40) & (at < 73), 9.5 * np.sin(2 * np.pi * 3 * at / 25), 0.0)
    for turned in (0.0, 30.0, 90.0):
        assert soft(moving(way, open_for=1.0, turned=turned)) == []


@pytest.mark.parametrize("lost", [None, (112, 140)])
def test_an_edge_that_swings_in_and_out_of_tiles_is_no_focus(
    lost: tuple[int, int] | None,
) -> None:
    # At rest the seals of a door lie beside the outer columns of tiles, 50 pixels wide.
    # A boom swings by 4 % of the width at 0.6 Hz and comes to rest: no frame is softer
    # than another, but those that were put out of focus.
    view = door()
    soft_view = ndimage.gaussian_filter(view, 2.0)
    random = np.random.default_rng(5)

    def frames() -> Any:
        for i in range(150):
            swing = 8.0 * math.sin(2 * math.pi * 0.6 * (i - 20) / 25)
            move = np.float32([[1, 0, swing * (20 <= i < 103) - 50], [0, 1, -50]])
            out = lost is not None and lost[0] <= i < lost[1]
            shown = cv2.warpAffine(
                soft_view if out else view, move, (WIDTH, HEIGHT), None, cv2.INTER_CUBIC
            )
            yield picture(shown + random.normal(0, 1, shown.shape), index=i)

    measured = measure(frames(), setup_of(width=WIDTH, height=HEIGHT), MOVING)
    told = [(f.start_frame, f.end_frame) for f in soft(measured)]
    assert len(told) == (lost is not None)
    for one in told:
        assert one == pytest.approx(lost, abs=3)


def test_a_smear_keeps_what_lies_across_it() -> None:
    # Exact: means along the lines leave differences from line to line of a picture
    # that does not change along them.
    y = np.tile(np.random.default_rng(3).normal(0, 20, (200, 1)), (1, 300))
    smeared = ndimage.uniform_filter1d(y, 9, axis=1, mode="wrap")
    assert np.diff(smeared, 2, axis=0) == pytest.approx(np.diff(y, 2, axis=0))
    # So the axis across is asked, and the other is not, however much it may have lost.
    along, across = telling_axes(edge_share(np.array([9.0]), 0.5), np.array([1.0]))
    assert math.isnan(along[0])
    assert across[0] == 1.0


@pytest.mark.parametrize("smear", [1, 4, 9, 21])
def test_what_a_smear_leaves_across_it_is_that_of_edges_all_round(smear: int) -> None:
    # The rim of a disc runs every way.
    sigma = 2.0
    x = np.arange(400) - 199.5
    disc = 0.5 - 0.5 * erf((np.hypot(x, x[:, None]) - 150.0) / (sigma * math.sqrt(2.0)))
    smeared = ndimage.uniform_filter1d(disc, smear, axis=1)
    bends = [np.sum(np.diff(y, 2, axis=0) ** 2) for y in (smeared, disc)]
    expected = math.sqrt(bends[0] / bends[1])
    assert beside_share(float(smear), sigma) == pytest.approx(expected, rel=0.03)
    # Along it, less is left.
    assert edge_share(float(smear), sigma) <= expected + 1e-9


def readings(smeared: float, lens: float, rows: int = 13) -> tuple[Array, Array]:
    """Detail of tiles as sharp along as down, and its share along, every 6th frame.

    Parameters
    ----------
    smeared, lens : float
        Shares left by a smear down the picture, and by the lens.
    """
    detail = np.full((rows, 5), lens * math.hypot(1.0, smeared))
    across = np.full((rows, 5), np.nan)
    across[::6] = 1.0 / (1.0 + smeared**2)
    return detail, across


@pytest.mark.parametrize("left", [0.1, 0.4, 0.79, 0.9, 1.0])
@pytest.mark.parametrize("lens", [1.0, 0.5, 0.1])
def test_detail_left_by_a_smear_is_whole_and_what_a_lens_takes_is_not(
    left: float, lens: float
) -> None:
    best = [np.ones(5), np.ones(5)]
    allowed = np.ones(13), np.full(13, left)
    found = over_best(*readings(left, lens), best, allowed)
    assert found == pytest.approx(np.full((13, 5), lens))
    # A smear shorter than it may have been makes no frame less sharp.
    found = over_best(*readings(0.5 + 0.5 * left, lens), best, allowed)
    assert (found >= lens - 1e-9).all()
    # Where it may have taken nearly all, whichever way, nothing is known.
    nearly = np.full(13, 0.3), np.full(13, 0.2)
    assert np.isnan(over_best(*readings(left, lens), best, nearly)).all()


def test_between_two_readings_a_jerk_in_focus_is_whole() -> None:
    # It moves down the picture in frames 7 to 10 alone, between the readings.
    best = [np.ones(5), np.ones(5)]
    left = np.ones(13)
    left[7:11] = 0.2
    detail, across = readings(1.0, 1.0)
    detail[7:11] = math.hypot(1.0, 0.2)
    found = over_best(detail, across, best, (np.ones(13), left))
    assert found == pytest.approx(np.ones((13, 5)))
    detail[7:11] *= 0.3
    found = over_best(detail, across, best, (np.ones(13), left))
    assert found[7:11] == pytest.approx(0.3)


def test_tiles_of_stripes_are_judged_by_what_they_have() -> None:
    # Nothing lies along: a motion down takes all there is, and one along none of it.
    best = [np.full(5, np.nan), np.ones(5)]
    across = np.zeros((13, 5))
    for left in (1.0, 0.4):
        allowed = np.ones(13), np.full(13, left)
        found = over_best(np.full((13, 5), left), across, best, allowed)
        assert found == pytest.approx(1.0)


def test_a_diagonal_motion_tells_by_both_axes() -> None:
    left = np.array([0.4, 0.4, 0.9])
    right = np.array([0.4, 0.5, 0.4])
    along, across = telling_axes(left, right)
    assert along == pytest.approx([0.4, 0.4, 0.9])
    assert across[:2] == pytest.approx([0.4, 0.5])
    assert math.isnan(across[2])


# ------------------------------------------------------------------------- the shutter


@pytest.mark.parametrize("sigma", [0.4, 0.8, 2.0])
def test_the_smear_is_what_leaves_that_share(sigma: float) -> None:
    lengths = np.array([0.5, 1.0, 3.0, 8.0]) * sigma
    found = smear_for(edge_share(lengths, sigma), sigma)
    assert found == pytest.approx(lengths, rel=0.01)
    assert smear_for(np.array([1.0, 1.2]), sigma) == pytest.approx([0.0, 0.0])


def speeds(n: int = 120) -> Array:
    return np.asarray(np.abs(4.0 * np.sin(np.arange(n) * 0.2)))


@pytest.mark.parametrize("shutter", [0.1, 0.3, 0.6])
def test_frames_that_are_sharp_in_motion_tell_the_shutter(shutter: float) -> None:
    shift = np.stack([speeds(), np.zeros(120)], axis=1)
    left = edge_share(shutter * shift, 0.5)
    found = open_by_detail(left, shift, speeds(), 0.5)
    fast = speeds() > 2.0
    assert (found >= shutter).all()
    assert (found[fast] <= min(1.0, 1.6 * shutter)).all()
    # Frames out of focus among them only make it seem longer.
    lost = left.copy()
    lost[::3] *= 0.3
    assert (open_by_detail(lost, shift, speeds(), 0.5) >= found - 1e-9).all()


def test_an_open_shutter_is_never_said_to_be_quick() -> None:
    shift = np.stack([speeds(), speeds()], axis=1)
    left = edge_share(shift, 0.5)
    assert open_by_detail(left, shift, speeds(), 0.5) == pytest.approx(np.ones(120))
    # Nor is any by few frames, or by frames that moved more.
    sharp = np.ones((120, 2))
    few = np.full((120, 2), np.nan)
    few[:11] = 3.0
    assert open_by_detail(sharp, few, np.full(4, 3.0), 0.5).min() == 1.0
    fast = np.full((120, 2), 6.0)
    assert open_by_detail(sharp, fast, np.full(4, 3.0), 0.5).min() == 1.0


# ------------------------------------------------------------------------------- ends


@pytest.mark.parametrize("turned", [False, True])
def test_a_reading_of_edges_holds_up_to_the_step(turned: bool) -> None:
    widths = np.full(25, np.nan)
    widths[[0, 12, 24]] = 1.2, 5.0, 5.0
    energy = np.where(np.arange(25) < 10, 40.0, 4.0)
    expected = np.where(np.arange(25) < 10, 1.2, 5.0)
    if turned:
        widths, energy, expected = widths[::-1], energy[::-1], expected[::-1]
    assert held_to_step(widths, energy) == pytest.approx(expected)


def test_without_a_step_the_nearest_reading_holds() -> None:
    widths = np.full(13, np.nan)
    widths[[0, 12]] = 1.2, 5.0
    # A slow fall, none, and a step the other way.
    for energy in (
        np.geomspace(40.0, 4.0, 13),
        np.full(13, np.nan),
        np.where(np.arange(13) < 9, 4.0, 40.0),
    ):
        found = held_to_step(widths, energy)
        assert found[:6] == pytest.approx(1.2)
        assert found[7:] == pytest.approx(5.0)


# ------------------------------------------------------------------- words and reading


def test_words_say_why_a_deep_fall_is_no_reject() -> None:
    detail = np.array(
        [100.0] * 60 + [40.0] * 10 + [12.0] * 6 + [40.0] * 10 + [100.0] * 60
    )
    (finding,) = soft(take_of(detail.tolist()))
    assert finding.grade is Grade.REVIEW
    assert "falls to 12 %" in finding.message
    assert "(limit 50 %), under 25 % for less than 0.4 s at a time" in finding.message
    detail[60:86] = 12.0
    (finding,) = soft(take_of(detail.tolist()))
    assert finding.grade is Grade.REJECT
    assert "at a time" not in finding.message


@pytest.mark.parametrize("at", [13, 14])
def test_noise_that_goes_with_the_detail_is_read_at_once(at: int) -> None:
    # A coder that has little to code smooths the noise away, too.
    random = np.random.default_rng(12)

    def noisy(image: Image, sigma: float) -> Any:
        return image + random.normal(0, sigma, image.shape)

    blurred = ndimage.gaussian_filter(BIG, 1.5)
    frames = [noisy(BIG, 2.0) for _ in range(at)] + [noisy(blurred, 0.4)]
    reader = reader_of(focus.MEASURE, setup_of(width=500, height=340))
    for i, y in enumerate(frames):
        values = reader.read(picture(y, index=i))
    alone = reader_of(focus.MEASURE, setup_of(width=500, height=340))
    expected = alone.read(picture(frames[-1], index=0))["sharpness"]
    assert values["sharpness"] == pytest.approx(expected, rel=0.05)
