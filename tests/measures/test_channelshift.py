"""Light that changes over a field in which hardly a point tells all three channels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qc.measures.parts.neutral.channelshift import shift_of_channels
from qc.measures.parts.neutral.wholeshift import WholeShift
from qc.records import Picture
from tests.measures.test_neutral import Image, auto, field, shoot, take
from tests.measures.test_white import findings

TINTS = {"red": (1, 0.16, 0.12), "violet": (0.45, 0.13, 1), "teal": (0.12, 1, 1)}
LAMPS = [(1.2, 1, 0.8), (1.1, 1, 0.9), (0.95, 1, 1.15)]


def tinted(tint: tuple[float, ...]) -> Image:
    """Draw a field all under one strong colour, but for a strip of grey drape."""
    plain = field(swab=None)
    out: Image = plain * np.array(tint)
    out[:, :28] = plain[:, :28] * 0.5
    return out


def changed(before: Picture, after: Picture) -> tuple[float, float]:
    follower = WholeShift(before.signal)
    follower.read(before, 0.0)
    return follower.read(after, 0.5).stops


@pytest.mark.parametrize("lamp", LAMPS)
@pytest.mark.parametrize("tint", TINTS)
def test_a_lamp_is_told_in_a_strongly_coloured_field(
    tint: str, lamp: tuple[float, ...]
) -> None:
    scene = tinted(TINTS[tint])
    red, blue = changed(shoot(scene), shoot(scene, np.array(lamp)))
    # What was put in, exactly; codes of 8 bits and half of the chroma are between.
    assert red == pytest.approx(math.log2(lamp[0] / lamp[1]), abs=0.05)
    assert blue == pytest.approx(math.log2(lamp[2] / lamp[1]), abs=0.05)


@pytest.mark.parametrize("level", [0.8, 0.62, 0.45])
@pytest.mark.parametrize("tint", TINTS)
def test_the_iris_is_no_lamp(tint: str, level: float) -> None:
    scene = tinted(TINTS[tint])
    stops = changed(shoot(scene), shoot(scene, level=level))
    assert np.isnan(stops).all() or np.abs(stops).max() < 0.05


def laid(scene: Image, colour: tuple[float, ...], share: float) -> Image:
    """Lay a sheet with folds over the lower part of a picture."""
    out = scene.copy()
    top = round(len(out) * (1 - share))
    folds = 1 + 0.3 * np.sin(np.arange(out.shape[1]) / 9)[:, None]
    out[top:] = np.array(colour) * folds
    return out


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
@pytest.mark.parametrize("sheet", [(0.5, 0.5, 0.5), (0.34, 0.03, 0.03), (0, 0.2, 0.2)])
@pytest.mark.parametrize("tint", TINTS)
def test_a_sheet_is_no_lamp(tint: str, sheet: tuple[float, ...], share: float) -> None:
    scene = tinted(TINTS[tint])
    stops = changed(shoot(scene), shoot(laid(scene, sheet, share)))
    assert np.isnan(stops).all() or np.abs(stops).max() < 0.1


def test_blood_on_the_only_white_thing_is_no_lamp() -> None:
    scene = tinted(TINTS["red"])
    soaked = scene.copy()
    soaked[:, :28] *= np.array([1.0, 0.45, 0.4])
    stops = changed(shoot(scene), shoot(soaked))
    assert np.isnan(stops).all() or np.abs(stops).max() < 0.1


def test_a_setting_that_is_changed_in_a_red_field_is_a_drift() -> None:
    scene = tinted(TINTS["red"])
    after = shoot(scene, np.array([1.2, 1, 0.8]))
    measured = auto(take((70, shoot(scene)), (70, after)))
    (drift,) = [f for f in findings(measured) if f.rule == "white.drift"]
    assert drift.start_frame == pytest.approx(70, abs=2)


def test_too_few_points_tell_nothing() -> None:
    light = np.full((3, 400), -2.0, np.float32)
    told = np.ones((3, 400), np.bool_)
    assert shift_of_channels(light, light, told) == (0.0, 0.0)
    told[2, 15:] = False
    assert shift_of_channels(light, light, told) is None
