"""The rendered family: its truth holds by itself, and its light by a second opinion."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest

from qc.signal import Signal
from qc.signal import to_linear as to_linear_of_signal

sys.path.append(str(Path(__file__).parents[1] / "sample_media"))
from theatre import family, plans, recode, whitelight  # type: ignore[import-not-found]
from theatre.scene import Label  # type: ignore[import-not-found]
from theatre.sensor import Sensor, SensorFacts  # type: ignore[import-not-found]

D65_UV = (0.1978, 0.4683)  # CIE 15, to four decimals


def _small(plan: Any) -> Any:
    """The same take drawn small, which is quick."""
    return family.Case(replace(plan, table=replace(plan.table, size=(320, 180))))


def _white(kind: str) -> Any:
    return _small(plans.white_plan("tune", plans.WHITE_KINDS.index(kind)))


@cache
def _far_over() -> tuple[Any, tuple[Any, ...], Any]:
    """A take far over, and its first frame."""
    case = _small(plans.plan("tune", plans.KINDS.index("far over")))
    planes, truth = next(case.frames(fps=1, seconds=1))
    return case, planes, truth


# ------------------------------------------------------------------------------ light


@pytest.mark.parametrize("cct_k", [2800.0, 3200.0, 4300.0, 5600.0, 7000.0])
@pytest.mark.parametrize("duv", [-0.02, 0.0, 0.02])
def test_light_has_the_colour_temperature_asked_for(cct_k: float, duv: float) -> None:
    # Second opinion: colour-science, Ohno's method (2013). Krystek's fit of the locus
    # is good to about 1e-4 in u, v, which at 7000 K is some 20 K.
    xyz = whitelight._TO_XYZ @ whitelight.light_rgb(cct_k, duv)
    uv = colour.UCS_to_uv(colour.XYZ_to_UCS(xyz))
    found_k, found_duv = colour.temperature.uv_to_CCT_Ohno2013(uv)
    assert 1e6 / found_k == pytest.approx(1e6 / cct_k, abs=1.0)
    assert found_duv == pytest.approx(duv, abs=2e-4)


def test_neutral_under_the_light_balanced_for_is_neutral() -> None:
    light = whitelight.light_rgb(3100.0, 0.011)
    assert whitelight.neutral_rgb(light, light) == pytest.approx([1, 1, 1], abs=1e-12)
    assert whitelight.uv_prime(np.ones(3)) == pytest.approx(D65_UV, abs=5e-5)


def test_uv_prime_agrees_with_colour_science() -> None:
    rgb = np.array([0.9, 0.4, 0.2])
    xyz = colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ @ rgb
    expected = colour.xy_to_Luv_uv(colour.XYZ_to_xy(xyz))
    # the published matrix is rounded to four decimals
    assert whitelight.uv_prime(rgb) == pytest.approx(expected, abs=1e-4)


# ----------------------------------------------------------------------------- camera


@pytest.mark.parametrize("bit_depth", [8, 10])
@pytest.mark.parametrize("clip", [100.0, 105.0, 109.0])
def test_camera_codes_grey_by_the_standard_up_to_its_clip(
    bit_depth: int, clip: float
) -> None:
    signal = Signal(bit_depth=bit_depth)
    quiet = SensorFacts(clip, bit_depth=bit_depth, read_noise=0.0, shot_noise=0.0)
    levels = np.array([0.0, 20.0, 50.0, 95.0, 100.0, 104.0, 130.0])
    light = to_linear_of_signal(levels / 100, transfer="bt709")
    picture = np.repeat(light[:, None, None], 8, 1).repeat(3, 2).astype(np.float32)
    picture = np.concatenate([picture, picture[-1:]])  # an even number of lines
    y, cb, cr = Sensor(quiet, 0).code(picture, np.ones(3), 0)
    # 109 % would be 8-bit code 254.7, and 255 is not video
    expected = [min(signal.code(min(p, clip)), signal.ceiling) for p in levels]
    assert np.abs(y[:-1, 0] - np.array(expected)).max() <= 0.51
    assert set(np.unique(cb)) == set(np.unique(cr)) == {signal.chroma_zero}
    assert cb.shape == ((4, 4) if bit_depth == 8 else (8, 4))


def test_knee_bends_only_above_its_start_and_never_falls() -> None:
    hard, soft = (
        Sensor(SensorFacts(105.0, knee_percent=k), 0) for k in (None, 85.0)
    )  # fmt: skip
    light = np.linspace(0, 8, 4000)
    a, b = hard.curve(light), soft.curve(light)
    assert np.array_equal(a[a <= 0.85], b[a <= 0.85])
    assert (b <= a + 1e-12).all()
    assert (np.diff(b) >= 0).all()
    assert b.max() == pytest.approx(1.05)


def test_full_range_uses_every_code_and_clips_at_white() -> None:
    facts = SensorFacts(100.0, full_range=True, read_noise=0.0, shot_noise=0.0)
    picture = np.full((8, 8, 3), 5.0, np.float32)
    picture[:4] = 0.0
    y, _, _ = Sensor(facts, 0).code(picture, np.ones(3), 0)
    assert set(np.unique(y)) == {0, 255}


# ------------------------------------------------------------------------------ truth


def test_same_number_gives_the_same_picture() -> None:
    case, planes, _ = _far_over()
    again = next(family.Case(case.plan).frames(fps=1, seconds=1))[0]
    assert all(np.array_equal(a, b) for a, b in zip(planes, again, strict=True))


def test_splits_share_no_take() -> None:
    for draw in (plans.plan, plans.white_plan):
        tune, test = ([draw(s, n).table for n in range(60)] for s in ("tune", "test"))
        for part in ("anatomy", "lamps", "ambient", "opening"):
            assert not {getattr(t, part) for t in tune} & {
                getattr(t, part) for t in test
            }


def test_burnt_pixels_are_those_at_95_percent_and_fall_into_kinds() -> None:
    case, (y, _, _), truth = _far_over()
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    assert np.array_equal(truth.burnt, y >= signal.first_code_at(95))
    kinds = (truth.relevant, truth.swab, truth.glint, truth.other)
    assert np.array_equal(sum(k.astype(int) for k in kinds), truth.burnt.astype(int))
    assert truth.relevant_share > 0.01


def test_closing_by_the_true_stops_leaves_one_percent_burnt() -> None:
    case, _, truth = _far_over()
    stops = case.truth_stops(truth)
    mine = np.isin(truth.labels, family.RELEVANT) & ~truth.edge
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)

    def burnt_share(closed: float) -> float:
        light = truth.light[mine] * 2.0**-closed
        coded = case.sensor.curve(light) @ (0.2126, 0.7152, 0.0722)
        codes = np.rint(signal.black + coded * (signal.white - signal.black))
        return float((codes >= signal.first_code_at(95)).sum() / truth.burnt.size)

    assert stops > 0.5
    # the curve's table steps by up to 0.1 % of light: 0.005 stops are let pass
    assert burnt_share(stops + 0.005) <= 0.01 < burnt_share(stops - 0.005)


def test_iris_closed_by_the_stops_renders_a_picture_that_is_right() -> None:
    # Shot anew, with noise and glints: what was said holds in the codes.
    case, _, truth = _far_over()
    over = case.plan.over[0] - case.truth_stops(truth)
    _, seen = next(case.exposed(over, over).frames(fps=1, seconds=1))
    assert seen.relevant_share == pytest.approx(0.01, abs=0.003)


def test_neutral_of_use_shows_the_colour_it_should() -> None:
    case = _white("neutral")
    (y, cb, cr), truth = next(case.frames(fps=1, seconds=1))
    assert truth.neutral_share >= 0.005
    # Read by the published arithmetic from the codes alone, noise averaged out.
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    inside = (
        truth.neutral[::2, ::2] if cb.shape[0] < y.shape[0] else truth.neutral[:, ::2]
    )
    down = y.shape[0] // cb.shape[0]
    luma = (y[::down, ::2][inside].astype(float) - signal.black) / (
        signal.white - signal.black
    )
    pb = (cb[inside].astype(float) - signal.chroma_zero) / signal.chroma_span
    pr = (cr[inside].astype(float) - signal.chroma_zero) / signal.chroma_span
    r, b = luma + 1.5748 * pr, luma + 1.8556 * pb
    g = (luma - 0.2126 * r - 0.0722 * b) / 0.7152
    light = to_linear_of_signal(np.stack([r, g, b], -1), transfer="bt709").mean(0)
    found = whitelight.uv_prime(light)
    # the lens spreads a little coloured light over everything
    assert math.dist(found, case.neutral_uv) < 0.0015


def test_kinds_of_white_take_hold_what_they_say() -> None:
    labels = {}
    for kind in ("absent", "pale skin"):
        number = plans.WHITE_KINDS.index(kind)
        table = plans.white_plan("tune", number).table
        labels[kind] = table.pieces, table.seam, table.drape == "white"
    assert all(v == ((), None, False) for v in labels.values())
    plan = plans.white_plan("tune", plans.WHITE_KINDS.index("balanced"))
    assert plan.light == plan.balanced_to


def test_white_reference_fills_the_first_second_only() -> None:
    case = _white("reference")
    (_, first), (_, later) = case.frames(fps=0.5, seconds=4)
    assert first.neutral_share > 0.98
    assert set(np.unique(first.labels)) == {int(Label.NEUTRAL)}
    assert later.neutral_share == 0.0


def _far(a: Sequence[Any], b: Sequence[Any]) -> float:
    """Mean difference of all planes, as a share of the range."""
    top = 255 if a[0].dtype == np.uint8 else 1023
    off = [np.abs(p.astype(float) - q).mean() for p, q in zip(a, b, strict=True)]
    return float(np.mean(off) / top)


@pytest.mark.parametrize("bit_depth", [8, 10])
def test_coding_keeps_pictures_in_order_and_close(bit_depth: int) -> None:
    case, planes, truth = _far_over()
    if case.bit_depth != bit_depth:
        facts = SensorFacts(bit_depth=bit_depth)
        planes = Sensor(facts, 0).code(truth.light, np.ones(3), 0)
    turned = tuple(np.ascontiguousarray(np.flip(p, (0, 1))) for p in planes)
    back = list(recode.through_h264([planes, turned, planes], fps=Fraction(10)))
    assert len(back) == 3
    for given, other, got in (
        (planes, turned, back[0]), (turned, planes, back[1]), (planes, turned, back[2])
    ):  # fmt: skip
        assert [p.shape for p in got] == [p.shape for p in given]
        assert {p.dtype for p in got} == {p.dtype for p in given}
        assert _far(given, got) < 0.02 < _far(other, got)
