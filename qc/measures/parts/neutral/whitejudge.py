"""From what was read of a white, frame by frame, to the cast of each frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.colour import (
    cast_of_codes,
    cct_duv,
    delta_e00_from_neutral,
    linear_rgb_to_xyz,
    uv_prime,
    white_xyz,
    xyz_to_lab,
)
from qc.measures.base import Measured
from qc.measures.parts.neutral.neutraltrack import REFERENCE_SHARE, light_stops
from qc.measures.parts.neutral.neutralweights import REFERENCE_CHANCE
from qc.measures.parts.neutral.whitepatch import moment_label
from qc.measures.parts.running import running_median
from qc.records import Readings
from qc.signal import Signal, to_linear, ycbcr_to_rgb

__all__ = [
    "CANDIDATE",
    "GIVEN",
    "REFERENCE",
    "derive",
    "held",
    "smoothed",
    "trusted",
    "uv_of",
    "white_delta_e00",
]

GIVEN, REFERENCE, CANDIDATE = 1.0, 2.0, 3.0
"""Where a white comes from: a patch given, a reference shot, a surface found."""

_PIECE = 32_768  # rows
_MEDIAN_S = 0.5  # readings are judged after a median: a hand passes, a cast stays

# A surface whose colour is another's is not believed beside one that can be believed
# by this much more (house choices): blood on a swab, a glove when the towel has left.
_OTHER_UV, _MORE_CONFIDENCE = 0.006, 0.08
_SEEN_S = 0.4
# A glimpse, all that is seen of a colour in a take, does not speak for the take: so
# short, and so small a share of it (house choices).
_GLIMPSE_S, _GLIMPSE_SHARE = 0.25, 0.1
_REFERENCE_TIME = 0.75  # share of a take
# Against a picture whose colour has changed by so much only what is this sure counts.
_CHANGED_STOPS, _BEYOND_DOUBT = 0.15, 0.97
# A colour that jumps by so much without the picture is another thing's, though it lies
# where the surface lay: a hand on the swab. The picture is looked at a little later.
_JUMPED_STOPS, _WITH_IT, _LATER_S = 0.12, 0.4, 0.3
_MOVED_STOPS = 0.06  # from which the picture as a whole has changed


@dataclass(frozen=True, slots=True, eq=False)
class _Track:
    rows: NDArray[np.intp]
    confidence: float
    uv: NDArray[np.float64]
    seconds: float
    sheet: bool  # believed only because it fills the picture
    number: int


def uv_of(codes: NDArray[np.floating], signal: Signal) -> NDArray[np.float64]:
    """Return CIE 1976 u', v' of Y', Cb, Cr codes.

    Parameters
    ----------
    codes : (n, 3) array

    Returns
    -------
    (n, 2) array
    """
    y, cb, cr = np.asarray(codes, np.float64).T
    light = to_linear(ycbcr_to_rgb(y, cb, cr, signal=signal), transfer=signal.transfer)
    return uv_prime(linear_rgb_to_xyz(light, primaries=signal.primaries))


def smoothed(values: NDArray[np.float64], readings: Readings) -> NDArray[np.float64]:
    """Return readings after a median over half a second, which keeps steps.

    Parameters
    ----------
    values : (n,) or (n, k) array
    """
    row_s = float(np.median(np.diff(readings.edges)) * readings.time_base)
    half = int(_MEDIAN_S / 2 / row_s) if row_s > 0 else 0
    return running_median(values, 2 * half + 1)


def held(stops: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return changes of the picture, where not known those known last.

    Parameters
    ----------
    stops : (n, 2) array
    """
    known = np.flatnonzero(~np.isnan(stops[:, 0]))
    if not known.size:
        return stops
    last = np.searchsorted(known, np.arange(len(stops)), side="right") - 1
    return np.asarray(stops[known[np.maximum(last, 0)]])


def trusted(measured: Measured) -> NDArray[np.intp]:
    """Return the rows whose white is believed.

    All rows in which a patch that was given could be read; of surfaces found, those
    that are likely enough to be neutral and are not contradicted by a likelier one.
    """
    readings, video = measured.picture, measured.info.video
    if readings is None or video is None:
        return np.empty(0, np.intp)
    rows = np.flatnonzero(~np.isnan(readings["white.patch_codes"][:, 0]))
    if measured.limits["white.neutral"] is not None or not rows.size:
        return rows
    tracks = _tracks(readings, rows, video.signal)
    tracks = _held_up(tracks, float(np.diff(readings.times()).sum()))
    doubted = measured.totals.get("white", {}).get("doubted", ())
    if isinstance(doubted, tuple):
        tracks = [t for t in tracks if t.number not in doubted]
    least = measured.limits["white.min_confidence"]
    likely = [t for t in tracks if t.confidence >= least and _settled(t, readings)]
    likely = _without_glimpses(likely, float(np.diff(readings.times()).sum()))
    kept = [t.rows for t in _uncontradicted(likely)]
    return np.sort(np.concatenate(kept)) if kept else np.empty(0, np.intp)


def _tracks(readings: Readings, rows: NDArray[np.intp], signal: Signal) -> list[_Track]:
    numbers = readings["white.found_track"][rows]
    confidence = readings["white.found_confidence"]
    codes = readings["white.patch_codes"]
    seconds = np.diff(readings.times())
    out = []
    # Numbers only rise, so a surface is one run of rows.
    ends = (np.diff(numbers) != 0) | _covered(readings, rows, signal)
    for own in np.split(rows, np.flatnonzero(ends) + 1):
        # A look on a blurred or covered moment does not undo the others.
        pooled = float(np.percentile(confidence[own], 75))
        uv = np.median(uv_of(codes[own], signal), axis=0)
        sheet = abs(pooled - REFERENCE_CHANCE) < 1e-3
        number = int(readings["white.found_track"][own[0]])
        seen = float(seconds[own].sum())
        out.append(_Track(own, pooled, uv, seen, sheet, number))
    return out


def _covered(
    readings: Readings, rows: NDArray[np.intp], signal: Signal
) -> NDArray[np.bool_]:
    """Return after which rows the colour jumps, and the whole picture not with it."""
    stops = light_stops(readings["white.patch_codes"][rows], signal)
    own = np.diff(stops, axis=0)
    whole = held(readings["white.picture_stops"].astype(np.float64))
    times = readings.times()
    later = np.searchsorted(times[:-1], times[rows[1:]] + _LATER_S, side="right") - 1
    with_it = whole[later] - whole[rows[:-1]]
    size = np.einsum("ij,ij->i", own, own)
    along = np.einsum("ij,ij->i", own, with_it)
    # NaN, of a picture that is never known, parts nothing.
    return np.asarray((size > _JUMPED_STOPS**2) & (along < _WITH_IT * size))


def _held_up(tracks: list[_Track], seconds: float) -> list[_Track]:
    """Leave out sheets that fill the picture nearly all the time: walls and drapes.

    A white reference is held before the lens for a part of a take.
    """
    sheets = [t for t in tracks if t.sheet]
    if sum(t.seconds for t in sheets) <= _REFERENCE_TIME * seconds:
        return tracks
    return [t for t in tracks if not t.sheet]


def _settled(track: _Track, readings: Readings) -> bool:
    """Return whether a surface is not only seen while the whole picture is changed.

    What looks like a white only while the picture has another colour than usual, and
    is none the rest of the time, is likely a wall that the change has made grey.
    """
    if track.confidence >= _BEYOND_DOUBT:
        return True
    framing = readings["white.picture_framing"]
    stops = readings["white.picture_stops"].astype(np.float64)
    own = stops[track.rows]
    own = own[~np.isnan(own[:, 0])]
    numbers = framing[track.rows]
    numbers = numbers[~np.isnan(numbers)]
    if not own.size or not numbers.size:
        return True
    every = stops[(framing == np.median(numbers)) & ~np.isnan(stops[:, 0])]
    if not every.size:
        return True
    off = np.hypot(*(every - np.median(own, axis=0)).T)
    return bool(np.mean(off <= _CHANGED_STOPS) >= 0.5)


def _without_glimpses(tracks: list[_Track], seconds: float) -> list[_Track]:
    """Leave out what was seen for a moment only, by itself, unless beyond doubt.

    Parameters
    ----------
    seconds : float
        Length of the take.
    """
    least = min(_GLIMPSE_S, _GLIMPSE_SHARE * seconds)
    uv = np.array([t.uv for t in tracks])
    seen = np.array([t.seconds for t in tracks])
    out = []
    for track in tracks:
        alike = np.hypot(*(uv - track.uv).T) <= _OTHER_UV
        if seen[alike].sum() >= least or track.confidence >= _BEYOND_DOUBT:
            out.append(track)
    return out


def _uncontradicted(tracks: list[_Track]) -> list[_Track]:
    """Leave out surfaces that a likelier one of another colour contradicts."""
    if not tracks:
        return []
    confidence = np.array([t.confidence for t in tracks])
    uv = np.array([t.uv for t in tracks])
    seen = np.array([t.seconds for t in tracks]) >= _SEEN_S
    out = []
    for track in tracks:
        likelier = seen & (confidence >= track.confidence + _MORE_CONFIDENCE)
        other = np.hypot(*(uv - track.uv).T) > _OTHER_UV
        if not (likelier & other).any():
            out.append(track)
    return out


def derive(
    measured: Measured, names: tuple[str, ...]
) -> Mapping[str, NDArray[np.floating]]:
    """Return the derived columns of the white balance, by name."""
    readings, video = measured.picture, measured.info.video
    if readings is None or video is None:
        return {}
    out = {name: np.full(readings.rows, np.nan, np.float32) for name in names}
    out["source"][:] = 0.0
    rows = trusted(measured)
    out["confidence"][:] = _confidence(measured, readings)
    if not rows.size:
        return out
    codes = readings["white.patch_codes"]
    white = np.empty(len(rows))
    # In pieces: what colour needs on the way is many times what it leaves.
    for at in range(0, len(rows), _PIECE):
        part = rows[at : at + _PIECE]
        cast = cast_of_codes(codes[part], signal=video.signal)
        white[at : at + _PIECE] = cast.pop("white_delta_e00")
        for name, values in cast.items():
            out[name][part] = values
        uv = uv_of(codes[part], video.signal)
        out["neutral_u_prime"][part], out["neutral_v_prime"][part] = uv.T
    judged = out["cast_delta_e00"]
    given = measured.limits["white.neutral"] is not None
    if given:
        out["source"][rows] = GIVEN
    else:
        fills = readings["white.found_share_percent"][rows] >= 100 * REFERENCE_SHARE
        out["source"][rows] = np.where(fills, REFERENCE, CANDIDATE)
    if moment_label(measured.limits) and given:
        # A hair lower where the patch is not seen, so that the frame shown as the
        # worst is one where it is.
        typical = np.float32(np.median(white))
        judged[:] = np.nextafter(typical, np.float32(0))
        judged[rows] = typical
        return out
    white = smoothed(white, readings)
    smooth = white.astype(np.float32)
    # Where no white could be read, a cast holds if it does on both sides. A surface
    # that was found need not be in the picture before and after.
    ends = (rows[0], rows[-1] + 1) if given else (0, readings.rows)
    within = np.arange(*ends)
    after = np.minimum(np.searchsorted(rows, within), len(rows) - 1)
    before = np.maximum(np.searchsorted(rows, within, side="right") - 1, 0)
    judged[within] = np.minimum(smooth[after], smooth[before])
    unseen = np.setdiff1d(within, rows)
    _carry(out, readings, (rows, unseen), video.signal)
    judged[unseen] = np.nextafter(judged[unseen], np.float32(0))
    return out


def white_delta_e00(light: NDArray[np.float64], signal: Signal) -> NDArray[np.float64]:
    """Return CIEDE2000 between neutral and whites of these R, G, B of linear light.

    Parameters
    ----------
    light : (n, 3) array
    """
    xyz = linear_rgb_to_xyz(light, primaries=signal.primaries)
    lab = xyz_to_lab(xyz / xyz[:, 1:2], white=white_xyz(signal.primaries))
    return delta_e00_from_neutral(lab[:, 1], lab[:, 2])


def _carry(
    out: Mapping[str, NDArray[np.floating]],
    readings: Readings,
    seen: tuple[NDArray[np.intp], NDArray[np.intp]],
    signal: Signal,
) -> None:
    """Put in the cast of rows without a white, where the whole picture has changed.

    While the framing stays, the white that was seen in it, shifted by as much as the
    picture as a whole has been since, is the white of now.

    Parameters
    ----------
    out : mapping of str to (rows,) array
        Derived columns, written to.
    seen : (rows with a white, rows without)
    """
    rows, unseen = seen
    raw = readings["white.picture_stops"].astype(np.float64)
    # While the framing is another the median would be of what came before and after.
    stops = np.where(np.isnan(raw), np.nan, smoothed(held(raw), readings))
    framing = readings["white.picture_framing"]
    # The nearest row with a white, before or else after.
    place = np.maximum(np.searchsorted(rows, unseen, side="right") - 1, 0)
    later = np.minimum(place + 1, len(rows) - 1)
    nearer = np.abs(rows[later] - unseen) < np.abs(rows[place] - unseen)
    source = rows[np.where(nearer, later, place)]
    moved = stops[unseen] - stops[source]
    tell = (framing[unseen] == framing[source]) & (
        np.hypot(moved[:, 0], moved[:, 1]) > _MOVED_STOPS
    )
    if not tell.any():
        return
    y, cb, cr = readings["white.patch_codes"][source[tell]].astype(np.float64).T
    rgb = ycbcr_to_rgb(y, cb, cr, signal=signal)
    light = to_linear(rgb, transfer=signal.transfer)
    light[:, 0] *= 2.0 ** moved[tell, 0]
    light[:, 2] *= 2.0 ** moved[tell, 1]
    uv = uv_prime(linear_rgb_to_xyz(light, primaries=signal.primaries))
    neutral = uv_prime(white_xyz(signal.primaries))
    told = {
        "cast_delta_e00": white_delta_e00(light, signal),
        "delta_uv_prime": np.hypot(*(uv - neutral).T),
        "red_stops": np.log2(light[:, 1] / light[:, 0]),
        "blue_stops": np.log2(light[:, 1] / light[:, 2]),
    }
    pairs = [cct_duv(u, v * 2 / 3) for u, v in uv.tolist()]
    told["cct_k"], told["duv"] = np.array(pairs).T
    for name, values in told.items():
        out[name][unseen[tell]] = values


def _confidence(measured: Measured, readings: Readings) -> NDArray[np.float32]:
    """Return how far the white of each row can be believed, 0 to 1."""
    read = ~np.isnan(readings["white.patch_codes"][:, 0])
    if measured.limits["white.neutral"] is not None:
        return np.where(read, np.float32(1), np.float32(np.nan))
    return np.where(read, readings["white.found_confidence"], np.float32(0))
