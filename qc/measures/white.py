"""White balance: how far a patch that should be white or grey is from neutral."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.colour import (
    DUV_MEANINGFUL,
    cast_of_codes,
    cct_duv,
    clipped_share,
    diffuse_white,
    mired,
    uv_prime,
    white_xyz,
)
from qc.errors import UsageError
from qc.limits import Option
from qc.measures.base import (
    Chart,
    Column,
    Hit,
    Measure,
    Measured,
    Rule,
    Setup,
    Values,
    signed,
)
from qc.measures.castwords import MIRED_NAMED, cast_words
from qc.records import Finding, Marks, Picture, Readings, TakeInfo
from qc.signal import Signal, to_linear
from qc.timecode import TimecodeError

__all__ = ["MEASURE", "patch_planes"]

Plane = NDArray[np.unsignedinteger]
Rectangle = tuple[int, int, int, int]

_SMALLEST = 8  # pixels; holds a whole sample of any subsampling, wherever it lies
_MOMENT_S = Fraction(1, 4)  # measured are the frames this near to a moment named
_PIECE = 32_768  # rows
_MEDIAN_S = 0.5  # readings are judged after a median: a hand passes, a cast stays

# When a patch says nothing about the white balance (all house choices).
_CLIPPED_SHARE = 0.01
_DARK_STOPS = 4.5  # under white: noise and black level colour what is darker
_TILES = 4  # evenness is read on 4 x 4 tiles, over which the weave of gauze averages
_TILE_STOPS = 1.5
_TILE_CHROMA = 0.08  # of the range of Cb or Cr; one such tile moves the mean by 0.005

# Farther than 3200 K taken for 5600 K: no camera setting is so wrong about a white.
_IMPLAUSIBLE_DELTA_E = 25.0

_REFUSED = {
    "clipped": "has a clipped channel in {}: close the iris or choose a darker patch",
    "dark": f"lies more than {_DARK_STOPS:g} stops under white in {{}}: open the iris "
    "or choose a brighter patch",
    "uneven": "is not one even surface in {}: something lies in it or it takes in an "
    "edge; choose a smaller patch or another",
    "damaged": "could not be read in {} that are damaged",
    "colourless": "has no colour in {}: the picture is black and white",
}


def patch_planes(picture: Picture, rectangle: Rectangle) -> tuple[Plane, Plane, Plane]:
    """Cut a rectangle out of the planes, with whole chroma samples only.

    Parameters
    ----------
    picture : Picture
    rectangle : (x, y, w, h)
        Pixels of the coded picture.

    Returns
    -------
    y, cb, cr : arrays
        Views of the same area. A chroma sample belongs to it when all luma pixels
        that it stands for are in the rectangle; in interlaced 4:2:0 these lie in one
        field, so that chroma rows are taken in pairs, over four rows of luma.
    """
    x, y, w, h = rectangle
    height, width = picture.y.shape
    across = max(1, round(width / max(picture.cb.shape[1], 1)))
    down = max(1, round(height / max(picture.cb.shape[0], 1)))
    pair = 2 if picture.interlaced and down > 1 else 1
    left, right = -(-x // across), (x + w) // across
    top, bottom = -(-y // (down * pair)) * pair, (y + h) // (down * pair) * pair
    chroma = slice(top, bottom), slice(left, right)
    luma = slice(top * down, bottom * down), slice(left * across, right * across)
    return picture.y[luma], picture.cb[chroma], picture.cr[chroma]


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._time_base = video.time_base if video is not None else Fraction(1)
        pixels = video.pixel_format if video is not None else ""
        self._colourless = pixels.startswith(("gray", "mono", "ya"))
        self._patch = _patch(setup)
        self._moment = _moment(setup) if self._patch is not None else None
        self._darkest = 2.0**-_DARK_STOPS * diffuse_white(self._signal.transfer)
        self._frames: Counter[str] = Counter()

    def read(self, picture: Picture) -> Values:
        if self._patch is None or (
            self._moment is not None
            and abs(picture.pts * self._time_base - self._moment) > _MOMENT_S
        ):
            return {}
        self._frames["asked"] += 1
        if picture.damaged:
            self._frames["damaged"] += 1
            return {}
        planes = patch_planes(picture, self._patch)
        refused = self._refused(planes, interlaced=picture.interlaced)
        if refused:
            self._frames[refused] += 1
            return {}
        self._frames["measured"] += 1
        return {"patch_codes": np.array([cv2.mean(plane)[0] for plane in planes])}

    def _refused(self, planes: tuple[Plane, ...], *, interlaced: bool) -> str:
        """Return why the patch says nothing, or nothing."""
        if self._colourless or not planes[1].size:
            return "colourless"
        signal = self._signal
        y, cb, cr = map(_tile_means, planes)
        levels = [signal.percent(float(v)) / 100 for v in (y.min(), y.max(), y.mean())]
        low, high, mean = to_linear(np.array(levels), transfer=signal.transfer)
        if mean < self._darkest:
            return "dark"
        share = clipped_share(*planes, signal=signal, interlaced=interlaced)
        if share > _CLIPPED_SHARE:
            return "clipped"
        chroma = max(int(p.max()) - int(p.min()) for p in (cb, cr))
        if chroma > _TILE_CHROMA * signal.chroma_span:
            return "uneven"
        return "uneven" if low * 2.0**_TILE_STOPS < high else ""

    def finish(self) -> Mapping[str, object]:
        return {name: self._frames[name] for name in ("asked", "measured", *_REFUSED)}


def _tile_means(plane: Plane) -> Plane:
    # Whole pixels to a tile, which OpenCV averages five times faster.
    height, width = (n - n % _TILES if n > _TILES else n for n in plane.shape)
    size = (_TILES, _TILES)
    out = cv2.resize(plane[:height, :width], size, interpolation=cv2.INTER_AREA)
    return np.asarray(out, plane.dtype)


def _patch(setup: Setup) -> Rectangle | None:
    patch: Rectangle | None = setup.limits["white.neutral"]
    video = setup.info.video
    if patch is None or video is None:
        return None
    x, y, w, h = patch
    trouble = ""
    if x + w > video.width or y + h > video.height:
        trouble = f"does not fit in the {video.width}x{video.height} picture; give "
        trouble += "x,y,width,height inside it"
    elif min(w, h) < _SMALLEST:
        trouble = f"is too small; give at least {_SMALLEST} by {_SMALLEST} pixels"
    if trouble:
        raise UsageError(f"{setup.info.name}: neutral patch {x},{y},{w},{h} {trouble}")
    return patch


def _moment(setup: Setup) -> Fraction | None:
    """Return when to measure, in seconds since the take's start; None: always."""
    label = _label(setup.limits)
    if not label:
        return None
    info = setup.info
    try:
        frame = info.timecode.frame(label)
    except TimecodeError as error:
        raise UsageError(f"{info.name}: neutral patch: {error}") from error
    # A take may run past midnight, where labels start again.
    frame = (frame - info.start_frame) % info.timecode.frames_per_day
    expected = info.frames_expected
    if expected is not None and frame >= max(expected, 1):
        raise UsageError(
            f"{info.name}: neutral patch at {label}: this take runs from "
            f"{info.start_timecode} to {info.grid.label(max(expected, 1) - 1)}; give "
            "a timecode inside it"
        )
    return info.grid.seconds(frame)


def _label(limits: Mapping[str, object]) -> str:
    return str(limits["white.neutral_at"]).strip()


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings, video = measured.picture, measured.info.video
    if readings is None or video is None:
        return {}
    out = {c.name: np.full(readings.rows, np.nan, np.float32) for c in MEASURE.derived}
    codes = readings["white.patch_codes"]
    rows = np.flatnonzero(~np.isnan(codes[:, 0]))
    if not rows.size:
        return out
    white = np.empty(len(rows))
    # In pieces: what colour needs on the way is many times what it leaves.
    for at in range(0, len(rows), _PIECE):
        part = rows[at : at + _PIECE]
        cast = cast_of_codes(codes[part], signal=video.signal)
        white[at : at + _PIECE] = cast.pop("white_delta_e00")
        for name, values in cast.items():
            out[name][part] = values
    judged = out["cast_delta_e00"]
    if _label(measured.limits):
        # A hair lower where the patch is not seen, so that the frame shown as the
        # worst is one where it is.
        typical = np.float32(np.median(white))
        judged[:] = np.nextafter(typical, np.float32(0))
        judged[rows] = typical
    else:
        smooth = _smoothed(white, readings)
        # Where the patch could not be read, a cast holds if it does on both sides.
        within = np.arange(rows[0], rows[-1] + 1)
        after = np.searchsorted(rows, within)
        before = after - (rows[after] > within)
        judged[within] = np.minimum(smooth[after], smooth[before])
    return out


def _smoothed(values: NDArray[np.float64], readings: Readings) -> NDArray[np.float64]:
    """Return readings after a median, which takes out outliers and keeps steps."""
    from scipy.ndimage import median_filter  # heavy, and few takes have a patch

    row_s = float(np.median(np.diff(readings.edges)) * readings.time_base)
    half = int(_MEDIAN_S / 2 / row_s) if row_s > 0 else 0
    out: NDArray[np.float64] = median_filter(values, size=2 * half + 1, mode="nearest")
    return out


def _figures(
    info: TakeInfo, values: Callable[[str], NDArray[np.floating]]
) -> dict[str, float]:
    """Return medians of the columns, and how far they are from neutral."""
    out: dict[str, float] = {}
    for name in (column.name for column in MEASURE.derived):
        known = values(f"white.{name}").astype(np.float64)
        known = known[~np.isnan(known)]
        out[name] = float(np.median(known)) if known.size else math.nan
    signal = info.video.signal if info.video is not None else Signal()
    u, v = uv_prime(white_xyz(signal.primaries)).tolist()
    out["neutral_k"], out["neutral_duv"] = cct_duv(u, v * 2 / 3)
    near = abs(out["duv"]) <= DUV_MEANINGFUL
    shift = mired(out["cct_k"]) - mired(out["neutral_k"])
    out["mired_shift"] = shift if near else math.nan
    out["duv_shift"] = out["duv"] - out["neutral_duv"] if near else math.nan
    return out


def _words(figures: Mapping[str, float]) -> str:
    names = ("mired_shift", "duv_shift", "red_stops", "blue_stops")
    return cast_words(**{name: figures[name] for name in names})


def _message(hit: Hit) -> str:
    figures = _figures(hit.measured.info, hit.values)
    text = f"CIEDE2000 {hit.worst:.1f} from neutral, limit {hit.limit:g}"
    if math.isfinite(figures["mired_shift"]):
        text += (
            f"; CCT of the white {figures['cct_k']:.0f} K, Duv "
            f"{signed(figures['duv'], 3)}, where neutral is "
            f"{figures['neutral_k']:.0f} K, {signed(figures['neutral_duv'], 3)}"
        )
    text = f"White is {_words(figures)} ({text})."
    label = _label(hit.measured.limits)
    if label:
        text += f" Measured at {label}; taken to hold for the whole take, as it does "
        text += "while light and camera settings stay."
    return text


def _advice(hit: Hit) -> str:
    figures = _figures(hit.measured.info, hit.values)
    out = []
    if hit.worst > _IMPLAUSIBLE_DELTA_E:
        out.append("Make sure that the patch is really white or grey.")
    if abs(figures["mired_shift"]) >= MIRED_NAMED:
        other = "bluer" if figures["mired_shift"] > 0 else "warmer"
        out.append(f"The camera was set for {other} light than there was.")
    text = (
        "Before the next case take the white balance again on a clean white swab, not "
        "burnt out, in the same light."
    )
    red, blue = figures["red_stops"], figures["blue_stops"]
    if math.isfinite(red) and math.isfinite(blue):
        text += (
            f" In this recording red {signed(red, 2)} and blue {signed(blue, 2)} "
            "stops (linear light) bring white near neutral; check the tissue."
        )
    return " ".join([*out, text])


def _counts(measured: Measured) -> dict[str, int]:
    found = measured.totals.get("white", {})
    return {name: int(str(count)) for name, count in found.items()}


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings, counts = measured.picture, _counts(measured)
    if readings is None or measured.limits["white.neutral"] is None:
        return {"words": "not judged"}
    figures = _figures(measured.info, readings.__getitem__)
    asked, known = counts.get("asked", 0), counts.get("measured", 0)
    return figures | {
        "share_measured_percent": 100.0 * known / asked if asked else 0.0,
        "words": _words(figures) if known else "not judged",
    }


def _notes(measured: Measured) -> Iterable[str]:
    if measured.info.video is None:
        return
    if measured.limits["white.neutral"] is None:
        yield (
            "No neutral patch: white balance was not judged; give one with "
            "--neutral X,Y,W,H."
        )
        return
    counts, label = _counts(measured), _label(measured.limits)
    asked = counts.get("asked", 0)
    near = f" within {float(_MOMENT_S):g} s of {label}" if label else ""
    if not asked:
        yield f"White balance was not judged: no frame was read{near}."
    for reason, text in _REFUSED.items():
        if counts.get(reason, 0):
            frames = f"{counts[reason]} of {asked} frames{near}"
            yield f"The neutral patch {text.format(frames)}."


def _mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    if finding.where is None:
        return Marks()
    x, y, w, h = finding.where
    corners = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], np.float64)
    return Marks(outlines=(("neutral", corners),), caption="Outlined: neutral patch.")


MEASURE = Measure(
    name="white",
    label="White balance",
    clock="picture",
    columns=(
        Column("patch_codes", "Mean Y', Cb, Cr codes of the patch", "", 2, width=3),
    ),
    derived=(
        Column("cast_delta_e00", "Cast of a white, as judged", "CIEDE2000", 1),
        Column("delta_e00", "Cast of the patch at its own lightness", "CIEDE2000", 1),
        Column("delta_uv_prime", "Distance from neutral in u'v'", "", 4),
        Column("cct_k", "Colour temperature of the patch", "K", 0),
        Column("duv", "Distance from the Planckian locus, Duv", "", 4),
        Column("red_stops", "Red gain to neutral", "stops", 2),
        Column("blue_stops", "Blue gain to neutral", "stops", 2),
        Column("patch_luma_percent", "Level of the patch", "%", 1),
    ),
    derive=_derive,
    options=(
        Option(
            "white.neutral",
            (),
            "The neutral patch [x, y, width, height] in pixels of the picture: a "
            "white swab or grey card, not burnt out. [] leaves white balance unjudged.",
            kind="rectangle",
            measuring=True,
        ),
        Option(
            "white.neutral_at",
            "",
            "Timecode at which the patch is seen, e.g. a swab held up; the cast found "
            "there counts for the whole take. Empty: it is seen all the time.",
            kind="text",
            measuring=True,
        ),
        Option(
            "white.review_delta_e00",
            6.0,
            "Review from this cast of a white on: about 20 mired warm or cold, or Duv "
            "0.004 green or magenta (house choice).",
            unit="ΔE₀₀",
            low=0,
            high=100,
        ),
        Option(
            "white.reject_delta_e00",
            14.0,
            "Reject from this cast of a white on: about 50 mired, or Duv 0.013 "
            "(house choice).",
            unit="ΔE₀₀",
            low=0,
            high=100,
        ),
        Option(
            "white.min_seconds",
            0.5,
            "A cast that is measured for less than this is let pass (house choice).",
            unit="s",
            low=0,
            high=600,
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            "white.cast",
            column="white.cast_delta_e00",
            label="Colour cast",
            review="white.review_delta_e00",
            reject="white.reject_delta_e00",
            min_seconds="white.min_seconds",
            bridge_seconds=0.5,
            unit="ΔE₀₀",
            message=_message,
            advice=_advice,
            where=lambda hit: hit.measured.limits["white.neutral"],
        ),
    ),
    charts=(
        Chart(
            ("cast_delta_e00",),
            "Colour cast of a white",
            "ΔE₀₀",
            low=0.0,
            limits=("white.review_delta_e00", "white.reject_delta_e00"),
            explain="How far a white is from neutral, read on the neutral patch; "
            "carried over frames in which that was clipped, dark or covered.",
        ),
        Chart(
            ("cct_k",),
            "Colour temperature of the patch",
            "K",
            explain="Neutral is the coding's white, 6504 K; lower is warm.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    mark=_mark,
    method=(
        "Mean Y', Cb and Cr codes of the neutral patch, whole colour samples only, "
        "become linear light and CIE 1931 XYZ with the stream's matrix, curve and "
        "primaries. Judged is the CIEDE2000 difference between neutral and a white of "
        "the patch's chromaticity, so that a grey card, a swab and a changed iris give "
        "one figure. Colour temperature and Duv describe the patch as if it were a "
        "light; D65, the white of the coding, is neutral. Gains are in linear light, "
        "green left as it is. Frames are left out in which over 1 % of the patch has "
        "a channel at 100 %, or it lies more than 4.5 stops under white, or it is not "
        "one even surface. A median over half a second takes out a passing hand; a "
        "cast that is there before and after frames left out holds through them."
    ),
    source=(
        "CIE 15 (XYZ, u'v', L*a*b*); Ohno, LEUKOS 10(1), 2014 (colour temperature, "
        "Duv); Sharma, Wu, Dalal 2005 (CIEDE2000); ITU-R BT.709-6, BT.601-7, "
        "BT.2020-2, BT.2100-2 (coding); BT.2408 (white in HLG and PQ). Limits and "
        "when a patch is left out: house choice."
    ),
)
