"""Single pixels that stand out at the same place however the picture moves."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.spots import beyond_cross
from qc.records import Picture
from qc.views import fields, proxy_luma

__all__ = ["FEWEST_LOOKS", "PixelWatch", "StuckPixel", "outliers"]

FEWEST_LOOKS = 6
_LEAST_MOVE = 3.0  # px of the full picture, between two looks that count
_LEAST_SHARE = 0.004  # of the width; smaller motion is not known well enough
_ENOUGH_MOVED = 0.5  # of the picture, so that a look is worth its cost
_LEAST_PERCENT = 6.0  # of black-to-white over all of its surroundings
_MOST_SHARE, _MOST_ANYHOW = 1e-4, 200  # of all pixels; the strongest are looked at
_MOST_CROSSED = 4000
_HITS = 0.65  # of the looks since its first
# Looks that must show it: one that stands out by more is mistaken less often.
_STRONG, _FEWEST_STRONG, _ALWAYS = 20.0, 4, 0.9  # percent of black-to-white; of looks
_DROPPED = 0.5
_MOST_KEPT = 20_000
_ALONE = 15  # px; of several so near to each other only the strongest is one
_NEAR = 3  # px; one defect, spread by the camera's own interpolation
_COLOURED = 0.03  # of full chroma
_RING = tuple(
    (down, across)
    for down in range(-2, 3)
    for across in range(-2, 3)
    if max(abs(down), abs(across)) == 2
)
# Looks at which the whole picture is searched; at the others only what was found is
# looked at again, which costs next to nothing.
_SEARCHES, _SEARCH_EVERY = (0, 3), 8
# Where the picture cannot be followed: other pictures are told by a few of its places,
# each against what is around it. Every so many px of the small picture; percent of
# black-to-white; of the stronger of the two; of such places; of all places.
_EVERY, _CONTRAST, _OTHER = 4, 3.0, 0.5
_OTHERS, _TO_TELL = 0.6, 0.05
# And so must the surroundings of a pixel: means over squares of 3 px, so far off, and
# by so much that noise does not do it, on two sides that face each other.
_BESIDE, _BY = 6, 4.0  # px; percent of black-to-white
_FACING = ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1))
_SQUARES = np.array(
    [
        (_BESIDE * down + y, _BESIDE * across + x)
        for down, across in _FACING
        for y in (-1, 0, 1)
        for x in (-1, 0, 1)
    ]
)
_STIRS, _STIR_HITS = 8, 0.9  # looks; of them


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
    stirred : bool
        It stayed while all around it became another, however that came about.
    """

    x: int
    y: int
    percent: float
    colour: str
    first_row: int
    row: int
    stirred: bool = False


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


def _amounts_at(
    picture: Picture, places: NDArray[np.int64], percent: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Return by how much known places stand out again in the way they did.

    Parameters
    ----------
    percent : (n,) array
        Of either sign: bright or dark.

    Returns
    -------
    (n,) array of float32
        Percent of black-to-white, positive for "in the same way".
    """
    lines = fields(picture.y, interlaced=picture.interlaced)
    rows, columns = np.divmod(places, picture.width)
    out = np.zeros(len(places), np.float32)
    unit = np.float32(100.0 / (picture.signal.white - picture.signal.black))
    for number, plane in enumerate(lines):
        for sign in (1, -1):
            mine = (rows % len(lines) == number) & (np.sign(percent) == sign)
            if mine.any():
                at = rows[mine] // len(lines)
                out[mine] = unit * _beyond_ring(plane, at, columns[mine], sign)
    return out


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
        ("seen", np.int32),
        ("stirs", np.int32),
        ("stir_hits", np.int32),
        ("beside", np.float32, (len(_FACING),)),
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
        self._before: tuple[int, NDArray[np.float32]] | None = None
        self._away = np.zeros((1, 1), np.float32)
        self._kept = np.zeros(0, _KEPT)
        self._few: NDArray[np.float32] | None = None
        self._rounds = 0
        self.size = 0, 0
        self.looks = 0

    def look(
        self, picture: Picture, row: int, chain: int, place: NDArray[np.float32]
    ) -> bool:
        """Look for single pixels, if the picture has moved since the last look."""
        moved = self._moved(picture, chain, place)
        stirred = self._stirred(picture)
        if not (moved or stirred):
            return False
        self.size = picture.width, picture.height
        self.looks += moved
        number, kept = self._rounds, self._kept
        self._rounds += 1
        if len(kept):
            kept = self._again(picture, kept, row, moved=moved, stirred=stirred)
        if number in _SEARCHES or number % _SEARCH_EVERY == 0:
            kept = self._with_fresh(picture, kept, row)
        self._kept = kept
        return True

    def _again(
        self,
        picture: Picture,
        kept: NDArray[np.void],
        row: int,
        *,
        moved: bool,
        stirred: bool,
    ) -> NDArray[np.void]:
        """Look at the known places again, and drop those that are gone."""
        amount = _amounts_at(picture, kept["place"], kept["percent"])
        shown = amount > _LEAST_PERCENT
        counts = np.zeros(len(kept), np.bool_)
        if moved:
            # The middle of a drive does not move: there a far lamp looks like one.
            counts |= self._passed(picture, kept["place"])
        kept["looks"] += counts
        kept["hits"] += counts & shown
        if stirred:
            # Only strong ones can be told so; the others would cost for nothing.
            strong = np.flatnonzero(
                (np.abs(kept["percent"]) >= _STRONG * kept["seen"])
                & (kept["stir_hits"] >= _STIR_HITS * (kept["stirs"] - 1))
            )
            beside = _beside(picture, kept["place"][strong])
            other = np.abs(beside - kept["beside"][strong]) > _BY
            half = len(_FACING) // 2
            facing = (other[:, :half] & other[:, half:]).any(axis=1)
            # A dot among letters has some of them beside it, which stay as well.
            facing &= other.sum(axis=1) >= half
            kept["beside"][strong[facing]] = beside[facing]
            changed = np.zeros(len(kept), np.bool_)
            changed[strong[facing]] = True
            kept["stirs"] += changed
            kept["stir_hits"] += changed & shown
            counts |= changed
        hit = np.flatnonzero(counts & shown)
        kept["seen"][hit] += 1
        kept["last"][hit] = row
        kept["percent"][hit] += np.sign(kept["percent"][hit]) * amount[hit]
        cb, cr = _colour_of(picture, kept["place"][hit])
        kept["cb"][hit] += cb
        kept["cr"][hit] += cr
        stays = kept["stirs"] > 1
        stays &= kept["stir_hits"] >= _STIR_HITS * (kept["stirs"] - 1)
        return kept[stays | (kept["hits"] >= _DROPPED * kept["looks"])]

    def _stirred(self, picture: Picture) -> bool:
        """Return whether most of the picture became another since it last did."""
        luma = picture.view(proxy_luma)
        few = luma[_EVERY // 2 :: _EVERY, _EVERY // 2 :: _EVERY]
        if not few.size:
            return False
        few = few - cv2.resize(luma, few.shape[::-1], None, 0, 0, cv2.INTER_AREA)
        before = self._few
        if before is None or before.shape != few.shape:
            self._few = few
            return before is not None
        strongest = np.maximum(np.abs(few), np.abs(before))
        told = strongest > _CONTRAST
        if told.mean() < _TO_TELL:
            return False
        other = np.abs(few - before)[told] > _OTHER * strongest[told]
        if other.mean() < _OTHERS:
            return False
        self._few = few
        return True

    def _with_fresh(
        self, picture: Picture, kept: NDArray[np.void], row: int
    ) -> NDArray[np.void]:
        """Search the whole picture, and add what is not known yet."""
        places, percent = outliers(picture)
        new = ~np.isin(places, kept["place"])
        fresh = np.zeros(int(np.count_nonzero(new)), _KEPT)
        fresh = fresh[: max(_MOST_KEPT - len(kept), 0)]
        fresh["place"] = places[new][: len(fresh)]
        fresh["hits"] = fresh["looks"] = fresh["seen"] = 1
        fresh["percent"] = percent[new][: len(fresh)]
        strong = np.abs(fresh["percent"]) >= _STRONG
        fresh["beside"][strong] = _beside(picture, fresh["place"][strong])
        fresh["first"] = fresh["last"] = row
        return np.concatenate([kept, fresh])

    def _passed(self, picture: Picture, places: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return under which places the scene moved since the last look counted."""
        height, width = self._away.shape
        rows, columns = np.divmod(places, picture.width)
        rows, columns = (
            rows * height // picture.height,
            columns * width // picture.width,
        )
        return np.asarray(self._away[rows, columns] >= self._least(picture.width))

    def _moved(self, picture: Picture, chain: int, place: NDArray[np.float32]) -> bool:
        """Return whether the scene lies elsewhere than in the last look that counted.

        Parameters
        ----------
        chain, place
            See `spotlooks.Look`.
        """
        before = self._before
        if before is None or before[0] != chain:
            self._away = np.full(place.shape[:2], np.inf, np.float32)
            self._before = chain, place.copy()
            # The first look of a take has nothing to differ from.
            return before is not None
        step = place - before[1]
        self._away = np.hypot(step[..., 0], step[..., 1])
        passed = self._away >= self._least(picture.width)
        if passed.mean() < _ENOUGH_MOVED:
            return False
        # Far things come as far as near ones, only later: each place counts for itself.
        before[1][passed] = place[passed]
        return True

    @staticmethod
    def _least(width: int) -> float:
        return max(_LEAST_MOVE / width, _LEAST_SHARE)

    def pixels(self) -> list[StuckPixel]:
        """Return the stuck pixels, the strongest first."""
        kept = self._kept
        share = kept["hits"] / np.maximum(kept["looks"], 1)
        each = np.abs(kept["percent"]) / np.maximum(kept["seen"], 1)
        stirred = (kept["stirs"] >= _STIRS) & (each >= _STRONG)
        stirred &= kept["stir_hits"] >= _STIR_HITS * kept["stirs"]
        strong = (each >= _STRONG) & (share >= _ALWAYS)
        fewest = np.where(strong, _FEWEST_STRONG, FEWEST_LOOKS)
        told = stirred | ((kept["hits"] >= fewest) & (share >= _HITS))
        order = np.flatnonzero(told)
        order = order[np.argsort(-each[order])]
        width = self.size[0]
        out: list[StuckPixel] = []
        for at in order[:2000]:
            one = kept[at]
            y, x = divmod(int(one["place"]), width)
            if any(abs(p.x - x) <= _NEAR and abs(p.y - y) <= _NEAR for p in out):
                continue
            percent = float(one["percent"] / one["seen"])
            seen = max(int(one["seen"]) - 1, 1)
            colour = _colour_word(percent, one["cb"] / seen, one["cr"] / seen)
            rows = int(one["first"]), int(one["last"])
            out.append(StuckPixel(x, y, percent, colour, *rows, bool(stirred[at])))
        return out


def _beside(picture: Picture, places: NDArray[np.int64]) -> NDArray[np.float32]:
    """Return means of squares around places, beyond the median of them all.

    Returns
    -------
    (n, 8) array of float32
        Percent of black-to-white, clockwise; what the light does is taken away.
    """
    if not len(places):
        return np.zeros((0, len(_FACING)), np.float32)
    rows, columns = np.divmod(places, picture.width)
    y = np.clip(rows[:, None] + _SQUARES[:, 0], 0, picture.height - 1)
    x = np.clip(columns[:, None] + _SQUARES[:, 1], 0, picture.width - 1)
    out = picture.y[y, x].reshape(len(places), len(_FACING), -1).mean(axis=-1)
    out *= 100.0 / (picture.signal.white - picture.signal.black)
    return np.asarray(out - np.median(out, axis=1, keepdims=True), np.float32)


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
