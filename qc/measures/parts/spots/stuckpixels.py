"""Single pixels that stand out at the same place however the picture moves."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.pixellooks import (
    FACING,
    LEAST_PERCENT,
    amounts_at,
    beside,
    colour_of,
    colour_word,
    outliers,
)
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["FEWEST_LOOKS", "PixelWatch", "StuckPixel"]

FEWEST_LOOKS = 6
_LEAST_MOVE = 3.0  # px of the full picture, between two looks that count
_LEAST_SHARE = 0.004  # of the width; smaller motion is not known well enough
_ENOUGH_MOVED = 0.5  # of the picture, so that a look is worth its cost
_HITS = 0.65  # of the looks since its first
# Looks that must show it: one that stands out by more is mistaken less often.
_STRONG, _FEWEST_STRONG, _ALWAYS = 20.0, 4, 0.9  # percent of black-to-white; of looks
_MOST_KEPT = 20_000
_NEAR = 3  # px; one defect, spread by the camera's own interpolation
# Looks at which the whole picture is searched: the first, and by how often the picture
# has moved on since. At the others only what was found is looked at again, which costs
# next to nothing.
_SEARCHES, _SEARCH_EVERY = (1, 3), 12
# Under a slow travel few looks lie so far apart, but what belongs to the scene is gone
# within 3 px all the same. So all looks count there between which it moved at all: of
# the width; looks; of them; and how far the scene came under it while it was seen.
_STEP = 0.0008
_SLOW_LOOKS, _SLOW_HITS = 8, 0.8
_SLOW_PX, _SLOW_SHARE = 6.0, 0.008  # px of the full picture, of the width
# What has contrast beside it must have become other since the second look (percent of
# black-to-white; of the contrast). Over 145 pixels under slow travels 0.64 or more was.
_SECOND, _BESIDE_CONTRAST, _BESIDE_OTHER = 2, 4.0, 0.4
_DROPPED = 0.5
# Where the picture cannot be followed: other pictures are told by a few of its places,
# each against what is around it. Every so many px of the small picture; percent of
# black-to-white; of the stronger of the two; of such places; of all places.
_EVERY, _CONTRAST, _OTHER = 4, 3.0, 0.5
_OTHERS, _TO_TELL = 0.6, 0.05
# And so must the surroundings of a pixel, by so much that noise does not do it, on two
# sides that face each other: percent of black-to-white.
_BY = 4.0
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


# What is kept of a candidate. `looks` and `hits` are of looks far enough apart, `all`
# and `shown` of those at which it moved at all since its first; `start` is where the
# scene lay then, `far` how far it came while it was seen, in shares of the width;
# `around` is what was beside it at the look after, `other` by how much that changed
# at most.
_KEPT = np.dtype(
    [
        ("place", np.int64),
        ("hits", np.int32),
        ("looks", np.int32),
        ("seen", np.int32),
        ("stirs", np.int32),
        ("stir_hits", np.int32),
        ("beside", np.float32, (FACING,)),
        ("all", np.int32),
        ("shown", np.int32),
        ("start", np.float32, (2,)),
        ("chain", np.int64),
        ("far", np.float32),
        ("around", np.float32, (FACING,)),
        ("other", np.float32),
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
        self._here: tuple[int, NDArray[np.float32]] = (
            -1,
            np.zeros((1, 1, 2), np.float32),
        )
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
        first = self._here[0] < 0
        if not (moved or stirred or self._stepped(chain, place)):
            return False
        self._here = chain, place.copy()
        self.size = picture.width, picture.height
        self.looks += moved
        if len(self._kept):
            self._kept = self._again(picture, row, moved=moved, stirred=stirred)
        on = moved or stirred
        self._rounds += on
        often = self._rounds in _SEARCHES or self._rounds % _SEARCH_EVERY == 0
        if first or (on and often):
            self._kept = self._with_fresh(picture, row)
        return True

    def _stepped(self, chain: int, place: NDArray[np.float32]) -> bool:
        """Return whether the picture moved at all since it was last looked at."""
        before, lay = self._here
        if before != chain:
            return True
        step = place - lay
        far = (step * step).sum(axis=-1) >= _STEP * _STEP
        return bool(far.mean() >= _ENOUGH_MOVED)

    def _again(
        self, picture: Picture, row: int, *, moved: bool, stirred: bool
    ) -> NDArray[np.void]:
        """Look at the known places again, and drop those that are gone."""
        kept = self._kept
        amount = amounts_at(picture, kept["place"], kept["percent"])
        shown = amount > LEAST_PERCENT
        self._follow(picture, kept, shown)
        counts = np.zeros(len(kept), np.bool_)
        if moved:
            # The middle of a drive does not move: there a far lamp looks like one.
            counts |= self._passed(picture, kept["place"])
        kept["looks"] += counts
        kept["hits"] += counts & shown
        if stirred:
            changed = _stirs(picture, kept)
            kept["stirs"] += changed
            kept["stir_hits"] += changed & shown
            counts |= changed
        hit = np.flatnonzero(counts & shown)
        kept["seen"][hit] += 1
        kept["last"][hit] = row
        kept["percent"][hit] += np.sign(kept["percent"][hit]) * amount[hit]
        cb, cr = colour_of(picture, kept["place"][hit])
        kept["cb"][hit] += cb
        kept["cr"][hit] += cr
        stays = kept["stirs"] > 1
        stays &= kept["stir_hits"] >= _STIR_HITS * (kept["stirs"] - 1)
        there = kept["hits"] >= _DROPPED * kept["looks"]
        stays |= there & (kept["shown"] >= _DROPPED * (kept["all"] - 1))
        stays |= kept["shown"] >= _SLOW_HITS * kept["all"]
        return kept[stays]

    def _follow(
        self, picture: Picture, kept: NDArray[np.void], shown: NDArray[np.bool_]
    ) -> None:
        """Follow how far the scene came under known places, and what is beside them."""
        chain, lies = self._lies(picture, kept["place"])
        lost = kept["chain"] != chain
        kept["start"][lost] = lies[lost]
        kept["chain"] = chain
        kept["all"] += 1
        kept["shown"] += shown
        far = np.hypot(*(lies - kept["start"]).T)
        kept["far"] = np.maximum(kept["far"], np.where(shown, far, 0.0))
        # At once many of the scene's own are among them, at the next look few.
        new = kept["all"] == _SECOND
        kept["around"][new] = beside(picture, kept["place"][new])
        likely = shown & (kept["shown"] >= _SLOW_HITS * kept["all"])
        # By then most of what belongs to the scene is gone.
        likely &= kept["all"] >= _SLOW_LOOKS // 2
        other = beside(picture, kept["place"][likely]) - kept["around"][likely]
        most = np.abs(other).max(axis=1, initial=0.0)
        kept["other"][likely] = np.maximum(kept["other"][likely], most)

    def _lies(
        self, picture: Picture, places: NDArray[np.int64]
    ) -> tuple[int, NDArray[np.float32]]:
        """Return the chain, and where the scene lies under places, (n, 2)."""
        chain, field = self._here
        return chain, field[_cells(picture, places, field.shape)]

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

    def _with_fresh(self, picture: Picture, row: int) -> NDArray[np.void]:
        """Search the whole picture, and add what is not known yet."""
        kept = self._kept
        places, percent = outliers(picture)
        new = ~np.isin(places, kept["place"])
        fresh = np.zeros(int(np.count_nonzero(new)), _KEPT)
        fresh = fresh[: max(_MOST_KEPT - len(kept), 0)]
        fresh["place"] = places[new][: len(fresh)]
        for name in ("hits", "looks", "seen", "all", "shown"):
            fresh[name] = 1
        fresh["percent"] = percent[new][: len(fresh)]
        strong = np.abs(fresh["percent"]) >= _STRONG
        fresh["beside"][strong] = beside(picture, fresh["place"][strong])
        fresh["chain"], fresh["start"] = self._lies(picture, fresh["place"])
        fresh["first"] = fresh["last"] = row
        return np.concatenate([kept, fresh])

    def _passed(self, picture: Picture, places: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return under which places the scene moved since the last look counted."""
        away = self._away[_cells(picture, places, self._away.shape)]
        return np.asarray(away >= self._least(picture.width))

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
        told |= _slowly(kept, self.size[0])
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
            colour = colour_word(percent, one["cb"] / seen, one["cr"] / seen)
            rows = int(one["first"]), int(one["last"])
            out.append(StuckPixel(x, y, percent, colour, *rows, bool(stirred[at])))
        return out


def _slowly(kept: NDArray[np.void], width: int) -> NDArray[np.bool_]:
    """Return what stays at nearly every look while the scene comes some way."""
    far = max(_SLOW_PX / max(width, 1), _SLOW_SHARE)
    out = (kept["all"] >= _SLOW_LOOKS) & (kept["far"] >= far)
    out &= kept["shown"] >= _SLOW_HITS * kept["all"]
    contrast = np.abs(kept["around"]).max(axis=1, initial=0.0)
    at_rest = contrast > _BESIDE_CONTRAST
    at_rest &= kept["other"] < _BESIDE_OTHER * contrast
    return np.asarray(out & ~at_rest)


def _stirs(picture: Picture, kept: NDArray[np.void]) -> NDArray[np.bool_]:
    """Return beside which places another picture is, and remember it."""
    # Only strong ones can be told so; the others would cost for nothing.
    strong = np.flatnonzero(
        (np.abs(kept["percent"]) >= _STRONG * kept["seen"])
        & (kept["stir_hits"] >= _STIR_HITS * (kept["stirs"] - 1))
    )
    now = beside(picture, kept["place"][strong])
    other = np.abs(now - kept["beside"][strong]) > _BY
    half = FACING // 2
    facing = (other[:, :half] & other[:, half:]).any(axis=1)
    # A dot among letters has some of them beside it, which stay as well.
    facing &= other.sum(axis=1) >= half
    kept["beside"][strong[facing]] = now[facing]
    changed = np.zeros(len(kept), np.bool_)
    changed[strong[facing]] = True
    return changed


def _cells(
    picture: Picture, places: NDArray[np.int64], shape: tuple[int, ...]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return in which cells of a grid over the picture places lie."""
    rows, columns = np.divmod(places, picture.width)
    return rows * shape[0] // picture.height, columns * shape[1] // picture.width
