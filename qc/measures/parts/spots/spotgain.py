"""Spots before a scene full of detail that goes by slowly, near things faster than far.

There the scene does not average out, and one smooth surface of motion does not lay it
over itself. `spotpairs` finds what stays by pairs of looks. That tells spots that are
wider than the scene comes, too. What stays must be in both halves of the scene's way,
where it lies and not where the scene has gone. Small ones are told by `spotnarrow`.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlayers import ways_back
from qc.measures.parts.spots.spotnarrow import narrow_spots
from qc.measures.parts.spots.spotpairs import (
    FEWEST_PAIRS,
    Laid,
    Stays,
    around,
    beside,
    comes_on,
    explained,
    laid_over,
    pairs_of,
    what_stays,
)
from qc.measures.parts.spots.spotpassing import Passing
from qc.measures.parts.spots.spotranks import ranked, rms
from qc.measures.parts.spots.spotshape import is_compact, on_map
from qc.measures.parts.spots.spotslopes import slopes
from qc.measures.parts.spots.spotsway import Fixed, come

__all__ = ["gain_spots"]

Mask = NDArray[np.bool_]

# A place: natural logarithm; times what the halves differ by around it.
_LEAST, _CORE, _GROWN = 0.03, 2.0, 1.0
_BORDER, _DEEP = 0.45, 0.7  # of its strongest place
_TRIED = 8  # the strongest
_MARGIN, _RING, _EDGE = 12, 7, 4  # px around; not part of the ring; of the picture
_FEWEST, _FILLED, _LONGEST = 8, 0.5, 2.6  # px; of its box; times its breadth
_STEEPEST, _AROUND, _MOST_OF = 0.62, 0.25, 0.9  # of it: px to px; of most around
_ALIKE = 0.5  # of it, what either half must show
# Times what the halves differ by around it, by the share of what was left over that it
# tells, by how much better the halves agree as they lie than as the scene has come.
# Over 332 takes without a spot and 84 rendered travels the most was under 0.8 (and
# once 10, where a shadow goes with the camera); of 168 spots there 96 had more.
_SURE = 2.0


def gain_spots(scene: Passing) -> list[Fixed]:
    """Return dark spots that stay in their place, the surest first."""
    backs = ways_back(scene.layers.moves)
    pairs = pairs_of(scene, backs)
    if len(pairs) < FEWEST_PAIRS:
        return []
    laid = laid_over(scene, backs, pairs)
    stays = what_stays(laid)
    looks = scene.looks
    shape = looks[0].maps["detail"].shape
    rows = looks[0].row, looks[-1].row
    out = []
    known = np.zeros(stays.gain.shape, np.bool_)
    for mask in _places(stays):
        strength, sure = _told(mask, stays, laid)
        if sure >= _SURE:
            known |= mask
            out.append((mask, strength, sure))
    out += narrow_spots(stays, laid, known)
    out.sort(key=lambda one: -one[2])
    return [
        Fixed(on_map(mask, shape), "level", strength, sure, 0.0, *rows)
        for mask, strength, sure in out
    ]


def _places(stays: Stays) -> Iterator[Mask]:
    """Yield dark places of a spot's shape, the strongest first."""
    shown = -stays.gain
    core = (shown > _LEAST) & (shown > _CORE * stays.unsure)
    wide = (shown > 0.5 * _LEAST) & (shown > _GROWN * stays.unsure)
    _, labels, facts, _ = cv2.connectedComponentsWithStats(wide.astype(np.uint8))
    sure = np.where(core, shown / stays.unsure, np.float32(0))
    tried = 0
    while tried < _TRIED and sure.any():
        at = np.unravel_index(int(np.argmax(sure)), sure.shape)
        label = labels[at]
        x, y, w, h = (int(v) for v in facts[label, :4])
        box = slice(y, y + h), slice(x, x + w)
        part = labels[box] == label
        sure[box][part] = 0
        top = float(shown[box][part].max())
        grown = (part & (shown[box] > _BORDER * top)).astype(np.uint8)
        _, pieces = cv2.connectedComponents(grown)
        peak = np.unravel_index(
            int(np.argmax(np.where(part, shown[box], -np.inf))), part.shape
        )
        mask = np.zeros(shown.shape, np.bool_)
        mask[box] = pieces == pieces[peak]
        if is_compact(
            mask, edge=_EDGE, fewest=_FEWEST, filled=_FILLED, longest=_LONGEST
        ):
            tried += 1
            yield mask


def _told(mask: Mask, stays: Stays, laid: Laid) -> tuple[float, float]:
    """Return how strong a spot is, and how sure; 0 if it is none."""
    box = around(mask, _RING)
    gain = stays.gain[box]
    deep = mask[box] & (gain < _DEEP * float(gain[mask[box]].min()))
    strength = float(np.median(gain[deep]))
    shares = [float(np.median(half[box][deep])) / strength for half in stays.halves]
    ring = beside(mask[box], 5)
    if min(shares) < _ALIKE or not ring.any():
        return strength, 0.0
    down, across = slopes(np.asarray(cv2.GaussianBlur(gain, (0, 0), 0.5), np.float32))
    if float(np.hypot(down, across).max()) > _STEEPEST * abs(strength) or ranked(
        -gain[ring], _MOST_OF
    ) > _AROUND * abs(strength):
        return strength, 0.0
    told = explained(laid, stays.gain, box, ring)
    wide = around(mask, _MARGIN)
    off = 0.5 * (stays.halves[0] - stays.halves[1])[wide]
    off = off[beside(mask[wide], _RING)]
    sure = abs(strength) / float(np.hypot(rms(off), stays.usual))
    return strength, sure * told * max(_stays_rather(laid, stays, mask) - 1, 0.0)


def _stays_rather(laid: Laid, stays: Stays, mask: Mask) -> float:
    """Return by how much better the halves agree as they lie than as the scene lies.

    What is left over of the scene by being followed wrongly has gone on with it from
    the one half of its way to the other.
    """
    box = around(mask, _RING)
    right, down = comes_on(laid, box)
    h, w = mask.shape
    y, x = np.mgrid[
        box[0].start : min(box[0].stop, h), box[1].start : min(box[1].stop, w)
    ]
    one, two = stays.halves
    wide = ~beside(mask[box], 5)
    off = np.stack(
        [
            come(two, x + right, y + down) - one[box],
            come(one, x - right, y - down) - two[box],
        ]
    )
    known = wide & np.isfinite(off).all(axis=0)
    if not known.any():
        return 0.0
    rest = rms((one - two)[box][wide])
    return rms(off[:, known]) / max(rest, 1e-6)
