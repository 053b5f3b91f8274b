"""Detail of the tiles of a picture: the best of a shot, and each frame against it."""

from __future__ import annotations

import math
import warnings

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.medians import known_median, median_of_known
from qc.measures.parts.focus.slowtiles import slow_rows
from qc.records import Readings
from qc.views import TILE_COLUMNS, TILE_ROWS

__all__ = [
    "BEST_PERCENTILE",
    "CHUNK",
    "LEAST_SHARE",
    "LIT_SHARE",
    "RELEASE",
    "SHARP_SIGMA",
    "TILES",
    "agreed_share",
    "best_of",
    "held",
    "percentile",
    "relative_sharpness",
    "rows_of_shots",
    "seconds_of",
    "tile_rows",
    "tile_weights",
]

TILES = TILE_ROWS * TILE_COLUMNS
CHUNK = 16_384  # rows brought in at once

# Subject tiles: those whose best is at least this share of the sharpest tile's best.
_SUBJECT_SHARE = 0.3
# Fine detail (codes) for each percent of coarse contrast under which a tile was never
# sharp enough to be a reference.
_DETAIL_FLOOR = 0.1
# A tile whose detail jumps from frame to frame by more than this share of its mean
# holds what noise leaves by chance and nothing of the subject.
_JUMPY_SHARE = 0.4
# A shot is as sharp as it is in the sharpest twentieth of its readings.
BEST_PERCENTILE = 95.0
# So few tiles, or fewer, must nearly all be soft.
_FEW_TILES = 4
# Sharpness must be back by this factor over the limit before a soft stretch ends.
RELEASE = 1.15
# A tile counts that is lit in this share of the shot.
LIT_SHARE = 0.25
# An axis along which a smear may have taken more than this says nothing.
LEAST_SHARE = 0.35
# Blur (sigma, pixels) of a shot's edges where nothing tells; the crispest there are.
SHARP_SIGMA = 0.5
# Frames for which a reading that is not taken every frame holds, to either side.
_HOLDS = 12


def relative_sharpness(
    detail: NDArray[np.floating],
    reference: NDArray[np.floating],
    weights: NDArray[np.floating] | None = None,
    *,
    share: float = 0.5,
) -> NDArray[np.float64]:
    """Return each frame's detail on the subject's tiles, in percent of the reference.

    Parameters
    ----------
    detail : (n, tiles) array
        Detail of each tile over its coarse contrast; NaN where it could not be read.
    reference : (tiles,) array
        The best that each tile has been; NaN where it does not count.
    weights : (tiles,) array or None
        How much each tile counts; none of those that count may be 0.
    share : float
        A frame is as sharp as the sharpest of so large a share of its tiles.

    Returns
    -------
    (n,) array of float64
        Weighed median over the tiles that count, or another share of them, the upper
        one of two; NaN where fewer than two could be read.
    """
    counts = ~np.isnan(reference)
    if not counts.any() or not len(detail):
        return np.full(len(detail), np.nan)
    shares = 100.0 * np.asarray(detail, np.float64)[:, counts] / reference[counts]
    known = np.count_nonzero(~np.isnan(shares), axis=1)
    # Sorted, NaN comes last. Of an even number the upper middle one counts, so that a
    # frame is soft only if more than half of its tiles are.
    if weights is None:
        at = np.minimum((share * known).astype(np.intp), shares.shape[1] - 1)
        middle = np.sort(shares, axis=1)[np.arange(len(shares)), at]
    else:
        order = np.argsort(shares, axis=1)
        shares = np.take_along_axis(shares, order, axis=1)
        own = np.where(np.isnan(shares), 0.0, np.asarray(weights)[counts][order])
        below = np.cumsum(own, axis=1)
        # A hair over the share, for sums that are not exact.
        past = below > share * below[:, -1:] * (1.0 + 1e-9)
        middle = shares[np.arange(len(shares)), np.argmax(past, axis=1)]
    return np.where(known >= min(2, counts.sum()), middle, np.nan)


def agreed_share(counts: NDArray[np.bool_]) -> float:
    """Return which share of the tiles that count has to be soft in a soft frame.

    Half of many. Few tiles are one thing on a plain ground: where it leaves some of
    them for others, or another comes and goes, most of them lose their detail; a lens
    takes it from all.

    Examples
    --------
    >>> [agreed_share(np.ones(n, bool)) for n in (4, 8, 40)]
    [0.9, 0.7, 0.54]
    """
    return 0.5 + 0.4 * min(1.0, _FEW_TILES / max(int(np.count_nonzero(counts)), 1))


def tile_weights(
    contrast: NDArray[np.floating], counts: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return how much tiles count: by their contrast, up to twice the middle one's.

    A tile of a drape holds little but weave and noise, which a lens does not blur; the
    subject has edges.

    Parameters
    ----------
    contrast : (n, tiles) array
        Coarse contrast in some frames; NaN where it was not read.
    counts : (tiles,) array of bool

    Returns
    -------
    (tiles,) array of float64
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        usual = known_median(np.asarray(contrast, np.float64))
        middle = float(median_of_known(usual[counts]))
    if not middle > 0:
        return np.ones(len(counts))
    usual = np.where(np.isnan(usual), middle, usual)
    return np.clip(usual, 0.1 * middle, 2.0 * middle)


def best_of(
    detail: NDArray[np.floating],
    share_lit: float,
    *,
    jumps: float = _JUMPY_SHARE,
    contrast: NDArray[np.floating] | None = None,
) -> NDArray[np.float64]:
    """Return the best that each tile has been; NaN for tiles that were never sharp.

    Parameters
    ----------
    detail : (n, tiles) array
    share_lit : float
        Share of the frames in which a tile must be readable.
    jumps : float
        A tile counts if its detail jumps from frame to frame by no more than this
        share of its mean.
    contrast : (m, tiles) array or None
        Coarse contrast in some frames. The sharpest tile, which others are held
        against to tell the subject, is one with much of it: of a tile with hardly any,
        what a coder leaves is many times as much.
    """
    detail = np.asarray(detail, np.float64)
    # A tile that was dark throughout is all NaN and stays NaN.
    best = percentile(detail, BEST_PERCENTILE)
    lit = np.mean(~np.isnan(detail), axis=0)
    best[lit < share_lit] = np.nan
    if np.isnan(best).all():
        return best
    with warnings.catch_warnings(), np.errstate(invalid="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)
        steps = np.nanmean(np.abs(np.diff(detail, axis=0)), axis=0)
        best[steps > jumps * np.nanmean(detail, axis=0)] = np.nan
        best[best < _SUBJECT_SHARE * _sharpest(best, contrast)] = np.nan
        best[best < _DETAIL_FLOOR] = np.nan
    return best


def percentile(values: NDArray[np.floating], percent: float) -> NDArray[np.float64]:
    """Return a percentile of each column's numbers, as ``np.nanpercentile`` does.

    That takes one column after the other, and most of the time of all that is done
    with a take's tiles.

    Examples
    --------
    >>> percentile(np.array([[1.0, np.nan], [2.0, 5.0], [4.0, 7.0]]), 75.0).tolist()
    [3.0, 6.5]
    """
    ordered = np.sort(np.asarray(values, np.float64), axis=0)  # NaN comes last
    known = np.count_nonzero(~np.isnan(ordered), axis=0)
    place = percent / 100.0 * np.maximum(known - 1, 0)
    low = place.astype(np.intp)
    at = np.arange(ordered.shape[1])
    below = ordered[low, at]
    above = ordered[np.minimum(low + 1, np.maximum(known - 1, 0)), at]
    return np.asarray(below + (place - low) * (above - below), np.float64)


def _sharpest(
    best: NDArray[np.float64], contrast: NDArray[np.floating] | None
) -> float:
    """Return the best of the sharpest tile, of those with the more contrast."""
    known = best[~np.isnan(best)]
    if not known.size:
        return math.nan
    if contrast is not None:
        usual = known_median(np.asarray(contrast, np.float64))
        much = best[usual >= median_of_known(usual[~np.isnan(best)])]
        if not np.isnan(much).all():
            return float(np.nanmax(much))
    return float(known.max())


def rows_of_shots(shots: NDArray[np.float32]) -> list[NDArray[np.intp]]:
    """Return the rows of each shot; a moving camera may make thousands of shots."""
    known = np.flatnonzero(~np.isnan(shots))
    if not known.size:
        return []
    rows = known[np.argsort(shots[known], kind="stable")]
    return np.split(rows, np.flatnonzero(np.diff(shots[rows])) + 1)


def seconds_of(readings: Readings, rows: NDArray[np.intp]) -> float:
    """Return how long some rows last together."""
    ticks = readings.edges[rows + 1] - readings.edges[rows]
    return float(int(ticks.sum()) * readings.time_base)


def tile_rows(
    readings: Readings, rows: NDArray[np.intp], name: str = "focus.tile_detail"
) -> NDArray[np.float32]:
    """Return some rows of a tile column without bringing in all of a long take."""
    if name not in readings.columns:
        return slow_rows(readings, rows, name, TILES)
    first, last = int(rows[0]), int(rows[-1]) + 1
    if last - first <= CHUNK:
        part = readings.columns.part(name, first, last)
        return np.ascontiguousarray(part[rows - first])
    out = np.empty((len(rows), TILES), np.float32)
    for at in range(first, last, CHUNK):
        stop = min(at + CHUNK, last)
        inside = (rows >= at) & (rows < stop)
        if inside.any():
            part = readings.columns.part(name, at, stop)
            out[inside] = part[rows[inside] - at]
    return out


def held(readings: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return each row's nearest reading among the rows about it, NaN beyond."""
    values: NDArray[np.float64] = np.array(readings, np.float64)
    read = np.flatnonzero(~np.isnan(values).all(axis=-1))
    if not read.size:
        return values
    at = np.arange(len(values))
    after = np.clip(np.searchsorted(read, at), 0, len(read) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(read[before] - at) <= np.abs(read[after] - at)
    chosen = read[np.where(nearer, before, after)]
    far = np.abs(chosen - at) > _HOLDS
    out = values[chosen]
    out[far] = np.nan
    return out
