"""White things with one channel at its end, told from what matters.

Pictures are drawn in linear light and coded by the formulas of BT.709-6, as in
`test_brightparts`. Which cells have a channel at its end follows from those formulas.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.judge import find
from qc.measures import exposure
from qc.measures.base import Measured
from qc.measures.channels import MEASURE
from qc.measures.parts.burnt.brightcues import Scene
from qc.measures.parts.colour.channelpass import saturated
from qc.measures.parts.colour.channelwhite import white_cells, white_pixels
from qc.records import Finding
from tests.measures.test_brightparts import Camera, Light, field, lay_tissue
from tests.pictures import column, measure, setup_of

# A lamp much bluer than the camera is balanced for, and one a fifth of a stop greener.
COLD, GREEN = (0.8, 1.0, 1.28), (0.93, 1.06, 0.93)
SHEET = (slice(40, 160), slice(40, 200))


def cloth(level: float) -> Light:
    """A field with a white sheet on it, rising to `level` of light in green."""
    light = field()
    lay_tissue(light, 330, 130, 60, 0.3)
    light[SHEET] = np.linspace(0.5, 1, 120)[:, None, None] * level
    return light


def take(camera: Camera, light: Light) -> tuple[Measured, tuple[Finding, ...]]:
    pictures = [camera.shoot(light, index=number) for number in range(12)]
    height, width = pictures[0].y.shape
    setup = setup_of(width=width, height=height)
    measured = measure(pictures, setup, [exposure.MEASURE, MEASURE])
    return measured, find(measured, (MEASURE,))


def test_a_white_sheet_with_its_blue_at_its_end_is_let_pass() -> None:
    camera, light = Camera(clip=1.0, gains=COLD), cloth(0.88)
    mask = saturated(camera.shoot(light), level_percent=95)
    assert mask.mean() > 0.03  # else nothing is shown
    assert mask[SHEET].sum() > 0.95 * mask.sum()
    measured, findings = take(camera, light)
    assert not [f for f in findings if f.rule == "highlights.channel"]
    white = column(measured, "channels.white_from_percent")[:, 0]
    left = column(measured, "channels.any_from_percent")[:, 0]
    assert white + left == pytest.approx(100 * mask.mean(), abs=1e-3)
    assert np.all(left < 0.1 * white)


@pytest.mark.parametrize("gains", [(1.0, 1.0, 1.0), COLD, GREEN])
def test_tissue_with_its_red_at_its_end_is_told(
    gains: tuple[float, float, float],
) -> None:
    light = cloth(0.3)
    lay_tissue(light, 330, 130, 70, 2.4 / gains[0])
    measured, findings = take(Camera(clip=1.0, gains=gains), light)
    assert column(measured, "channels.white_from_percent")[:, 0] == pytest.approx(0)
    (finding,) = (f for f in findings if f.rule == "highlights.channel")
    assert finding.message.startswith("Red saturates")
    assert "texture in tissue is lost" in finding.message


def test_beside_a_white_sheet_tissue_is_told_and_the_sheet_named() -> None:
    light = cloth(0.88)
    lay_tissue(light, 330, 150, 70, 2.4 / COLD[0])
    _, findings = take(Camera(clip=1.0, gains=COLD), light)
    (finding,) = (f for f in findings if f.rule == "highlights.channel")
    assert finding.message.startswith("Red saturates")
    assert "is on white cloth, which is let pass." in finding.message


def test_what_is_blue_of_itself_is_told_but_is_no_tissue() -> None:
    light = field()
    light[60:160, 300:440] = (0.3, 0.55, 1.2)
    light[SHEET] = 0.5
    _, findings = take(Camera(clip=1.0), light)
    (finding,) = (f for f in findings if f.rule == "highlights.channel")
    assert finding.message.startswith("Blue saturates")
    assert "texture there is lost" in finding.message
    assert "tissue" not in finding.message


def test_nothing_at_its_end_is_nothing_to_tell_apart() -> None:
    assert white_pixels(Camera().shoot(cloth(0.3)), 0.95) is None


# ------------------------------------------------------------------------- single cells


def stops(value: float, by: float) -> float:
    """Return a signal so many stops brighter, near enough."""
    return float(value * 2 ** (by / 2.2))


def cell(rgb: tuple[float, float, float], white: tuple[float, float]) -> bool:
    """Return whether one cell is white under a lamp whose red and blue are given."""
    planes = np.array(rgb, np.float32).reshape(3, 1, 1)
    luma: NDArray[np.float32] = np.full((1, 1), 0.9, np.float32)
    scene = Scene(planes, luma, np.zeros((1, 1), np.float32), 0.95, 1.0, "bt709")
    return bool(white_cells(scene, (white[0], 0.0, white[1])).item())


def test_two_channels_must_stand_as_they_do_in_white_and_the_third_end_there() -> None:
    warm = (0.4, -0.7)
    # Red at its end; blue lies 0.7 stops under green, as white does there.
    assert cell((1.0, 0.93, stops(0.93, -0.7)), warm)
    # A fifth of a stop yellower: something else.
    assert not cell((1.0, 0.93, stops(0.93, -0.9)), warm)
    # As white, but so dark that a white's red would not be at its end.
    assert not cell((1.0, 0.6, stops(0.6, -0.7)), warm)
    # Under an even lamp the same cell is no white.
    assert not cell((1.0, 0.93, stops(0.93, -0.7)), (0.0, 0.0))


def test_green_at_its_end_is_told_by_red_and_blue() -> None:
    assert cell((0.93, 1.0, 0.93), (-0.3, -0.3))
    assert not cell((0.93, 1.0, stops(0.93, 0.3)), (-0.3, -0.3))


def test_with_two_channels_at_their_end_nothing_can_be_told() -> None:
    assert not cell((1.0, 1.0, 0.9), (0.0, -0.3))
