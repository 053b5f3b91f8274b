"""Histogram, waveform and plane of colours: counts that add up, in the right place.

Colour bars are published values (``values/scopes.toml``); R'G'B' levels are held
against `colour-science`, which knows nothing of ours.
"""

from __future__ import annotations

import base64
import tomllib
from pathlib import Path
from typing import Any, cast
from xml.etree import ElementTree

import colour
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.records import Picture, TakeResult
from qc.report.drawing import Drawing
from qc.report.ink import ink_png
from qc.report.scopefigures import scope_figures
from qc.report.scopes import (
    BAR_COLOURS,
    BINS,
    chroma_density,
    level_counts,
    level_edges,
    mean_chroma,
    target,
    waveform_density,
)
from qc.signal import Signal

VALUES = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "scopes.toml").read_text(encoding="utf-8")
)
NAMES = ("white", "yellow", "cyan", "green", "magenta", "red", "blue")
Array = NDArray[Any]


def make(
    y: Array, cb: Array, cr: Array, *, signal: Signal, interlaced: bool = False
) -> Picture:
    kind = np.uint8 if signal.bit_depth == 8 else np.uint16
    planes = [np.ascontiguousarray(p, kind) for p in (y, cb, cr)]
    return Picture(
        index=0,
        pts=0,
        y=planes[0],
        cb=planes[1],
        cr=planes[2],
        signal=signal,
        interlaced=interlaced,
    )


def bars(codes: list[list[int]], signal: Signal) -> Picture:
    """Seven upright bars, 4:2:2: every chroma sample stands for two pixels."""
    wide = np.repeat(np.array(codes), 8, axis=0)
    y = np.tile(wide[:, 0], (12, 1))
    cb, cr = (np.tile(wide[::2, i], (12, 1)) for i in (1, 2))
    return make(y, cb, cr, signal=signal)


def noise(
    shape: tuple[int, int], signal: Signal, *, halved: bool = True, **more: bool
) -> Picture:
    numbers = np.random.default_rng(7)
    small = ((shape[0] + 1) // 2, (shape[1] + 1) // 2) if halved else shape
    y, cb, cr = (
        numbers.integers(0, signal.top + 1, size) for size in (shape, small, small)
    )
    return make(y, cb, cr, signal=signal, **more)


# --------------------------------------------------------------- targets of the bars


@pytest.mark.parametrize(
    ("matrix", "bits", "percent", "codes"), VALUES["bars"]["values"]
)
def test_targets_are_where_the_bars_are_published(
    matrix: str, bits: int, percent: int, codes: list[list[int]]
) -> None:
    signal = Signal(bits, matrix=matrix)  # type: ignore[arg-type]
    for name, (_, cb, cr) in zip(NAMES[1:], codes[1:], strict=True):
        place = target(name, matrix=signal.matrix, amplitude=percent / 100)
        found = [
            int(np.floor(signal.chroma_zero + signal.chroma_span * v + 0.5))
            for v in place
        ]
        assert found == [cb, cr], name


@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
def test_opposite_colours_lie_opposite(matrix: str) -> None:
    # Exact: a colour and its complement add up to white, which has no difference.
    for one, other in (("red", "cyan"), ("green", "magenta"), ("blue", "yellow")):
        places = [np.array(target(n, matrix=matrix)) for n in (one, other)]  # type: ignore[arg-type]
        np.testing.assert_allclose(places[0], -places[1], atol=1e-12)


@pytest.mark.parametrize(
    ("matrix", "bits", "percent", "codes"), VALUES["bars"]["values"]
)
def test_bars_land_on_their_targets(
    matrix: str, bits: int, percent: int, codes: list[list[int]]
) -> None:
    signal = Signal(bits, matrix=matrix)  # type: ignore[arg-type]
    density = chroma_density(bars(codes, signal))
    shift = bits - 8
    expected = {(cr >> shift, cb >> shift) for _, cb, cr in codes}
    assert set(zip(*np.nonzero(density), strict=True)) == expected
    # Four samples a bar in each of twelve rows.
    assert set(density[density > 0]) == {48}


@pytest.mark.parametrize(
    ("matrix", "bits", "percent", "codes"), VALUES["bars"]["values"]
)
def test_bars_have_their_levels_of_red_green_and_blue(
    matrix: str, bits: int, percent: int, codes: list[list[int]]
) -> None:
    signal = Signal(bits, matrix=matrix)  # type: ignore[arg-type]
    counts = level_counts(bars(codes, signal))
    # Four of the seven bars have a channel on, three have it off. The codes of Y', Cb
    # and Cr are whole: R'G'B' may be off by the sum of their halves, times 2 at most.
    on, off = round(signal.code(percent)), signal.black
    near = 3
    for channel in range(3):
        assert counts[channel, on - near : on + near + 1].sum() == 4 * 8 * 12
        assert counts[channel, off - near : off + near + 1].sum() == 3 * 8 * 12


# ------------------------------------------------------------------------- the levels


@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
def test_levels_agree_with_an_independent_conversion(
    bits: int, full: bool, matrix: str
) -> None:
    signal = Signal(bits, full, matrix=matrix)  # type: ignore[arg-type]
    picture = noise((18, 26), signal, halved=False)
    codes = np.stack([picture.y, picture.cb, picture.cr], axis=-1).astype(np.float64)
    weights = {
        "bt601": "ITU-R BT.601",
        "bt709": "ITU-R BT.709",
        "bt2020": "ITU-R BT.2020",
    }[matrix]
    shares = np.empty_like(codes)
    shares[..., 0] = (codes[..., 0] - signal.black) / (signal.white - signal.black)
    shares[..., 1:] = (codes[..., 1:] - signal.chroma_zero) / signal.chroma_span
    rgb = colour.YCbCr_to_RGB(
        shares,
        K=colour.WEIGHTS_YCBCR[weights],
        in_bits=bits,
        in_legal=False,
        in_int=False,
        in_range=np.array([0.0, 1.0, -0.5, 0.5]),
        out_legal=False,
        out_int=False,
        out_range=np.array([0.0, 1.0]),
    )
    exact = signal.black + (signal.white - signal.black) * rgb
    counts = level_counts(picture)
    for channel in range(3):
        expected = np.clip(np.rint(exact[..., channel]), 0, signal.top).astype(int)
        wanted = np.bincount(expected.ravel(), minlength=signal.top + 1)
        # Where a value lies on the border of two codes, rounding may differ.
        drift = np.abs(np.cumsum(counts[channel]) - np.cumsum(wanted))
        assert drift.max() <= 2
    np.testing.assert_array_equal(
        counts[3], np.bincount(picture.y.ravel(), minlength=signal.top + 1)
    )


@given(
    height=st.integers(1, 40),
    width=st.integers(1, 40),
    bits=st.sampled_from([8, 10, 16]),
    interlaced=st.booleans(),
)
@settings(max_examples=40, deadline=None)
def test_all_counts_add_up_to_the_pixels(
    height: int, width: int, bits: int, interlaced: bool
) -> None:
    picture = noise((height, width), Signal(bits), interlaced=interlaced)
    assert (level_counts(picture).sum(axis=1) == height * width).all()
    density, pixels = waveform_density(picture, columns=16)
    assert density.sum() == pixels.sum() == height * width
    np.testing.assert_array_equal(density.sum(axis=0), pixels)
    assert chroma_density(picture).sum() == picture.cb.size


def test_chroma_of_interlaced_pictures_is_that_of_the_own_field() -> None:
    # One field blue, one red, in 4:2:0: chroma rows belong to the fields in turn.
    signal = Signal()
    red, blue = (63, 102, 240), (32, 240, 118)  # BT.709 100 % bars, as published
    rows = np.array([red, blue] * 4)
    y = np.repeat(rows[:, :1], 8, axis=1)
    small = rows[:4]
    cb, cr = (np.repeat(small[:, i : i + 1], 4, axis=1) for i in (1, 2))
    counts = level_counts(make(y, cb, cr, signal=signal, interlaced=True))
    # No green anywhere; half of the picture is red, half is blue.
    assert counts[1, 14:19].sum() == 64
    for channel in (0, 2):
        assert counts[channel, 233:238].sum() == 32
        assert counts[channel, 14:19].sum() == 32


def test_levels_reach_as_far_as_the_codes() -> None:
    # Code 0 is -7.306 %, 255 is 109.132 %: (D - 16) / 219, ITU-R BT.709-6.
    low, high = level_edges(Signal())
    assert low < -7.306 < -7.07
    assert high > 109.132
    assert level_edges(Signal(full_range=True)) == pytest.approx(
        (-0.196, 100.196), abs=0.001
    )


# ----------------------------------------------------------------- flat and in places


@pytest.mark.parametrize("bits", [8, 10])
def test_a_flat_picture_lands_on_one_point(bits: int) -> None:
    signal = Signal(bits)
    y, cb, cr = 180 << (bits - 8), 140 << (bits - 8), 100 << (bits - 8)
    flat = [np.full(s, v) for s, v in (((9, 31), y), ((5, 16), cb), ((5, 16), cr))]
    picture = make(*flat, signal=signal)
    density, _ = waveform_density(picture)
    assert (np.nonzero(density)[0] == 180).all()
    assert (density[180] == 9).all()
    colours = chroma_density(picture)
    assert np.argwhere(colours).tolist() == [[100, 140]]
    assert colours[100, 140] == 5 * 16
    assert (level_counts(picture)[3] > 0).sum() == 1


def test_a_step_shows_in_its_own_column() -> None:
    y = np.full((10, 720), 60)
    y[:, 360:] = 200
    grey = np.full((5, 360), 128)
    density, pixels = waveform_density(
        make(y, grey, grey, signal=Signal()), columns=360
    )
    assert (density[60, :180] == 20).all()
    assert (density[200, 180:] == 20).all()
    assert (pixels == 20).all()


# A bright top row, turned clockwise, comes to the right edge, then below, then left.
@pytest.mark.parametrize(
    ("rotation", "columns"),
    [(0, [0, 1, 2, 3]), (90, [2]), (180, [0, 1, 2, 3]), (270, [0])],
)
def test_columns_are_those_of_the_picture_as_it_is_shown(
    rotation: int, columns: list[int]
) -> None:
    y = np.full((3, 4), 50)
    y[0] = 220
    grey = np.full((2, 2), 128)
    density, _ = waveform_density(
        make(y, grey, grey, signal=Signal()), rotation=rotation
    )
    assert np.flatnonzero(density[220]).tolist() == columns


def test_mean_chroma_is_the_mean() -> None:
    signal = Signal(10)
    picture = noise((20, 30), signal)
    cb, cr = mean_chroma(chroma_density(picture), signal)
    # Four codes share a bin: at most a code and a half off.
    for found, plane in ((cb, picture.cb), (cr, picture.cr)):
        exact = (plane.astype(float).mean() - 512) / 896
        assert found == pytest.approx(exact, abs=1.5 / 896)
    assert mean_chroma(np.zeros((BINS, BINS), np.int64), signal) != mean_chroma(
        chroma_density(picture), signal
    )


# ----------------------------------------------------------------------------- drawn


def _pixels(uri: str) -> NDArray[np.uint8]:
    data = np.frombuffer(base64.b64decode(uri.split(",", 1)[1]), np.uint8)
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_UNCHANGED))


@pytest.mark.parametrize("shape", [(1, 1), (7, 5), (256, 360)])
def test_ink_is_a_picture_that_others_read(shape: tuple[int, int]) -> None:
    counts = np.random.default_rng(3).integers(0, 40, shape).astype(np.float64)
    counts.flat[0] = 3.0
    pixels = _pixels(ink_png(counts))
    assert pixels.shape == (*shape, 4)
    # Clear where there is nothing; a single count still shows.
    np.testing.assert_array_equal(pixels[..., 3] > 0, counts > 0)
    assert pixels[..., 3][counts > 0].min() >= 100


def test_more_is_darker() -> None:
    pixels = _pixels(ink_png(np.array([[1.0, 4.0, 30.0, 300.0, 9000.0]])))
    lightness = pixels[0, :, :3].astype(int).sum(axis=1)
    assert (np.diff(lightness) < 0).all()


def test_nothing_gives_a_clear_picture() -> None:
    assert not _pixels(ink_png(np.zeros((4, 4))))[..., 3].any()


def _figures(
    result: TakeResult, picture: Picture, *, rotation: int = 0, waveform: bool = True
) -> dict[str, Drawing]:
    found = scope_figures(picture, result, rotation=rotation, waveform=waveform)
    return {f.kind: cast(Drawing, f.drawing) for f in found}


@pytest.fixture
def result(make_result: Any) -> TakeResult:
    return cast(TakeResult, make_result(Path("A.mov")))


def test_figures_say_the_share_at_the_level_and_where_the_colour_is(
    result: TakeResult,
) -> None:
    # A quarter of the picture at 225, the first code at 95 %; the rest just below.
    y = np.full((16, 16), 224)
    y[:4] = 225
    red = VALUES["bars"]["values"][0][3][5]
    cb, cr = (np.full((8, 8), v) for v in red[1:])
    drawn = _figures(result, make(y, cb, cr, signal=Signal()))
    assert " 25\u00a0% of it at or above 95 %" in drawn["scope"].says.split("Y′")[1]
    assert "toward red" in drawn["square"].says
    # -19/224 and 84/224 of full excursion, doubled: 100 % is the end of the scale.
    assert "Cb −17.0\u00a0% and Cr 75.0\u00a0%" in drawn["square"].says


def test_without_pictures_there_is_no_waveform(result: TakeResult) -> None:
    picture = noise((20, 30), Signal())
    assert set(_figures(result, picture, waveform=False)) == {"scope", "square"}
    assert set(_figures(result, picture)) == {"scope", "wide", "square"}


def test_hdr_is_said_to_be_percent_of_the_code_range(result: TakeResult) -> None:
    signal = Signal(10, matrix="bt2020", transfer="hlg", primaries="bt2020")
    drawn = _figures(result, noise((20, 30), signal))
    assert "% of the HLG code range" in [w.text for w in drawn["scope"].words]


def test_colours_are_named_where_they_lie(result: TakeResult) -> None:
    drawing = _figures(result, noise((20, 30), Signal()))["square"]
    places = {w.text: (float(w.x), float(w.y)) for w in drawing.words}
    assert set(places) == set(BAR_COLOURS)
    # Cb goes to the right, Cr goes up: the plane's usual way.
    assert places["red"][1] < places["yellow"][1] < places["green"][1]
    assert places["yellow"][0] < places["red"][0] < places["magenta"][0]


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (0, 0)])
@pytest.mark.parametrize("rotation", [0, 90])
def test_tiny_pictures_make_no_trouble(
    result: TakeResult, shape: tuple[int, int], rotation: int
) -> None:
    drawn = _figures(result, noise(shape, Signal(10)), rotation=rotation)
    assert bool(drawn) == bool(shape[0])


def test_drawings_are_well_formed_svg(result: TakeResult) -> None:
    from qc.report.sheetmaker import _environment

    macros = _environment().get_template("figures.html").module
    for figure in scope_figures(
        noise((40, 60), Signal()), result, rotation=0, waveform=True
    ):
        svg = ElementTree.fromstring(  # noqa: S314 -- our own page
            str(macros.drawn(figure.drawing, "x", figure.title, ""))  # type: ignore[attr-defined]
        )
        assert svg.find("title").text == figure.title  # type: ignore[union-attr]
        assert svg.find("desc").text  # type: ignore[union-attr]
