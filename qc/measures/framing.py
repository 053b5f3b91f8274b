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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.shots import Look, look_of, near_scores, normalised
from qc.limits import Option
from qc.measures.base import Column, Measure, Measured, Setup, Values
from qc.records import Picture
from qc.views import TILE_COLUMNS, TILE_ROWS, luma_pass, proxy_luma

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
# From this fit in place on, a motion is looked for nearby first; from that one on,
# nothing can fit better by the margin.
_NEAR_FIT = 0.95
_SAME_FIT = 1.001 - _MOVED_MARGIN
# A picture is not looked for where it may be by what it has moved, unless that comes
# this near to half a tile, or so many frames have gone by.
_SURE_TILES = 0.15
_UNCHECKED = 5


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
    return normalised(
        np.asarray(small, np.float32), _FLAT_PERCENT * math.sqrt(small.size)
    )


def correlation(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Return the correlation of two thumbnails, -1 to 1."""
    return float(np.dot(a.ravel(), b.ravel()))


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

    @property
    def tiles(self) -> float:
        """How far, in tiles that focus is read on."""
        return math.hypot(self.x * TILE_COLUMNS, self.y * TILE_ROWS)

    @property
    def is_away(self) -> bool:
        """Whether the picture is the other one, but moved by half a tile."""
        return (
            self.tiles >= _MOVED_TILES
            and self.fit >= _MOVED_FIT
            and self.fit - self.fit_in_place >= _MOVED_MARGIN
        )

    def percent(self, picture: Picture) -> float:
        """How far, in percent of a picture's width."""
        return 100.0 * math.hypot(self.x, self.y * picture.height / picture.width)


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


def _vertex(scores: Sequence[float] | NDArray[np.float32], peak: int) -> float:
    """Return where the parabola through a peak and its neighbours tops, -0.5 to 0.5."""
    if not 0 < peak < len(scores) - 1:
        return 0.0
    before, top, after = (float(s) for s in scores[peak - 1 : peak + 2])
    bend = before - 2.0 * top + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


def _nearby(before: Look, after: Look) -> Displacement | None:
    """Find a displacement of under a cell; None if it may be more.

    What looks much the same in place, and fits worse a cell off on every side, has not
    moved further.
    """
    if after.middle is None:
        return None
    scores = near_scores(before.fine, after.middle, _SEARCH[::-1])
    if scores is None or scores.index(max(scores)) != 4:
        return None
    height, width = before.fine.shape
    x, y = -_vertex(scores[3:6], 1), -_vertex(scores[1::3], 1)
    return Displacement(x / width, y / height, scores[4], scores[4])


def _in_place(one: Look, other: Look) -> float:
    """Return how well two pictures' middles fit without displacement."""
    if one.middle is None or other.middle is None:
        return 0.0
    return float(np.dot(one.middle, other.middle))


def _look(picture: Picture) -> Look | None:
    codes, signal = picture.view(luma_pass).small, picture.signal
    columns, rows = _FINE
    if codes is None or codes.shape[0] < rows or codes.shape[1] < columns:
        return _look_of_small(picture.view(proxy_luma))
    return look_of(
        codes,
        factor=100.0 / (signal.white - signal.black),
        shape=(rows, columns),
        margins=_SEARCH[::-1],
        flat=_FLAT_PERCENT,
    )


def _look_of_small(luma: NDArray[np.float32]) -> Look | None:
    """Return the look of a picture that has fewer pixels than a look has cells."""
    coarse, fine = thumbnail(luma), thumbnail(luma, size=_FINE)
    if coarse is None or fine is None:
        return None
    mx, my = _SEARCH
    middle = normalised(fine[my : _FINE[1] - my, mx : _FINE[0] - mx], 1e-3)
    return Look(coarse, fine, None if middle is None else middle.ravel())


class _Reader:
    def __init__(self, setup: Setup) -> None:
        self._stay = setup.limits["framing.same_shot_correlation"]
        # First looks of the shots in the order they were last seen.
        self._shots: OrderedDict[int, Look] = OrderedDict()
        self._current = 0
        self._count = 0
        self._before: Look | None = None
        # How far, in tiles, the picture may be from its shot's first, at most.
        self._off = math.inf
        self._unchecked = 0

    def read(self, picture: Picture) -> Values:
        look = None if picture.damaged else _look(picture)
        before, self._before = self._before, look
        if look is None:
            # A flat or broken picture tells nothing about the framing.
            self._off = math.inf
            return {"shot": float(self._current)}
        d = None if before is None else _moved(before, look)
        self._off += math.inf if d is None else d.tiles
        likeness = self._place(look)
        values = {"shot": float(self._current), "likeness": likeness}
        if before is not None:
            values["motion_percent"] = math.nan if d is None else d.percent(picture)
        return values

    def _place(self, look: Look) -> float:
        """Find the shot that a picture belongs to, or begin a new one.

        Returns how much it is like the shot's first picture.
        """
        first = self._shots.get(self._current)
        if first is not None:
            likeness = correlation(first.coarse, look.coarse)
            if likeness >= self._stay and not self._has_left(first, look):
                return likeness
        back = min(1.0, self._stay + _RETURN_MARGIN)
        fits = {
            number: fit
            for number, shot in self._shots.items()
            if (fit := correlation(shot.coarse, look.coarse)) >= back
            and not displacement(shot.fine, look.fine, search=_WIDE_SEARCH).is_away
        }
        if fits:
            self._current = max(fits, key=lambda number: fits[number])
        else:
            self._current = self._count
            self._shots[self._current] = look
            self._count += 1
        self._off = math.inf
        self._shots.move_to_end(self._current)
        if len(self._shots) > _REMEMBERED:
            self._shots.popitem(last=False)
        return correlation(self._shots[self._current].coarse, look.coarse)

    def _has_left(self, first: Look, look: Look) -> bool:
        """Return whether the picture is its shot's first, but moved by half a tile.

        It need not be looked for while what it has moved since it was last looked for
        is not enough by far.
        """
        if self._off < _MOVED_TILES - _SURE_TILES and self._unchecked < _UNCHECKED:
            self._unchecked += 1
            return False
        self._unchecked = 0
        if _in_place(look, first) > _SAME_FIT:
            # Nothing fits better than wholly.
            self._off = math.inf
            return False
        d = displacement(first.fine, look.fine)
        self._off = d.tiles if d.fit >= _MOVED_FIT else math.inf
        return d.is_away

    def finish(self) -> Mapping[str, object]:
        return {"shots": self._count}


def _moved(before: Look, now: Look) -> Displacement | None:
    """Return how far the picture moved since the frame before; None at a cut."""
    d = _nearby(before, now) if _in_place(now, before) > _NEAR_FIT else None
    if d is None:
        d = displacement(before.fine, now.fine)
    return d if d.fit >= _MOVED_FIT else None


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
    version=3,
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
        "on if it fits. Whether it has moved is looked for at least every sixth frame, "
        "and at every one that its motion may have brought near there. Changes of "
        "exposure and focus do not break a shot. Motion is where the middle of the "
        "picture (96 x 54 cells) fits best in the frame before."
    ),
    source="Normalised cross-correlation: textbook statistics. Limits: house choice.",
)
