"""White balance on pictures whose patch is known by construction.

Code values are made by colour-science, never by the code under test.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.errors import UsageError
from qc.judge import find
from qc.limits import Limits, parse
from qc.measures.base import Measured, PictureReader, Setup
from qc.measures.parts.neutral.castwords import cast_words
from qc.measures.parts.neutral.lamp import lamp_words
from qc.measures.parts.neutral.nocolour import is_black_and_white
from qc.measures.white import MEASURE, patch_planes
from qc.records import Finding, Grade, Picture, Readings, TakeInfo, VideoTrack
from qc.signal import Signal
from qc.store import ColumnStore
from qc.timecode import TimecodeFormat

RATE = Fraction(50)
SIZE = (96, 64)
PATCH = [13, 7, 40, 30]
D65 = np.array([0.3127, 0.3290])
LOUD = (0.9, 0.1, 0.8)  # linear light of everything that is not the patch
HALF_GREY = np.array([0.5, 0.5, 0.5])
WARM = HALF_GREY * [2**0.31, 1.0, 2**-0.44]


# -------------------------------------------------------------- making known pictures

OETF = {
    "bt709": lambda light: colour.oetf(light, "ITU-R BT.709"),
    "srgb": lambda light: colour.cctf_encoding(light, "sRGB"),
    # Relative to a diffuse white: 75 % of HLG, 203 cd/m2 of PQ (BT.2408 table 1).
    "hlg": lambda light: colour.oetf(light * 0.26496, "ITU-R BT.2100 HLG"),
    "pq": lambda light: colour.eotf_inverse(light * 203.0, "ITU-R BT.2100 PQ"),
}
WEIGHTS = {"bt601": "ITU-R BT.601", "bt709": "ITU-R BT.709", "bt2020": "ITU-R BT.2020"}


def codes(light: Iterable[float], signal: Signal) -> NDArray[np.int_]:
    """Return rounded Y', Cb, Cr codes of linear light where 1 is a white surface."""
    coded = colour.RGB_to_YCbCr(
        OETF[signal.transfer](np.asarray(light, float)),
        K=colour.WEIGHTS_YCBCR[WEIGHTS[signal.matrix]],
        in_legal=False,
        out_legal=not signal.full_range,
        out_bits=signal.bit_depth,
    )
    scaled = np.asarray(coded) * signal.top
    if signal.full_range:
        scaled += np.array([0, signal.chroma_zero, signal.chroma_zero])
    return np.round(scaled).astype(int)


def make_picture(
    light: Iterable[float] = HALF_GREY,
    *,
    index: int = 0,
    signal: Signal = Signal(),  # noqa: B008
    subsampling: tuple[int, int] = (2, 2),
    patch: list[int] = PATCH,
    size: tuple[int, int] = SIZE,
    **flags: Any,
) -> Picture:
    """Return a loud picture with a flat patch that only whole chroma samples show."""
    width, height = size
    x, y, w, h = patch
    across, down = subsampling
    loud, plain = codes(LOUD, signal), codes(light, signal)
    dtype = np.uint8 if signal.bit_depth == 8 else np.uint16
    luma = np.full((height, width), loud[0], dtype)
    luma[y : y + h, x : x + w] = plain[0]
    shape = (-(-height // down), -(-width // across))
    chroma = [np.full(shape, c, dtype) for c in loud[1:]]
    for row in range(shape[0]):
        for column in range(shape[1]):
            rows = luma_rows(row, down, interlaced=bool(flags.get("interlaced")))
            columns = range(column * across, (column + 1) * across)
            if (
                min(rows) >= y
                and max(rows) < y + h
                and (columns[0] >= x and columns[-1] < x + w)
            ):
                for plane, code in zip(chroma, plain[1:], strict=True):
                    plane[row, column] = code
    return Picture(
        index=index,
        pts=index,
        y=luma,
        cb=chroma[0],
        cr=chroma[1],
        signal=signal,
        duration=1,
        **flags,
    )


def luma_rows(row: int, down: int, *, interlaced: bool) -> list[int]:
    """Return the luma rows that a chroma row stands for."""
    if down == 1 or not interlaced:
        return [row * down + k for k in range(down)]
    field, inside = row % 2, row // 2
    return [2 * (inside * down + k) + field for k in range(down)]


def make_info(
    signal: Signal = Signal(),  # noqa: B008
    *,
    frames: int = 200,
    pixel_format: str = "yuv420p",
    size: tuple[int, int] = SIZE,
    start: str = "10:00:00:00",
) -> TakeInfo:
    video = VideoTrack(
        stream=0,
        number=0,
        codec="h264",
        pixel_format=pixel_format,
        width=size[0],
        height=size[1],
        frame_rate=RATE,
        time_base=1 / RATE,
        signal=signal,
        frames_expected=frames,
    )
    timecode = TimecodeFormat(RATE)
    return TakeInfo(
        path=Path("A.mov"),
        bytes=1,
        container="mov",
        duration=frames / RATE,
        video=video,
        audio=(),
        timecode=timecode,
        start_frame=timecode.frame(start),
    )


def make_limits(**values: object) -> Limits:
    values = {"neutral": PATCH} | values
    changes = {f"white.{name}": value for name, value in values.items()}
    return Limits.defaults(MEASURE.options).with_values(
        MEASURE.options, changes, source="test"
    )


def measure(
    pictures: Iterable[Picture], info: TakeInfo | None = None, **values: object
) -> Measured:
    info = info or make_info()
    limits = make_limits(**values)
    reader = MEASURE.start(Setup(info, limits))
    store = ColumnStore(
        {f"white.{c.name}": c.width if c.width > 1 else 0 for c in MEASURE.columns}
    )
    edges = [0]
    for picture in pictures:
        row: Mapping[str, Any] = reader.read(picture)  # type: ignore[arg-type]
        store.append({f"white.{name}": value for name, value in row.items()})
        edges.append(picture.pts + 1)
    readings = Readings("picture", 1 / RATE, np.array(edges), store)
    measured = Measured(info, limits, readings, (), {"white": reader.finish()})
    assert MEASURE.derive is not None
    for name, column in MEASURE.derive(measured).items():
        store.add(f"white.{name}", column)
    return measured


def readings_of(measured: Measured) -> Readings:
    assert measured.picture is not None
    return measured.picture


def value(measured: Measured, column: str, row: int = 0) -> float:
    return float(readings_of(measured)[f"white.{column}"][row])


def summary(measured: Measured) -> Mapping[str, Any]:
    assert MEASURE.summarise is not None
    return MEASURE.summarise(measured)


def notes(measured: Measured) -> list[str]:
    assert MEASURE.notes is not None
    return list(MEASURE.notes(measured))


def findings(measured: Measured) -> tuple[Finding, ...]:
    return find(measured, [MEASURE])


def take(
    plan: Iterable[tuple[int, Iterable[float]]], **flags: Any
) -> Iterable[Picture]:
    """Yield pictures: so many frames with so much light on the patch, in turn."""
    index = 0
    for count, light in plan:
        for _ in range(count):
            yield make_picture(light, index=index, **flags)
            index += 1


# ---------------------------------------------------------- what reaches the readings

SIGNALS = [
    Signal(),
    Signal(full_range=True),
    Signal(bit_depth=10),
    Signal(bit_depth=10, full_range=True, transfer="srgb"),
    Signal(matrix="bt601", primaries="bt601-625"),
    Signal(bit_depth=10, matrix="bt2020", primaries="bt2020", transfer="hlg"),
    Signal(bit_depth=10, matrix="bt2020", primaries="bt2020", transfer="pq"),
]
SPACES = {
    "bt709": "ITU-R BT.709",
    "bt601-625": "ITU-R BT.470 - 625",
    "bt2020": "ITU-R BT.2020",
}


@pytest.mark.parametrize("signal", SIGNALS, ids=str)
def test_a_warm_grey_reads_as_colour_science_has_it(signal: Signal) -> None:
    measured = measure([make_picture(WARM, signal=signal)], make_info(signal))
    space = colour.RGB_COLOURSPACES[SPACES[signal.primaries]].copy()
    space.use_derived_matrix_RGB_to_XYZ = True
    xyz = colour.RGB_to_XYZ(WARM, space)
    lab = colour.XYZ_to_Lab(xyz, D65)
    cct_k, duv = colour.temperature.XYZ_to_CCT_Ohno2013(xyz)
    # Codes are whole: one step of Cb or Cr in 8 bit is 0.4 % of the range, about 1 in
    # b*; a quarter of that in 10 bit.
    slack = 1.0 if signal.bit_depth == 8 else 0.35
    expected = colour.delta_E(lab, lab * [1, 0, 0], method="CIE 2000")
    assert value(measured, "delta_e00") == pytest.approx(expected, abs=slack)
    assert 1e6 / value(measured, "cct_k") == pytest.approx(1e6 / cct_k, abs=5 * slack)
    assert value(measured, "duv") == pytest.approx(duv, abs=2e-3 * slack)
    assert value(measured, "red_stops") == pytest.approx(-0.31, abs=0.05 * slack)
    assert value(measured, "blue_stops") == pytest.approx(0.44, abs=0.05 * slack)


@pytest.mark.parametrize("signal", SIGNALS, ids=str)
def test_a_grey_has_no_cast(signal: Signal) -> None:
    measured = measure([make_picture(signal=signal)], make_info(signal))
    assert value(measured, "delta_e00") < 0.3  # rounding of luma alone gives no hue
    assert value(measured, "cct_k") == pytest.approx(6504, abs=15)
    assert value(measured, "duv") == pytest.approx(0.0032, abs=3e-4)


@pytest.mark.parametrize(
    "subsampling", [(1, 1), (2, 1), (2, 2), (4, 1), (1, 2)], ids=str
)
@pytest.mark.parametrize("interlaced", [False, True])
@pytest.mark.parametrize(
    "patch",
    [[12, 8, 40, 32], [13, 7, 41, 31], [1, 1, 8, 8], [55, 33, 40, 31], [0, 0, 96, 64]],
)
@pytest.mark.parametrize("depth", [8, 10])
def test_only_whole_chroma_samples_of_the_patch(
    subsampling: tuple[int, int], interlaced: bool, patch: list[int], depth: int
) -> None:
    signal = Signal(bit_depth=depth)
    picture = make_picture(
        WARM, signal=signal, subsampling=subsampling, patch=patch, interlaced=interlaced
    )
    measured = measure([picture], make_info(signal), neutral=patch)
    found = readings_of(measured)["white.patch_codes"][0]
    assert found.tolist() == codes(WARM, signal).tolist()  # exact: the patch is flat


def test_odd_pictures_end_in_half_a_chroma_sample() -> None:
    size, patch = (97, 65), [60, 30, 37, 35]
    picture = make_picture(WARM, patch=patch, size=size)
    planes = patch_planes(picture, (60, 30, 37, 35))
    assert [p.shape for p in planes] == [(34, 36), (17, 18), (17, 18)]
    measured = measure([picture], make_info(size=size), neutral=patch)
    found = readings_of(measured)["white.patch_codes"][0]
    assert found.tolist() == codes(WARM, Signal()).tolist()


def test_the_patch_is_averaged() -> None:
    picture = make_picture()
    luma = picture.y.copy()
    luma[8:36, 14:52] += (np.arange(38) % 2 * 20).astype(np.uint8)  # a weave
    changed = Picture(
        index=0, pts=0, y=luma, cb=picture.cb, cr=picture.cr, signal=picture.signal
    )
    found = readings_of(measure([changed]))["white.patch_codes"][0]
    y, cb, cr = codes(HALF_GREY, Signal())
    assert found.tolist() == [y + 10, cb, cr]


def test_the_cast_of_a_white_does_not_hang_on_the_iris() -> None:
    signal = Signal(bit_depth=10)
    open_, closed = (
        measure([make_picture(WARM * f, signal=signal)], make_info(signal))
        for f in (1.0, 0.25)
    )
    assert value(closed, "cast_delta_e00") == pytest.approx(
        value(open_, "cast_delta_e00"), abs=0.4
    )
    # While the patch itself gets less colourful in CIE L*a*b*.
    assert value(closed, "delta_e00") < 0.8 * value(open_, "delta_e00")


# -------------------------------------------------------------------------- direction


def light_of(kelvin: float, duv: float) -> NDArray[np.float64]:
    """Return linear BT.709 of a light, by colour-science."""
    uv = colour.temperature.CCT_to_uv_Ohno2013(np.array([kelvin, duv]))
    xyz = colour.xy_to_XYZ(colour.UCS_uv_to_xy(uv))
    rgb = colour.XYZ_to_RGB(xyz, colour.RGB_COLOURSPACES["ITU-R BT.709"])
    return np.asarray(rgb / rgb.max() * 0.6)


@pytest.mark.parametrize(
    ("kelvin", "duv", "words", "red_sign", "blue_sign"),
    [
        (4980, 0.006, "warm by about 45 mired and slightly green", -1, 1),
        (4980, 0.0032, "warm by about 45 mired", -1, 1),
        (10_000, 0.0032, "cold by about 55 mired", 1, -1),
        (6504, 0.0132, "green", 1, 1),
        (6504, 0.0282, "strongly green", 1, 1),
        (6504, -0.0068, "magenta", -1, -1),
        (6504, 0.0032, "close to neutral", 0, 0),
    ],
)
def test_direction(
    kelvin: float, duv: float, words: str, red_sign: int, blue_sign: int
) -> None:
    signal = Signal(bit_depth=10)
    measured = measure(
        [make_picture(light_of(kelvin, duv), signal=signal)], make_info(signal)
    )
    found = summary(measured)
    assert found["words"] == words
    # Colour temperatures are an exact inversion: only the codes are rounded.
    assert found["mired_shift"] == pytest.approx(1e6 / kelvin - 1e6 / 6504, abs=1.5)
    assert found["duv"] == pytest.approx(duv, abs=6e-4)
    for name, sign in (("red_stops", red_sign), ("blue_stops", blue_sign)):
        assert np.sign(round(found[name], 1)) == sign, name


def test_words_without_a_colour_temperature() -> None:
    nan = float("nan")
    for red, blue, words in (
        (-1.0, 1.0, "strongly orange"),
        (1.0, -1.0, "strongly blue"),
        (1.0, 1.0, "strongly green"),
        (-1.0, -1.0, "strongly magenta"),
        (nan, 1.0, "strongly coloured"),
    ):
        said = cast_words(
            mired_shift=nan, duv_shift=nan, red_stops=red, blue_stops=blue
        )
        assert said == words


@pytest.mark.parametrize(
    ("light", "words"),
    [
        ((0.1, 0.5, 0.1), "strongly green"),
        ((0.05, 0.1, 0.6), "strongly blue"),
        ((0.6, 0.05, 0.4), "strongly magenta"),
    ],
)
def test_a_drape_is_not_taken_for_a_white(light: tuple[float, ...], words: str) -> None:
    measured = measure(take([(50, light)]), make_info(frames=50))
    (finding,) = findings(measured)
    assert finding.grade is Grade.REJECT
    assert words in finding.message
    assert "CCT" not in finding.message
    assert finding.advice.startswith(
        "Make sure that the patch is really white or grey."
    )


# --------------------------------------------------------------------------- refusals


def refused(picture: Picture, **info: Any) -> tuple[str, ...]:
    measured = measure([picture], make_info(picture.signal, **info))
    assert np.isnan(value(measured, "delta_e00"))
    assert np.isnan(value(measured, "cast_delta_e00"))
    assert summary(measured)["words"] == "not judged"
    assert not findings(measured)
    return tuple(notes(measured))


@pytest.mark.parametrize("depth", [8, 10])
@pytest.mark.parametrize("channel", [0, 1, 2])
def test_a_clipped_channel_is_refused(depth: int, channel: int) -> None:
    light = np.full(3, 0.6)
    light[channel] = 1.0
    (note,) = refused(make_picture(light, signal=Signal(bit_depth=depth)))
    assert note == (
        "The neutral patch has a clipped channel in 1 of 1 frames: close the iris or "
        "choose a darker patch."
    )
    light[channel] = 0.9  # 95 % of the signal
    clear = measure(
        [make_picture(light, signal=Signal(bit_depth=depth))],
        make_info(Signal(bit_depth=depth)),
    )
    assert value(clear, "delta_e00") > 0


def spotted(pixels: int) -> Picture:
    """Return a picture with so many full pixels in the 38 x 28 seen of the patch."""
    picture = make_picture()
    luma = picture.y.copy()
    luma[20, 14 : 14 + pixels] = 240
    return Picture(
        index=0, pts=0, y=luma, cb=picture.cb, cr=picture.cr, signal=picture.signal
    )


def test_glints_up_to_a_hundredth_are_let_pass() -> None:
    assert not np.isnan(value(measure([spotted(10)]), "delta_e00"))  # 10 of 1064
    assert "clipped" in refused(spotted(11))[0]


def test_a_dark_patch_is_refused() -> None:
    # 4.5 stops under white is 4.4 % of its light.
    (note,) = refused(make_picture(np.full(3, 0.042)))
    assert "lies more than 4.5 stops under white in 1 of 1 frames" in note
    assert not np.isnan(value(measure([make_picture(np.full(3, 0.047))]), "delta_e00"))


def altered(plane: str, area: tuple[slice, slice], code: int) -> Picture:
    picture = make_picture()
    planes = {name: getattr(picture, name).copy() for name in ("y", "cb", "cr")}
    planes[plane][area] = code
    return Picture(index=0, pts=0, signal=picture.signal, **planes)


def test_an_edge_in_the_patch_is_refused() -> None:
    # The left third in deep shade; then the left third in another colour.
    shade = altered("y", (slice(7, 37), slice(13, 27)), 60)
    assert "is not one even surface in 1 of 1 frames" in refused(shade)[0]
    blood = altered("cr", (slice(4, 18), slice(7, 13)), 160)
    assert "is not one even surface" in refused(blood)[0]


def test_weave_noise_and_slow_shading_are_not_refused() -> None:
    picture = make_picture(size=(400, 300), patch=[100, 60, 200, 200])
    rng = np.random.default_rng(7)
    shading = np.linspace(0.85, 1.1, 400)  # in signal: over a stop of light
    weave = 1.0 + 0.15 * (np.indices((300, 400)).sum(0) // 3 % 2)
    luma = (picture.y - 16.0) * shading * weave + rng.normal(0, 4, (300, 400)) + 16.0
    chroma = [
        (plane + rng.normal(0, 4, plane.shape)).round().astype(np.uint8)
        for plane in (picture.cb, picture.cr)
    ]
    rough = Picture(
        index=0,
        pts=0,
        y=luma.clip(0, 255).round().astype(np.uint8),
        cb=chroma[0],
        cr=chroma[1],
        signal=Signal(),
    )
    info = make_info(size=(400, 300))
    measured = measure([rough], info, neutral=[100, 60, 200, 200])
    assert not notes(measured)
    assert value(measured, "delta_e00") < 0.5


def test_damaged_and_colourless_pictures_are_refused() -> None:
    assert "1 of 1 frames, which are damaged" in refused(make_picture(damaged=True))[0]
    assert "black and white" in refused(make_picture(), pixel_format="gray")[0]


def grey_pictures(code: int, share: float = 0.0) -> list[Picture]:
    """Return 60 pictures of a dark ground, a grey band and a white card.

    Chroma is `code` everywhere, less `share` of the light: that is a cast.
    """
    scene = np.full((288, 384), 68.0)
    scene[60:110] = 150.0
    scene[130:200, 140:250] = 210.0
    chroma = np.round(code - share * (scene[::2, ::2] - 16.0)).astype(np.uint8)
    random = np.random.default_rng(5)
    return [
        Picture(
            index=i,
            pts=i,
            duration=1,
            y=np.uint8(np.clip(random.normal(scene, 1.0), 16, 235)),
            cb=chroma,
            cr=chroma,
            signal=Signal(),
        )
        for i in range(60)
    ]


@pytest.mark.parametrize("code", [126, 127])
def test_black_and_white_in_colour_pixels_has_no_cast(code: int) -> None:
    # Grey that was rounded down on its way to these pixels lies a code beside neutral.
    measured = measure(grey_pictures(code), make_info(size=(384, 288)), neutral=[])
    assert findings(measured) == ()
    assert notes(measured) == [
        "White balance was not judged: the picture is black and white."
    ]


def test_a_cast_that_goes_with_the_light_is_no_black_and_white() -> None:
    (picture, *_) = grey_pictures(128, 0.03)
    assert not is_black_and_white(picture)
    (grey, *_) = grey_pictures(127)
    assert is_black_and_white(grey)
    # A card that fills the picture, without a grain of noise in its colour.
    card = Picture(
        index=0,
        pts=0,
        duration=1,
        y=np.full_like(grey.y, 180),
        cb=np.full_like(grey.cb, 121),
        cr=grey.cr,
        signal=Signal(),
    )
    assert not is_black_and_white(card)


# ------------------------------------------------------------------------- user errors


def start(info: TakeInfo | None = None, **values: object) -> PictureReader:
    return MEASURE.start(Setup(info or make_info(), make_limits(**values)))  # type: ignore[return-value]


def test_a_patch_outside_the_picture() -> None:
    with pytest.raises(
        UsageError,
        match=r"^A\.mov: neutral patch 1200,600,200,200 does not fit in the 1280x720 "
        r"picture; give x,y,width,height inside it$",
    ):
        start(make_info(size=(1280, 720)), neutral=[1200, 600, 200, 200])
    with pytest.raises(UsageError, match="0,57,8,8 does not fit in the 96x64 picture"):
        start(neutral=[0, 57, 8, 8])
    start(neutral=[0, 56, 8, 8])


def test_a_patch_too_small() -> None:
    with pytest.raises(
        UsageError, match=r"10,10,7,20 is too small; give at least 8 by 8"
    ):
        start(neutral=[10, 10, 7, 20])


@pytest.mark.parametrize("label", ["09:59:59:49", "10:00:04:00", "11:00:00:00"])
def test_a_moment_outside_the_take(label: str) -> None:
    with pytest.raises(
        UsageError,
        match=rf"^A\.mov: neutral patch at {label}: this take runs from 10:00:00:00 to "
        r"10:00:03:49; give a timecode inside it$",
    ):
        start(neutral_at=label)
    start(neutral_at="10:00:03:49")


def test_a_moment_that_is_no_timecode() -> None:
    with pytest.raises(
        UsageError, match=r"^A\.mov: neutral patch: timecode '12' cannot be"
    ):
        start(neutral_at="12")


def test_the_limits_file_takes_a_patch() -> None:
    text = '[white]\nneutral = [1, 2, 30, 40]\nneutral_at = "10:00:00:00"\n'
    limits = parse(text, MEASURE.options, source="house.toml")
    assert limits["white.neutral"] == (1, 2, 30, 40)
    assert MEASURE.start(Setup(make_info(), limits)) is not None


# --------------------------------------------------------------------------- judgement


def test_without_a_patch() -> None:
    measured = measure(take([(3, WARM)]), neutral=[])
    (note,) = notes(measured)
    assert note.startswith(
        "No neutral surface was found; white balance was not judged. Tissue and "
        "coloured drapes alone give no white."
    )
    assert "--neutral X,Y,W,H" in note
    for column in MEASURE.derived:
        values = readings_of(measured)[f"white.{column.name}"]
        if column.name in ("source", "confidence"):
            assert not values.any()
        else:
            assert np.isnan(values).all()
    assert not findings(measured)
    assert summary(measured) == {"words": "not judged"}


def test_a_cast_is_found_to_the_frame() -> None:
    measured = measure(take([(60, HALF_GREY), (55, WARM), (60, HALF_GREY)]))
    (finding,) = findings(measured)
    assert (finding.start_frame, finding.end_frame) == (60, 115)
    assert finding.rule == "white.cast"
    assert finding.where == tuple(PATCH)
    assert finding.unit == "ΔE₀₀"
    assert 60 <= finding.worst_frame < 115
    assert "White is warm by about" in finding.message
    assert "limit 6;" in finding.message
    # What to do comes first, then why.
    assert finding.advice.startswith("Before the next case take the white balance")
    assert "a clean white swab" in finding.advice
    assert "The camera may have been set for bluer light" in finding.advice
    # The summary is of the median frame, which is neutral.
    assert summary(measured)["red_stops"] == pytest.approx(0.0, abs=0.02)


def test_the_editors_correction_stands_in_the_advice() -> None:
    signal = Signal(bit_depth=10)
    measured = measure(take([(40, WARM)], signal=signal), make_info(signal, frames=40))
    (finding,) = findings(measured)
    assert "red −0.31 stop, blue +0.44 stop (linear light)" in finding.advice


@pytest.mark.parametrize(
    ("kelvin", "grade"),
    [(6504, None), (6200, None), (5600, "review"), (4500, "reject")],
)
def test_grades(kelvin: float, grade: str | None) -> None:
    # A white at 5600 K is 8.0 from neutral in CIEDE2000, at 4500 K 16.7, at 6200 K
    # 2.6 (colour-science).
    signal = Signal(bit_depth=10)
    pictures = take([(50, light_of(kelvin, 0.0032))], signal=signal)
    found = findings(measure(pictures, make_info(signal, frames=50)))
    assert [f.grade.value for f in found] == ([] if grade is None else [grade])


def test_a_hand_in_passing_is_no_cast() -> None:
    skin = (0.5, 0.3, 0.2)
    measured = measure(take([(60, HALF_GREY), (11, skin), (60, HALF_GREY)]))
    assert value(measured, "delta_e00", 65) > 10
    assert not findings(measured)


def test_a_hand_in_passing_does_not_end_a_cast() -> None:
    measured = measure(take([(50, WARM), (11, HALF_GREY), (50, WARM)]))
    assert [(f.start_frame, f.end_frame) for f in findings(measured)] == [(0, 111)]


def test_a_cast_holds_through_frames_that_cannot_be_read() -> None:
    dark = np.full(3, 0.01)
    measured = measure(take([(40, WARM), (100, dark), (40, WARM), (80, HALF_GREY)]))
    assert [(f.start_frame, f.end_frame) for f in findings(measured)] == [(0, 180)]
    assert np.isnan(value(measured, "delta_e00", 90))
    assert summary(measured)["share_measured_percent"] == pytest.approx(100 * 160 / 260)
    assert "in 100 of 260 frames" in notes(measured)[0]
    # Where it is neutral on one side, nothing is claimed.
    other = measure(take([(40, WARM), (100, dark), (40, HALF_GREY)]))
    assert [(f.start_frame, f.end_frame) for f in findings(other)] == [(0, 40)]
    other = measure(take([(40, HALF_GREY), (100, dark), (40, WARM)]))
    assert [(f.start_frame, f.end_frame) for f in findings(other)] == [(140, 180)]


def test_a_moment_counts_for_the_whole_take() -> None:
    # The patch is seen for 40 frames in the middle; before and after lies something
    # orange.
    orange = (0.7, 0.3, 0.1)
    plan = [(80, orange), (40, WARM), (80, orange)]
    measured = measure(take(plan), neutral_at="10:00:02:00")
    codes_read = readings_of(measured)["white.patch_codes"][:, 0]
    # 0.25 s either side of frame 100 is 12.5 frames.
    assert np.flatnonzero(~np.isnan(codes_read)).tolist() == list(range(88, 113))
    (finding,) = findings(measured)
    assert (finding.start_frame, finding.end_frame) == (0, 200)
    assert 88 <= finding.worst_frame < 113
    assert (
        "Measured at 10:00:02:00; taken to hold for the whole take" in finding.message
    )
    alone = measure(take([(40, WARM)]))
    for name in ("red_stops", "blue_stops", "cct_k", "cast_delta_e00"):
        assert summary(measured)[name] == pytest.approx(summary(alone)[name])
    assert summary(measured)["share_measured_percent"] == 100.0


def test_a_moment_after_midnight() -> None:
    info = make_info(start="23:59:59:00")
    measured = measure(take([(200, WARM)]), info, neutral_at="00:00:01:00")
    codes_read = readings_of(measured)["white.patch_codes"][:, 0]
    assert np.flatnonzero(~np.isnan(codes_read)).mean() == 100


def test_a_moment_at_which_the_patch_is_clipped() -> None:
    measured = measure(take([(200, np.ones(3))]), neutral_at="10:00:02:00")
    assert not findings(measured)
    (note,) = notes(measured)
    assert "in 25 of 25 frames within 0.25 s of 10:00:02:00: close the iris" in note


def test_a_moment_that_was_not_read() -> None:
    measured = measure(take([(10, WARM)]), neutral_at="10:00:02:00")
    assert notes(measured) == [
        "White balance was not judged: no frame was read within 0.25 s of 10:00:02:00."
    ]


def test_the_patch_is_outlined_on_the_still() -> None:
    measured = measure(take([(50, WARM)]))
    (finding,) = findings(measured)
    assert MEASURE.mark is not None
    marks = MEASURE.mark(make_picture(), Setup(make_info(), make_limits()), finding)
    ((kind, points),) = marks.outlines
    assert kind == "neutral"
    assert points.tolist() == [[13, 7], [53, 7], [53, 37], [13, 37]]
    assert marks.caption


def test_every_limit_drawn_is_an_option() -> None:
    options = {option.key for option in MEASURE.options}
    columns = {c.name for c in MEASURE.columns + MEASURE.derived}
    for chart in MEASURE.charts:
        assert set(chart.limits) <= options
        assert set(chart.columns) <= columns


# ------------------------------------------------------------------------ real footage

FOOTAGE = Path(
    os.environ.get("QC_FOOTAGE", Path(__file__).parents[3] / "shared" / "footage")
)
CARDS = FOOTAGE / "chart_cards"
# The third grey of the neutral row, found by eye.
CARD_PATCH = [163, 202, 14, 12]


def card(name: str) -> tuple[Measured, NDArray[np.float64]]:
    """Return the readings of a chart photograph and the patch's mean sRGB, 0 to 1."""
    from skimage.io import imread

    rgb = np.asarray(imread(CARDS / name))[..., :3] / 255.0
    signal = Signal(full_range=True, transfer="srgb")
    coded = colour.RGB_to_YCbCr(
        rgb,
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        in_legal=False,
        out_legal=False,
        out_bits=8,
    )
    planes = (np.round(coded * 255 + [0, 128, 128])).clip(0, 255).astype(np.uint8)
    y, cb, cr = (np.ascontiguousarray(planes[..., k]) for k in range(3))
    picture = Picture(index=0, pts=0, y=y, cb=cb, cr=cr, signal=signal)
    info = make_info(signal, size=(rgb.shape[1], rgb.shape[0]), pixel_format="yuv444p")
    px, py, pw, ph = CARD_PATCH
    mean = rgb[py : py + ph, px : px + pw].mean(axis=(0, 1))
    return measure([picture], info, neutral=CARD_PATCH), mean


@pytest.mark.footage
@pytest.mark.skipif(not CARDS.is_dir(), reason="no chart cards in the footage folder")
def test_photographed_chart_cards() -> None:
    for name in ("source1_img.png", "source_corrected.png"):
        measured, mean = card(name)
        xyz = colour.sRGB_to_XYZ(mean)
        lab = colour.XYZ_to_Lab(xyz, D65)
        expected = colour.delta_E(lab, lab * [1, 0, 0], method="CIE 2000")
        assert value(measured, "delta_e00") == pytest.approx(expected, abs=0.25), name
        cct_k, duv = colour.temperature.XYZ_to_CCT_Ohno2013(xyz)
        assert value(measured, "cct_k") == pytest.approx(cct_k, rel=5e-3), name
        assert value(measured, "duv") == pytest.approx(duv, abs=6e-4), name
    # By the pixels of the greys: the first card has R > G > B, a little warm. The one
    # called corrected was fitted to another photograph of a chart, not to neutral: it
    # has less red than green and blue, and its greys are farther off than before.
    source, fitted = card("source1_img.png")[0], card("source_corrected.png")[0]
    assert summary(source)["words"].startswith("warm by about")
    assert summary(source)["red_stops"] < 0 < summary(source)["blue_stops"]
    assert "green" in summary(fitted)["words"]
    assert summary(fitted)["red_stops"] > 0.1
    assert value(fitted, "cast_delta_e00") > value(source, "cast_delta_e00")


@pytest.mark.footage
@pytest.mark.skipif(not CARDS.is_dir(), reason="no chart cards in the footage folder")
def test_a_photographed_grey_becomes_neutral_by_the_gains_given() -> None:
    measured, mean = card("source1_img.png")
    light = colour.cctf_decoding(mean, "sRGB")
    gains = [summary(measured)["red_stops"], 0.0, summary(measured)["blue_stops"]]
    corrected = light * 2.0 ** np.array(gains)
    assert corrected == pytest.approx(np.full(3, light[1]), rel=0.02)


@pytest.mark.parametrize(("tint", "word"), [(-0.07, "magenta"), (0.07, "green")])
def test_a_tint_is_not_put_down_to_a_preset(tint: float, word: str) -> None:
    # Red and blue one way, green the other: no two black bodies differ like that.
    coded = 0.6 * (1 + np.array([-tint, tint, -tint]))
    linear = ((coded + 0.099) / 1.099) ** (1 / 0.45)  # BT.709, inverse of its curve
    says = lamp_words(linear, primaries="bt709")
    assert says.startswith("No theatre lamp")
    assert f"too {word} for that" in says
