"""Focus: how much fine detail the picture holds, against the best of the same shot."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Chart, Column, Hit, Measure, Measured, Rule, Setup, Values
from qc.records import Finding, Marks, Picture, Readings
from qc.signal import Signal
from qc.views import (
    TILE_COLUMNS,
    TILE_ROWS,
    fields,
    laplacian_tiles,
    proxy_luma,
    tile_edges,
)

__all__ = ["MEASURE", "noise_sigma", "relative_sharpness"]

_TILES = TILE_ROWS * TILE_COLUMNS
# White noise of variance s^2 puts 20 s^2 into the variance of this Laplacian: the sum
# of its squared coefficients, 1 + 1 + 16 + 1 + 1.
_LAPLACIAN_ENERGY = 20.0
# Sum of squared coefficients of the noise filter (1 -2 1) x (1 -2 1).
_NOISE_ENERGY = 36.0
_NOISE_BLOCK = 16
_NOISE_SHARE = 0.15
# Mean of the lowest blocks over the mean of all, for pure noise: the choice of the
# quietest blocks reads low by this factor (test_focus simulates it).
_NOISE_BIAS = 0.885
_NOISE_EVERY = 12

# Tiles darker than this hold more noise than detail.
_TILE_DARK_PERCENT = 4.0
# Share of its level that a tile without coarse structure counts as contrast.
_LEVEL_SHARE = 0.1
# Subject tiles: those whose best is at least this share of the sharpest tile's best.
_SUBJECT_SHARE = 0.3
# Fine detail (codes) for each percent of coarse contrast under which a tile was never
# sharp enough to be a reference.
_DETAIL_FLOOR = 0.1
_REFERENCE_ROWS = 20_000
_CHUNK = 16_384


def noise_sigma(
    plane: NDArray[np.unsignedinteger], *, black: int, ceiling: int
) -> float:
    """Estimate the standard deviation of the noise from the quietest parts.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Luma codes.
    black, ceiling : int
        Codes at which the signal is cut; blocks at them hold no noise and are left
        out.

    Returns
    -------
    float
        In native code values; NaN when nothing is left to estimate from.

    Notes
    -----
    The noise filter of Immerkaer, "Fast noise variance estimation", Computer Vision
    and Image Understanding 64(2), 1996 (from memory), insensitive to slopes and
    straight edges; instead of the whole picture, only the quietest blocks of 16 x 16
    pixels count, so that texture is not taken for noise.
    """
    height, width = plane.shape
    across, down = width // _NOISE_BLOCK, height // _NOISE_BLOCK
    if across * down < 8:
        return math.nan
    plane = plane[: down * _NOISE_BLOCK, : across * _NOISE_BLOCK]
    depth = cv2.CV_16S if plane.dtype == np.uint8 else cv2.CV_32F
    kernel = np.array([1.0, -2.0, 1.0])
    filtered = cv2.sepFilter2D(plane, depth, kernel, kernel)
    size = (across, down)
    mean = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
    magnitude = cv2.resize(
        np.abs(filtered).astype(np.float32), size, interpolation=cv2.INTER_AREA
    )
    usable = magnitude[(mean > black * 1.02 + 1) & (mean < 0.98 * ceiling)]
    if usable.size < 8:
        return math.nan
    count = max(4, round(_NOISE_SHARE * usable.size))
    quiet = np.partition(usable, count - 1)[:count]
    # Mean magnitude of a normal variable: sigma * sqrt(2 / pi).
    sigma = float(quiet.mean(dtype=np.float64)) * math.sqrt(math.pi / 2)
    return sigma / math.sqrt(_NOISE_ENERGY) / _NOISE_BIAS


def coarse_contrast(proxy: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the contrast of each tile that defocus leaves: what detail is held against.

    Parameters
    ----------
    proxy : (h, w) array of float32
        Small area-averaged luma in percent of black-to-white.

    Returns
    -------
    (rows, columns) array of float64
        Root of the variance within the tile on the small picture and the squared
        share `_LEVEL_SHARE` of its level, in percent; NaN in dark tiles. Both follow
        the exposure as fine detail does, and both go when the subject leaves the tile;
        neither falls when it goes out of focus.
    """
    size = (TILE_COLUMNS, TILE_ROWS)
    small = proxy.astype(np.float64)
    mean = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    square = cv2.resize(small * small, size, interpolation=cv2.INTER_AREA)
    variance = np.maximum(square - mean * mean, 0.0)
    contrast = np.sqrt(variance + (_LEVEL_SHARE * mean) ** 2)
    return np.where(mean > _TILE_DARK_PERCENT, contrast, np.nan)


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._noise = math.nan

    def read(self, picture: Picture) -> Values:
        if picture.damaged:
            return {}
        signal = self._signal
        scale = signal.code_scale**2
        if picture.index % _NOISE_EVERY == 0 or math.isnan(self._noise):
            readings = [
                noise_sigma(f, black=signal.black, ceiling=signal.ceiling)
                for f in fields(picture.y, interlaced=picture.interlaced)
            ]
            self._noise = float(np.mean(readings))
        sigma = 0.0 if math.isnan(self._noise) else self._noise
        noise = _LAPLACIAN_ENERGY * sigma**2
        tiles = picture.view(laplacian_tiles)
        whole = tiles.whole_variance()
        detail = np.sqrt(np.maximum(tiles.variance() - noise, 0.0) * scale)
        relative = detail / coarse_contrast(picture.view(proxy_luma))
        return {
            "laplacian_variance": whole * scale,
            "sharpness": max(whole - noise, 0.0) * scale,
            "noise_codes": self._noise * signal.code_scale,
            "tile_detail": relative.ravel(),
        }

    def finish(self) -> Mapping[str, object]:
        return {}


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
        Median over the tiles that count; NaN where fewer than two could be read.
    """
    counts = ~np.isnan(reference)
    if not counts.any():
        return np.full(len(detail), np.nan)
    shares = 100.0 * np.asarray(detail, np.float64)[:, counts] / reference[counts]
    enough = np.count_nonzero(~np.isnan(shares), axis=1) >= min(2, counts.sum())
    out = np.full(len(detail), np.nan)
    if enough.any():
        out[enough] = np.nanmedian(shares[enough], axis=1)
    return out


def _best_of(detail: NDArray[np.floating], share_lit: float) -> NDArray[np.float64]:
    """Return the best that each tile has been; NaN for tiles that were never sharp."""
    detail = np.asarray(detail, np.float64)
    with warnings.catch_warnings():
        # A tile that was dark throughout is all NaN and stays NaN.
        warnings.simplefilter("ignore", RuntimeWarning)
        best = np.nanpercentile(detail, 95, axis=0)
    lit = np.mean(~np.isnan(detail), axis=0)
    best[lit < share_lit] = np.nan
    if np.isnan(best).all():
        return best
    best[best < _SUBJECT_SHARE * np.nanmax(best)] = np.nan
    best[best < _DETAIL_FLOOR] = np.nan
    return best


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    shots = readings["framing.shot"]
    relative = np.full(readings.rows, np.nan, np.float32)
    shortest = measured.limits["focus.shot_min_seconds"]
    for number in np.unique(shots[~np.isnan(shots)]):
        rows = np.flatnonzero(shots == number)
        seconds = float(_seconds_of(readings, rows))
        if seconds < shortest:
            continue
        sample = rows[:: max(1, len(rows) // _REFERENCE_ROWS)]
        best = _best_of(_tile_rows(readings, sample), share_lit=0.25)
        for at in range(0, len(rows), _CHUNK):
            part = rows[at : at + _CHUNK]
            relative[part] = relative_sharpness(_tile_rows(readings, part), best)
    return {"relative_percent": relative}


def _seconds_of(readings: Readings, rows: NDArray[np.intp]) -> float:
    ticks = readings.edges[rows + 1] - readings.edges[rows]
    return float(int(ticks.sum()) * readings.time_base)


def _tile_rows(readings: Readings, rows: NDArray[np.intp]) -> NDArray[np.float32]:
    """Return some rows of the tile column without bringing in all of a long take."""
    first, last = int(rows[0]), int(rows[-1]) + 1
    out = np.empty((len(rows), _TILES), np.float32)
    for at in range(first, last, _CHUNK):
        stop = min(at + _CHUNK, last)
        inside = (rows >= at) & (rows < stop)
        if inside.any():
            part = readings.columns.part("focus.tile_detail", at, stop)
            out[inside] = part[rows[inside] - at]
    return out


def _message(hit: Hit) -> str:
    return (
        f"Soft: fine detail falls to {hit.worst:.0f} % of the sharpest that this shot "
        f"has been (limit {hit.limit:g} %)."
    )


def _advice(hit: Hit) -> str:
    return (
        "Focus again on the operative field at full zoom, then frame; with manual "
        "focus, check it after every change of distance or zoom."
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    out: dict[str, object] = {}
    for column, names in (
        ("laplacian_variance", ("median",)),
        ("sharpness", ("median", "max")),
        ("noise_codes", ("median",)),
        ("relative_percent", ("median", "min")),
    ):
        values = readings[f"focus.{column}"]
        known = values[~np.isnan(values)].astype(np.float64)
        for name in names:
            figure = getattr(np, name)(known) if known.size else math.nan
            out[f"{column}_{name}"] = float(figure)
    return out


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    relative = readings["focus.relative_percent"]
    share = float(np.mean(np.isnan(relative)))
    if share == 1.0:
        yield (
            "Focus was not judged: no shot is long enough and detailed enough to tell "
            "its sharpest moment."
        )
    elif share > 0.05:
        yield (
            f"Focus was not judged in {100 * share:.0f} % of the frames: shots too "
            "short, too dark or without detail."
        )


def _mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    """Mark sharp edges: pixels whose Laplacian stands well out of the noise."""
    lap = np.zeros(picture.y.shape, np.float32)
    planes = fields(picture.y, interlaced=picture.interlaced)
    for i, plane in enumerate(planes):
        lap[i :: len(planes)] = np.abs(
            cv2.Laplacian(plane.astype(np.float32), cv2.CV_32F, ksize=1)
        )
    lap *= picture.signal.code_scale
    signal = picture.signal
    sigma = noise_sigma(planes[0], black=signal.black, ceiling=signal.ceiling)
    noise = 0.0 if math.isnan(sigma) else sigma * signal.code_scale
    sharp = lap > max(20.0, 4.0 * math.sqrt(_LAPLACIAN_ENERGY) * noise)
    return Marks(
        areas=(("sharp", sharp),),
        caption="Marked: edges that are sharp. Few or none on the subject means soft.",
    )


def grid_lines(height: int, width: int) -> tuple[list[int], list[int]]:
    """Return where the tile grid's lines lie: rows and columns of the picture."""
    return tile_edges(height, TILE_ROWS), tile_edges(width, TILE_COLUMNS)


MEASURE = Measure(
    name="focus",
    label="Focus",
    clock="picture",
    columns=(
        Column("sharpness", "Variance of the Laplacian, noise taken off", "codes²", 1),
        Column("laplacian_variance", "Variance of the Laplacian", "codes²", 1),
        Column("noise_codes", "Noise", "codes", 2),
        Column("tile_detail", "Fine over coarse contrast of each tile", "", 3, _TILES),
    ),
    derived=(Column("relative_percent", "Sharpness against the shot's best", "%", 0),),
    derive=_derive,
    options=(
        Option(
            "focus.soft_review_percent",
            50.0,
            "Soft when fine detail on the subject falls under this share of the "
            "sharpest that the same shot has been (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "focus.soft_reject_percent",
            25.0,
            "Too soft to use under this share (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "focus.soft_min_seconds",
            0.4,
            "Shorter than this is let pass: a hand through the picture, a quick pan "
            "(house choice).",
            unit="s",
            low=0,
            high=60,
        ),
        Option(
            "focus.shot_min_seconds",
            1.5,
            "A shot shorter than this has no sharpest moment to compare with "
            "(house choice).",
            unit="s",
            low=0,
            high=60,
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            "focus.soft",
            column="focus.relative_percent",
            label="Soft",
            review="focus.soft_review_percent",
            reject="focus.soft_reject_percent",
            above=False,
            release=1.15,
            min_seconds="focus.soft_min_seconds",
            bridge_seconds=0.3,
            unit="%",
            message=_message,
            advice=_advice,
        ),
    ),
    charts=(
        Chart(
            ("relative_percent",),
            "Sharpness",
            "% of the shot's best",
            low=0.0,
            high=130.0,
            limits=("focus.soft_review_percent", "focus.soft_reject_percent"),
            explain="Detail on the tiles where the subject is, against the sharpest "
            "that the same shot has been.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    mark=_mark,
    method=(
        "Variance of the Laplacian (0 1 0 / 1 -4 1 / 0 1 0) of luma in 8-bit-equivalent "
        "code values, whole and on a grid of 8 x 6 tiles, field by field where "
        "interlaced. Noise is estimated from the quietest parts and its share, 20 "
        "times its variance, taken off. A tile's detail (the square root) is divided "
        "by its coarse contrast, so that a darker picture, or a subject that leaves the "
        "tile, does not read as soft. A frame is "
        "judged on the tiles that were ever sharp, against the best they have been in "
        "the same shot."
    ),
    source=(
        "Pech-Pacheco et al., ICPR 2000 (variance of the Laplacian); Pertuz, Puig, "
        "Garcia, Pattern Recognition 46 (2013). Limits: house choice."
    ),
)
