"""Reads a take's highlights frame by frame. Private to `qc.measures.highlights`."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Setup, Values
from qc.measures.parts.burnt.brightblocks import (
    at_least,
    block_counts,
    largest_of_blocks,
)
from qc.measures.parts.burnt.brightmarks import places_of
from qc.measures.parts.burnt.brightparts import BrightMemory, Kind, split
from qc.measures.parts.burnt.brightregions import Regions
from qc.records import Picture
from qc.signal import Signal
from qc.views import luma_histogram, proxy_luma

__all__ = ["HighlightsReader", "share_at_or_above"]

# Looking for the largest area below this share of the picture would only find noise.
_AREA_FROM_PERCENT = 0.02
# Under this share, or under half the review limit, no rule can strike whatever it is:
# then it is not told apart.
_SPLIT_FROM_PERCENT = 0.5
# What was found holds for so long while the share hardly changes and it is not another
# picture altogether; longer each time looks agree, up to so many times, near a limit up
# to twice ...
_HELD_SECONDS, _MOST_HELD, _LONGER, _LONGER_NEAR = 0.5, 25, 4, 2
_SAME_SHARE, _SAME_PERCENT, _SAME_LUMA = 0.25, 0.02, 6.0
# (every fourth line of the small picture tells that: the rest is not worth fetching)
_LINES = 4
# ... nor jumps from one frame to the next by so much of the review limit ...
_JUMP = 0.3
# ... and near a limit for a frame or two at first; each look that agrees with the one
# before lets the next wait twice as long. Looks agree that find the same part of the
# area relevant, or differ by less than is left to a limit. A finding's edge where
# the area changes is met to the frame all the same: that is a reason to look.
_NEAR_LIMIT, _NEAR_SECONDS, _SAME_PART = 0.1, 0.04, 0.1
# A stretch past the limit ends at this share of it (`Rule.release`).
_ENDS_AT = 0.8


def share_at_or_above(
    histogram: NDArray[np.int64], *, code: int, total: int | None = None
) -> float:
    """Return the share of pixels at or above a code, in percent.

    Parameters
    ----------
    histogram : (n,) array of int64
        Pixels of each code.
    code : int
        First code that counts; 0 counts all.
    total : int, optional
        Pixels of all codes, if they are counted already.

    Returns
    -------
    float
        0 to 100, exact; NaN for an empty picture.

    Examples
    --------
    >>> share_at_or_above(np.array([6, 1, 2, 1]), code=2)
    30.0
    """
    if total is None:
        total = int(histogram.sum())
    if total == 0:
        return math.nan
    # The ufunc itself: of so few codes, the method's own work is half of it.
    return 100.0 * int(np.add.reduce(histogram[max(code, 0) :])) / total


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """What a frame's burnt-out area was found to be, in percent of the picture."""

    share: float
    luma: NDArray[np.float32]
    parts: Mapping[str, float]
    box: NDArray[np.float32] | None
    places: NDArray[np.float32] | None

    @property
    def relevant_part(self) -> float:
        """How much of the burnt-out area is relevant, 0 to 1."""
        return self.parts["relevant_percent"] / self.share

    def values(self, share: float) -> dict[str, float | NDArray[np.floating]]:
        """Return the columns for a frame with `share` percent burnt out."""
        scale = 1.0 if share == self.share else share / self.share
        out: dict[str, float | NDArray[np.floating]] = {
            name: scale * part for name, part in self.parts.items()
        }
        if self.box is not None:
            out["largest_box"] = self.box
        if self.places is not None:
            out["places"] = self.places
        return out


class HighlightsReader:
    """Measures what burns out in one take's pictures."""

    def __init__(self, setup: Setup) -> None:
        limits = setup.limits
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._code = self._signal.first_code_at(limits["highlights.level_percent"])
        self._ceiling = self._signal.ceiling
        self._regions = Regions(limits)
        self._split: bool = limits["highlights.split"]
        review = float(limits["highlights.review_percent"])
        reject = float(limits["highlights.reject_percent"])
        self._from = min(_SPLIT_FROM_PERCENT, 0.5 * review)
        # A stretch is told only if it goes past the limit, and ends at four fifths of
        # it: which of the two comes next depends on whether one is under way.
        self._review, self._reject, self._holds = review, reject, False
        rate = float(video.frame_rate) if video is not None else 0.0
        self._hold = min(int(_HELD_SECONDS * rate), _MOST_HELD)
        self._near = min(int(_NEAR_SECONDS * rate), 2)
        self._hold_now, self._hold_near = self._hold, self._near
        self._memory = BrightMemory(float(video.time_base) if video else None)
        self._found: _Found | None = None
        self._mask: NDArray[np.uint8] | None = None
        self._last_share, self._jump = 0.0, _JUMP * review
        self._held = 0
        self._take = np.zeros(self._signal.top + 1, np.int64)

    def read(self, picture: Picture) -> Values:
        """Return the values of one frame."""
        histogram = picture.view(luma_histogram)
        self._take += histogram
        total = int(np.add.reduce(histogram))
        share = share_at_or_above(histogram, code=self._code, total=total)
        values: dict[str, float | NDArray[np.floating]] = {
            "share_percent": share,
            "ceiling_percent": share_at_or_above(
                histogram, code=self._ceiling, total=total
            ),
        }
        if self._regions:
            self._regions.draw(picture.y.shape)
            if not self._regions.judged_pixels:
                return values  # no pixel is left to judge
        if not share > 0 or (not self._regions and share < _AREA_FROM_PERCENT):
            values |= dict.fromkeys(("swab_percent", "glint_percent"), 0.0 * share)
            values |= {"relevant_percent": share, "largest_percent": 0.0 * share}
            values["undecided_percent"] = share
            self._pass_by(picture)
            self._follow(share)
            return values
        found = self._held_for(picture, share)
        if found is None:
            found = self._look(picture, share)
            self._grow_patient(found)
            self._found, self._held = found, 0
        values |= found.values(share)
        self._follow(float(values["relevant_percent"]))
        return values

    def _follow(self, relevant: float) -> None:
        """Follow whether a stretch past the limit is under way."""
        self._holds = relevant > self._turn

    def _pass_by(self, picture: Picture) -> None:
        self._found = None
        if self._split:
            self._memory.see(picture)

    def _grow_patient(self, found: _Found) -> None:
        """Look less often while looks agree, else often again."""
        same = self._found is not None and self._agree(self._found, found)
        if not same:
            self._hold_now, self._hold_near = self._hold, self._near
            return
        self._hold_now = min(2 * self._hold_now, _LONGER * self._hold)
        self._hold_near = min(2 * self._hold_near, _LONGER_NEAR * self._hold)

    def _agree(self, before: _Found, found: _Found) -> bool:
        """Return whether two looks say the same, for all that rules make of it."""
        first, last = (f.parts["relevant_percent"] for f in (before, found))
        if any((first - t) * (last - t) <= 0.0 for t in (self._review, self._reject)):
            return False
        if abs(before.relevant_part - found.relevant_part) <= _SAME_PART:
            return True
        left = min(abs(last - turn) for turn in (self._turn, self._reject))
        return abs(first - last) < left

    @property
    def _turn(self) -> float:
        """Share at which a stretch past the review limit would begin, or end."""
        return self._review * (_ENDS_AT if self._holds else 1.0)

    def _held_for(self, picture: Picture, share: float) -> _Found | None:
        """Return what was found a moment ago, if it still stands."""
        found = self._found
        self._held += 1
        jump, self._last_share = abs(share - self._last_share), share
        if found is None or self._held > self._hold_now or picture.damaged:
            return None
        if (
            jump > self._jump
            or abs(share - found.share) > _SAME_SHARE * found.share + _SAME_PERCENT
        ):
            return None
        before = found.parts["relevant_percent"]
        relevant = before * share / found.share
        for turn in (self._turn, self._reject):
            if (relevant - turn) * (before - turn) <= 0.0:
                return None  # a rule would change its mind on a guess
            if abs(relevant - turn) <= _NEAR_LIMIT * turn and (
                self._held > self._hold_near
            ):
                return None
        luma = picture.view(proxy_luma)[::_LINES]
        if luma.shape != found.luma.shape:
            return None
        change = cv2.norm(luma, found.luma, cv2.NORM_L1)
        return found if change <= _SAME_LUMA * luma.size else None

    def _look(self, picture: Picture, share: float) -> _Found:
        """Tell a frame's burnt-out area apart."""
        y, code, places = picture.y, self._code, None
        counts = block_counts(y, code)
        if not self._split:
            kinds = np.where(counts > 0, np.uint8(Kind.RELEVANT), np.uint8(0))
        elif share <= self._from:
            kinds = np.where(counts > 0, np.uint8(Kind.UNDECIDED), np.uint8(0))
            self._memory.see(picture)
        else:
            kinds = split(picture, counts, code=code, memory=self._memory).kinds
            places = places_of(kinds, counts)
        regions, swab, always = self._regions, 0, 0
        judged: tuple[NDArray[np.unsignedinteger], int] = y, code
        if regions:
            # Fresh memory for a whole plane costs as much as filling it.
            told = mask = self._mask = at_least(y, code, self._mask)
            if regions.judged is not None:
                told = mask = mask & regions.judged
            if regions.swab is not None:
                swab = cv2.countNonZero(mask & regions.swab)
                told = mask = mask & (1 - regions.swab)
            if regions.always is not None:
                always = cv2.countNonZero(mask & regions.always)
                told = mask & (1 - regions.always)
            judged, counts = (mask, 1), block_counts(told)
        filled = np.flatnonzero(counts)
        kind_of, of = kinds.ravel()[filled], counts.ravel()[filled]
        pixels = np.bincount(kind_of, of, len(Kind))
        undecided = float(pixels[Kind.UNDECIDED])
        area = {
            "relevant_percent": float(pixels[Kind.RELEVANT]) + undecided + always,
            "swab_percent": float(pixels[Kind.SWAB]) + swab,
            "glint_percent": float(pixels[Kind.GLINT]),
            "undecided_percent": undecided,
        }
        let_pass = (kind_of == Kind.SWAB) | (kind_of == Kind.GLINT)
        counts.ravel()[filled[let_pass]] = 0
        if regions.always is not None:
            counts += block_counts(judged[0] & regions.always)
        largest, box = 0, None
        if area["relevant_percent"] >= _AREA_FROM_PERCENT / 100 * y.size:
            largest, box = largest_of_blocks(judged[0], counts, judged[1])
        area["largest_percent"] = float(largest)
        return _Found(
            share=share,
            luma=picture.view(proxy_luma)[::_LINES].copy(),
            parts={name: 100.0 * n / y.size for name, n in area.items()},
            box=None if box is None else np.array(box, np.float32),
            places=places,
        )

    def finish(self) -> Mapping[str, object]:
        """Return where this camera's signal ends."""
        pixels = int(self._take.sum())
        if not pixels:
            return {}
        # The level over which only one pixel in 100 000 lies: where this camera ends.
        from_top = np.cumsum(self._take[::-1])[::-1]
        top = int(np.flatnonzero(from_top > pixels * 1e-5)[-1])
        return {"highest_level_percent": round(self._signal.percent(top), 2)}
