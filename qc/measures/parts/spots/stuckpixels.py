"""Single pixels that stand out at the same place however the picture moves."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.pixellooks import (
    FACING,
    LEAST_PERCENT,
    beside,
    colour_of,
    colour_word,
    ground_at,
    outliers,
)
from qc.measures.parts.spots.pixelplaces import (
    PLACES,
    SEEN,
    begin,
    goes,
    note,
    stands,
    weigh,
)
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["FEWEST_LOOKS", "PixelWatch", "StuckPixel"]

FEWEST_LOOKS = 6  # that differ in framing; with fewer none found says nothing
_LEAST_MOVE = 3.0  # px of the full picture, between two looks that count
_LEAST_SHARE = 0.004  # of the width; smaller motion is not known well enough
_ENOUGH_MOVED = 0.5  # of the picture, so that a look is worth its cost
_STEP = 0.0008  # of the width, so that a look shows anything new
_STRONG = 20.0  # percent of black-to-white
_MOST_KEPT = 1500
_NEAR = 3  # px; one defect, spread by the camera's own interpolation
# Looks at which the whole picture is searched: often at first, for a pixel may lie
# before white or stripes then. At the others only what was found is looked at again,
# which costs next to nothing.
_SEARCHES, _SEARCH_EVERY = (0, 1, 3, 5, 8), 12
# What the places behind it must say (natural logarithm, so that of a million
# candidates few are mistaken; no two places say so much), in how many of them it may
# surely be missing, and how far the scene must have come (px of the full picture, of
# the width). In 288 recordings only dots on three things that rest on the picture, and
# hardly sway, were wrongly told so.
_SAID, _DENIED = 12.5, 0.1
_FAR_PX, _FAR_SHARE = 6.0, 0.008
# Two places are enough where the scene came far and every one of many looks shows it:
# over 242 recordings without a stuck pixel nothing did that farther than 2.7 %.
_SAID_ALWAYS, _ALWAYS_LOOKS, _ALWAYS_SHARE = 11.9, 10, 0.03
# And half of the way is enough where that many looks all show it, and its places say so
# much more: over 700 recordings nothing of a scene said more than 18.0 so.
_SAID_NEAR, _NEAR_FAR = 20.0, 0.5
# Candidates that are dropped: surely gone; or after so many looks still unlikely, and
# seen in less than this share of them.
_GONE, _LATER, _UNLIKELY, _SHOWN = -4.0, 6, 4.0, 0.5
_EARLY = 3  # looks, by which most of what belongs to the scene is gone
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
        ``"white"``, ``"red"``, ``"green"``, ``"blue"``, ``"magenta"`` or ``"dark"``.
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


# What is kept of a candidate. `all` and `shown` are of the looks since its first;
# `seen` of those at which it added to the sums of `percent`, `cb` and `cr`.
_KEPT = np.dtype(
    [
        ("place", np.int64),
        ("seen", np.int32),
        ("stirs", np.int32),
        ("stir_hits", np.int32),
        ("beside", np.float32, (FACING,)),
        ("all", np.int32),
        ("shown", np.int32),
        ("behind", SEEN),
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
        if not (first or moved or stirred or self._stepped(chain, place)):
            return False
        self._here = chain, place.copy()
        self.size = picture.width, picture.height
        self.looks += moved
        if len(self._kept):
            self._kept = self._again(picture, row, stirred=stirred)
        if self._rounds in _SEARCHES or self._rounds % _SEARCH_EVERY == 0:
            self._kept = self._with_fresh(picture, row)
        self._rounds += 1
        return True

    def _stepped(self, chain: int, place: NDArray[np.float32]) -> bool:
        """Return whether the picture moved at all since it was last looked at."""
        before, lay = self._here
        if before != chain:
            return True
        step = place - lay
        far = (step * step).sum(axis=-1) >= _STEP * _STEP
        return bool(far.mean() >= _ENOUGH_MOVED)

    def _again(self, picture: Picture, row: int, *, stirred: bool) -> NDArray[np.void]:
        """Look at the known places again, and drop those that are gone."""
        kept = self._kept
        ground, amount = ground_at(picture, kept["place"], kept["percent"])
        # Nearly all of the scene's own are gone at the next look.
        left = (kept["all"] >= _EARLY) | ~goes(kept["behind"], ground)
        left |= kept["stir_hits"] > 0
        kept, ground, amount = kept[left], ground[left], amount[left]
        if not len(kept):
            return kept
        places = kept["place"]
        chain, lies = self._lies(picture, places)
        around = beside(picture, places)
        note(kept["behind"], chain, lies, ground, around, picture.width)
        shown = amount > LEAST_PERCENT
        kept["all"] += 1
        kept["shown"] += shown
        if stirred:
            changed = _stirs(picture, kept)
            kept["stirs"] += changed
            kept["stir_hits"] += changed & shown
        hit = np.flatnonzero(shown)
        kept["seen"][hit] += 1
        kept["last"][hit] = row
        kept["percent"][hit] += np.sign(kept["percent"][hit]) * amount[hit]
        cb, cr = colour_of(picture, places[hit])
        kept["cb"][hit] += cb
        kept["cr"][hit] += cr
        stays = kept["stirs"] > 1
        stays &= kept["stir_hits"] >= _STIR_HITS * (kept["stirs"] - 1)
        said = weigh(kept["behind"]).said
        likely = (said > _UNLIKELY) | (kept["all"] < _LATER)
        likely |= kept["shown"] > _SHOWN * kept["all"]
        # What has shown all its places, and little, may be found anew before others.
        likely &= (kept["behind"]["count"] < PLACES) | (said >= _SAID)
        stays |= likely & (said > _GONE)
        return kept[stays]

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
        new = np.flatnonzero(~np.isin(places, kept["place"]))
        ground, _ = ground_at(picture, places[new], percent[new])
        clear = stands(ground)
        new, ground = new[clear], ground[clear]
        room = max(_MOST_KEPT - len(kept), 0)
        if len(new) > room:
            strong = np.argsort(-np.abs(percent[new]), kind="stable")[:room]
            new, ground = new[strong], ground[strong]
        fresh = np.zeros(len(new), _KEPT)
        fresh["place"], fresh["percent"] = places[new], percent[new]
        for name in ("seen", "all", "shown"):
            fresh[name] = 1
        strong = np.abs(fresh["percent"]) >= _STRONG
        fresh["beside"][strong] = beside(picture, fresh["place"][strong])
        begin(fresh["behind"], *self._lies(picture, fresh["place"]), ground)
        fresh["first"] = fresh["last"] = row
        return np.concatenate([kept, fresh])

    def _moved(self, picture: Picture, chain: int, place: NDArray[np.float32]) -> bool:
        """Return whether the scene lies elsewhere than in the last look that counted.

        Parameters
        ----------
        chain, place
            See `spotlooks.Look`.
        """
        before = self._before
        if before is None or before[0] != chain:
            self._before = chain, place.copy()
            # The first look of a take has nothing to differ from.
            return before is not None
        step = place - before[1]
        passed = np.hypot(step[..., 0], step[..., 1]) >= self._least(picture.width)
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
        each = np.abs(kept["percent"]) / np.maximum(kept["seen"], 1)
        stirred = (kept["stirs"] >= _STIRS) & (each >= _STRONG)
        stirred &= kept["stir_hits"] >= _STIR_HITS * kept["stirs"]
        weighed = weigh(kept["behind"])
        always = (kept["shown"] == kept["all"]) & (kept["all"] >= _ALWAYS_LOOKS)
        through = (weighed.far >= _ALWAYS_SHARE) & np.isfinite(weighed.far)
        least = np.where(always & through, _SAID_ALWAYS, _SAID)
        told = (weighed.said >= least) & (weighed.denied <= _DENIED)
        far = np.where(always & (weighed.said >= _SAID_NEAR), _NEAR_FAR, 1.0)
        far *= max(_FAR_PX / max(self.size[0], 1), _FAR_SHARE)
        told &= weighed.far >= far
        told |= stirred
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
            # The search itself took no colour.
            seen = max(int(one["seen"]) - 1, 1)
            colour = colour_word(percent, one["cb"] / seen, one["cr"] / seen)
            rows = int(one["first"]), int(one["last"])
            out.append(StuckPixel(x, y, percent, colour, *rows, bool(stirred[at])))
        return out


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
