"""What motion alone may have smeared: shift per frame, and what it takes of edges.

A frame is exposed for at most its whole duration, so that a picture that moves by k
pixels from frame to frame is smeared over at most k. What is softer than that smear
makes it is out of focus. Smear lies along the motion; across it edges stay crisp.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.sharpness import RISE_LONG_SIDE
from qc.measures.parts.running import running_median
from qc.records import Readings, VideoTrack

__all__ = [
    "CRISP_RISE_PX",
    "Smear",
    "beside_share",
    "edge_share",
    "open_share",
    "smear_of",
    "telling_axes",
    "unsmeared_rise",
]

_SURE = 0.4  # of the picture must follow for a shift to be the whole picture's
# Less is enough for none, percent of the width: a camera that moves leaves nothing in
# its place, so that what moves besides is hands and instruments.
_RESTS = 0.03
# 10-to-90 % rise of an edge that a shutter smears evenly over one pixel.
_BOX_RISE = 0.8
# Edges this crisp, in pixels, are in focus whatever motion may have done.
CRISP_RISE_PX = 1.9
# A smear may explain this share of a rise before nothing is said of the rest.
_HIDING = 0.6
# Shifts (pixels) that tell how long the shutter was open at most, how many of them it
# takes, and what is added for readings that are off.
_TELLING_PX = 3.0
_TELLING_READINGS = 5
_TELLING_PERCENTILE = 20.0
_TELLING_MARGIN = 1.5
# An axis along which a smear leaves less than this share of what it leaves along the
# other is not asked (house choice: a diagonal motion tells by both).
_AS_CLEAR = 0.8
# Ways that edges run, of a quarter turn; the longest smear, in blurs of the edge, and
# how many up to it are worked out.
_WAYS, _LONGEST, _ENTRIES = 360, 10_000.0, 600
_ZOOM_WINDOW = 9
_ZOOM_PERCENT = 0.25  # a frame, over the window: somebody zooms


class Smear:
    """How far the picture moves at each frame, at worst, and where a view breaks off.

    Attributes
    ----------
    percent : (rows,) array of float64
        Shift to the frame before or after, whichever is more, percent of the width.
    x, y : (rows,) arrays of float64
        Length of the smear at most, pixels of a picture at most `RISE_LONG_SIDE` long;
        0 where unknown.
    zooming : (rows,) array of bool
    shutter : float
        Share of a frame that the shutter was open at most; `x` and `y` count with it.
    scale : float
        Pixels, as those of `x` and `y`, to a percent of the width.
    cut : (rows,) array of bool
        The frame does not follow from the one before: the motion is unknown.
    farthest, nearest : (rows, 2) arrays of float64
        Shift along and across, percent of the width: the more, and the less, of those
        to the frames before and after; NaN where either is unsure.
    """

    __slots__ = (
        "cut",
        "farthest",
        "nearest",
        "percent",
        "scale",
        "shutter",
        "x",
        "y",
        "zooming",
    )

    def __init__(
        self,
        percent: NDArray[np.float64],
        percent_x: NDArray[np.float64],
        percent_y: NDArray[np.float64],
        *,
        scale: float,
        zoom: NDArray[np.float64],
        cut: NDArray[np.bool_],
        rise: NDArray[np.float64],
        sure: NDArray[np.bool_],
    ) -> None:
        x, y = _either_side(percent_x), _either_side(percent_y)
        self.percent, self.scale = _either_side(percent), scale
        # What moves by itself says nothing of the shutter: crisp edges stand beside it.
        least = np.minimum(percent_x, percent_y)
        known = _either_side(np.where(sure, least, 0.0))
        self.shutter = open_share(rise, scale * known)
        self.x, self.y = self.shutter * scale * x, self.shutter * scale * y
        self.zooming = np.abs(_median_near(zoom)) > _ZOOM_PERCENT
        self.cut = cut
        shift = np.stack([percent_x, percent_y], axis=1)
        shift[~sure] = np.nan
        after = np.concatenate([shift[1:], shift[-1:]])
        self.farthest = np.maximum(shift, after)
        self.nearest = np.minimum(shift, after)


def smear_of(readings: Readings, video: VideoTrack | None) -> Smear:
    """Return how the picture of a take moves: by steadiness, else by framing."""
    rows = readings.rows
    whole = _column(readings, "framing.motion_percent", rows)
    dx, dy, zoom, trust = (
        _column(readings, f"steadiness.{name}", rows)
        for name in ("dx_percent", "dy_percent", "zoom_percent", "trust")
    )
    with np.errstate(invalid="ignore"):
        sure = (trust >= _SURE) | (np.hypot(dx, dy) <= _RESTS)
    sure &= ~np.isnan(dx) & ~np.isnan(dy)
    # Of an unsure motion only the size is known, by the coarser reading: it may lie
    # along either axis.
    cut = ~sure & np.isnan(whole)
    x = np.where(sure, np.abs(dx), np.nan_to_num(whole))
    y = np.where(sure, np.abs(dy), np.nan_to_num(whole))
    return Smear(
        np.where(sure, np.hypot(dx, dy), np.nan_to_num(whole)),
        x,
        y,
        scale=_pixels(video) / 100.0,
        rise=_column(readings, "focus.edge_rise_px", rows),
        zoom=np.where(sure, np.nan_to_num(zoom), 0.0),
        cut=cut,
        sure=sure,
    )


def open_share(rise: NDArray[np.floating], shift: NDArray[np.floating]) -> float:
    """Return for what share of a frame the shutter was open at most.

    Parameters
    ----------
    rise, shift : (n,) arrays
        10-to-90 % rise of the crispest edges and shift a frame, both in pixels.

    Notes
    -----
    Edges that rise over r pixels while the picture moves by k were smeared over
    r / 0.8 at most. One shutter serves the whole take, so that its crispest moments in
    motion tell of all others. 1 where nothing moves enough to tell.
    """
    with np.errstate(invalid="ignore"):
        telling = (shift > _TELLING_PX) & (rise > 0)
    if np.count_nonzero(telling) < _TELLING_READINGS:
        return 1.0
    at_most = rise[telling] / (_BOX_RISE * shift[telling])
    share = _TELLING_MARGIN * float(np.percentile(at_most, _TELLING_PERCENTILE))
    return min(share, 1.0)


def edge_share(
    smear: NDArray[np.floating] | float, sigma: float
) -> NDArray[np.float64]:
    """Return how much of an edge's fine detail is left after an even smear across it.

    Parameters
    ----------
    smear : array or float
        Length of the smear in pixels.
    sigma : float
        Blur of the unsmeared edge, standard deviation in pixels.

    Returns
    -------
    array of float64
        Root of the energy of the second derivative with the smear over that without.

    Notes
    -----
    The second derivative of a smeared Gaussian edge is the difference of two Gaussian
    bells k apart, over k; the energy of that against the derivative of one bell:
    ``(1 - exp(-u)) / u`` with ``u = k^2 / (4 s^2)``.
    """
    u = np.square(np.asarray(smear, np.float64)) / (4.0 * sigma * sigma)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = -np.expm1(-u) / u
    return np.sqrt(np.where(u > 1e-9, share, 1.0))


def beside_share(
    smear: NDArray[np.floating] | float, sigma: float
) -> NDArray[np.float64]:
    """Return how much of the detail across a motion its smear leaves.

    Parameters
    ----------
    smear : array or float
        Length of the smear in pixels.
    sigma : float
        Blur of the unsmeared edges, standard deviation in pixels.

    Returns
    -------
    array of float64
        Root of the energy of second differences across the motion, with the smear over
        that without.

    Notes
    -----
    Only an edge along the motion is not touched. Of edges that run every way, one whose
    normal is turned by ``t`` from across the motion has ``cos(t)^4`` of its energy
    across, and is smeared over ``k sin(t)``: the mean of `edge_share` squared over all
    ways, so weighed. It hangs on ``k / s`` alone.
    """
    ratio = np.abs(np.asarray(smear, np.float64)) / sigma
    return np.interp(np.log1p(ratio), *_beside_table())


@lru_cache(maxsize=1)
def _beside_table() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return logarithms of 1 and smears over blurs, and what these leave beside."""
    ways = (np.arange(_WAYS) + 0.5) * (0.5 * np.pi / _WAYS)
    at = np.linspace(0.0, np.log1p(_LONGEST), _ENTRIES)
    energy = np.square(edge_share(np.outer(np.expm1(at), np.sin(ways)), 1.0))
    weight = np.cos(ways) ** 4
    return at, np.sqrt(energy @ weight / weight.sum())


def telling_axes(
    along: NDArray[np.floating], across: NDArray[np.floating]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what smears leave along two axes, NaN for axes that the other tells for.

    Parameters
    ----------
    along, across : (n,) arrays
        Share of fine detail that a smear leaves along each axis at the least.

    Notes
    -----
    A smear takes detail along the motion and keeps most that lies across it; a lens
    takes both. So the axis that the motion took less from tells of the lens, and what
    a smear may have done to the other, at the most, does not excuse it.

    Examples
    --------
    >>> [axis.tolist() for axis in telling_axes(np.array([1.0]), np.array([0.4]))]
    [[1.0], [nan]]
    """
    along, across = (np.asarray(axis, np.float64) for axis in (along, across))
    return (
        np.where(along >= _AS_CLEAR * across, along, np.nan),
        np.where(across >= _AS_CLEAR * along, across, np.nan),
    )


def unsmeared_rise(
    rise: NDArray[np.floating], smear: NDArray[np.floating], least: float
) -> NDArray[np.float64]:
    """Return the rise of edges without what an even smear adds, squares subtracted.

    Parameters
    ----------
    rise : array
        10-to-90 % rise in pixels.
    smear : array
        Length of the smear in pixels, at most.
    least : float
        Edges never rise over less than this, unless these do.

    Returns
    -------
    array of float64
        NaN where a smear may explain most of a rise that is wide.
    """
    rise = np.asarray(rise, np.float64)
    rest = np.square(rise) - np.square(_BOX_RISE * smear)
    floor = np.minimum(rise, least)
    left = np.sqrt(np.maximum(rest, np.square(floor)))
    with np.errstate(invalid="ignore"):
        hidden = (rise > CRISP_RISE_PX) & (_BOX_RISE * smear > _HIDING * rise)
    return np.where(hidden, np.nan, left)


def _pixels(video: VideoTrack | None) -> float:
    """Return the picture's width in the pixels that the rise of edges is counted in."""
    if video is None or video.width < 1:
        return float(RISE_LONG_SIDE)
    return video.width * min(1.0, RISE_LONG_SIDE / max(video.width, video.height))


def _column(readings: Readings, name: str, rows: int) -> NDArray[np.float64]:
    if name not in readings.columns:
        return np.full(rows, np.nan)
    return readings[name].astype(np.float64)


def _either_side(shift: NDArray[np.float64]) -> NDArray[np.float64]:
    out = shift.copy()
    out[:-1] = np.maximum(out[:-1], shift[1:])
    return out


def _median_near(values: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(values) < _ZOOM_WINDOW:
        return np.full(len(values), np.median(values) if len(values) else 0.0)
    return running_median(values, _ZOOM_WINDOW)
