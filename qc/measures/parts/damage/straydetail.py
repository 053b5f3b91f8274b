"""The detail of pictures, strip by strip, and in what way it is not what it should be.

Detail is what is left of a small picture without its levels: a light that comes and
goes changes the levels, and leaves the detail as it was.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.level.smallcells import ROWS

__all__ = [
    "ALIKE",
    "FLAT",
    "STRIPS",
    "UNLIKE",
    "Detail",
    "fit_of",
    "flat_strips",
    "has_edge",
    "kind_of",
    "laid_over",
    "likeness",
    "rolled_fit",
]

_Array = NDArray[np.float32]
_Flags = NDArray[np.bool_]

STRIPS = ROWS
"""A picture is compared in so many strips, as many as it has rows of cells."""
FLAT = 0.5
"""Percent of black-to-white: detail of less is none."""
ALIKE, UNLIKE = 0.7, 0.4
"""Correlations."""

_PARTS = 4  # of a strip
# A motion between neighbours: how sure, how many pixels, what it must leave at most.
_SURE, _LEAST_MOVE, _GAIN = 0.1, 0.3, 0.9
_NOISE = np.float32(0.15**2)
# Of width or height: rolled by less it may be a knock; moved by more it is none.
_FAR, _AWAY = 0.1, 0.15
_FITS = 0.5  # correlation with another picture moved, or rolled, as a whole
# Of one level: a share of the spread that should be there, which is so many percent at
# least; a flash is whiter; what is black, and what is dark.
_PLAIN, _SPREAD, _WHITE, _BLACK, _DARK = 0.15, 1.0, 92.0, 2.0, 12.0
_MUCH = 0.6  # of the strips, or of the lines
_NOISE = np.float32(0.15**2)  # %, squared: detail of less correlates with nothing
# Lines moved sideways: by how much of the width at least, and their correlation.
_SIDE, _LINES_FIT = 0.03, 0.6
_ROUND = 0.4  # correlation of what has come in at the other side
_EVEN = 2.5  # % of black-to-white
_EDGE = 0.55  # of what lines are off


class Detail(NamedTuple):
    """A small picture's detail, and its levels, strip by strip.

    Attributes
    ----------
    detail : (h, w) array
    power : (strips, parts) array
        Mean square of the detail.
    level : (strips, parts) array
    spread : (strips,) array
        Standard deviation of a whole strip's level.
    """

    detail: _Array
    power: _Array
    level: _Array
    spread: _Array

    @staticmethod
    def of(luma: _Array) -> Detail:
        """Read a `proxy_luma`."""
        detail = _detail(luma)
        level = _tiles(luma)
        means = cv2.resize(luma, (1, STRIPS), interpolation=cv2.INTER_AREA)
        squares = cv2.resize(luma * luma, (1, STRIPS), interpolation=cv2.INTER_AREA)
        spread = np.sqrt(np.maximum(squares - means * means, 0.0))[:, 0]
        return Detail(detail, _tiles(detail * detail), level, spread)


def _detail(luma: _Array) -> _Array:
    height, width = luma.shape
    size = (width // 8) | 1, (height // 9) | 1
    return luma - cv2.blur(luma, size)


def _tiles(values: _Array) -> _Array:
    size = _PARTS, STRIPS
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA))


def likeness(one: Detail, other: Detail) -> _Array:
    """Return the correlation of the detail in each tile."""
    both = _tiles(one.detail * other.detail)
    return np.asarray(both / np.sqrt((one.power + _NOISE) * (other.power + _NOISE)))


def laid_over(before: _Array, behind: _Array) -> tuple[_Array, _Array] | None:
    """Return the neighbours, each moved half the way to the other; None if neither."""
    a, b = _detail(before), _detail(behind)
    window = cv2.createHanningWindow(a.shape[::-1], cv2.CV_32F)
    (dx, dy), response = cv2.phaseCorrelate(a, b, window)
    # Of two flat pictures neither is a number.
    if not (response >= _SURE and max(abs(dx), abs(dy)) >= _LEAST_MOVE):
        return None
    moved = []
    for luma, way in ((before, 0.5), (behind, -0.5)):
        move = np.array([[1, 0, way * dx], [0, 1, way * dy]], np.float32)
        there = cv2.warpAffine(
            luma, move, luma.shape[::-1], None, cv2.INTER_LINEAR, cv2.BORDER_REFLECT
        )
        moved.append(np.asarray(there, np.float32))
    old = float(np.abs(before - behind).mean())
    if float(np.abs(moved[0] - moved[1]).mean()) > _GAIN * old:
        return None
    return moved[0], moved[1]


def flat_strips(x: Detail, p: Detail, q: Detail) -> _Flags:
    """Return which strips have one level from side to side, and should have not.

    Or are black, where neither neighbour is dark.
    """
    spread = np.minimum(p.spread, q.spread)
    even = np.ptp(x.level, axis=1) < _EVEN
    flat = (x.spread < _PLAIN * spread) & (spread > _SPREAD) & even
    lit = (np.minimum(p.level, q.level) > _DARK).all(axis=1)
    black = (x.level.max(axis=1) < _BLACK) & lit
    return np.asarray((flat & (x.level.mean(axis=1) < _WHITE)) | black)


def has_edge(off: _Array, edge: int, band: tuple[int, int]) -> bool:
    """Tell whether lines begin, or end, to be off within two lines or three."""
    per = len(off) / STRIPS
    inside = off[round(band[0] * per) : round(band[1] * per)]
    a, b = round((edge - 1.5) * per), round((edge + 1.5) * per) + 3
    near = off[max(a, 0) : b]
    if len(near) < 4:
        return True
    steps = np.abs(near[3:] - near[:-3])
    return bool(steps.max() > _EDGE * float(np.median(inside)))


def kind_of(
    x: Detail, p: Detail, q: Detail, band: tuple[int, int], *, whole: bool
) -> str | None:
    """Return what a part of a picture is instead; None if nothing to tell of."""
    top, bottom = band
    # The strips at its edges may belong to it in part.
    most = int(bottom - top > 2)
    inner = slice(top + most * (top > 0), bottom - most * (bottom < STRIPS))
    level = x.level[inner]
    rich = np.median(np.minimum(p.power, q.power)[inner])
    flat = flat_strips(x, p, q)[inner].mean() > _MUCH
    if flat or np.median(x.power[inner]) < min(0.1 * rich, FLAT**2):
        if float(level.mean()) > _WHITE or (whole and float(level.max()) < _BLACK):
            return None  # a flash, or a black picture, which is told as one
        # What covers the lens is out of focus, but never of one level all over.
        return "flat" if float(np.ptp(level)) < _EVEN else None
    height = x.detail.shape[0]
    a, b = round(top * height / STRIPS), round(bottom * height / STRIPS)
    if whole:
        fit, dy, dx = rolled_fit(x.detail, p.detail)
        if fit > _FITS:
            if max(abs(dy), abs(dx)) < _FAR:
                return None  # a knock
            if not _wraps(x.detail, p.detail, dy, dx):
                return "moved" if max(abs(dy), abs(dx)) >= _AWAY else None
            return "rolled" if abs(dy) >= _FAR else "shifted"
    aside = _side_shares(x.detail[a:b], p.detail[a:b]) >= _MUCH
    return "shifted" if aside else "other"


def rolled_fit(x: _Array, ref: _Array) -> tuple[float, float, float]:
    """Return how well a picture fits another rolled round, and how far down, right."""
    size = x.shape[1] // 2, x.shape[0] // 2
    x, ref = (
        np.asarray(cv2.resize(one, size, None, 0, 0, cv2.INTER_AREA), np.float32)
        for one in (x, ref)
    )
    spectrum = np.fft.rfft2(x) * np.conj(np.fft.rfft2(ref))
    scores = np.fft.irfft2(spectrum, x.shape)
    h, w = x.shape
    dy, dx = divmod(int(scores.argmax()), w)
    length = float(np.linalg.norm(x) * np.linalg.norm(ref))
    fit = float(scores[dy, dx]) / length if length else 0.0
    return fit, ((dy + h // 2) % h - h // 2) / h, ((dx + w // 2) % w - w // 2) / w


def _wraps(x: _Array, ref: _Array, dy: float, dx: float) -> bool:
    """Tell whether what a picture has lost at one side has come in at the other."""
    h, w = x.shape
    down, right = round(dy * h), round(dx * w)
    back = np.roll(x, (-down, -right), axis=(0, 1))
    if abs(dy) >= _FAR:
        part = slice(h - down, None) if down > 0 else slice(0, -down)
        return fit_of(back[part].ravel(), ref[part].ravel()) > _ROUND
    part = slice(w - right, None) if right > 0 else slice(0, -right)
    return fit_of(back[:, part].ravel(), ref[:, part].ravel()) > _ROUND


def fit_of(a: _Array, b: _Array) -> float:
    """Return a correlation; 0 where there is nothing to correlate."""
    a, b = a - a.mean(), b - b.mean()
    length = float(np.linalg.norm(a) * np.linalg.norm(b))
    return float(np.dot(a, b)) / length if length else 0.0


def _side_shares(x: _Array, ref: _Array) -> float:
    """Return the share of lines, in threes, that fit the other's moved sideways."""
    fits = []
    w = x.shape[1]
    for at in range(0, max(len(x) - 1, 1), 3):
        a, b = x[at : at + 3], ref[at : at + 3]
        size = float(np.linalg.norm(a) * np.linalg.norm(b))
        if size < FLAT**2 * a.size:
            continue
        spectrum = np.fft.rfft(a) * np.conj(np.fft.rfft(b))
        scores = np.fft.irfft(spectrum, w).sum(axis=0)
        peak = int(scores.argmax())
        dx = (peak + w // 2) % w - w // 2
        fits.append(scores[peak] / size > _LINES_FIT and abs(dx) >= _SIDE * w)
    return float(np.mean(fits)) if fits else 0.0
