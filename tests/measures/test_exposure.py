"""Exposure: means and percentiles against numpy, stops against published curves.

Published values are in ``values/signal.toml``. Second opinions: `numpy.percentile` and
colour-science's transfer curves.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.measures.exposure import MEASURE, histogram_mean, histogram_percentiles
from qc.measures.parts.level.fieldlevel import noise_percent
from qc.measures.parts.level.stops import thirds
from qc.records import Grade
from qc.signal import Signal, headroom_stops
from tests.pictures import (
    column,
    findings,
    measure,
    picture,
    reader_of,
    setup_of,
)

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "signal.toml").read_text(encoding="utf-8")
)
PIXELS = st.lists(st.integers(0, 255), min_size=1, max_size=300)
FULL_16 = Signal(bit_depth=16, full_range=True)


def read(y: NDArray[Any], signal: Signal | None = None) -> dict[str, Any]:
    signal = Signal() if signal is None else signal
    reader = reader_of(MEASURE, setup_of(signal=signal))
    return dict(reader.read(picture(y, signal=signal)))


# ------------------------------------------------------------- mean and percentiles


@given(PIXELS)
def test_mean_is_numpys(pixels: list[int]) -> None:
    mean = histogram_mean(np.bincount(pixels, minlength=256))
    assert mean == pytest.approx(float(np.mean(pixels)), rel=1e-12)


@given(PIXELS, st.lists(st.integers(0, 32), min_size=1, max_size=5))
def test_percentiles_are_numpys_inverted_distribution(
    pixels: list[int], of_32: list[int]
) -> None:
    # 32nds of a whole are exact in binary: numpy's own ranks cannot be off by rounding.
    shares = [100 * k / 32 for k in of_32]
    expected = np.percentile(pixels, shares, method="inverted_cdf")
    found = histogram_percentiles(np.bincount(pixels, minlength=256), shares)
    assert found == expected.tolist()


@given(PIXELS, st.integers(0, 1000))
def test_percentiles_are_the_lowest_code_with_enough_pixels_at_or_under_it(
    pixels: list[int], per_mille: int
) -> None:
    # Definition 1 of Hyndman and Fan, The American Statistician 50(4), 1996 (from
    # memory), in whole fractions: no decimal percentile may miss by a rank.
    rank = max(1, math.ceil(Fraction(per_mille, 1000) * len(pixels)))
    (found,) = histogram_percentiles(
        np.bincount(pixels, minlength=256), [per_mille / 10]
    )
    assert found == sorted(pixels)[rank - 1]


@pytest.mark.parametrize("times", [1, 1000, 8_294_400 // 1000])
def test_decimal_percentiles_do_not_slip_by_a_rank(times: int) -> None:
    # 7 % of 100 pixels are 7 pixels although 100 * 0.07 is a hair over 7 in binary.
    histogram = np.array([7, 93]) * times
    assert histogram_percentiles(histogram, [7.0, 7.1]) == [0.0, 1.0]
    # 99.9 % of a 3840 x 2160 picture, to the pixel.
    histogram = np.array([999, 1]) * times
    assert histogram_percentiles(histogram, [99.9, 99.91]) == [0.0, 1.0]


def test_an_empty_histogram_is_unknown() -> None:
    empty = np.zeros(256, np.int64)
    assert math.isnan(histogram_mean(empty))
    assert all(math.isnan(v) for v in histogram_percentiles(empty, [1, 50]))
    assert read(np.zeros((0, 0), np.uint8)) == {}


@given(
    st.sampled_from(
        [Signal(bit_depth=b, full_range=f) for b in (8, 10, 12) for f in (False, True)]
    ),
    st.tuples(st.integers(1, 40), st.integers(1, 40)),
    st.integers(0, 2**32 - 1),
)
def test_columns_are_in_percent_of_black_to_white(
    signal: Signal, shape: tuple[int, int], number: int
) -> None:
    y = np.random.default_rng(number).integers(0, signal.top + 1, shape)
    values = read(y, signal)
    # BT.709-6 items 3.4 to 3.6: black 16 x 2^(n-8), white 235 x 2^(n-8).
    scale = 2 ** (signal.bit_depth - 8)
    black = 0 if signal.full_range else 16 * scale
    white = 2**signal.bit_depth - 1 if signal.full_range else 235 * scale

    def percent(code: float) -> float:
        return float(100 * (code - black) / (white - black))

    p = np.percentile(y, [1, 50, 95, 99], method="inverted_cdf")
    for name, code in zip(("p01", "p50", "p95", "p99"), p, strict=True):
        # numpy's rank for 95 % or 99 % may be one pixel too far in binary; then the
        # code a rank lower is right.
        if values[f"{name}_percent"] != pytest.approx(percent(code)):
            share = Fraction(name[1:]) / 100 * y.size
            assert share.denominator == 1
            exact = np.sort(y, axis=None)[int(share) - 1]
            assert values[f"{name}_percent"] == pytest.approx(percent(exact))
    assert values["mean_percent"] == pytest.approx(percent(y.mean()), abs=1e-9)
    assert values["black_percent"] == 100 * int((y <= black).sum()) / y.size


@pytest.mark.parametrize(
    ("bits", "full", "black", "white", "exact", "first"),
    VALUES["quantisation"]["values"],
)
def test_flat_pictures_read_what_the_standard_says(
    bits: int, full: bool, black: int, white: int, exact: float, first: int
) -> None:
    signal = Signal(bit_depth=bits, full_range=full)
    for code, percent in ((black, 0.0), (white, 100.0)):
        values = read(np.full((5, 9), code, np.uint16), signal)
        for name in ("mean", "p01", "p50", "p95", "p99"):
            assert values[f"{name}_percent"] == percent
    ninety_five = read(np.full((5, 9), first, np.uint16), signal)["p50_percent"]
    one_code = 100 / (white - black)
    assert 95 <= ninety_five < 95 + one_code
    assert ninety_five == pytest.approx(95 + (first - exact) * one_code, abs=0.003)


# --------------------------------------------------------------------------- headroom


@pytest.mark.parametrize(("stops", "percent"), VALUES["scene_stops"]["values"])
def test_a_stop_of_scene_light_is_a_stop_of_headroom(
    stops: float, percent: float
) -> None:
    # Two decimals of stops, and the rounded constants of the curve.
    assert headroom_stops(percent, transfer="bt709") == pytest.approx(stops, abs=5e-3)
    y = np.full((8, 8), round(FULL_16.code(percent)), np.uint16)
    y[0, 0] = FULL_16.top  # a burnt-out pixel is not the picture's own top
    values = read(y, FULL_16)
    expected = stops if stops else math.nan  # at full scale all of it is cut off
    assert values["headroom_stops"] == pytest.approx(expected, abs=5e-3, nan_ok=True)


@pytest.mark.parametrize(("percent", "bt709", "srgb"), VALUES["signal_stops"]["values"])
def test_headroom_is_the_published_curves(
    percent: float, bt709: float, srgb: float
) -> None:
    assert headroom_stops(percent, transfer="bt709") == pytest.approx(bt709, abs=2.5e-3)
    assert headroom_stops(percent, transfer="srgb") == pytest.approx(srgb, abs=6e-4)


@given(st.floats(1.0, 100.0))
def test_headroom_agrees_with_colour_science(percent: float) -> None:
    v = percent / 100
    curves: dict[str, Any] = {
        "bt709": colour.models.oetf_inverse_BT709,
        "srgb": colour.models.eotf_sRGB,
        "hlg": colour.models.oetf_inverse_BT2100_HLG,
        "pq": colour.models.eotf_BT2100_PQ,
    }
    for name, to_light in curves.items():
        expected = math.log2(float(to_light(1.0)) / float(to_light(v)))
        stops = headroom_stops(percent, transfer=name)  # type: ignore[arg-type]
        # colour-science's BT.709 curve has the rounded constants 1.099 and 0.018: 0.5 %
        # of light near the joint, which is 0.007 stops.
        assert stops == pytest.approx(expected, abs=7e-3 if name == "bt709" else 1e-6)


@pytest.mark.parametrize(("name", "nits", "pq", "hlg"), VALUES["hdr"]["values"])
def test_hdr_references_lie_where_bt2408_says(
    name: str, nits: float, pq: float, hlg: float
) -> None:
    assert name
    # Published in whole percents: the stops at half a percent to either side.
    below, above = (headroom_stops(pq + d, transfer="pq") for d in (-0.5, 0.5))
    assert above <= math.log2(10_000 / nits) <= below
    # HLG: 1000 cd/m2 display, system gamma 1.2: display light 1000 E^1.2 of grey.
    stops = math.log2((1000 / nits) ** (1 / 1.2))
    below, above = (headroom_stops(hlg + d, transfer="hlg") for d in (-0.5, 0.5))
    assert above <= stops <= below


def test_super_white_has_less_than_no_headroom() -> None:
    # 105 % of signal is a seventh of a stop above white.
    assert headroom_stops(105.0, transfer="bt709") == pytest.approx(-0.14, abs=0.005)
    y = np.full((40, 40), 246, np.uint8)  # 105.02 %
    assert read(y)["headroom_stops"] == pytest.approx(-0.14, abs=0.005)


def test_headroom_leaves_out_what_is_clipped() -> None:
    # 30 % of the picture sits at the ceiling: how far above it was, nobody knows. The
    # rest reaches 49.32 %, two stops under white in scene light.
    y = np.full((100, 100), 60, np.uint8)
    y[:10] = 124
    y[70:] = 254
    values = read(y)
    assert values["p99_percent"] > 100
    assert values["headroom_stops"] == pytest.approx(
        headroom_stops(100 * (124 - 16) / 219, transfer="bt709")
    )
    assert values["headroom_stops"] == pytest.approx(2.0, abs=0.03)


def test_a_thousandth_of_the_pixels_does_not_count_and_more_does() -> None:
    y = np.full((100, 100), 60, np.uint8)
    y[0, :10] = 235  # a thousandth: sparkle on a wet instrument
    stops = read(y)["headroom_stops"]
    assert stops == headroom_stops(100 * (60 - 16) / 219, transfer="bt709")
    y = y.copy()
    y[0, :11] = 235
    assert read(y)["headroom_stops"] == 0


def test_headroom_of_a_wholly_clipped_or_black_picture_is_unknown() -> None:
    assert math.isnan(read(np.full((9, 9), 254, np.uint8))["headroom_stops"])
    assert math.isnan(read(np.full((9, 9), 16, np.uint8))["headroom_stops"])


# ------------------------------------------------------------------------ whole takes


def test_a_dark_stretch_is_found_to_the_frame_with_stops_to_open() -> None:
    # 49.32 % at normal light; 19.18 % is dark (code 58).
    light, dark = np.full((48, 64), 124, np.uint8), np.full((48, 64), 58, np.uint8)
    pictures = [picture(dark if 30 <= i < 70 else light, index=i) for i in range(100)]
    measured = measure(pictures, setup_of(), [MEASURE])
    (finding,) = findings(measured, "exposure.dark")
    assert (finding.start_frame, finding.end_frame) == (30, 70)
    assert finding.grade is Grade.REVIEW
    assert finding.worst == pytest.approx(100 * (58 - 16) / 219)
    # From 19.18 % to 70 % by the BT.709 camera curve, with colour-science.
    light_at = colour.models.oetf_inverse_BT709
    stops = math.log2(float(light_at(0.70)) / float(light_at((58 - 16) / 219)))
    # Told in thirds; from three on the lamp and the gain are looked at first.
    assert f"lacks about {thirds(stops)} stops of light" in finding.advice
    opened = column(measured, "exposure.open_stops")
    assert opened[40] == pytest.approx(stops, abs=0.01)
    assert np.isnan(opened[:30]).all()


def test_a_lit_field_in_a_dark_room_is_not_dark() -> None:
    y = np.full((100, 100), 20, np.uint8)
    y[40:50, 30:90] = 180  # 6 % of the picture: the field under the lamp
    measured = measure([picture(y, index=i) for i in range(50)], setup_of(), [MEASURE])
    assert not findings(measured, "exposure.dark")


def test_a_black_picture_is_not_called_dark() -> None:
    # It has a rule of its own; opening the iris would not help it.
    y = np.full((48, 64), 17, np.uint8)
    measured = measure([picture(y, index=i) for i in range(50)], setup_of(), [MEASURE])
    assert not findings(measured, "exposure.dark")


def test_nearly_black_is_rejected_and_the_advice_looks_at_the_lamp_first() -> None:
    y = np.full((48, 64), 24, np.uint8)
    measured = measure([picture(y, index=i) for i in range(50)], setup_of(), [MEASURE])
    (finding,) = findings(measured, "exposure.dark")
    assert finding.grade is Grade.REJECT
    assert "lamp" in finding.advice
    assert "filter" in finding.advice


def test_a_hand_through_the_light_is_let_pass() -> None:
    light, dark = np.full((48, 64), 124, np.uint8), np.full((48, 64), 58, np.uint8)
    pictures = [picture(dark if 30 <= i < 54 else light, index=i) for i in range(100)]
    measured = measure(pictures, setup_of(), [MEASURE])
    assert not findings(measured, "exposure.dark")  # 24 frames: under a second


def test_full_range_pixels_in_limited_range_are_told() -> None:
    # 2 % of the pixels lie at code 4, far under black: no limited-range camera does it.
    y = np.full((50, 50), 120, np.uint8)
    y[0] = 4
    measured = measure([picture(y, index=i) for i in range(3)], setup_of(), [MEASURE])
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert note.startswith("2.0 %")
    assert "full range" in note
    # Footroom that filters put there (3 % of range is 6.57 codes) is nothing unusual.
    y = np.full((50, 50), 120, np.uint8)
    y[:25] = 10
    measured = measure([picture(y, index=i) for i in range(3)], setup_of(), [MEASURE])
    assert not list(MEASURE.notes(measured))


def test_the_summary_has_medians_and_the_curve() -> None:
    pictures = [picture(np.full((8, 8), c, np.uint8)) for c in (16, 100, 235)]
    for i, p in enumerate(pictures):
        p.pts = i
    measured = measure(pictures, setup_of(), [MEASURE])
    assert MEASURE.summarise is not None
    summary = MEASURE.summarise(measured)
    middle = 100 * (100 - 16) / 219
    assert summary["p50_median_percent"] == pytest.approx(middle, abs=1e-4)
    assert summary["mean_median_percent"] == pytest.approx(middle, abs=1e-4)
    assert summary["headroom_min_stops"] == 0
    assert summary["curve"] == "BT.709 camera curve"
    assert np.isnan(column(measured, "exposure.headroom_stops")[0])


# ------------------------------------------------------------------ a field's darkness


def window(y: NDArray[np.uint8], box: tuple[slice, slice]) -> NDArray[np.uint8]:
    out = y.copy()
    out[box] = 250
    return out


def dark_findings(y: NDArray[Any], changes: Mapping[str, object] | None = None) -> Any:
    pictures = [picture(y, index=i) for i in range(40)]
    return findings(measure(pictures, setup_of(changes), [MEASURE]), "exposure.dark")


def test_a_bright_window_does_not_hide_a_dark_field() -> None:
    field = np.full((135, 240), 50, np.uint8)  # 15.5 %
    at_edge = window(field, np.s_[0:60, 160:240])  # 15 % of the picture, burnt out
    assert np.percentile(at_edge, 95) == 250  # the whole picture's level is no help
    (finding,) = dark_findings(at_edge)
    assert finding.worst == pytest.approx(100 * (50 - 16) / 219)


def test_a_level_under_the_limit_is_not_said_to_be_the_limit() -> None:
    # Code 81 is (81 - 16) / 219 = 29.7 %: "only 30 % (limit 30 %)" would say nothing.
    (finding,) = dark_findings(np.full((135, 240), 81, np.uint8))
    assert "only 29 % (limit 30 %)" in finding.message


def test_a_burnt_field_in_a_dark_room_is_not_dark() -> None:
    # As bright and as large as the window, but not at the edge: this is the field.
    field = np.full((135, 240), 30, np.uint8)
    assert not dark_findings(window(field, np.s_[40:100, 80:160]))
    # Nor when it fills half the picture and reaches the edge.
    assert not dark_findings(window(field, np.s_[0:135, 0:120]))


def test_only_the_relevant_part_has_to_be_lit() -> None:
    y = np.full((135, 240), 190, np.uint8)
    y[:, :80] = 50
    assert not dark_findings(y)
    regions = {"highlights.relevant": [[0.0, 0.0, 0.3, 1.0]]}
    (finding,) = dark_findings(y, regions)
    assert finding.worst == pytest.approx(100 * (50 - 16) / 219)


@pytest.mark.parametrize("sigma", [1.0, 2.5])
def test_noise_is_what_was_put_in(sigma: float) -> None:
    # Rounding adds a twelfth of a code squared.
    random = np.random.default_rng(4)
    y = 60 + random.normal(0, sigma, (270, 480))
    expected = 100 * math.sqrt(sigma**2 + 1 / 12) / 219
    # The quietest of 48 tiles lies a little under all of them.
    assert noise_percent(picture(y)) == pytest.approx(expected, rel=0.08)


def test_noise_that_lifting_would_show_is_told() -> None:
    random = np.random.default_rng(4)
    noisy = 50 + random.normal(0, 2.0, (270, 480))
    (finding,) = dark_findings(noisy)
    assert "noise would grow to at least" in finding.message
    assert "Open the iris" in finding.advice or "of light" in finding.advice
    (quiet,) = dark_findings(np.full((270, 480), 50, np.uint8))
    assert "noise would grow" not in quiet.message


def test_a_black_picture_has_no_level() -> None:
    values = read(np.full((48, 64), 16, np.uint8))
    assert "level_stops" not in values


def test_a_take_of_one_frame_has_all_columns() -> None:
    measured = measure([picture(np.full((9, 9), 120, np.uint8))], setup_of(), [MEASURE])
    for name in ("close_stops", "close_channel_stops", "gain_stops"):
        assert column(measured, f"exposure.{name}").shape == (1,)


# ------------------------------------------------------------- a night with its lamps


def night(stops: float) -> NDArray[Any]:
    """Return codes of a street at night: its lamps fill six hundredths, and burn.

    Light through colour-science's BT.709 curve, lowered by so many stops.
    """
    random = np.random.default_rng(3)
    light = 0.02 + 0.03 * random.random((270, 480))
    light[:160] *= 0.5
    light[200:260, 100:230] = 1.0
    value = colour.models.oetf_BT709(light * 2.0**-stops)
    return np.asarray(np.clip(np.rint(16 + 219 * value), 0, 255), np.uint8)


@pytest.mark.parametrize(("stops", "told"), [(0.0, False), (1.0, False), (2.7, True)])
def test_a_night_is_dark_when_its_lamps_are(stops: float, told: bool) -> None:
    y = night(stops)
    # Lamps at 100 % hide the rest from the brightest twentieth in all three.
    assert np.percentile(y, 95) >= 16 + 2.19 * 30
    found = dark_findings(y)
    assert bool(found) == told
    for finding in found:
        assert "brightest hundredth, reach only" in finding.message
        # The number in the table is not that of the lamps: the sentence says of what.
        assert finding.worst is not None
        said = re.search(r"would reach ([\d.]+) % \(limit 30 %\)", finding.message)
        assert said
        assert float(said[1]) <= finding.worst < float(said[1]) + 0.1
        # White belongs at 100 %: what is missing is what was taken.
        assert "by about 2⅔ stops" in finding.advice


def test_grey_that_fills_the_picture_is_not_dark() -> None:
    # A drape at 20 to 42 %: nothing is bright in it, and nothing need be.
    random = np.random.default_rng(4)
    y = 16 + 2.19 * (20 + 22 * random.random((270, 480)))
    assert not dark_findings(np.rint(y).astype(np.uint8))
