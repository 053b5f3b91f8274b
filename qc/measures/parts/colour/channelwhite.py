"""White things with one channel at its end. Private to `qc.measures.channels`.

Under a lamp that the camera is not balanced for, one channel of a white cloth reaches
its end well before luma comes near the level, and nothing that matters is lost there.
What the picture's white is, `brightwhite` tells on the small picture; a place that has
one channel at its end is white if the other two stand to each other as they do there,
and if the third would be at its end, too, were it white.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightcues import Plane, Scene, stops_between, stops_of
from qc.measures.parts.burnt.brightparts import end_of
from qc.measures.parts.burnt.brightwhite import white_of
from qc.records import Picture
from qc.views import proxy_luma, proxy_rgb

__all__ = ["white_cells", "white_pixels"]

Flags = NDArray[np.bool_]

# A cell's channel is at its end from here on, a share of nominal white: rounding and
# the mean over a cell take some of it away.
_ENDED = 0.97
# The two channels left may stand so far from the white's, and the third so far under
# its end were it white, in stops.
_OFF, _SHORT = 0.14, 0.3
# Of what is at its end so much must be white, or nothing is left out.
_LEAST = 0.05
_BESIDE = np.ones((3, 3), np.uint8)


def white_pixels(picture: Picture, level: float) -> Flags | None:
    """Return where white things have a channel at its end; None: hardly anywhere.

    Parameters
    ----------
    level : float
        Luma, 1 is nominal white, from which a place is burnt out.
    """
    luma = picture.view(proxy_luma) * np.float32(0.01)
    rgb = picture.view(proxy_rgb)
    ended = (rgb.max(axis=0) > _ENDED) & (luma < level)
    most = np.count_nonzero(ended)
    if not most or picture.signal.transfer == "pq":
        return None
    scene = Scene(
        rgb=rgb,
        luma=luma,
        burnt=(luma >= level).astype(np.float32),
        level=level,
        end=max(end_of(picture), level),
        transfer=picture.signal.transfer,
        matrix=picture.signal.matrix,
    )
    red, blue, known = white_of(scene, stops_of(rgb, scene.transfer))
    if not known:
        return None
    white = white_cells(scene, (red, 0.0, blue))
    if np.count_nonzero(white & ended) < _LEAST * most:
        return None
    # Cells at an edge are mixed with what is beside.
    beside = cv2.dilate(white.view(np.uint8), _BESIDE)
    size = (picture.width, picture.height)
    return cv2.resize(beside, size, interpolation=cv2.INTER_NEAREST) > 0


def white_cells(scene: Scene, white: tuple[float, float, float]) -> Flags:
    """Return the cells of the small picture that are white but for one channel.

    Parameters
    ----------
    white : (float, float, float)
        Stops of red, green and blue over green of a white thing.
    """
    ended = scene.rgb > _ENDED
    alone = ended.sum(axis=0) == 1
    found = np.zeros(scene.luma.shape, np.bool_)
    end = np.full(1, _ENDED, np.float32)
    for at in range(3):
        first, second = (c for c in range(3) if c != at)
        here = np.flatnonzero(ended[at] & alone)
        one, two = (scene.rgb[c].ravel()[here] for c in (first, second))
        off = _over(one, two, scene) - (white[first] - white[second])
        # What the strongest of the two says of the third.
        would = np.maximum(
            _over(one, end, scene) + white[at] - white[first],
            _over(two, end, scene) + white[at] - white[second],
        )
        found.ravel()[here] = (np.abs(off) < _OFF) & (would > -_SHORT)
    return found


def _over(a: Plane, b: Plane, scene: Scene) -> Plane:
    return stops_between(a, b, scene.transfer)
