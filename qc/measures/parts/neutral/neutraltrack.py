"""Following a neutral surface from frame to frame, and reading its colour."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.colour import gain_stops
from qc.kernels.samples import patch_looks
from qc.measures.parts.neutral.neutral import Candidate, Search, find_candidates
from qc.measures.parts.neutral.neutrallight import Map
from qc.measures.parts.neutral.neutralweights import confidences, is_reference
from qc.measures.parts.neutral.sheetdoubt import Witness
from qc.measures.parts.neutral.whitepatch import (
    PatchCheck,
    Plane,
    Rectangle,
    mean_codes,
    patch_planes,
)
from qc.records import Picture
from qc.signal import Signal, to_linear, ycbcr_to_rgb
from qc.views import proxy_luma

__all__ = ["REFERENCE_SHARE", "NeutralTracker", "Seen", "light_stops"]

REFERENCE_SHARE = 0.55
"""A neutral that fills this much is a white-reference shot (house choice)."""

# Looking anew for what is followed, and for what is not found or has changed.
_SURE_AGAIN_S, _AGAIN_S, _SEEK_S = 2.0, 1.0, 0.19
# Looking again where nothing was found, if a part of the picture has changed by so
# many percent of the range.
_CHANGED_S, _CHANGED = 0.5, 6.0
_THUMB = (32, 18)
# A colour that differs by more from one frame to the next is looked at anew.
_JUMP_STOPS = 0.07
# While its mean codes stay within this share of the range it is not looked into again.
_STILL = 0.004
# A surface that a box no longer lies on has left it: a part of the box has changed in
# Cb or Cr by so much more than another, share of the range, as no lamp makes it.
_TILES, _TILE_SIDE, _LEFT = 4, 4, 0.012
# A candidate is the surface that was followed if it lies within this share of the
# picture's width of it and much as large, or has its colour and brightness.
_NEAR_SHARE, _ALIKE_SIZE = 0.04, 2.5
_SAME_STOPS, _SAME_LEVEL_STOPS = 0.06, 0.7
# It stays the one that is followed as long as it can be believed nearly as much.
_STAY = 0.15
_SURE = 0.6  # confidence from which nothing likelier is waited for
_WORTH = 0.3  # confidence of a surface that is worth looking for at once when lost
_LEAST = 0.05  # confidence under which nothing is kept
# Narrower than this, and than this share of the width, a box may hold the edges of what
# lies beside it: a rod of steel over a drape takes the drape's colour.
_SMALLEST_PX, _SMALLEST_SHARE = 4, 1 / 80


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A neutral surface in one frame.

    Attributes
    ----------
    codes : (3,) array
        Mean Y', Cb, Cr codes in `box`.
    box : (x, y, w, h)
        Pixels of the coded picture.
    confidence : float
        0 to 1, of the last look.
    share : float
        Of the picture that the surface fills, 0 to 1, at the last look.
    track : int
        Counts surfaces: the same number, the same surface.
    """

    codes: NDArray[np.float64]
    box: Rectangle
    confidence: float
    share: float
    track: int


def light_stops(codes: NDArray[np.floating], signal: Signal) -> NDArray[np.float64]:
    """Return log2 of R/G and B/G of the light behind Y', Cb, Cr codes.

    Parameters
    ----------
    codes : (..., 3) array

    Returns
    -------
    (..., 2) array
    """
    y, cb, cr = np.moveaxis(np.asarray(codes, np.float64), -1, 0)
    rgb = ycbcr_to_rgb(y, cb, cr, signal=signal)
    out: NDArray[np.float64] = -gain_stops(to_linear(rgb, transfer=signal.transfer))
    return out


class NeutralTracker:
    """Finds a neutral surface and reads it in every frame.

    A look at the whole picture is dear, reading a box is cheap: looks are taken every
    second or two while a surface is followed, and at once, but not more than five times
    a second, when it is lost or its colour has jumped; ever more rarely, down to every
    two seconds, where nothing likely is found and the picture stays as it is.

    Attributes
    ----------
    sheets : list of (reason, seconds)
        When something filled the picture that is no white reference, and why not.
    witness : Witness
        What the take says of warm sheets.
    """

    def __init__(self, signal: Signal, check: PatchCheck) -> None:
        self.sheets: list[tuple[str, float]] = []
        self.witness = Witness()
        self._signal = signal
        self._check = check
        self._looked_s = -math.inf
        self._sought_s = -math.inf
        self._wait_s = _SEEK_S
        self._thumb: Map | None = None
        self._seen: Seen | None = None
        self._stops = np.full(2, np.nan)
        self._level = math.nan
        self._checked = np.full(3, np.nan)
        self._still = _STILL * (signal.white - signal.black)
        self._clips = 1.0
        self._tracks = 0
        self._is_sheet = False
        self._tiles: Map | None = None
        self._left = _LEFT * signal.chroma_span

    def read(self, picture: Picture, at_s: float) -> Seen | None:
        """Return the neutral surface in a picture; None without one.

        Parameters
        ----------
        picture : Picture
        at_s : float
            When it is shown, seconds.
        """
        self.witness.saw(at_s)
        held = self._hold(picture)
        if held is not None and self._is_sheet:
            self.witness.held(held.track, at_s)
        # Something likelier may have come into the picture.
        unsure = held is None or held.confidence < _SURE
        wait = _AGAIN_S if unsure else _SURE_AGAIN_S
        if held is None:
            wait = self._wait_s
        if wait > _CHANGED_S and unsure and self._has_changed(picture):
            wait = _CHANGED_S
        if 0 <= at_s - (self._sought_s if held is None else self._looked_s) < wait:
            return held
        self._looked_s = at_s
        if held is None:
            self._sought_s = at_s
        self._thumb = _thumb(picture)
        found = self._look(picture, at_s)
        # Where there is hardly anything to find, looks become rare.
        good = found is not None and found.confidence >= _WORTH
        self._wait_s = _SEEK_S if good else min(2.0 * self._wait_s, _SURE_AGAIN_S)
        return found

    def _has_changed(self, picture: Picture) -> bool:
        """Return whether a part of the picture is not as it was at the last look."""
        if self._thumb is None:
            return True
        return float(cv2.norm(_thumb(picture), self._thumb, cv2.NORM_INF)) > _CHANGED

    def _hold(self, picture: Picture) -> Seen | None:
        """Read the box that is followed, if it still shows the same."""
        seen = self._seen
        if seen is None:
            return None
        planes = patch_planes(picture, seen.box)
        looks = patch_looks(planes)
        codes = mean_codes(planes, looks)
        # Nearly what was looked into before: nothing new to look into.
        if not np.abs(codes - self._checked).max() <= self._still:
            trouble = self._check.trouble(
                planes, interlaced=picture.interlaced, clips=self._clips, looks=looks
            )
            if trouble:
                return None
            stops = light_stops(codes, self._signal)
            if not np.hypot(*(stops - self._stops)) <= _JUMP_STOPS:
                return None
            if self._has_left(planes):
                return None
            self._stops, self._checked = stops, codes
        self._seen = Seen(codes, seen.box, seen.confidence, seen.share, seen.track)
        return self._seen

    def _look(self, picture: Picture, at_s: float) -> Seen | None:
        search = find_candidates(picture)
        if search.sheet:
            self.sheets.append((search.sheet, at_s))
        if not any(is_reference(c.features) for c in search.candidates):
            self.witness.looked(search)
        for candidate, confidence in self._ranked(search, picture):
            codes = self._codes(picture, candidate.box, search.clips)
            if codes is None:
                continue
            stops = light_stops(codes, self._signal)
            level = self._signal.percent(float(codes[0]))
            is_sheet = is_reference(candidate.features)
            if is_sheet != self._is_sheet or not self._same(
                candidate, stops, level, picture
            ):
                self._tracks += 1
            self._is_sheet = is_sheet
            self._testify(candidate, confidence, search, at_s)
            self._stops, self._level, self._checked = stops, level, codes
            self._clips = search.clips
            self._tiles = _chroma_tiles(patch_planes(picture, candidate.box))
            self._seen = Seen(
                codes,
                candidate.box,
                confidence,
                candidate.area_share,
                self._tracks,
            )
            return self._seen
        return None

    def _testify(
        self, candidate: Candidate, confidence: float, search: Search, at_s: float
    ) -> None:
        if self._is_sheet:
            bright = search.scene.bright
            self.witness.sheet(self._tracks, candidate.features, bright, at_s)
        else:
            self.witness.other(candidate.features, confidence)

    def _has_left(self, planes: tuple[Plane, ...]) -> bool:
        """Return whether a part of the box no longer shows what the others do.

        Another lamp changes all of a surface; what leaves, or is covered, a part.
        """
        if self._tiles is None:
            return False
        changed = _chroma_tiles(planes) - self._tiles
        return float(np.ptp(changed, axis=(1, 2)).max()) > self._left

    def _ranked(
        self, search: Search, picture: Picture
    ) -> list[tuple[Candidate, float]]:
        """Return candidates worth reading, the one to follow first."""
        found = [
            (candidate, confidence)
            for candidate, confidence in zip(
                search.candidates, confidences(search.candidates), strict=True
            )
            if confidence >= _LEAST
        ]

        def merit(item: tuple[Candidate, float]) -> float:
            candidate, confidence = item
            stay = _STAY if self._near(candidate.box, picture) else 0.0
            # Of those of one colour the larger, which has more pixels to average.
            return confidence + stay + 0.02 * candidate.features.area_log

        return sorted(found, key=merit, reverse=True)

    def _near(self, box: Rectangle, picture: Picture) -> bool:
        """Return whether a box lies at or by the one that is followed."""
        if self._seen is None:
            return False
        sizes = box[2] / max(self._seen.box[2], 1)
        if not 1.0 / _ALIKE_SIZE <= sizes <= _ALIKE_SIZE:
            return False
        slack = _NEAR_SHARE * picture.width
        return all(
            a <= b + d + slack and b <= a + c + slack
            for a, b, c, d in zip(
                box[:2], self._seen.box[:2], box[2:], self._seen.box[2:], strict=True
            )
        )

    def _same(
        self,
        candidate: Candidate,
        stops: NDArray[np.float64],
        level: float,
        picture: Picture,
    ) -> bool:
        if self._seen is None:
            return False
        if self._near(candidate.box, picture):
            return True
        ratio = max(level, 1.0) / max(self._level, 1.0)
        return bool(
            np.hypot(*(stops - self._stops)) <= _SAME_STOPS
            # Stops of light from signal, by the curve's slope of about a half.
            and abs(math.log2(ratio)) * 2.0 <= _SAME_LEVEL_STOPS
        )

    def _codes(
        self, picture: Picture, box: Rectangle, clips: float
    ) -> NDArray[np.float64] | None:
        planes = patch_planes(picture, box)
        least = max(_SMALLEST_PX, round(_SMALLEST_SHARE * picture.width))
        if min(min(p.shape) for p in planes) < 2 or min(box[2:]) < least:
            return None
        looks = patch_looks(planes)
        trouble = self._check.trouble(
            planes, interlaced=picture.interlaced, clips=clips, looks=looks
        )
        return None if trouble else mean_codes(planes, looks)


def _chroma_tiles(planes: tuple[Plane, ...]) -> Map:
    """Return Cb and Cr of a box as means of few tiles, none of few samples, codes."""
    many = max(1, min(_TILES, min(planes[1].shape) // _TILE_SIDE))
    size = (many, many)
    tiles = [cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in planes[1:]]
    return np.asarray(tiles, np.float32)


def _thumb(picture: Picture) -> Map:
    small = cv2.resize(picture.view(proxy_luma), _THUMB, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32)
