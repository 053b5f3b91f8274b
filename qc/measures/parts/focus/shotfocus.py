"""Sharpness against the best of the same shot, where motion does not explain it.

Two readings. Where a shot is long enough, each tile of the subject is held against the
best it has been; what the motion of the picture may have smeared is allowed for along
the motion. Where the camera moves on all the time and tiles hold new things every
second, the rise of the crispest edges is held against the crispest of the same move.
"""

from __future__ import annotations

import itertools
import math
import warnings
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.measures.parts.focus.motionblur import (
    CRISP_RISE_PX,
    Smear,
    edge_share,
    unsmeared_rise,
)
from qc.measures.parts.focus.sharpness import LAPLACIAN_ENERGY
from qc.records import Readings
from qc.spans import runs
from qc.views import TILE_COLUMNS, TILE_ROWS

__all__ = [
    "BEST_PERCENTILE",
    "NOISE_ALIKE",
    "against_best",
    "best_of",
    "relative_sharpness",
    "rows_of_shots",
    "seconds_of",
    "tile_rows",
]

_TILES = TILE_ROWS * TILE_COLUMNS

# Subject tiles: those whose best is at least this share of the sharpest tile's best.
_SUBJECT_SHARE = 0.3
# Fine detail (codes) for each percent of coarse contrast under which a tile was never
# sharp enough to be a reference.
_DETAIL_FLOOR = 0.1
# A tile whose detail jumps from frame to frame by more than this share of its mean
# holds what noise leaves by chance and nothing of the subject.
_JUMPY_SHARE = 0.4
# The best of a tile must be this many times what noise alone would put there: less may
# be noise that was not taken off.
_OVER_NOISE = 0.5
# Readings of one noise differ by up to this factor, with what is in the picture.
NOISE_ALIKE = 1.5
# The quietest of a shot, in percent of its frames, that others' noise is held against.
_QUIET_PERCENTILE = 2.0
# A shot is as sharp as it is in the sharpest twentieth of its readings.
BEST_PERCENTILE = 95.0
_LIT_SHARE = 0.25
_REFERENCE_ROWS = 20_000
_CHUNK = 16_384

# An axis along which a smear may have taken more than this says nothing.
_LEAST_SHARE = 0.35
# Blur (sigma, pixels) of a shot's edges where nothing tells; the crispest there are.
_SHARP_SIGMA = 0.5
_RISE_SIGMAS = 2.563
# Frames for which a reading that is not taken every frame holds, to either side.
_HOLDS = 12
_FEWEST_RISES = 4
# Fine detail of an edge against its width: the energy of the second derivative of a
# Gaussian edge goes with s^-3, its root with this power.
_EDGE_POWER = 1.5


def against_best(
    readings: Readings, limits: Limits, smear: Smear
) -> NDArray[np.float32]:
    """Return each frame's sharpness in percent of the best of its shot or move.

    Returns
    -------
    (rows,) array of float32
        NaN where nothing can be said.
    """
    out = np.full(readings.rows, np.nan, np.float32)
    shortest = limits["focus.shot_min_seconds"]
    moved = smear.percent > limits["focus.motion_limit_percent"]
    for rows in rows_of_shots(readings["framing.shot"]):
        if seconds_of(readings, rows) >= shortest:
            _judge_shot(readings, rows, smear, moved, out)
    by_edges = _against_move(readings, smear)
    with np.errstate(invalid="ignore"):
        # A long move is many shots, each of them perhaps soft from end to end.
        use = np.isnan(out) | (by_edges < out)
    out[use] = by_edges[use]
    return out


def _judge_shot(
    readings: Readings,
    rows: NDArray[np.intp],
    smear: Smear,
    moved: NDArray[np.bool_],
    out: NDArray[np.float32],
) -> None:
    """Fill in one shot's frames, from its tiles."""
    sample = rows[:: max(1, len(rows) // _REFERENCE_ROWS)]
    detail, quiet = _surely_detail(readings, sample)
    best = best_of(detail, share_lit=_LIT_SHARE)
    with np.errstate(invalid="ignore"):
        best[best < _OVER_NOISE * quiet] = np.nan
    axes = None
    if moved[rows].any():
        share = _held(tile_rows(readings, sample, "focus.tile_across"))
        axes = [_best_axis(detail, part, best) for part in (share, 1.0 - share)]
        sigma = _sigma_of(readings, rows)
    for at in range(0, len(rows), _CHUNK):
        part = rows[at : at + _CHUNK]
        now = tile_rows(readings, part)
        still = ~moved[part]
        out[part[still]] = relative_sharpness(now[still], best)
        if axes is None or still.all():
            continue
        share = _held(tile_rows(readings, part, "focus.tile_across"))[~still]
        left = [edge_share(axis[part[~still]], sigma) for axis in (smear.x, smear.y)]
        shares = [
            _along(now[~still], way, reference, allowed)
            for way, reference, allowed in zip(
                (share, 1.0 - share), axes, left, strict=True
            )
        ]
        # The axis that the motion took less from; what is soft in both is soft.
        tiles = np.fmax(*shares)
        counted = np.where(np.isnan(best), np.nan, 1.0)
        # Allowance may be more than was needed: no frame is sharper than the best.
        out[part[~still]] = np.minimum(relative_sharpness(tiles, counted), 100.0)


def _surely_detail(
    readings: Readings, rows: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return detail of tiles without what more noise may have left of itself in it.

    Returns
    -------
    detail : (n, tiles) array
    quiet : (tiles,) array
        What the noise of the shot's quietest frames puts into each tile; 0 where
        unknown.

    Notes
    -----
    Noise that neighbouring pixels share, or that is stronger in bright tiles, is read
    too low: as much again may be left of it. Of that in the quietest frames every frame
    of the shot has its part.
    """
    detail = tile_rows(readings, rows).astype(np.float64)
    noise = readings["focus.noise_codes"][rows].astype(np.float64)
    known = noise[~np.isnan(noise)]
    if not known.size:
        return detail, np.zeros(_TILES)
    least = float(np.percentile(known, _QUIET_PERCENTILE))
    contrast = _held(tile_rows(readings, rows, "focus.tile_contrast_percent"))
    alike = (NOISE_ALIKE * least) ** 2
    more = LAPLACIAN_ENERGY * np.maximum(np.nan_to_num(noise) ** 2 - alike, 0.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        level = np.nanmedian(contrast, axis=0)
    quiet = np.nan_to_num(math.sqrt(LAPLACIAN_ENERGY) * least / level)
    left = np.square(detail) - np.nan_to_num(more[:, None] / np.square(contrast))
    return np.sqrt(np.maximum(left, 0.0)), quiet


def _along(
    detail: NDArray[np.floating],
    share: NDArray[np.floating],
    reference: NDArray[np.float64],
    allowed: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return detail along one axis over its best, less what a smear explains."""
    allowed = np.where(allowed >= _LEAST_SHARE, allowed, np.nan)
    return np.asarray(detail * np.sqrt(share) / reference / allowed[:, None])


def _best_axis(
    detail: NDArray[np.floating],
    share: NDArray[np.floating],
    best: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the best that the subject's tiles have been along one axis."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        along = np.nanpercentile(detail * np.sqrt(share), BEST_PERCENTILE, axis=0)
    return np.where(np.isnan(best) | (along <= 0), np.nan, along)


def _sigma_of(readings: Readings, rows: NDArray[np.intp]) -> float:
    """Return the blur of the shot's crispest edges."""
    rise = readings["focus.edge_rise_px"][rows]
    known = rise[~np.isnan(rise)]
    if not known.size:
        return _SHARP_SIGMA
    return float(np.percentile(known, 100.0 - BEST_PERCENTILE)) / _RISE_SIGMAS


def _held(readings: NDArray[np.floating]) -> NDArray[np.float64]:
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


# ------------------------------------------------------------------ moves by edges


def _against_move(readings: Readings, smear: Smear) -> NDArray[np.float64]:
    """Return the crispest edges of a move over those now, where shots change, in %."""
    rows = readings.rows
    out = np.full(rows, np.nan)
    rise = _held(readings["focus.edge_rise_px"][:, None])[:, 0]
    shots = readings["framing.shot"]
    least = np.minimum(smear.x, smear.y)
    for first, last in runs(~smear.zooming & ~np.isnan(shots)):
        for a, b in _uncut(smear.cut, first, last):
            if np.all(shots[a:b] == shots[a]):
                continue  # tiles tell
            seen = readings["focus.edge_rise_px"][a:b]
            if np.count_nonzero(~np.isnan(seen)) < _FEWEST_RISES:
                continue
            crispest = float(np.nanpercentile(seen, 10.0))
            now = unsmeared_rise(rise[a:b], least[a:b], crispest)
            share = 100.0 * (crispest / np.maximum(now, crispest)) ** _EDGE_POWER
            with np.errstate(invalid="ignore"):
                share[now < CRISP_RISE_PX] = 100.0
            out[a:b] = share
    return out


def _uncut(cut: NDArray[np.bool_], first: int, last: int) -> Iterator[tuple[int, int]]:
    edges = first + np.flatnonzero(cut[first:last])
    ends = [first, *(int(e) for e in edges if e > first), last]
    yield from itertools.pairwise(ends)


# --------------------------------------------------------------------- tiles


def relative_sharpness(
    detail: NDArray[np.floating], reference: NDArray[np.floating]
) -> NDArray[np.float64]:
    """Return each frame's detail on the subject's tiles, in percent of the reference.

    Parameters
    ----------
    detail : (n, tiles) array
        Detail of each tile over its coarse contrast; NaN where it could not be read.
    reference : (tiles,) array
        The best that each tile has been; NaN where it does not count.

    Returns
    -------
    (n,) array of float64
        Median over the tiles that count, the upper one of two; NaN where fewer than
        two could be read.
    """
    counts = ~np.isnan(reference)
    if not counts.any() or not len(detail):
        return np.full(len(detail), np.nan)
    shares = 100.0 * np.asarray(detail, np.float64)[:, counts] / reference[counts]
    known = np.count_nonzero(~np.isnan(shares), axis=1)
    # Sorted, NaN comes last. Of an even number the upper middle one counts, so that a
    # frame is soft only if more than half of its tiles are.
    at = np.minimum(known // 2, shares.shape[1] - 1)
    middle = np.sort(shares, axis=1)[np.arange(len(shares)), at]
    return np.where(known >= min(2, counts.sum()), middle, np.nan)


def best_of(
    detail: NDArray[np.floating], share_lit: float, *, jumps: float = _JUMPY_SHARE
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
    """
    detail = np.asarray(detail, np.float64)
    with warnings.catch_warnings():
        # A tile that was dark throughout is all NaN and stays NaN.
        warnings.simplefilter("ignore", RuntimeWarning)
        best: NDArray[np.float64] = np.nanpercentile(detail, BEST_PERCENTILE, axis=0)
    lit = np.mean(~np.isnan(detail), axis=0)
    best[lit < share_lit] = np.nan
    if np.isnan(best).all():
        return best
    with warnings.catch_warnings(), np.errstate(invalid="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)
        steps = np.nanmean(np.abs(np.diff(detail, axis=0)), axis=0)
        best[steps > jumps * np.nanmean(detail, axis=0)] = np.nan
        best[best < _SUBJECT_SHARE * np.nanmax(best)] = np.nan
        best[best < _DETAIL_FLOOR] = np.nan
    return best


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
    first, last = int(rows[0]), int(rows[-1]) + 1
    out = np.empty((len(rows), _TILES), np.float32)
    for at in range(first, last, _CHUNK):
        stop = min(at + _CHUNK, last)
        inside = (rows >= at) & (rows < stop)
        if inside.any():
            part = readings.columns.part(name, at, stop)
            out[inside] = part[rows[inside] - at]
    return out
