"""What moves a picture though the camera stays: what covers it, and a zoom off centre.

A hand near the lens fills the picture for a moment and moves by itself; before and
after it the scene is the same. A zoom keeps one point of the picture in its place; if
that is not the centre, the centre moves, and nobody swayed.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.light import mean_cells
from qc.measures.parts.motion.motionpatches import Motion
from qc.measures.parts.running import running_mean

__all__ = ["CoverWatch", "rests_behind", "uncovered", "without_zoom"]

_Array = NDArray[np.floating]

_SIZE = 24, 14  # cells that a picture is known again by
_PLAIN = 0.3  # percent; a picture with less contrast is like none
_BEFORE_S = 0.6  # something comes before the lens within so much
_LONGEST_S = 6.0  # and does not stay: what does is the new scene
_EVERY_S = 0.07  # looks are no closer
_SOFT_LOOKS = 2  # a cut takes one
# Correlation with the picture before: so like it is the same scene; so little, another.
_SAME, _BACK, _OTHER = 0.9, 0.8, 0.35
_UNSURE = 0.45  # share of patches; more follow a camera that pans or zooms there
# Percent of width, percent: what the camera did meanwhile, if it explains the change.
_WENT_PERCENT, _ZOOMED_PERCENT = 3.0, 10.0
_MARGIN_S = 0.2  # before the scene is seen to be another, and after
_ZOOM_S = 0.2
_ZOOM_NOISE_PERCENT = 0.02
# Of one picture a faint ground says little. Behind a head that nodded before a wall it
# rested in 59 % of the pictures of every nod; under 40 knocks and sways it seemed to in
# 19 % at most.
_BEHIND_S, _BEHIND_SHARE, _BEHIND_FEWEST = 1.5, 0.4, 3
# The fixed point lies in the picture: at its edge, half a width from the centre.
_FIXED_POINT = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """A picture in few cells, its light taken off, of length one."""

    cells: NDArray[np.float32]
    time: float
    number: int
    shift: tuple[float, float]
    zoom: float
    sure: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Away:
    home: NDArray[np.float32]
    number: int
    time: float
    covered: bool


class CoverWatch:
    """Tells when a scene is back that something had covered; see `read`."""

    def __init__(self) -> None:
        self._looks: deque[_Look] = deque()
        self._away: _Away | None = None
        self._number = 0
        self._next = -np.inf
        # What the camera did since the last look.
        self._shift, self._zoom, self._sure = (0.0, 0.0), 0.0, True

    def read(
        self, luma: NDArray[np.float32], time: float, motion: Motion | None
    ) -> int:
        """Return how many pictures ago the scene was covered that is back now; or 0.

        Parameters
        ----------
        luma : (h, w) array of float32
            Small picture in percent of black-to-white.
        time : float
            Seconds.
        motion : Motion or None
            Since the picture before, as far as it could be followed.
        """
        self._number += 1
        if motion is None or motion.trust < _UNSURE:
            self._sure = False
        if motion is not None:
            share = 100.0 / luma.shape[1]
            x, y = self._shift
            self._shift = x + share * motion.x, y + share * motion.y
            self._zoom += 100.0 * motion.zoom
        # After a jump of the clock as well.
        if self._next - _EVERY_S <= time < self._next:
            return 0
        self._next = time + _EVERY_S
        look = _Look(
            _cells(luma), time, self._number, self._shift, self._zoom, self._sure
        )
        self._shift, self._zoom, self._sure = (0.0, 0.0), 0.0, True
        if self._away is not None:
            return self._waits(self._away, look)
        self._looks.append(look)
        while time - self._looks[0].time > _BEFORE_S:
            self._looks.popleft()
        home = self._looks[0].cells
        if float(np.vdot(look.cells, home)) < _OTHER:
            self._away = self._gone(home, look)
            self._looks.clear()
        return 0

    def _gone(self, home: NDArray[np.float32], now: _Look) -> _Away:
        """Return what to wait for: the scene as it was, and whether it was covered."""
        since = [k for k in self._looks if float(np.vdot(k.cells, home)) < _SAME]
        went = np.hypot(*np.sum([k.shift for k in since], axis=0))
        covered = (
            len(since) >= _SOFT_LOOKS
            and not all(k.sure for k in since)
            and float(went) < _WENT_PERCENT
            and abs(sum(k.zoom for k in since)) < _ZOOMED_PERCENT
        )
        return _Away(home, since[0].number if since else now.number, now.time, covered)

    def _waits(self, away: _Away, look: _Look) -> int:
        if look.time - away.time > _LONGEST_S:
            self._away = None
            return 0
        if float(np.vdot(look.cells, away.home)) < _BACK:
            return 0
        self._away = None
        return look.number - away.number if away.covered else 0


def _cells(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    (columns, _), (height, width) = _SIZE, luma.shape
    if width > columns and width % columns == 0:
        # Whole pixels across are added first: what is left is a tenth to resize.
        luma = mean_cells(np.ascontiguousarray(luma), height, columns)
    cells = np.asarray(cv2.resize(luma, _SIZE, None, 0, 0, cv2.INTER_AREA))
    cells = cells - cells.mean()
    length = float(np.sqrt(np.vdot(cells, cells)))
    plain = length < _PLAIN * cells.size**0.5
    return np.asarray(cells * (0.0 if plain else 1.0 / length), np.float32)


def uncovered(returns: _Array, begins: _Array) -> NDArray[np.bool_]:
    """Return in which rows nothing covers the picture.

    Parameters
    ----------
    returns : (rows,) array
        Of `CoverWatch.read`.
    begins : (rows,) array
        Seconds.
    """
    out = np.ones(len(returns), np.bool_)
    for row in np.flatnonzero(returns > 0).tolist():
        first = max(row - int(returns[row]), 0)
        times = begins[first] - _MARGIN_S, begins[row] + _MARGIN_S
        out[np.searchsorted(begins, times[0]) : np.searchsorted(begins, times[1])] = (
            False
        )
    return out


def rests_behind(behind: _Array, begins: _Array) -> NDArray[np.bool_]:
    """Return in which rows the camera rests and only what is before the ground moves.

    Parameters
    ----------
    behind : (rows,) array
        Of `MotionTracker.behind`.
    begins : (rows,) array
        Seconds.
    """
    asked = np.isfinite(behind)
    if np.count_nonzero(asked) < _BEHIND_FEWEST:
        return np.zeros(len(behind), np.bool_)
    period = max(float(np.median(np.diff(begins))), 1e-3)
    # An odd number of rows lies evenly about its middle.
    rows = 2 * round(0.5 * _BEHIND_S / period) + 1
    near, rest = (
        np.rint(rows * running_mean(v.astype(np.float64), rows))
        for v in (asked, np.where(asked, behind, 0.0))
    )
    return np.asarray((near >= _BEHIND_FEWEST) & (rest >= _BEHIND_SHARE * near))


def without_zoom(
    dx: _Array, dy: _Array, zoom: _Array, begins: _Array
) -> tuple[_Array, _Array]:
    """Return shifts less what a zoom about a point in the picture makes of them.

    Parameters
    ----------
    dx, dy : (rows,) arrays
        Shift of the centre since the row before, percent of width.
    zoom : (rows,) array
        Percent.

    Notes
    -----
    About a fixed point at p from the centre a zoom by z moves the centre by ``-z p``.
    The point is not known but lies in the picture; so much shift is the zoom's.
    """
    if len(begins) < 2:
        return dx, dy
    frames = max(round(_ZOOM_S / max(float(np.median(np.diff(begins))), 1e-3)), 1)
    known = np.nan_to_num(zoom)
    # One frame's zoom is noisy; what goes on is a zoom.
    steady = np.abs(running_mean(known.astype(np.float64), frames))
    most = _FIXED_POINT * np.maximum(steady - _ZOOM_NOISE_PERCENT, 0.0)
    size = np.hypot(dx, dy)
    with np.errstate(invalid="ignore", divide="ignore"):
        left = np.where(size > 0, np.maximum(size - most, 0.0) / size, 1.0)
    return dx * left, dy * left
