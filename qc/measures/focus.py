"""Focus: how much fine detail the picture holds, against the best of the same shot."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

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
    finding_of,
)
from qc.measures.sharpness import (
    LAPLACIAN_ENERGY,
    coarse_contrast,
    edge_rise,
    noise_sigma,
)
from qc.records import Finding, Grade, Marks, Picture, Readings
from qc.signal import Signal
from qc.spans import runs
from qc.views import (
    TILE_COLUMNS,
    TILE_ROWS,
    fields,
    laplacian_tiles,
    proxy_luma,
)

__all__ = ["MEASURE", "noise_sigma", "relative_sharpness"]

_TILES = TILE_ROWS * TILE_COLUMNS
# Frames between two readings of what changes slowly and costs time.
_NOISE_EVERY = 12
_RISE_EVERY = 24

# Subject tiles: those whose best is at least this share of the sharpest tile's best.
_SUBJECT_SHARE = 0.3
# Fine detail (codes) for each percent of coarse contrast under which a tile was never
# sharp enough to be a reference.
_DETAIL_FLOOR = 0.1
# A tile whose detail jumps from frame to frame by more than this share of its mean
# holds what noise leaves by chance and nothing of the subject.
_JUMPY_SHARE = 0.4
# A shot is as sharp as it is in the sharpest twentieth of its readings.
_BEST_PERCENTILE = 95.0
_REFERENCE_ROWS = 20_000
_CHUNK = 16_384


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._noise = math.nan
        self._frames = 0

    def read(self, picture: Picture) -> Values:
        if picture.damaged:
            return {}
        signal = self._signal
        scale = signal.code_scale**2
        planes = fields(picture.y, interlaced=picture.interlaced)
        if self._frames % _NOISE_EVERY == 0 or math.isnan(self._noise):
            readings = [
                noise_sigma(f, black=signal.black, ceiling=signal.ceiling)
                for f in planes
            ]
            self._noise = float(np.mean(readings))
        sigma = 0.0 if math.isnan(self._noise) else self._noise
        noise = LAPLACIAN_ENERGY * sigma**2
        tiles = picture.view(laplacian_tiles)
        whole = tiles.whole_variance()
        detail = np.sqrt(np.maximum(tiles.variance() - noise, 0.0) * scale)
        relative = detail / coarse_contrast(picture.view(proxy_luma))
        values: dict[str, float | NDArray[np.floating]] = {
            "laplacian_variance": whole * scale,
            "sharpness": max(whole - noise, 0.0) * scale,
            "noise_codes": self._noise * signal.code_scale,
            "tile_detail": relative.ravel(),
        }
        if self._frames % _RISE_EVERY == 0:
            values["edge_rise_px"] = edge_rise(
                planes[0],
                noise=sigma,
                code_scale=signal.code_scale,
                interlaced=picture.interlaced,
            )
        self._frames += 1
        return values

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
        Median over the tiles that count, the upper one of two; NaN where fewer than
        two could be read.
    """
    counts = ~np.isnan(reference)
    if not counts.any():
        return np.full(len(detail), np.nan)
    shares = 100.0 * np.asarray(detail, np.float64)[:, counts] / reference[counts]
    known = np.count_nonzero(~np.isnan(shares), axis=1)
    # Sorted, NaN comes last. Of an even number the upper middle one counts, so that a
    # frame is soft only if more than half of its tiles are.
    middle = np.sort(shares, axis=1)[np.arange(len(shares)), known // 2]
    return np.where(known >= min(2, counts.sum()), middle, np.nan)


def _best_of(detail: NDArray[np.floating], share_lit: float) -> NDArray[np.float64]:
    """Return the best that each tile has been; NaN for tiles that were never sharp."""
    detail = np.asarray(detail, np.float64)
    with warnings.catch_warnings():
        # A tile that was dark throughout is all NaN and stays NaN.
        warnings.simplefilter("ignore", RuntimeWarning)
        best: NDArray[np.float64] = np.nanpercentile(detail, _BEST_PERCENTILE, axis=0)
    lit = np.mean(~np.isnan(detail), axis=0)
    best[lit < share_lit] = np.nan
    if np.isnan(best).all():
        return best
    with warnings.catch_warnings(), np.errstate(invalid="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)
        jumps = np.nanmean(np.abs(np.diff(detail, axis=0)), axis=0)
        best[jumps > _JUMPY_SHARE * np.nanmean(detail, axis=0)] = np.nan
        best[best < _SUBJECT_SHARE * np.nanmax(best)] = np.nan
        best[best < _DETAIL_FLOOR] = np.nan
    return best


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    moving = _moving(readings, measured.limits["focus.motion_limit_percent"])
    rises = np.where(moving, np.nan, readings["focus.edge_rise_px"])
    relative = np.full(readings.rows, np.nan, np.float32)
    shot_rise = np.full(readings.rows, np.nan, np.float32)
    shortest = measured.limits["focus.shot_min_seconds"]
    for rows in _rows_of_shots(readings["framing.shot"]):
        if _seconds_of(readings, rows) < shortest:
            continue
        sample = rows[:: max(1, len(rows) // _REFERENCE_ROWS)]
        best = _best_of(_tile_rows(readings, sample), share_lit=0.25)
        for at in range(0, len(rows), _CHUNK):
            part = rows[at : at + _CHUNK]
            relative[part] = relative_sharpness(_tile_rows(readings, part), best)
        known = rises[rows][~np.isnan(rises[rows])]
        if known.size:
            shot_rise[rows] = np.percentile(known, 100.0 - _BEST_PERCENTILE)
    # What motion smears says nothing about the focus.
    relative[moving] = np.nan
    return {"relative_percent": relative, "shot_rise_px": shot_rise}


def _moving(readings: Readings, limit: float) -> NDArray[np.bool_]:
    """Return which frames the picture moves in, as a whole: from before or on."""
    with np.errstate(invalid="ignore"):
        since: NDArray[np.bool_] = readings["framing.motion_percent"] > limit
    moving = since.copy()
    moving[:-1] |= since[1:]
    return moving


def _rows_of_shots(shots: NDArray[np.float32]) -> list[NDArray[np.intp]]:
    """Return the rows of each shot; a moving camera may make thousands of shots."""
    known = np.flatnonzero(~np.isnan(shots))
    if not known.size:
        return []
    rows = known[np.argsort(shots[known], kind="stable")]
    return np.split(rows, np.flatnonzero(np.diff(shots[rows])) + 1)


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
        f"Fine detail falls to {hit.worst:.0f} % of the sharpest that this shot "
        f"has been (limit {hit.limit:g} %)."
    )


_ADVICE = (
    "Focus on the operative field at full zoom, zoom back and check the focus again; "
    "repeat it after every change of distance or zoom."
)


def _advice(hit: Hit) -> str:
    return _ADVICE


def _never_sharp(measured: Measured) -> Iterable[Finding]:
    """Yield the shots in which nothing is ever sharp: they fall from no best."""
    readings = measured.picture
    if readings is None or "focus.shot_rise_px" not in readings.columns:
        return
    rise = readings["focus.shot_rise_px"]
    review = measured.limits["focus.rise_review_px"]
    reject = measured.limits["focus.rise_reject_px"]
    with np.errstate(invalid="ignore"):
        past = rise > review
    for first, last in runs(past):
        seconds = readings.start(last) - readings.start(first)
        if float(seconds) < measured.limits["focus.soft_min_seconds"]:
            continue
        worst = float(rise[first:last].max())
        limit = reject if worst > reject else review
        shown = readings["focus.edge_rise_px"][first:last]
        at = 0 if np.isnan(shown).all() else int(np.nanargmax(shown))
        yield finding_of(
            measured,
            readings,
            rule="focus.soft",
            grade=Grade.REJECT if worst > reject else Grade.REVIEW,
            first=first,
            last=last,
            worst_row=first + at,
            message=(
                "Even the crispest edges of this shot rise over "
                f"{worst:.0f} pixels throughout (limit {limit:g})."
            ),
            advice=_ADVICE,
            worst=worst,
            limit=float(limit),
            unit="px",
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
        ("edge_rise_px", ("median", "min")),
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
            "its sharpest moment, or the picture moves all the time."
        )
    elif share > 0.05:
        yield (
            f"Focus was not judged in {100 * share:.0f} % of the frames: shots too "
            "short, too dark or without detail, or the picture in motion."
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
    sharp = lap > max(20.0, 4.0 * math.sqrt(LAPLACIAN_ENERGY) * noise)
    return Marks(
        areas=(("sharp", sharp),),
        caption="Marked: edges that are sharp. Few or none on the subject means soft.",
    )


MEASURE = Measure(
    name="focus",
    label="Focus",
    clock="picture",
    columns=(
        Column("sharpness", "Variance of the Laplacian, noise taken off", "codes²", 1),
        Column("laplacian_variance", "Variance of the Laplacian", "codes²", 1),
        Column("noise_codes", "Noise", "codes", 2),
        Column("tile_detail", "Fine over coarse contrast of each tile", "", 3, _TILES),
        Column("edge_rise_px", "Rise of the crispest edges, 10 to 90 %", "px", 1),
    ),
    derived=(
        Column("relative_percent", "Sharpness against the shot's best", "%", 0),
        Column("shot_rise_px", "Rise of the crispest edges of the shot", "px", 1),
    ),
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
        Option(
            "focus.motion_limit_percent",
            0.3,
            "A frame is not judged for focus when the picture moves as a whole by more "
            "than this share of its width from one frame to the next: motion smears "
            "(house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "focus.rise_review_px",
            4.0,
            "A shot is soft throughout when even its crispest edges take more pixels "
            "than this from 10 to 90 % of their height, of 1920 along the picture if "
            "it has more (house choice).",
            unit="px",
            low=1,
            high=1000,
        ),
        Option(
            "focus.rise_reject_px",
            10.0,
            "Too soft throughout to use when the crispest edges take more pixels than "
            "this (house choice).",
            unit="px",
            low=1,
            high=1000,
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
    checks=(_never_sharp,),
    check_rules={"focus.soft": "Soft"},
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
        "Variance of the Laplacian (0 1 0 / 1 -4 1 / 0 1 0) of luma in "
        "8-bit-equivalent code values, whole and on a grid of 8 x 6 tiles, field by "
        "field where interlaced. Noise is estimated from the quietest parts and its "
        "share, 20 times its variance, taken off; it is read every 12th frame, the "
        "rise of edges every 24th. A tile's detail (the square root) "
        "is divided by its coarse contrast, so that a darker picture, or a subject "
        "that leaves the tile, does not read as soft. A frame is judged on the tiles "
        "that were ever sharp, against the best they have been in the same shot; not "
        "where the picture moves as a whole. A shot that is never sharp is told by "
        "the rise of its crispest edges, from slope and curvature of the luma."
    ),
    source=(
        "Pech-Pacheco et al., ICPR 2000 (variance of the Laplacian); Pertuz, Puig, "
        "Garcia, Pattern Recognition 46 (2013). Noise filter: Immerkaer, Computer "
        "Vision and Image Understanding 64 (1996), from memory. Tiles, coarse contrast "
        "and rise of edges: own method. Limits: house choice."
    ),
)
