"""How one look at a scene lies over another: motion that may differ over the picture.

Near things move more than far ones when a camera travels, and a drive into the picture
moves its middle least. So the motion is followed at a grid of points, a smooth surface
is laid through those that go together, and what is near the surface bends it a little.
Points on the lens's own dirt do not move along and are left out.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.spots import fit_sums

__all__ = ["Field", "Shift", "carried", "coarse_shift", "fits", "follow", "grid_of"]

Map = NDArray[np.float32]
Bytes = NDArray[np.uint8]

MOST_MOVE = 0.17  # of the width: more, and too little is in both looks
_STEP = 16  # px of the small picture between points
_WINDOW, _LEVELS = (13, 13), 2
_ROUNDS = 4
_LEAST_EDGE = 2e-4  # of the matrix of slopes; flatter places cannot be followed
_SCALE = 1.5  # px: how far points usually lie off the surface
_GOES_ALONG = 3.0  # px off the surface; a place that stays is farther off
_ALONG_SHARE = 0.5  # of the points that can be followed
_FEWEST_POINTS = 24
_SPREAD = 0.5  # of the picture's width and height over which they must lie
_STIFFER = np.diag([0.0, 0.1, 0.1, 1.0, 1.0, 1.0])  # by the order of a term
_STIFF = 0.02  # against bending; in units of a point's weight
_BEND_SIGMA = 1.4  # steps of the grid: how far a point bends the surface
_LEAST_MOVED = 0.1  # of the picture
_FIT = 0.6  # correlation of two looks laid over each other
_BETTER = 0.1  # by so much they must fit better there than in place


@dataclass(frozen=True, slots=True)
class Shift:
    """Roughly how far a look lies from another, in shares of the width."""

    x: float
    y: float
    fit: float

    @property
    def size(self) -> float:
        """Length of the shift."""
        return float(np.hypot(self.x, self.y))


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Where the places of a look lie in an earlier one.

    Attributes
    ----------
    there, back : (rows, columns, 2) arrays of float32
        What to add to places of the new look to come to the old, and the other way
        round, in px of the small picture, on a coarse grid over all of it.
    """

    there: Map
    back: Map

    @property
    def move(self) -> Map:
        """How far the scene moved at each place of the grid, in px."""
        return np.hypot(self.there[..., 0], self.there[..., 1])


def coarse_shift(before: Map, after: Map) -> Shift:
    """Return where the middle of a look fits best in another."""
    height, width = before.shape
    mx, my = max(int(MOST_MOVE * width), 1), max(int(MOST_MOVE * height), 1)
    middle = after[my : height - my, mx : width - mx]
    scores = np.asarray(
        cv2.matchTemplate(before, middle, cv2.TM_CCOEFF_NORMED), np.float32
    )
    _, fit, _, (column, row) = cv2.minMaxLoc(scores)
    return Shift((mx - column) / width, (my - row) / width, float(fit))


@functools.lru_cache(maxsize=8)
def grid_of(height: int, width: int) -> tuple[Map, Map]:
    """Return the points' columns and rows, (rows, columns) each, over all of it."""
    rows, columns = max(height // _STEP, 3), max(width // _STEP, 3)
    x = (np.arange(columns, dtype=np.float32) + 0.5) * (width / columns) - 0.5
    y = (np.arange(rows, dtype=np.float32) + 0.5) * (height / rows) - 0.5
    return np.broadcast_to(x, (rows, columns)), np.broadcast_to(
        y[:, None], (rows, columns)
    )


@functools.lru_cache(maxsize=8)
def _points_of(
    height: int, width: int
) -> tuple[Map, NDArray[np.float64], NDArray[np.float64]]:
    """Return the points, their places from -1 to 1, and terms of second order there."""
    start = np.stack(grid_of(height, width), axis=-1).reshape(-1, 1, 2)
    at = 2.0 * start.reshape(-1, 2).astype(np.float64) / (width, height) - 1.0
    x, y = at.T
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    return start, at, terms


def follow(old: Bytes, new: Bytes, guess: Map, *, bend: bool = True) -> Field | None:
    """Find how a look lies over an earlier one.

    Parameters
    ----------
    old, new : (h, w) arrays of uint8
        Small pictures, evened out.
    guess : (rows, columns, 2) array of float32
        Roughly what to add to places of the new look to come to the old, in px, on the
        grid of points.
    bend : bool
        Bend the surface to what lies near to it. Where little moves, dirt on the lens
        is near to it too.

    Returns
    -------
    Field or None
        None if too little of the picture moves together.
    """
    height, width = new.shape
    start, at, terms = _points_of(height, width)
    found, good, _ = cv2.calcOpticalFlowPyrLK(
        new,
        old,
        start,
        start + guess.reshape(-1, 1, 2),
        winSize=_WINDOW,
        maxLevel=_LEVELS,
        criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 6, 0.03),
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        minEigThreshold=_LEAST_EDGE,
    )
    steps = (found - start).reshape(-1, 2).astype(np.float64)
    ends = found.reshape(-1, 2)
    known = good.ravel() > 0
    known &= (ends >= 0).all(axis=1) & (ends <= (width - 1, height - 1)).all(axis=1)
    rough = guess.reshape(-1, 2).astype(np.float64)
    surface = _surface(at, terms, steps - rough, known)
    if surface is None:
        return None
    laid, along = rough + surface[0], surface[1]
    if bend:
        there = _bent(laid, steps, along, guess.shape[:2])
    else:
        there = np.asarray(laid.reshape(guess.shape), np.float32)
    return Field(there, _inverse(there, width, height))


def _surface(
    at: NDArray[np.float64],
    terms: NDArray[np.float64],
    steps: NDArray[np.float64],
    known: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]] | None:
    """Lay a surface of second order through what most points move beyond the guess.

    Returns
    -------
    laid : (n, 2) array
        The surface at all points, in px.
    along : (n,) array of bool
        Points that go along with it. None if they are too few or lie too near.
    """
    if int(known.sum()) < _FEWEST_POINTS:
        return None
    stiff = _STIFFER * (_STIFF * known.sum()) + 1e-6 * np.eye(6)
    laid = np.zeros_like(steps)
    scale = 6.0 * _SCALE
    for _ in range(_ROUNDS):
        normal, goal = fit_sums(terms, steps, laid, known, scale)
        # cv2's: numpy's asks a library that wakes threads for six equations.
        _, factors = cv2.solve(normal + stiff, goal, flags=cv2.DECOMP_SVD)
        laid = terms @ np.asarray(factors, np.float64)
        scale = max(0.5 * scale, _SCALE)
    along = known & (((steps - laid) ** 2).sum(axis=1) <= _GOES_ALONG**2)
    if along.sum() < max(_ALONG_SHARE * known.sum(), _FEWEST_POINTS):
        return None
    order = np.sort(at[along], axis=0)
    low, high = int(0.05 * len(order)), int(0.95 * len(order))
    if (order[high] - order[low] < 2 * _SPREAD).any():
        return None
    return laid, along


def _bent(
    laid: NDArray[np.float64],
    steps: NDArray[np.float64],
    along: NDArray[np.bool_],
    shape: tuple[int, ...],
) -> Map:
    """Bend a surface towards the points near to it, smoothly."""
    off = np.where(along[:, None], steps - laid, 0.0).astype(np.float32)
    weight = along.astype(np.float32).reshape(shape)
    spread = [
        cv2.GaussianBlur(np.ascontiguousarray(v), (0, 0), _BEND_SIGMA)
        for v in (weight, *off.T.reshape(2, *shape))
    ]
    bend = np.stack(spread[1:], axis=-1) / (spread[0] + 0.1)[..., None]
    return np.asarray(laid.reshape(*shape, 2) + bend, np.float32)


def _inverse(there: Map, width: int, height: int) -> Map:
    """Return the way back: at where a place comes from, the opposite."""
    rows, columns = there.shape[:2]
    x, y = np.meshgrid(
        np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32)
    )
    per_x, per_y = np.float32(columns / width), np.float32(rows / height)
    back = -there
    for _ in range(2):
        come = cv2.remap(
            there,
            x + per_x * back[..., 0],
            y + per_y * back[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        back = -np.asarray(come, np.float32)
    return np.asarray(back, np.float32)


@functools.lru_cache(maxsize=8)
def _grid(height: int, width: int) -> Map:
    """Return each place's column and row, (height, width, 2); read-only."""
    y, x = np.indices((height, width), np.float32)
    out = np.stack([x, y], axis=-1)
    out.flags.writeable = False
    return out


def carried(image: Map, steps: Map, share: float = 1.0) -> Map:
    """Return an image as it looks from the other look's place; NaN outside it.

    Parameters
    ----------
    image : (h, w) array of float32
    steps : (rows, columns, 2) array
        `Field.there` for an image of the old look, `Field.back` for one of the new.
    share : float
        Size of the image over that of the small picture.
    """
    height, width = image.shape
    # Where each place comes from, in its own px.
    places: Map = np.asarray(
        cv2.resize(
            steps * np.float32(share), (width, height), interpolation=cv2.INTER_LINEAR
        ),
        np.float32,
    )
    places += _grid(height, width)
    # One map holds both columns and rows.
    laid = cv2.remap(  # type: ignore[call-overload]
        image,
        places,
        None,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 4,
    )
    return np.asarray(laid, np.float32)


def fits(old: Bytes, new: Bytes, field: Field, least: float) -> bool:
    """Return whether two looks fit when laid over each other, and only then.

    Parameters
    ----------
    least : float
        Px; judged are the places that moved by so much.
    """
    height, width = (n // 2 for n in new.shape)
    one, two = (
        cv2.resize(i, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32)
        for i in (old, new)
    )
    laid = carried(one, field.there, 0.5)
    move = cv2.resize(field.move, (width, height), interpolation=cv2.INTER_LINEAR)
    known = np.isfinite(laid) & (move >= least)
    if known.mean() < _LEAST_MOVED:
        return False
    goal = two[known]
    fit = float(np.corrcoef(laid[known], goal)[0, 1])
    rest = float(np.corrcoef(one[known], goal)[0, 1])
    return fit >= _FIT and fit - rest >= _BETTER
