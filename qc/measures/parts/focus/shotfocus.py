"""Sharpness against the best of the same shot, where motion does not explain it.

Two readings. Where a shot is long enough, each tile of the subject is held against the
best it has been; what the motion of the picture may have smeared is allowed for along
the motion. Where the camera moves on all the time and tiles hold new things every
second, the rise of the crispest edges is held against the crispest of the same move.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.measures.parts.focus.acrossmotion import over_best
from qc.measures.parts.focus.coarser import true_percent
from qc.measures.parts.focus.edgemoves import FEWEST_RISES, against_move
from qc.measures.parts.focus.lightjumps import between_jumps, flashing, jumps
from qc.measures.parts.focus.lightlevel import LIGHTER, light_of, nearest
from qc.measures.parts.focus.likemotion import against_like_motion
from qc.measures.parts.focus.medians import known_median
from qc.measures.parts.focus.motionblur import Smear, beside_share, edge_share
from qc.measures.parts.focus.sharpness import LAPLACIAN_ENERGY
from qc.measures.parts.focus.shutter import open_by_detail
from qc.measures.parts.focus.slowtiles import has_slow
from qc.measures.parts.focus.tiles import (
    BEST_PERCENTILE,
    CHUNK,
    LEAST_SHARE,
    LIT_SHARE,
    RELEASE,
    SHARP_SIGMA,
    TILES,
    agreed_share,
    best_of,
    held,
    percentile,
    relative_sharpness,
    rows_of_shots,
    seconds_of,
    tile_rows,
    tile_weights,
)
from qc.measures.parts.focus.wholedetail import keeps_detail, way_of
from qc.measures.parts.focus.wovenfocus import judge_along_lines
from qc.measures.parts.scan.noisetold import mid_percent
from qc.records import Readings
from qc.spans import past_limit, runs

__all__ = ["NOISE_ALIKE", "against_best", "told_through"]


# So much of the energy that noise puts into a tile may be left of it, or taken off too
# much: a coder gives each kind of frame another share of it, and it is read only now
# and then (real recordings with noise added: a tenth, and chance).
_UNSURE_ENERGY = 0.15
# Readings of one noise differ by up to this factor, with what is in the picture.
NOISE_ALIKE = 1.5
# The quietest of a shot, in percent of its frames, that others' noise is held against.
_QUIET_PERCENTILE = 2.0
_REFERENCE_ROWS = 20_000
# Frames that tremble by more than this in flat areas, percent of the range, and so many
# times as much as the quieter ones, are none to hold others against, if so many seconds
# are left without them; nor are those with so small a share of the others' contrast.
# What is so much sharper there than the best is no detail (house choices).
_FLAT_TIMES, _TOO_SHARP = 0.75, 130.0
_GRAIN_PERCENT, _GRAIN_TIMES, _USUAL_PERCENTILE, _QUIET_S = 1.0, 2.5, 5.0, 1.0

_RISE_SIGMAS = 2.563
_AS_PERCENT = 100.0 / 219.0  # of the range, a code of 8 bits

# Rows of a shot, detail of its tiles, the share of it that lies across, the best along
# both axes, and weights of tiles.
_Sampled: TypeAlias = tuple[
    NDArray[np.intp],
    NDArray[np.float64],
    NDArray[np.float64],
    list[NDArray[np.float64]],
    NDArray[np.float64],
]


def against_best(
    readings: Readings, limits: Limits, smear: Smear, woven: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Return each frame's sharpness in percent of the best of its shot or move.

    Parameters
    ----------
    woven : (rows,) array of bool
        Frames that hold two moments: see `wovenfocus`.

    Returns
    -------
    (rows,) array of float32
        NaN where nothing can be said.
    """
    out = np.full(readings.rows, np.nan, np.float32)
    shortest = limits["focus.shot_min_seconds"]
    limit = float(limits["focus.soft_review_percent"])
    moved = smear.percent > limits["focus.motion_limit_percent"]
    grain = _grain(readings, limits)
    way, sharpness = way_of(readings), readings["focus.sharpness"]
    for rows in rows_of_shots(readings["framing.shot"]):
        if seconds_of(readings, rows) < shortest:
            continue
        if woven[rows].any():
            judge_along_lines(readings, rows, smear, out)
        else:
            job = smear, moved, out, limit / 100.0, grain
            _judge_shot(readings, rows, *job)
            light = light_of(readings, rows)
            lighter = rows[_about(readings, rows, light, light > LIGHTER)]
            # In more light than there ever was before: no sharper, but less noisy.
            if _lasting(readings, lighter) >= shortest:
                _judge_shot(readings, lighter, *job)
            else:
                out[lighter[out[lighter] < RELEASE * limit]] = np.nan
            with np.errstate(invalid="ignore"):
                soft = out[rows] < RELEASE * limit
            if soft.any():
                soft &= keeps_detail(sharpness[rows], out[rows], way[rows])
                out[rows[soft]] = np.nan
    by_edges = against_move(readings, smear)
    by_edges[woven] = np.nan  # teeth are crisp
    with np.errstate(invalid="ignore"):
        # A long move is many shots, each of them perhaps soft from end to end.
        use = np.isnan(out) | (by_edges < out)
    out[use] = by_edges[use]
    out[flashing(readings)] = np.nan
    jump = jumps(readings)
    # As far as a stretch reaches in the report, and what comes near to one.
    release = RELEASE * limit
    for least in (limit, release):
        for span in past_limit(out, limit=least, release=release, above=False):
            if between_jumps(jump, span):
                out[slice(*span)] = np.nan
    return out


def _judge_shot(
    readings: Readings,
    rows: NDArray[np.intp],
    smear: Smear,
    moved: NDArray[np.bool_],
    out: NDArray[np.float32],
    review: float,
    grain: NDArray[np.float64],
) -> None:
    """Fill in one shot's frames, from its tiles."""
    light = light_of(readings, rows)
    unlike = _unlike(readings, rows, grain, light)
    darker = np.clip(nearest(light), 0.01, 1.0)
    quiet = rows[~unlike]
    few = _lasting(readings, quiet) < _QUIET_S
    known = rows if few else quiet
    sample = known[:: max(1, len(known) // _REFERENCE_ROWS)]
    detail, noisy = _surely_detail(readings, sample)
    contrast = tile_rows(readings, sample, "focus.tile_contrast_percent")
    best = best_of(detail, share_lit=LIT_SHARE, contrast=contrast)
    weights = tile_weights(contrast, ~np.isnan(best))
    agreed = agreed_share(~np.isnan(best))
    axes = None
    if moved[rows].any():
        share = held(tile_rows(readings, sample, "focus.tile_across"))
        axes = [_best_axis(detail, part, best) for part in (share, 1.0 - share)]
        sigma = _sigma_of(readings, rows)
        sampled = sample, detail, share, axes, weights
        x, y = _smears(rows, smear, sampled, sigma=sigma, agreed=agreed)
    for at in range(0, len(rows), CHUNK):
        part = rows[at : at + CHUNK]
        now = told_through(
            tile_rows(readings, part),
            noise=readings["focus.noise_codes"][part] / darker[at : at + CHUNK],
            noisy=noisy,
            least=review * best,
        )
        still = ~moved[part]
        out[part[still]] = relative_sharpness(now[still], best, weights, share=agreed)
        if axes is None or still.all():
            continue
        left = _least_left(x[at : at + CHUNK], y[at : at + CHUNK], sigma)
        across = tile_rows(readings, part, "focus.tile_across")
        tiles = over_best(now, across, axes, left)[~still]
        counted = np.where(np.isnan(best), np.nan, 1.0)
        # Allowance may be more than was needed: no frame is sharper than the best.
        out[part[~still]] = np.minimum(
            relative_sharpness(tiles, counted, weights, share=agreed), 100.0
        )
    if axes is not None:
        job = moved[rows], ~np.isnan(best), weights
        alike = against_like_motion(readings, rows, smear, *job, share=agreed)
        # An allowance for a smear is one that others in like motion needed too.
        out[rows] = np.where(moved[rows], np.fmin(out[rows], alike), out[rows])
    coarser = _coarser(readings, rows, known)
    if axes is not None:
        # Coarser detail lies as fine detail does.
        lies = np.array([float(np.nansum(np.square(axis))) for axis in axes])
        kept = np.square(np.stack(_least_left(x, y, sigma), axis=1)) @ lies
        allowed = np.sqrt(kept / max(float(lies.sum()), 1e-9))
        allowed[allowed < LEAST_SHARE] = np.nan
        coarser[moved[rows]] /= allowed[moved[rows]]
    out[rows] = true_percent(out[rows], coarser)
    if few:
        # Too few are left to have a best of their own, and that of the noisy is none.
        out[quiet] = np.nan
    doubtful = rows[unlike]
    out[doubtful[out[doubtful] > _TOO_SHARP]] = np.nan


def _least_left(
    x: NDArray[np.float64], y: NDArray[np.float64], sigma: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what smears along both axes leave at the least of detail along each."""
    return (
        edge_share(x, sigma) * beside_share(y, sigma),
        edge_share(y, sigma) * beside_share(x, sigma),
    )


def _smears(
    rows: NDArray[np.intp],
    smear: Smear,
    sampled: _Sampled,
    *,
    sigma: float,
    agreed: float,
) -> list[NDArray[np.float64]]:
    """Return how long smears of a shot's frames are at most, along and down, pixels."""
    sample, detail, share, axes, weights = sampled
    counted = np.where(np.isnan(axes[0]) & np.isnan(axes[1]), np.nan, 1.0)
    left = [
        relative_sharpness(
            detail * np.sqrt(part) / best, counted, weights, share=agreed
        )
        for part, best in zip((share, 1.0 - share), axes, strict=True)
    ]
    shift = smear.scale * smear.nearest[sample]
    seen = np.stack(left, axis=1) / 100.0
    lengths = [axis[rows] for axis in (smear.x, smear.y)]
    # As far as either axis moved: one shutter serves both.
    moved = np.fmax(*lengths) / smear.shutter
    opened = open_by_detail(seen, shift, moved, sigma)
    less = np.minimum(opened / smear.shutter, 1.0)
    return [less * length for length in lengths]


def _coarser(
    readings: Readings, rows: NDArray[np.intp], known: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return coarser detail against its best, percent; NaN between its readings."""
    out = np.full(len(rows), np.nan)
    if not has_slow(readings, "focus.tile_coarser"):
        return out
    read = _read_rows(readings, known)
    if len(read) < FEWEST_RISES:
        return out
    contrast = tile_rows(readings, read, "focus.tile_contrast_percent")
    best = best_of(
        tile_rows(readings, read, "focus.tile_coarser"),
        LIT_SHARE,
        jumps=math.inf,
        contrast=contrast,
    )
    weights = tile_weights(contrast, ~np.isnan(best))
    at = _read_rows(readings, rows)
    if at.size:
        percent = relative_sharpness(
            tile_rows(readings, at, "focus.tile_coarser"),
            best,
            weights,
            share=agreed_share(~np.isnan(best)),
        )
        out[np.searchsorted(rows, at)] = percent
    return out


def _read_rows(readings: Readings, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return those of some rows in which what is read now and then was read."""
    found = [
        part[~np.isnan(tile_rows(readings, part, "focus.tile_coarser")).all(axis=1)]
        for part in (rows[at : at + CHUNK] for at in range(0, len(rows), CHUNK))
    ]
    return np.concatenate(found) if found else rows


def _lasting(readings: Readings, rows: NDArray[np.intp]) -> float:
    return seconds_of(readings, rows) if rows.size else 0.0


def _grain(readings: Readings, limits: Limits) -> NDArray[np.float64]:
    """Return the noise of the take where it is told for sure, percent of the range.

    What flat areas change by from frame to frame falls with focus as well, where the
    picture moves a little; that is none of it.
    """
    if "noise.raw_percent" not in readings.columns:
        return np.full(readings.rows, np.nan)
    limit = float(limits["noise.mid_review_percent"])
    return np.asarray(mid_percent(readings, limit), np.float64)


def _unlike(
    readings: Readings,
    rows: NDArray[np.intp],
    grain: NDArray[np.float64],
    light: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Return which frames of a shot are none to hold the others against.

    Much noisier ones, by how flat areas tremble: where a coder spreads noise over
    several pixels, less of it is read from a single picture than is in it, and what is
    left would be the sharpest of the shot. And much flatter ones, as with the iris
    closed: noise and coding are not less there, and count for more.
    """
    out = np.zeros(len(rows), np.bool_)
    grain = grain[rows]
    if not np.isnan(grain).all():
        # Where flat areas do not tremble at all, or the picture moves, nothing is known
        # of grain; what a single picture shows of it is not more than there is.
        shown = _AS_PERCENT * readings["focus.noise_codes"][rows]
        grain = np.where(np.isnan(grain), shown, grain)
        usual = float(np.nanpercentile(grain, _USUAL_PERCENTILE))
        past = grain > max(_GRAIN_PERCENT, _GRAIN_TIMES * usual)
        out |= _about(readings, rows, grain, past)
    return out | _about(readings, rows, light, light < _FLAT_TIMES)


def _about(
    readings: Readings,
    rows: NDArray[np.intp],
    values: NDArray[np.float64],
    past: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Return rows up to the readings next to those that are past a limit.

    Readings are taken now and then; a row between two may be like either.
    """
    out = np.zeros(len(rows), np.bool_)
    read = np.flatnonzero(~np.isnan(values))
    if not past[read].any():
        return out
    begins = readings.times()[rows]
    at = begins[read]
    for first, last in runs(past[read]):
        low = at[first - 1] if first > 0 else -np.inf
        high = at[last] if last < len(at) else np.inf
        out |= (begins > low) & (begins < high)
    return out


def told_through(
    detail: NDArray[np.floating],
    *,
    noise: NDArray[np.floating],
    noisy: NDArray[np.floating],
    least: NDArray[np.floating],
) -> NDArray[np.float64]:
    """Return detail where it can be told from the noise, NaN elsewhere.

    Parameters
    ----------
    detail : (n, tiles) array
        Detail with the noise taken off.
    noise : (n,) array
        Noise that was taken off, codes; NaN counts as none.
    noisy, least : (tiles,) arrays
        What noise of one code puts into a tile, and how little detail has to be told
        from none.
    """
    unsure = math.sqrt(_UNSURE_ENERGY) * np.nan_to_num(np.asarray(noise, np.float64))
    with np.errstate(invalid="ignore"):
        return np.where(np.outer(unsure, noisy) < least, detail, np.nan)


def _surely_detail(
    readings: Readings, rows: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return detail of tiles without what more noise may have left of itself in it.

    Returns
    -------
    detail : (n, tiles) array
    noisy : (tiles,) array
        What noise of one code puts into each tile; 0 where unknown.

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
        return detail, np.zeros(TILES)
    least = float(np.percentile(known, _QUIET_PERCENTILE))
    contrast = held(tile_rows(readings, rows, "focus.tile_contrast_percent"))
    alike = (NOISE_ALIKE * least) ** 2
    more = LAPLACIAN_ENERGY * np.maximum(np.nan_to_num(noise) ** 2 - alike, 0.0)
    level = known_median(contrast)
    noisy = np.nan_to_num(math.sqrt(LAPLACIAN_ENERGY) / level)
    left = np.square(detail) - np.nan_to_num(more[:, None] / np.square(contrast))
    return np.sqrt(np.maximum(left, 0.0)), noisy


def _best_axis(
    detail: NDArray[np.floating],
    share: NDArray[np.floating],
    best: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the best that the subject's tiles have been along one axis."""
    along = percentile(detail * np.sqrt(share), BEST_PERCENTILE)
    return np.where(np.isnan(best) | (along <= 0), np.nan, along)


def _sigma_of(readings: Readings, rows: NDArray[np.intp]) -> float:
    """Return the blur of the shot's crispest edges."""
    rise = readings["focus.edge_rise_px"][rows]
    known = rise[~np.isnan(rise)]
    if not known.size:
        return SHARP_SIGMA
    return float(np.percentile(known, 100.0 - BEST_PERCENTILE)) / _RISE_SIGMAS
