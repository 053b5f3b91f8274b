"""What is no white and no lamp: skin that fills the picture, exposure, a zoom.

Drawn as in `test_neutral`; colours of real skin come from colour-science.
"""

from __future__ import annotations

from typing import Any

import colour
import cv2
import numpy as np
import pytest

from qc.measures.parts.neutral.sheetdoubt import may_be_skin
from qc.measures.parts.neutral.wholepoints import power_of_change
from qc.measures.parts.neutral.wholeshift import WholeShift
from qc.records import Picture
from tests.measures.test_neutral import (
    BALANCED,
    HEIGHT,
    WARM,
    WHITE,
    WIDTH,
    Image,
    auto,
    field,
    lamp_rgb,
    sheet,
    shoot,
    take,
    true_uv,
)
from tests.measures.test_white import findings, notes, readings_of

# Linear light of skins, from brownish over tanned and pale to dark; the last as the
# light skin of the 24-patch chart (colour-science, BT.709).
SKINS = [
    (1.0, 0.73, 0.57),
    (1.0, 0.60, 0.45),
    (1.0, 0.86, 0.78),
    (1.0, 0.7, 0.5),
    (1.0, 0.496, 0.379),
]


def skin(tone: tuple[float, ...], number: int, level: float = 0.7) -> Picture:
    """Draw skin so near that it fills the picture: soft shades of one colour."""
    rng = np.random.default_rng(number)
    bump = cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)), (0, 0), 12)
    shade = level * (1 + 0.1 * bump / bump.std())
    return shoot(shade[..., None] * np.array(tone), level=1.0)


def white_rules(measured: Any) -> list[str]:
    return [f.rule for f in findings(measured) if f.rule.startswith("white.")]


def refused(measured: Any) -> bool:
    return any("not taken for a white reference" in note for note in notes(measured))


def tells_a_reference(measured: Any) -> bool:
    return bool((readings_of(measured)["white.source"] == 2).any())


@pytest.mark.parametrize("tone", SKINS)
@pytest.mark.parametrize("swab", [None, WHITE])
def test_moving_skin_that_fills_the_picture_is_no_white(
    tone: tuple[float, ...], swab: tuple[float, ...] | None
) -> None:
    scene = shoot(field(swab=swab))
    measured = auto(take((50, scene), (40, skin(tone, 3)), (40, skin(tone, 4)),
                         (40, scene)))  # fmt: skip
    assert not white_rules(measured)
    assert not tells_a_reference(measured)
    assert refused(measured)


@pytest.mark.parametrize("tone", SKINS)
def test_a_white_seen_later_makes_skin_at_the_start_none(
    tone: tuple[float, ...],
) -> None:
    measured = auto(
        take((40, skin(tone, 3)), (40, skin(tone, 4)), (90, shoot(field())))
    )
    assert not white_rules(measured)
    assert not tells_a_reference(measured)


@pytest.mark.parametrize("kelvin", [4600.0, 3200.0])
def test_a_warm_white_before_the_lens_is_taken_where_the_take_bears_it_out(
    kelvin: float,
) -> None:
    gains = lamp_rgb(kelvin, 0.0)
    card = shoot(sheet(), gains, level=1.0)
    without, with_swab = shoot(field(swab=None), gains), shoot(field(), gains)
    for parts in (
        [(75, card), (75, without)],  # at the start, bright
        [(75, with_swab), (75, card), (75, with_swab)],  # a swab has its colour
    ):
        measured = auto(take(*parts))
        readings = readings_of(measured)
        rows = readings["white.source"] == 2
        assert rows.any()
        u, v = (readings[f"white.neutral_{c}_prime"][rows] for c in "uv")
        assert np.hypot(*(np.median([u, v], axis=1) - true_uv(gains))) <= 0.002
        assert "white.cast" in white_rules(measured)


def test_what_cannot_be_told_gives_a_note_and_no_verdict() -> None:
    # Between two looks at tissue and drape alone, a white under this lamp and skin of
    # this colour are one and the same picture.
    scene = shoot(field(swab=None), WARM)
    measured = auto(
        take((75, scene), (75, shoot(sheet(), WARM, level=1.0)), (75, scene))
    )
    assert not white_rules(measured)
    assert any("skin has this colour as well" in note for note in notes(measured))


def test_a_sheet_before_the_lens_is_no_change_of_light() -> None:
    scene = shoot(field(swab=None))
    measured = auto(take((75, scene), (75, shoot(sheet(), level=1.0)), (75, scene)))
    assert not white_rules(measured)


def test_skins_of_the_colour_chart_are_as_warm_as_is_said() -> None:
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    for name in ("dark skin", "light skin"):
        xyz = colour.xyY_to_XYZ(chart.data[name])
        red, green, blue = colour.XYZ_to_RGB(
            xyz, "ITU-R BT.709", chart.illuminant, apply_cctf_encoding=False
        )
        assert may_be_skin(float(np.log2(red / green)), float(np.log2(blue / green)))
    assert not may_be_skin(0.0, 0.0)
    # Neither greenish, bluish nor purple.
    for red, blue in ((-0.3, -0.6), (-0.4, 0.6), (0.3, 0.3)):
        assert not may_be_skin(red, blue)


# ------------------------------------------------------------------ exposure, not light


def brighter(picture: Picture, factor: float) -> Picture:
    """Gain of the coded signal: as of a camera whose curve is a bare power."""
    black, zero = 16.0, 128.0
    y = np.clip((picture.y - black) * factor + black, 0, 255)
    cb, cr = (
        np.clip((p - zero) * factor + zero, 0, 255) for p in (picture.cb, picture.cr)
    )
    y, cb, cr = (np.rint(p).astype(np.uint8) for p in (y, cb, cr))
    return Picture(index=0, pts=0, duration=1, y=y, cb=cb, cr=cr, signal=picture.signal)


@pytest.mark.parametrize("factor", [1.68, 0.4])
def test_exposure_alone_is_no_change_of_colour(factor: float) -> None:
    scene = shoot(field(swab=None), level=0.9)
    measured = auto(take((70, scene), (50, brighter(scene, factor)), (70, scene)))
    assert not white_rules(measured)


def test_a_lamp_that_is_darker_as_well_is_still_told() -> None:
    scene = field(swab=None)
    after = shoot(scene, WARM, level=0.35)
    measured = auto(take((70, shoot(scene)), (70, after)))
    (drift,) = [f for f in findings(measured) if f.rule == "white.drift"]
    # u'v' between the lamps, by colour-science.
    away = np.hypot(*(true_uv(WARM) - true_uv(BALANCED)))
    assert drift.worst == pytest.approx(away, abs=0.003)


def test_a_power_is_told_from_a_factor() -> None:
    rng = np.random.default_rng(2)
    was = rng.normal((0.8, -0.3), 0.5, size=(400, 2)).astype(np.float32)
    changes = 0.18 * was + np.array([0.31, -0.27], np.float32)
    changes[:40] += 2.0  # a hand has come in
    found = power_of_change(was[:, 0], was[:, 1], changes[:, 0], changes[:, 1])
    assert found == pytest.approx(0.18, abs=1e-3)
    # One strong colour only: nothing tells them apart. One grey: nothing need.
    one = np.full(400, 1.2, np.float32)
    assert power_of_change(one, -one, 0.2 * one, -0.2 * one) is None
    assert power_of_change(0 * one, 0 * one, one, one) == 0.0


def test_what_has_hardly_any_blue_tells_nothing_of_blue() -> None:
    # All under a yellow light, lifted a little by flare: twice the blue there was.
    scene = field(swab=None)
    scene[..., 2] = 0.03 * scene[..., :2].mean(axis=2)
    follower = WholeShift(shoot(scene).signal)
    follower.read(shoot(scene), 0.0)
    lifted = shoot(scene + 0.012)
    assert not np.isfinite(follower.read(lifted, 0.5).stops).all()


def test_where_the_room_goes_dark_another_picture_begins() -> None:
    # Four stops less, and what is left is lit by a warm lamp in another room.
    scene = field(swab=None)
    dark = shoot(scene, WARM, level=0.06)
    measured = auto(take((70, shoot(scene)), (70, dark)))
    assert "white.drift" not in white_rules(measured)


def test_no_lamp_turns_a_picture_green() -> None:
    scene = field(swab=None)
    for gains, known in (((1.0, 0.9, 0.75), True), ((0.35, 1.0, 0.6), False)):
        follower = WholeShift(shoot(scene).signal)
        follower.read(shoot(scene), 0.0)
        seen = follower.read(shoot(scene, np.array(gains)), 0.5)
        assert bool(np.isfinite(seen.stops).all()) is known


# ---------------------------------------------------------------------------- a zoom


def zoomed(scene: Image, zoom: float) -> Picture:
    about = cv2.getRotationMatrix2D((WIDTH * 0.6, HEIGHT * 0.6), 0, zoom)
    seen = cv2.warpAffine(scene, about, (WIDTH, HEIGHT))
    return shoot(np.asarray(seen, np.float64))


def test_a_white_that_a_zoom_pushes_out_is_not_followed_onto_what_comes() -> None:
    scene = field()
    zooms = np.concatenate([np.ones(30), np.linspace(1, 2.2, 75)])
    pictures = [(1, zoomed(scene, z)) for z in zooms] + [(40, zoomed(scene, 2.2))]
    measured = auto(take(*pictures))
    assert not white_rules(measured)
    readings = readings_of(measured)
    known = readings["white.source"] > 0
    assert known[:30].mean() > 0.9
    u, v = (readings[f"white.neutral_{c}_prime"][known] for c in "uv")
    assert np.hypot(u - true_uv(BALANCED)[0], v - true_uv(BALANCED)[1]).max() <= 0.003
