"""Levels, curves and matrices against published figures and colour-science.

Published figures are in ``values/signal.toml``, each with its source. Second opinions
are colour-science's own implementations of the same standards.
"""

from __future__ import annotations

import math
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.signal import (
    LUMA_WEIGHTS,
    PRIMARIES_XY,
    Signal,
    Transfer,
    curve_name,
    headroom_stops,
    rgb_to_xyz,
    to_linear,
    ycbcr_to_rgb,
)

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "values" / "signal.toml").read_text(encoding="utf-8")
)

depths = st.sampled_from([8, 9, 10, 12, 14, 16])
signals = st.builds(
    Signal,
    bit_depth=depths,
    full_range=st.booleans(),
    matrix=st.sampled_from(["bt601", "bt709", "bt2020"]),
)
TRANSFERS: tuple[Transfer, ...] = (
    "bt709",
    "srgb",
    "gamma22",
    "gamma28",
    "linear",
    "hlg",
    "pq",
)


# ---------------------------------------------------------------------------- levels


@pytest.mark.parametrize(
    ("bits", "full", "black", "white", "code95", "first95"),
    VALUES["quantisation"]["values"],
)
def test_black_white_and_95_percent(
    bits: int, full: bool, black: int, white: int, code95: float, first95: int
) -> None:
    signal = Signal(bits, full)
    assert (signal.black, signal.white) == (black, white)
    assert signal.code(95) == pytest.approx(code95, abs=0.005)
    assert signal.first_code_at(95) == first95
    assert signal.percent(white) == 100.0
    assert signal.percent(black) == 0.0


@pytest.mark.parametrize(
    ("bits", "ceiling", "percent"), VALUES["video_ceiling"]["values"]
)
def test_highest_code_that_video_may_carry(
    bits: int, ceiling: int, percent: float
) -> None:
    signal = Signal(bits)
    assert signal.ceiling == ceiling
    assert signal.percent(ceiling) == pytest.approx(percent, abs=0.005)
    assert Signal(bits, full_range=True).ceiling == (1 << bits) - 1


@pytest.mark.parametrize(("bits", "zero", "span"), [(8, 128, 224), (10, 512, 896)])
def test_chroma_codes(bits: int, zero: int, span: int) -> None:
    # BT.709-6 item 3.4: D = INT[(224 E'C + 128) 2^(n-8)].
    assert Signal(bits).chroma_zero == zero
    assert Signal(bits).chroma_span == span
    assert Signal(bits, full_range=True).chroma_span == (1 << bits) - 1


@given(signals, st.integers(0, 1200))
def test_first_code_at_a_level_is_the_first(signal: Signal, tenths: int) -> None:
    level = tenths / 10
    code = signal.first_code_at(level)
    span = signal.white - signal.black

    def reaches(code: int) -> bool:
        return Fraction(code - signal.black, span) * 100 >= Fraction(tenths, 10)

    assert reaches(code)
    assert not reaches(code - 1)


@given(signals, st.integers(0, 65_535))
def test_percent_and_code_undo_each_other(signal: Signal, code: int) -> None:
    assert signal.code(signal.percent(code)) == pytest.approx(code, abs=1e-6)


@given(signals)
def test_codes_scale_to_eight_bits(signal: Signal) -> None:
    limited = Signal(8, signal.full_range)
    if not signal.full_range:
        assert signal.white * signal.code_scale == limited.white
        assert signal.black * signal.code_scale == limited.black


@pytest.mark.parametrize("bits", [7, 17, 0])
def test_depths_that_do_not_exist_are_refused(bits: int) -> None:
    with pytest.raises(ValueError, match=f"bit_depth must be 8 to 16, got {bits}"):
        Signal(bits)


def test_hdr_curves_are_told() -> None:
    told = {t: Signal(transfer=t).is_hdr for t in TRANSFERS}
    assert [t for t, hdr in told.items() if hdr] == ["hlg", "pq"]
    assert curve_name("bt709") == "BT.709 camera curve"


# ---------------------------------------------------------------------------- curves

_SECOND_OPINION = {
    "bt709": lambda v: colour.models.oetf_inverse_BT709(v),
    "srgb": lambda v: colour.models.eotf_sRGB(v),
    # BT.2100-2 table 5: scene light normalised to 1, as in the 2018 edition.
    "hlg": lambda v: colour.models.oetf_inverse_BT2100_HLG(v),
    "pq": lambda v: colour.models.eotf_ST2084(v) / 10_000,
    "gamma22": lambda v: v**2.2,
    "gamma28": lambda v: v**2.8,
    "linear": lambda v: v,
}


@pytest.mark.parametrize("transfer", TRANSFERS)
def test_curves_agree_with_colour_science(transfer: Transfer) -> None:
    signal = np.linspace(0.0, 1.0, 501)
    # colour-science rounds BT.709's constants to 1.099 and 0.018; ours are exact.
    np.testing.assert_allclose(
        to_linear(signal, transfer=transfer),
        _SECOND_OPINION[transfer](signal),
        atol=6e-4 if transfer == "bt709" else 2e-6,
    )


@pytest.mark.parametrize(
    ("_what", "light", "pq", "hlg"), VALUES["hdr"]["values"], ids=lambda v: str(v)
)
def test_hdr_reference_levels(_what: str, light: float, pq: float, hlg: float) -> None:
    # The table gives whole percents of the signal.
    signal = np.linspace(0, 1, 100_001)
    nits = to_linear(signal, transfer="pq") * 10_000
    assert 100 * np.interp(light, nits, signal) == pytest.approx(pq, abs=0.5)
    # BT.2100-2 table 5: display light of HLG on a 1000 cd/m2 screen, gamma 1.2.
    shown = 1000 * to_linear(signal, transfer="hlg") ** 1.2
    assert 100 * np.interp(light, shown, signal) == pytest.approx(hlg, abs=0.75)


def test_hlg_half_signal_is_a_twelfth_of_the_light() -> None:
    # BT.2100-2 table 5: E' = sqrt(3 E) up to E = 1/12.
    assert float(to_linear(0.5, transfer="hlg")) == pytest.approx(1 / 12, abs=1e-12)


@pytest.mark.parametrize("transfer", TRANSFERS)
@given(st.floats(-0.5, 1.0), st.floats(-0.5, 1.0))
def test_curves_rise_and_mirror(transfer: Transfer, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert to_linear(low, transfer=transfer) <= to_linear(high, transfer=transfer)
    assert to_linear(-high, transfer=transfer) == -to_linear(high, transfer=transfer)


def test_an_unknown_curve_is_refused() -> None:
    with pytest.raises(ValueError, match="no such transfer curve: 'cineon'"):
        to_linear(0.5, transfer="cineon")  # type: ignore[arg-type]


@pytest.mark.parametrize(("stops", "percent"), VALUES["scene_stops"]["values"])
def test_stops_of_light_to_signal(stops: float, percent: float) -> None:
    assert headroom_stops(percent, transfer="bt709") == pytest.approx(stops, abs=0.003)


@pytest.mark.parametrize(("percent", "bt709", "srgb"), VALUES["signal_stops"]["values"])
def test_signal_to_stops_of_light(percent: float, bt709: float, srgb: float) -> None:
    assert headroom_stops(percent, transfer="bt709") == pytest.approx(bt709, abs=0.003)
    assert headroom_stops(percent, transfer="srgb") == pytest.approx(srgb, abs=0.002)


@pytest.mark.parametrize("percent", [0.0, -3.0, math.nan])
def test_no_light_has_no_stops(percent: float) -> None:
    assert math.isnan(headroom_stops(percent, transfer="bt709"))


def test_stops_are_plain_floats() -> None:
    assert type(headroom_stops(50, transfer="bt709")) is float
    assert headroom_stops(110, transfer="bt709") < 0


# -------------------------------------------------------------------------- matrices

# White, yellow, cyan, green, magenta, red, blue.
_BARS = [
    (1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1),
]  # fmt: skip
# 75 % bars in 8 bits, Y' Cb Cr computed from the matrix coefficients; BT.709's agree
# with a public table of RP 219.
_CODES_75 = {
    "bt709": [
        (180, 128, 128), (168, 44, 136), (145, 147, 44), (133, 63, 52),
        (63, 193, 204), (51, 109, 212), (28, 212, 120),
    ],
    "bt601": [
        (180, 128, 128), (162, 44, 142), (131, 156, 44), (112, 72, 58),
        (84, 184, 198), (65, 100, 212), (35, 212, 114),
    ],
}  # fmt: skip


@pytest.mark.parametrize("matrix", ["bt709", "bt601"])
def test_colour_bars_become_their_colours(matrix: str) -> None:
    # SMPTE RP 219 and EG 1: bars of 75 %. Codes are rounded: half a code is 0.4 %.
    y, cb, cr = np.array(_CODES_75[matrix]).T
    rgb = ycbcr_to_rgb(y, cb, cr, signal=Signal(matrix=matrix))  # type: ignore[arg-type]
    np.testing.assert_allclose(rgb, 0.75 * np.array(_BARS), atol=0.006)


@pytest.mark.parametrize(
    ("matrix", "bits", "percent", "codes"), VALUES["bars"]["values"]
)
def test_luma_of_colour_bars(
    matrix: str, bits: int, percent: float, codes: list[int]
) -> None:
    kr, kb = LUMA_WEIGHTS[matrix]
    signal = Signal(bits, matrix=matrix)  # type: ignore[arg-type]
    luma = np.array(_BARS) @ (kr, 1 - kr - kb, kb)
    assert [round(signal.code(percent * v)) for v in luma] == codes


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
def test_matrices_agree_with_colour_science(matrix: str, bits: int, full: bool) -> None:
    names = {
        "bt601": "ITU-R BT.601",
        "bt709": "ITU-R BT.709",
        "bt2020": "ITU-R BT.2020",
    }
    rng = np.random.default_rng(601)
    codes = rng.integers(0, 1 << bits, (200, 3))
    signal = Signal(bits, full, matrix)  # type: ignore[arg-type]
    ours = ycbcr_to_rgb(*codes.T, signal=signal)
    theirs = colour.YCbCr_to_RGB(
        codes,
        K=colour.WEIGHTS_YCBCR[names[matrix]],
        in_bits=bits,
        in_legal=not full,
        in_int=True,
        out_bits=bits,
        out_legal=False,
        out_int=False,
        clamp_int=False,
    )
    np.testing.assert_allclose(ours, theirs, atol=1e-9)


@given(signals, st.integers(0, 255))
def test_grey_has_no_colour(signal: Signal, code: int) -> None:
    code <<= signal.bit_depth - 8
    rgb = ycbcr_to_rgb(code, signal.chroma_zero, signal.chroma_zero, signal=signal)
    np.testing.assert_allclose(rgb, signal.percent(code) / 100, atol=1e-12)


@pytest.mark.parametrize(
    ("name", "space"),
    [
        ("bt709", "ITU-R BT.709"),
        ("bt2020", "ITU-R BT.2020"),
        ("bt601-525", "SMPTE C"),
        ("bt601-625", "ITU-R BT.470 - 625"),
        ("p3-d65", "P3-D65"),
    ],
)
def test_primaries_agree_with_colour_science(name: str, space: str) -> None:
    published = colour.RGB_COLOURSPACES[space]
    np.testing.assert_allclose(PRIMARIES_XY[name][:3], published.primaries, atol=1e-9)
    np.testing.assert_allclose(PRIMARIES_XY[name][3], published.whitepoint, atol=1e-4)
    np.testing.assert_allclose(
        rgb_to_xyz(name),  # type: ignore[arg-type]
        published.matrix_RGB_to_XYZ,
        atol=1e-3,
    )


@pytest.mark.parametrize("name", list(PRIMARIES_XY))
def test_white_has_the_light_of_one(name: str) -> None:
    # SMPTE RP 177: R = G = B = 1 gives the white point with Y = 1.
    xyz = rgb_to_xyz(name) @ np.ones(3)  # type: ignore[arg-type]
    x, y = PRIMARIES_XY[name][3]
    np.testing.assert_allclose(xyz, [x / y, 1.0, (1 - x - y) / y], atol=1e-12)
