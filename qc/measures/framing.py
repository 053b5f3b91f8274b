"""Framing: which frames belong to one shot, so that a reference holds within it.

Sharpness is judged against the best of the same shot. A new shot begins where the
picture no longer looks like the shot's first frame: at a cut, or once a pan or zoom
has changed the framing. Coming back to an earlier framing takes up its shot again.
How far the picture moves as a whole from frame to frame is read along with it: what
motion smears cannot be judged for focus.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Column, Measure, Measured, Setup, Values
from qc.records import Picture
from qc.views import TILE_COLUMNS, TILE_ROWS, proxy_luma

__all__ = ["MEASURE", "Displacement", "correlation", "displacement", "thumbnail"]

_THUMB = (48, 27)  # width, height: coarse enough that blur and grain do not matter
_FINE = (96, 54)  # fine enough to see the picture move by a tenth of a percent
_SEARCH = (10, 6)  # cells of _FINE that a picture may have moved to be followed
# Coming back, it may lie much further off and still look alike by its light.
_WIDE_SEARCH = (24, 14)
_REMEMBERED = 8
# A return to an earlier framing must fit better than what is needed to stay in one.
_RETURN_MARGIN = 0.25
# Under this spread (percent of range) a picture has no structure to compare.
_FLAT_PERCENT = 0.5
# Moved by half a focus tile, a tile holds other things than it did.
_MOVED_TILES = 0.5
# A picture counts as displaced only if it fits clearly better there than in place,
# and fits well: defocus, exposure and hands in the picture fit best in place.
_MOVED_MARGIN = 0.05
_MOVED_FIT = 0.6


def thumbnail(
    luma: NDArray[np.float32], *, size: tuple[int, int] = _THUMB
) -> NDArray[np.float32] | None:
    """Return a coarse picture of zero mean and unit length, None for a flat picture.

    Parameters
    ----------
    luma : (H, W) array of float32
        Percent of black-to-white.
    size : (int, int)
        Width and height of the coarse picture in cells.
    """
    small = cv2.resize(luma, size, interpolation=cv2.INTER_AREA)
    small = small - small.mean()
    length = float(np.sqrt(np.sum(small * small, dtype=np.float64)))
    if length < _FLAT_PERCENT * math.sqrt(small.size):
        return None
    out: NDArray[np.float32] = small / np.float32(length)
    return out


def correlation(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Return the correlation of two thumbnails, -1 to 1."""
    return float(np.sum(a * b, dtype=np.float64))


@dataclass(frozen=True, slots=True)
class Displacement:
    """How far one picture lies from another, and how well it fits there.

    Attributes
    ----------
    x, y : float
        Shares of the picture's width and height; right and down are positive.
    fit, fit_in_place : float
        Correlation there and without displacement, -1 to 1.
    """

    x: float
    y: float
    fit: float
    fit_in_place: float


def displacement(
    before: NDArray[np.float32],
    after: NDArray[np.float32],
    *,
    search: tuple[int, int] = _SEARCH,
) -> Displacement:
    """Find where the middle of `after` was in `before`.

    Parameters
    ----------
    before, after : (h, w) arrays of float32
        Coarse pictures of one size.
    search : (int, int)
        Cells across and down to look at in each direction; a larger displacement
        reads as the border of the search or as one that does not fit.

    Notes
    -----
    Normalised cross-correlation, refined below one cell by a parabola through the
    peak and its neighbours. Unlike phase correlation it weighs frequencies by their
    contrast, so that defocus and noise do not make it wander.
    """
    height, width = before.shape
    mx, my = search
    middle = after[my : height - my, mx : width - mx]
    scores = np.asarray(
        cv2.matchTemplate(before, middle, cv2.TM_CCOEFF_NORMED), np.float32
    )
    _, fit, _, (column, row) = cv2.minMaxLoc(scores)
    x = mx - column - _vertex(scores[row, :], column)
    y = my - row - _vertex(scores[:, column], row)
    return Displacement(x / width, y / height, float(fit), float(scores[my, mx]))


def _vertex(scores: NDArray[np.float32], peak: int) -> float:
    """Return where the parabola through a peak and its neighbours tops, -0.5 to 0.5."""
    if not 0 < peak < len(scores) - 1:
        return 0.0
    before, top, after = (float(s) for s in scores[peak - 1 : peak + 2])
    bend = before - 2.0 * top + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """What a frame looks like, coarse and finer."""

    coarse: NDArray[np.float32]
    fine: NDArray[np.float32]

    def displaced_from(
        self, other: _Look, *, search: tuple[int, int] = _SEARCH
    ) -> bool:
        """Return whether this is the other picture, but moved by half a tile."""
        d = displacement(other.fine, self.fine, search=search)
        tiles = math.hypot(d.x * TILE_COLUMNS, d.y * TILE_ROWS)
        return (
            tiles >= _MOVED_TILES
            and d.fit >= _MOVED_FIT
            and d.fit - d.fit_in_place >= _MOVED_MARGIN
        )


def _look(luma: NDArray[np.float32]) -> _Look | None:
    coarse = thumbnail(luma)
    fine = thumbnail(luma, size=_FINE)
    return None if coarse is None or fine is None else _Look(coarse, fine)


class _Reader:
    def __init__(self, setup: Setup) -> None:
        self._stay = setup.limits["framing.same_shot_correlation"]
        # First looks of the shots in the order they were last seen.
        self._shots: OrderedDict[int, _Look] = OrderedDict()
        self._current = 0
        self._count = 0
        self._before: _Look | None = None

    def read(self, picture: Picture) -> Values:
        look = None if picture.damaged else _look(picture.view(proxy_luma))
        before, self._before = self._before, look
        if look is None:
            # A flat or broken picture tells nothing about the framing.
            return {"shot": float(self._current)}
        self._place(look)
        first = self._shots[self._current]
        values = {
            "shot": float(self._current),
            "likeness": correlation(first.coarse, look.coarse),
        }
        if before is not None:
            values["motion_percent"] = _motion_percent(before, look, picture)
        return values

    def _place(self, look: _Look) -> None:
        """Find the shot that a picture belongs to, or begin a new one."""
        first = self._shots.get(self._current)
        if (
            first is not None
            and correlation(first.coarse, look.coarse) >= self._stay
            and not look.displaced_from(first)
        ):
            return
        back = min(1.0, self._stay + _RETURN_MARGIN)
        fits = {
            number: fit
            for number, shot in self._shots.items()
            if (fit := correlation(shot.coarse, look.coarse)) >= back
            and not look.displaced_from(shot, search=_WIDE_SEARCH)
        }
        if fits:
            self._current = max(fits, key=lambda number: fits[number])
        else:
            self._current = self._count
            self._shots[self._current] = look
            self._count += 1
        self._shots.move_to_end(self._current)
        if len(self._shots) > _REMEMBERED:
            self._shots.popitem(last=False)

    def finish(self) -> Mapping[str, object]:
        return {"shots": self._count}


def _motion_percent(before: _Look, now: _Look, picture: Picture) -> float:
    """Return how far the picture moved, in percent of its width; NaN at a cut."""
    d = displacement(before.fine, now.fine)
    if d.fit < _MOVED_FIT:
        return math.nan
    return 100.0 * math.hypot(d.x, d.y * picture.height / picture.width)


def _summarise(measured: Measured) -> Mapping[str, object]:
    out = dict(measured.totals.get("framing", {}))
    readings = measured.picture
    if readings is not None and readings.rows:
        motion = readings["framing.motion_percent"]
        known = motion[~np.isnan(motion)].astype(np.float64)
        for name, share in (("median", 50.0), ("p95", 95.0)):
            figure = float(np.percentile(known, share)) if known.size else math.nan
            out[f"motion_{name}_percent"] = figure
    return out


MEASURE = Measure(
    name="framing",
    label="Framing",
    clock="picture",
    room="movement",
    columns=(
        Column("shot", "Shot", "", 0),
        Column("likeness", "Likeness to the shot's first frame", "", 2),
        Column("motion_percent", "Motion since the frame before", "% of width", 2),
    ),
    options=(
        Option(
            "framing.same_shot_correlation",
            0.5,
            "A frame belongs to the shot as long as its coarse picture correlates with "
            "the shot's first frame at least this much (house choice).",
            low=0,
            high=1,
            measuring=True,
        ),
    ),
    start=_Reader,
    summarise=_summarise,
    method=(
        "Each frame, area-averaged to 48 x 27 cells, is correlated with the first "
        "frame of its shot; below the limit, or once it fits clearly better moved by "
        "half a focus tile than in place, a new shot begins, or an earlier one goes "
        "on if it fits. Changes of exposure and focus do not break a shot. Motion is "
        "where the middle of the picture (96 x 54 cells) fits best in the frame before."
    ),
    source="Normalised cross-correlation: textbook statistics. Limits: house choice.",
)
