"""Single pixels that stand out at the same place however the picture moves."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlooks import even_light
from qc.records import Picture
from qc.views import fields, proxy_luma

__all__ = ["FEWEST_LOOKS", "PixelWatch", "StuckPixel", "outliers"]

FEWEST_LOOKS = 6
_LEAST_MOVE = 3.0  # px of the full picture, between two looks that count
_RESPONSE = 0.3  # of phase correlation; under it nobody knows what moved
_LEAST_PERCENT = 6.0  # of black-to-white over all of its surroundings
_MOST_SHARE = 2e-4  # of all pixels; the strongest are looked at
_HITS = 0.8  # of the looks since its first
_DROPPED = 0.5
_MOST_KEPT = 20_000
_ALONE = 15  # px; of several so near to each other only the strongest is one
_NEAR = 3  # px; one defect, spread by the camera's own interpolation
_COLOURED = 0.03  # of full chroma
_RING = np.pad(np.zeros((3, 3), np.uint8), 1, constant_values=1)


@dataclass(frozen=True, slots=True)
class StuckPixel:
    """A pixel that stands out.

    Attributes
    ----------
    x, y : int
        Place in the coded picture.
    percent : float
        By how much it is brighter than the brightest (or, negative, darker than the
        darkest) of what surrounds it, in percent of black-to-white.
    colour : str
        ``"white"``, ``"red"``, ``"green"``, ``"blue"`` or ``"dark"``.
    first_row, row : int
        Rows of the first and the last look that show it.
    """

    x: int
    y: int
    percent: float
    colour: str
    first_row: int
    row: int


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
    least = max(int(_LEAST_PERCENT / unit), 1)
    places, amounts = [], []
    lines = fields(picture.y, interlaced=picture.interlaced)
    for number, plane in enumerate(lines):
        if min(plane.shape) < 5:
            continue
        over = cv2.subtract(plane, cv2.dilate(plane, _RING))
        under = cv2.subtract(cv2.erode(plane, _RING), plane)
        for sign, beyond in ((1, over), (-1, under)):
            beyond[:2], beyond[-2:], beyond[:, :2], beyond[:, -2:] = 0, 0, 0, 0
            # Much faster than numpy's, for few among millions.
            found = cv2.findNonZero(cv2.inRange(beyond, least + 1, signal.top))
            if found is None:
                continue
            columns, rows = np.asarray(found, np.intp).reshape(-1, 2).T
            amount = beyond[rows, columns].astype(np.float32)
            most = max(int(_MOST_SHARE * plane.size), 8)
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


def _strongest_around(
    rows: NDArray[np.intp], columns: NDArray[np.intp], amount: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Return which places no stronger one lies near to: a weave has many alike."""
    near = np.abs(rows[:, None] - rows) <= _ALONE
    near &= np.abs(columns[:, None] - columns) <= _ALONE
    order = np.arange(len(rows))
    stronger = (amount > amount[:, None]) | (
        (amount == amount[:, None]) & (order < order[:, None])
    )
    return np.asarray(~(near & stronger).any(axis=1))


# What is kept of a candidate.
_KEPT = np.dtype(
    [
        ("place", np.int64),
        ("hits", np.int32),
        ("looks", np.int32),
        ("percent", np.float64),
        ("cb", np.float64),
        ("cr", np.float64),
        ("first", np.int64),
        ("last", np.int64),
    ]
)


class PixelWatch:
    """Counts in how many looks each candidate stands out; bounded memory."""

    def __init__(self) -> None:
        self._before: NDArray[np.float32] | None = None
        self._window: NDArray[np.float32] | None = None
        self._kept = np.zeros(0, _KEPT)
        self.size = 0, 0
        self.looks = 0

    def look(self, picture: Picture, row: int) -> bool:
        """Look for single pixels, if the picture has moved since the last look."""
        if not self._moved(picture):
            return False
        self.size = picture.width, picture.height
        self.looks += 1
        places, percent = outliers(picture)
        kept = self._kept
        at = np.searchsorted(kept["place"], places)
        known = np.zeros(len(places), bool)
        inside = at < len(kept)
        known[inside] = kept["place"][at[inside]] == places[inside]
        kept["looks"] += 1
        hit = at[known]
        kept["hits"][hit] += 1
        kept["last"][hit] = row
        kept["percent"][hit] += percent[known]
        cb, cr = _colour_of(picture, places[known])
        kept["cb"][hit] += cb
        kept["cr"][hit] += cr
        kept = kept[kept["hits"] >= _DROPPED * kept["looks"]]
        fresh = np.zeros(int(np.count_nonzero(~known)), _KEPT)
        fresh = fresh[: max(_MOST_KEPT - len(kept), 0)]
        fresh["place"] = places[~known][: len(fresh)]
        fresh["hits"] = fresh["looks"] = 1
        fresh["percent"] = percent[~known][: len(fresh)]
        fresh["first"] = fresh["last"] = row
        both = np.concatenate([kept, fresh])
        self._kept = both[np.argsort(both["place"])]
        return True

    def _moved(self, picture: Picture) -> bool:
        """Return whether the scene lies elsewhere than in the last look that counted.

        By phase correlation of the small picture, to some hundredths of its pixels.
        """
        luma = even_light(picture.view(proxy_luma))
        height, width = luma.shape
        if min(luma.shape) < 8:
            return False
        before = self._before
        if before is None or before.shape != luma.shape:
            self._before = luma
            window = cv2.createHanningWindow((width, height), cv2.CV_32F)
            self._window = np.asarray(window, np.float32)
            return False
        (x, y), response = cv2.phaseCorrelate(before, luma, self._window)
        full = picture.width / width
        if response < _RESPONSE:
            self._before = luma
            return False
        if full * float(np.hypot(x, y)) < _LEAST_MOVE:
            return False
        self._before = luma
        return True

    def pixels(self) -> list[StuckPixel]:
        """Return the stuck pixels, the strongest first."""
        kept = self._kept
        sure = kept[
            (kept["hits"] >= FEWEST_LOOKS) & (kept["hits"] >= _HITS * kept["looks"])
        ]
        sure = sure[np.argsort(-np.abs(sure["percent"] / np.maximum(sure["hits"], 1)))]
        width = self.size[0]
        out: list[StuckPixel] = []
        for one in sure[:2000]:
            y, x = divmod(int(one["place"]), width)
            if any(abs(p.x - x) <= _NEAR and abs(p.y - y) <= _NEAR for p in out):
                continue
            percent = float(one["percent"] / one["hits"])
            seen = max(int(one["hits"]) - 1, 1)
            colour = _colour_word(percent, one["cb"] / seen, one["cr"] / seen)
            out.append(
                StuckPixel(x, y, percent, colour, int(one["first"]), int(one["last"]))
            )
        return out


def _colour_of(
    picture: Picture, places: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return by how much Cb and Cr differ there from around, of full excursion."""
    height, width = picture.cb.shape
    rows, columns = np.divmod(places, picture.width)
    rows = np.minimum(rows * height // picture.height, height - 1)
    columns = np.minimum(columns * width // picture.width, width - 1)
    out = []
    for plane in (picture.cb, picture.cr):
        around = np.zeros(len(places))
        for down, across in ((-3, 0), (3, 0), (0, -3), (0, 3)):
            y = np.clip(rows + down, 0, height - 1)
            x = np.clip(columns + across, 0, width - 1)
            around += 0.25 * plane[y, x]
        here = plane[rows, columns].astype(np.float64)
        out.append((here - around) / picture.signal.chroma_span)
    return out[0], out[1]


def _colour_word(percent: float, cb: float, cr: float) -> str:
    if percent < 0:
        return "dark"
    if max(abs(cb), abs(cr)) < _COLOURED:
        return "white"
    if cb < 0 and cr < 0:
        return "green"
    return "red" if cr > cb else "blue"
