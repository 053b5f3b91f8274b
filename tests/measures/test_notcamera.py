"""What moves a picture though the camera stays, and when sways begin and end.

Scenes are drawn; how far and how often things move follows from the formulas here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.motion.notcamera import CoverWatch, uncovered, without_zoom
from qc.measures.steadiness import MEASURE
from tests.measures.test_steadiness import RATE, clock, shakes, sway_percent, taken
from tests.pictures import measure, picture, scene, setup_of

Array = NDArray[np.floating[Any]]

HEIGHT, WIDTH = 135, 240
FIELD = scene(HEIGHT, WIDTH, np.random.default_rng(51))
GLOVE = scene(HEIGHT, 2 * WIDTH, np.random.default_rng(52))


def played(images: list[Array]) -> Measured:
    pictures = (
        picture(np.clip(np.rint(image), 0, 255).astype(np.uint8), index=i)
        for i, image in enumerate(images)
    )
    return measure(pictures, setup_of(), [MEASURE])


def glove(t: float) -> Array:
    """A glove near the lens that goes to and fro by 4 % of the width, at 1.5 Hz."""
    x = WIDTH // 2 + round(0.02 * WIDTH * np.sin(2 * np.pi * 1.5 * t))
    return GLOVE[:, x : x + WIDTH]


def covered(t: float, *, comes: float, goes: float, takes: float) -> Array:
    """The field, with the glove over it from the left."""
    if takes > 0:
        share = np.clip((t - comes) / takes, 0, 1) - np.clip((t - goes) / takes, 0, 1)
    else:
        share = float(comes <= t < goes)
    image = FIELD.copy()
    image[:, : round(WIDTH * share)] = glove(t)[:, : round(WIDTH * share)]
    return image


def test_what_covers_the_picture_for_a_moment_does_not_sway() -> None:
    t = clock(9)
    inside = (t > 3.5) & (t < 6.0)
    hidden = played([covered(v, comes=3.0, goes=6.0, takes=0.4) for v in t])
    assert shakes(hidden) == []
    assert np.isnan(sway_percent(hidden)[inside]).all()
    assert np.isfinite(sway_percent(hidden)[t < 2.5]).all()


def test_what_stays_or_was_cut_to_is_the_picture_and_sways() -> None:
    t = clock(9)
    for last, takes in ((99.0, 0.4), (6.5, 0.0)):
        shown = played([covered(v, comes=3.0, goes=last, takes=takes) for v in t])
        (finding,) = shakes(shown)
        assert finding.worst == pytest.approx(4.0, rel=0.2)
        assert "1.5 Hz" in finding.message


def test_a_boom_that_swings_far_is_not_taken_for_a_cover() -> None:
    wide = scene(HEIGHT, 3 * WIDTH, np.random.default_rng(53))
    images = []
    for v in clock(9):
        x = WIDTH + 0.2 * WIDTH * np.sin(2 * np.pi * 0.6 * v) * (v > 2)
        images.append(wide[:, round(x) : round(x) + WIDTH])
    assert any("swayed" in f.message for f in shakes(played(images)))


def test_a_covered_stretch_is_left_out_with_a_margin() -> None:
    begins = np.arange(100) / 25
    returns = np.zeros(100)
    returns[60] = 20
    out = uncovered(returns, begins)
    # Rows 40 to 60, and a fifth of a second, five rows, before and after.
    rows = np.flatnonzero(~out).tolist()
    assert rows == list(range(rows[0], rows[-1] + 1))
    assert rows[0] in (35, 36)
    assert rows[-1] in (63, 64, 65)


def test_a_picture_without_contrast_is_like_no_other() -> None:
    watch = CoverWatch()
    grey = np.full((HEIGHT, WIDTH), 40.0, np.float32)
    assert [watch.read(grey, i / 25, None) for i in range(50)] == [0] * 50


# ------------------------------------------------------------------------- zooms


@pytest.mark.parametrize("point", [(0.3, 0.0), (-0.2, 0.2)])
def test_a_zoom_about_another_point_is_no_sway(point: tuple[float, float]) -> None:
    # In and out by 12 %, 0.7 times a second; a zoom by z keeps what lies at p in its
    # place, so that the centre moves by -z p.
    t = clock(12)
    scale = 6.0 * np.sin(2 * np.pi * 0.7 * t)
    x, y = (-scale * p for p in point)
    zoom = np.diff(scale, prepend=0.0)
    assert shakes(taken(x, y, zoom=zoom)) == []
    # As much without a zoom is the boom.
    assert len(shakes(taken(x, y))) == 1


def test_a_zoom_takes_no_more_than_a_point_in_the_picture_makes_of_it() -> None:
    n = 50
    begins = np.arange(n) / 25
    dx, dy = without_zoom(np.full(n, 3.0), np.zeros(n), np.full(n, 2.0), begins)
    assert dx == pytest.approx(np.full(n, 2.0), abs=0.02)
    assert (dy == 0).all()
    unknown, _ = without_zoom(np.full(n, np.nan), np.zeros(n), np.zeros(n), begins)
    assert np.isnan(unknown).all()


def test_the_noise_of_zoom_takes_nothing_off_a_sway() -> None:
    t = clock(12)
    x = np.sin(2 * np.pi * 1.0 * t)
    noise = np.random.default_rng(54).normal(0, 0.03, len(t))
    assert float(np.nanmax(sway_percent(taken(x, zoom=noise)))) == pytest.approx(
        2.0, rel=0.05
    )


# --------------------------------------------------------------- where sways begin


def still_at_its_ends(hz: float, first: float, last: float) -> Array:
    t = clock(12)
    inside = (t >= first) & (t < last)
    return np.where(inside, np.sin(2 * np.pi * hz * (t - first)), 0.0)


@pytest.mark.parametrize("hz", [1.25, 2.5, 4.0])
@pytest.mark.parametrize("drift", [0.0, 0.1])
def test_a_sway_is_placed_where_it_is(hz: float, drift: float) -> None:
    x = still_at_its_ends(hz, 4.0, 8.0) + drift * clock(12)
    (finding,) = shakes(taken(x))
    near = 0.5 / hz + 1 / RATE + 1e-6
    assert float(finding.start) == pytest.approx(4.0, abs=near)
    assert float(finding.end) == pytest.approx(8.0, abs=near)


def test_a_weak_sway_at_another_rate_is_no_part_of_a_strong_one() -> None:
    # 0.55 % at 0.45 Hz, below the limit, all the time; 2 % at 2.5 Hz for four seconds.
    t = clock(12)
    weak = 0.275 * np.sin(2 * np.pi * 0.45 * t)
    (finding,) = shakes(taken(still_at_its_ends(2.5, 4.0, 8.0) + weak))
    assert float(finding.start) == pytest.approx(4.0, abs=0.5)
    assert float(finding.end) == pytest.approx(8.0, abs=0.5)
    assert "2.5 Hz" in finding.message


def test_a_short_sway_that_does_not_die_away_is_no_knock() -> None:
    (finding,) = shakes(taken(still_at_its_ends(2.5, 4.0, 6.0)))
    assert float(finding.end - finding.start) == pytest.approx(2.0, abs=0.21)
    assert "swayed" in finding.message
    assert "knock" not in finding.message
    t = clock(12)
    u = np.maximum(t - 4, 0)
    rings = 1.5 * np.exp(-u / 0.35) * np.sin(2 * np.pi * 2.5 * u)
    (knock,) = shakes(taken(rings))
    assert "A knock" in knock.message
