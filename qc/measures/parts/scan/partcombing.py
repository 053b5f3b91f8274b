"""Teeth in a part of the picture only: an interlaced picture laid into another one.

A mixer or a converter that lays pictures over each other may leave the fields of one
of them as they are. Of all that moves only what lies in that part has teeth, so that
the middle of all patches tells nothing of it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, finding_of
from qc.measures.parts.scan.framepairs import band_starts
from qc.records import Finding, Grade, Readings
from qc.spans import runs

__all__ = ["BANDS", "BAND_ROWS", "check_parts", "filled"]

BANDS, BAND_ROWS = 5, 32
"""Bands that are looked at in a picture, and lines of each."""

# So many moments on end must show it in a band, all one way (of 700 progressive
# recordings none had more than two).
_FEWEST = 4


def filled(bands: tuple[float, ...]) -> NDArray[np.float64]:
    """Return one value for each of `BANDS`; NaN where a picture has fewer.

    Examples
    --------
    >>> filled((0.0, 0.5)).tolist()
    [0.0, 0.5, nan, nan, nan]
    """
    out = np.full(BANDS, np.nan)
    out[: len(bands)] = bands
    return out


def check_parts(measured: Measured, told: NDArray[np.bool_]) -> Iterator[Finding]:
    """Yield stretches in which a part of the picture has teeth.

    Parameters
    ----------
    told : (rows,) array of bool
        Where the whole picture is told to have them.
    """
    readings = measured.picture
    if readings is None or "combing.bands_lag_frames" not in readings.columns:
        return
    lag = readings["combing.bands_lag_frames"].astype(np.float64)
    lag[told] = np.nan
    found: dict[int, list[tuple[int, int]]] = {}
    for band in range(lag.shape[1]):
        known = np.flatnonzero(~np.isnan(lag[:, band]))
        way = np.sign(lag[known, band])
        for first, last in (s for one in (1, -1) for s in runs(way == one)):
            if last - first >= _FEWEST:
                begin = 0 if first == 0 else int(known[first])
                end = readings.rows if last == len(known) else int(known[last - 1]) + 1
                found.setdefault(band, []).append((begin, end))
    if found:
        yield _finding(measured, readings, lag, found)


def _finding(
    measured: Measured,
    readings: Readings,
    lag: NDArray[np.float64],
    found: dict[int, list[tuple[int, int]]],
) -> Finding:
    """Tell of all bands at once; a stretch reaches as far as any band shows it."""
    begin = min(a for spans in found.values() for a, _ in spans)
    end = max(b for spans in found.values() for _, b in spans)
    part = lag[begin:end][:, sorted(found)]
    shown = np.where(part != 0, part, np.nan)
    typical = float(np.nanmedian(shown))
    worst = begin + int(np.nanargmax(np.nanmax(np.abs(shown), axis=1, initial=0.0)))
    way = "later" if typical > 0 else "earlier"
    where = _where(measured, found)
    place = (
        "" if where is None else f" (about lines {where[1]} to {where[1] + where[3]})"
    )
    return finding_of(
        measured,
        readings,
        rule="picture.combing",
        grade=Grade.REVIEW,
        first=begin,
        last=end,
        worst_row=worst,
        worst=typical,
        unit="frames",
        message=(
            f"In a part of the picture{place} the two fields of a frame are of two "
            f"moments (the lower field is {abs(typical):.1f} frame {way}), and what "
            "moves has teeth there; in the rest they are of one."
        ),
        advice=(
            "Look for a mixer or converter that lays an interlaced picture into a "
            "progressive one, and set that source to progressive. For this take: "
            "de-interlace that part alone."
        ),
        where=where,
    )


def _where(
    measured: Measured, found: dict[int, list[tuple[int, int]]]
) -> tuple[int, int, int, int] | None:
    video = measured.info.video
    if video is None:
        return None
    starts = band_starts(video.height, count=BANDS, rows=BAND_ROWS)
    at = [starts[band] for band in found if band < len(starts)]
    if not at:
        return None
    return 0, min(at), video.width, max(at) + BAND_ROWS - min(at)
