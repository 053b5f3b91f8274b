"""Single pixels that stand out of what is around them, in one picture."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.kernels.spots import beyond_cross
from qc.records import Picture
from qc.views import fields

__all__ = [
    "FACING",
    "GROUND",
    "LEAST_PERCENT",
    "SIDES",
    "beside",
    "colour_of",
    "colour_word",
    "ground_at",
    "outliers",
]

LEAST_PERCENT = 6.0  # of black-to-white over all of its surroundings
_MOST_SHARE, _MOST_ANYHOW = 1e-4, 400  # of all pixels; the strongest are looked at
_MOST_CROSSED = 4000
# px; of several so near to each other only the strongest is one. Lit windows lie nearer
# than a pixel may be left out for.
_ALONE = 7
_COLOURED, _COLOURED_DARK = 0.03, 0.06  # of full chroma
_RING = tuple(
    (down, across)
    for down in range(-2, 3)
    for across in range(-2, 3)
    if max(abs(down), abs(across)) == 2
)
# The same, so that both halves face each other in turn.
_FACE = tuple(at for at in _RING if at > (0, 0))
_FACED = np.array([*_FACE, *((-down, -across) for down, across in _FACE)])
GROUND = 5  # what is told of a pixel and what is around it
# The surroundings of a pixel: means over squares of 3 px, so far off, clockwise, so
# that the sides of one half face those of the other.
_BESIDE = 6  # px
SIDES = (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)
FACING = len(SIDES)
_SQUARES = np.array(
    [
        (_BESIDE * down + y, _BESIDE * across + x)
        for down, across in SIDES
        for y in (-1, 0, 1)
        for x in (-1, 0, 1)
    ]
)
# Where the colour around is taken, px of the colour planes.
_AROUND = np.array([(-3, 0), (3, 0), (0, -3), (0, 3)])


def outliers(picture: Picture) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Return single pixels beyond everything two pixels away from them.

    Returns
    -------
    places : (n,) array of int64
        ``row * width + column``, ascending.
    percent : (n,) array of float32
        How far beyond, in percent of black-to-white; negative for dark ones.

    Notes
    -----
    Neighbours are left out: a camera makes its colours from them, and a codec softens.
    Interlaced pictures are looked at field by field.
    """
    width, signal = picture.width, picture.signal
    unit = 100.0 / (signal.white - signal.black)
    least = max(int(LEAST_PERCENT / unit), 1)
    places, amounts = [], []
    lines = fields(picture.y, interlaced=picture.interlaced)
    for number, plane in enumerate(lines):
        if min(plane.shape) < 5:
            continue
        # Only the strongest are looked at, and a fine weave has very many.
        crossed = beyond_cross(plane, least, _MOST_CROSSED)
        for sign, found in zip((1, -1), crossed, strict=True):
            rows, columns = np.divmod(found, width)
            amount = _beyond_ring(plane, rows, columns, sign)
            ring = amount > least
            rows, columns, amount = rows[ring], columns[ring], amount[ring]
            if not len(amount):
                continue
            most = max(int(_MOST_SHARE * plane.size), _MOST_ANYHOW)
            if len(amount) > most:
                strong = np.argpartition(amount, -most)[-most:]
                rows, columns, amount = rows[strong], columns[strong], amount[strong]
            alone = _strongest_around(rows, columns, amount)
            rows, columns, amount = rows[alone], columns[alone], amount[alone]
            places.append((rows * len(lines) + number) * width + columns)
            amounts.append(np.float32(sign * unit) * amount)
    if not places:
        return np.zeros(0, np.int64), np.zeros(0, np.float32)
    where, percent = np.concatenate(places), np.concatenate(amounts)
    order = np.argsort(where)
    return where[order].astype(np.int64), percent[order].astype(np.float32)


def _beyond_ring(
    plane: NDArray[np.unsignedinteger],
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    sign: int,
) -> NDArray[np.float32]:
    """Return how far single pixels lie beyond all that are two away, in codes."""
    around = np.stack([plane[rows + down, columns + across] for down, across in _RING])
    here = plane[rows, columns].astype(np.float32)
    if sign > 0:
        return np.asarray(here - around.max(axis=0), np.float32)
    return np.asarray(around.min(axis=0) - here, np.float32)


def ground_at(
    picture: Picture, places: NDArray[np.int64], percent: NDArray[np.floating[Any]]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return pixels, and what those two away suggest would be there.

    Parameters
    ----------
    percent : (n,) array
        Of either sign: bright or dark. For dark ones black and white change places.

    Returns
    -------
    ground : (n, 5) array of float32
        Percent of black-to-white: the pixel; the least and the most of the means of two
        that face each other; the mean of all around, and their standard deviation.
    beyond : (n,) array of float32
        How far it lies beyond all that are two away, as in `outliers`, but positive.
    """
    # In interlaced pictures the lines of the other field lie between.
    step = 2 if picture.interlaced and picture.height > 1 else 1
    rows, columns = np.divmod(places, picture.width)
    away = _FACED[..., None]
    around = picture.y[rows + step * away[:, 0], columns + away[:, 1]]
    unit = np.float32(100.0 / (picture.signal.white - picture.signal.black))
    black = np.float32(picture.signal.black)
    around = (around.astype(np.float32) - black) * unit
    here = (picture.y[rows, columns].astype(np.float32) - black) * unit
    half = len(_FACE)
    between = 0.5 * (around[:half] + around[half:])
    out = np.empty((len(places), GROUND), np.float32)
    out[:, 0], out[:, 3] = here, around.mean(axis=0)
    out[:, 1], out[:, 2] = between.min(axis=0), between.max(axis=0)
    # The deviation by sums: several times cheaper than asking for it.
    square = np.einsum("ij,ij->j", around, around) / len(around)
    out[:, 4] = np.sqrt(np.maximum(square - out[:, 3] ** 2, 0.0))
    beyond = here - around.max(axis=0)
    dark = percent < 0
    beyond[dark] = (around.min(axis=0) - here)[dark]
    out[dark, :4] = 100.0 - out[dark, :4]
    out[dark, 1:3] = out[dark, 2:0:-1]
    return out, beyond


def _strongest_around(
    rows: NDArray[np.intp], columns: NDArray[np.intp], amount: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Return which places no stronger one lies near to: a weave has many alike."""
    # The strongest first; of equal ones the first stays so.
    order = np.argsort(-amount, kind="stable")
    y, x = rows[order].astype(np.int32), columns[order].astype(np.int32)
    near = np.abs(y[:, None] - y) <= _ALONE
    near &= np.abs(x[:, None] - x) <= _ALONE
    out = np.empty(len(rows), np.bool_)
    # Itself is near, and comes before all others near it if it is the strongest.
    out[order] = near.argmax(axis=1) == np.arange(len(rows))
    return out


def beside(picture: Picture, places: NDArray[np.int64]) -> NDArray[np.float32]:
    """Return means of squares around places, beyond the median of them all.

    Returns
    -------
    (n, 8) array of float32
        Percent of black-to-white, clockwise; what the light does is taken away.
    """
    if not len(places):
        return np.zeros((0, FACING), np.float32)
    rows, columns = np.divmod(places, picture.width)
    y = np.minimum(np.maximum(rows + _SQUARES[:, :1], 0), picture.height - 1)
    x = np.minimum(np.maximum(columns + _SQUARES[:, 1:], 0), picture.width - 1)
    squares = picture.y[y, x].reshape(FACING, -1, len(places))
    out = squares.sum(axis=1, dtype=np.int32).T.astype(np.float32)
    half = FACING // 2
    out -= 0.5 * np.sort(out, axis=1)[:, half - 1 : half + 1].sum(axis=1, keepdims=True)
    each = (picture.signal.white - picture.signal.black) * (len(_SQUARES) // FACING)
    return np.asarray(out * np.float32(100.0 / each), np.float32)


def colour_of(
    picture: Picture, places: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return by how much Cb and Cr differ there from around, of full excursion.

    Nothing where the pixel has less colour than what is around it: white or black
    before something coloured only lacks that.
    """
    height, width = picture.cb.shape
    rows, columns = np.divmod(places, picture.width)
    rows = np.minimum(rows * height // picture.height, height - 1)
    columns = np.minimum(columns * width // picture.width, width - 1)
    y = np.minimum(np.maximum(rows + _AROUND[:, :1], 0), height - 1)
    x = np.minimum(np.maximum(columns + _AROUND[:, 1:], 0), width - 1)
    grey, span = picture.signal.chroma_zero, picture.signal.chroma_span
    planes = picture.cb, picture.cr
    here = np.stack([plane[rows, columns].astype(np.float64) for plane in planes])
    around = np.stack([0.25 * plane[y, x].sum(axis=0) for plane in planes])
    here, around = (here - grey) / span, (around - grey) / span
    own = np.hypot(*here) > np.hypot(*around)
    cb, cr = np.where(own, here - around, 0.0)
    return cb, cr


def colour_word(percent: float, cb: float, cr: float) -> str:
    """Return what a pixel is called that differs so from around.

    Examples
    --------
    >>> [colour_word(*one) for one in ((20, 0, 0.01), (-20, -0.1, 0.3), (9, 0.3, 0.3))]
    ['white', 'red', 'magenta']

    A photosite that is dead under its red filter lacks red:

    >>> colour_word(-20.0, 0.08, -0.25)
    'dark'
    """
    if percent < 0 and max(cb, cr) < max(_COLOURED_DARK, -cb, -cr):
        return "dark"
    if max(abs(cb), abs(cr)) < _COLOURED:
        return "white"
    if cb < 0 and cr < 0:
        return "green"
    if min(cb, cr) > 0.5 * max(cb, cr):
        return "magenta"
    return "red" if cr > cb else "blue"
