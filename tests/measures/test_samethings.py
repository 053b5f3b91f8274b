"""The level under a moving camera: of the same things, not of what comes into sight.

Scenes are drawn in light and shot by a camera whose pan or zoom, and whose gain, is
known: expected levels are exact logarithms. Transfer curve: colour-science.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, cast

import colour
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures import framing, steadiness
from qc.measures.base import Measured
from qc.measures.exposure import MEASURE
from qc.measures.parts.level import samethings
from qc.measures.parts.level.samethings import SightKeeper, followed
from qc.records import Columns, Grade
from tests.pictures import column, findings, measure, picture, setup_of

HEIGHT, WIDTH = 270, 1400
Way = Callable[[float], tuple[float, float, float]]


def _world() -> NDArray[np.float32]:
    """Return light: things of all sizes, brighter in the middle, dark to the right."""
    random = np.random.default_rng(8)
    stops: NDArray[Any] = np.zeros((HEIGHT, WIDTH), np.float32)
    for size in (2.0, 6.0, 18.0):
        drawn: NDArray[Any] = random.standard_normal((HEIGHT, WIDTH)).astype(np.float32)
        drawn = np.asarray(cv2.GaussianBlur(drawn, (0, 0), size))
        stops += 0.12 * drawn / drawn.std()
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    stops -= 4.0 * np.clip((x - 700.0) / 600.0, 0.0, 1.0)
    stops -= 3.0 * np.hypot(x - 300.0, y - 135.0).clip(0, 300) / 300
    return np.asarray(0.7 * 2.0**stops, np.float32)


WORLD = _world()


def shot(way: Way, gain: Callable[[float], float], *, seconds: float = 5.0) -> Measured:
    """Shoot the world 240 x 135, 25 frames a second; `gain` in stops at a time."""

    def frame(i: int) -> Any:
        x, y, scale = way(i / 25)
        move = np.array([[scale, 0, 119.5 - scale * x], [0, scale, 67 - scale * y]])
        light = cv2.warpAffine(
            WORLD, move, (240, 135), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
        )
        light = light * 2.0 ** gain(i / 25)
        value = np.minimum(colour.models.oetf_BT709(light), 1.05)
        grain = np.random.default_rng(i).normal(0, 1.0, value.shape)
        return picture(16 + 219 * value + grain, index=i)

    measures = (framing.MEASURE, steadiness.MEASURE, MEASURE)
    return measure((frame(i) for i in range(round(seconds * 25))), setup_of(), measures)


def pan(t: float) -> tuple[float, float, float]:
    return 700.0 + 70.0 * t, 135.0, 1.0


def out_of(t: float) -> tuple[float, float, float]:
    return 300.0, 135.0, 2.2 * 0.8**t


def into(t: float) -> tuple[float, float, float]:
    return 300.0 + 4 * t, 135.0, 0.75 * 1.22**t


def walk(t: float) -> float:
    """Return a fall by 0.8 stop between 1 and 4 s."""
    return -0.8 * float(np.clip((t - 1.0) / 3.0, 0.0, 1.0))


@pytest.mark.parametrize("way", [pan, out_of, into])
def test_what_comes_into_sight_is_no_iris(way: Way) -> None:
    measured = shot(way, lambda _: 0.0)
    level = column(measured, "exposure.level_stops")
    # The level of the cells alone would tell of an iris.
    assert np.nanmax(level) - np.nanmin(level) > 0.35
    assert findings(measured, "exposure.drift") == []


@pytest.mark.parametrize("way", [pan, out_of, into])
def test_an_iris_is_found_on_the_same_things(way: Way) -> None:
    (finding,) = findings(shot(way, walk), "exposure.drift")
    assert finding.worst == pytest.approx(0.8, abs=0.12)
    assert finding.grade is Grade.REVIEW
    assert abs(finding.start_frame - 25) <= 12
    assert abs(finding.end_frame - 100) <= 12


def test_pumping_in_a_pan_is_found_with_its_period() -> None:
    measured = shot(pan, lambda t: 0.35 * math.sin(2 * math.pi * t / 1.5))
    (finding,) = findings(measured, "exposure.drift")
    assert "pumps" in finding.message
    assert "every 1.5 s" in finding.message
    assert finding.worst == pytest.approx(0.7, abs=0.12)


def test_a_move_that_cannot_be_followed_is_said_not_judged() -> None:
    measured = shot(pan, lambda _: 0.0, seconds=4.0)
    readings = measured.picture
    assert readings is not None
    columns = {name: readings[name].copy() for name in readings.columns}
    for name in ("dx_percent", "dy_percent", "zoom_percent", "trust"):
        columns[f"steadiness.{name}"][20:90] = np.nan
    picture_ = replace(readings, columns=cast(Columns, columns))
    measured = replace(measured, picture=picture_)
    assert findings(measured, "exposure.drift") == []
    assert MEASURE.notes is not None
    assert any("could not be judged" in note for note in MEASURE.notes(measured))
    still = shot(lambda _: pan(0.0), lambda _: 0.0, seconds=3.0)
    assert not list(MEASURE.notes(still))


@pytest.mark.parametrize(("percent", "lost"), [(0.15, False), (1.2, True)])
def test_a_hand_that_trembles_loses_nothing_from_sight(
    percent: float, lost: bool
) -> None:
    # For five frames in the middle of the walk nothing can be followed; a pan of 1.2 %
    # a frame would take 6 % of the width out of sight meanwhile, a tremor 0.75 %.
    measured = shot(lambda _: pan(0.0), walk)
    readings = measured.picture
    assert readings is not None
    columns = {name: readings[name].copy() for name in readings.columns}
    for name in ("dx_percent", "dy_percent", "zoom_percent", "trust"):
        columns[f"steadiness.{name}"][60:65] = np.nan
    columns["framing.motion_percent"][60:65] = percent
    # Pictures are kept where the framing moves on.
    kept: Any = measured.totals["exposure"]["moves"]
    cells = np.zeros((2, 27, 48), np.uint8)
    moves = {**kept, "rows": np.array([4, 110]), "cells": cells}
    picture_ = replace(readings, columns=cast(Columns, columns))
    same = followed(picture_, moves, kept["how"])
    assert bool(same.unknown.any()) == lost
    assert (np.ptp(same.place) > 0) == lost
    if not lost:
        np.testing.assert_array_equal(same.level, readings["exposure.level_stops"])


def test_kept_cells_come_back() -> None:
    keeper = SightKeeper(-4.0, 0.0)
    cells = np.linspace(-4.0, 0.0, 27 * 48, dtype=np.float32).reshape(27, 48)
    cells[0, 0], cells[0, 1] = np.nan, np.inf
    for i in range(5):
        keeper.read(cells, 0.1 * i, moved=i > 0)
    keeper.read(None, 0.5, moved=True)  # damaged
    kept: Any = keeper.finish()
    assert kept["rows"].tolist() == [1, 3]
    back = (kept["cells"][0].astype(float) - 1) * kept["step"] + kept["low"]
    assert np.abs(back - cells)[1:].max() <= 0.5 * kept["step"] + 1e-6
    assert kept["cells"][0, 0, :2].tolist() == [0, 255]


def test_without_moves_the_level_is_as_read() -> None:
    measured = shot(lambda _: pan(0.0), walk, seconds=4.0)
    readings = measured.picture
    assert readings is not None
    same = followed(readings, measured.totals["exposure"]["moves"], None)
    np.testing.assert_array_equal(same.level, readings["exposure.level_stops"])
    assert not same.unknown.any()


@pytest.mark.parametrize(
    ("step", "changed"), [(0.0, True), (0.004, False), (math.nan, False)]
)
def test_what_is_lost_while_the_camera_rests_is_another_picture(
    step: float, changed: bool
) -> None:
    # Lost in rows 4 to 9; kept are rows 2, 5 and 8. Half a cell is 0.01 of the width.
    level = np.zeros(12)
    level[4:10] = math.nan
    motion = np.full((3, 12), step)
    lost = samethings._changed(level, motion, np.array([2, 5, 8]))
    assert lost.tolist() == [False, changed, changed]
