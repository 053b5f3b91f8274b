"""Burnt-out areas cut into objects along the outlines that still show in them.

Private to `brightfeatures`. A glove over a towel, or skin beside a sheet, burn out as
one area; but where one thing ends, a line of shade is left, or a channel that is not
at its end yet dips. Cells on such lines, and cells that are burnt out in part, are
boundaries; what lies between is an object.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightcues import Plane

__all__ = ["dips", "objects_of"]

# A line is as deep as this in luma or in the weakest channel, or burnt out in part.
_DIP, _WEAKEST_DIP, _WHOLLY = 0.012, 0.035, 0.85
_LINE = np.ones((5, 5), np.uint8)
_SQUARE = np.ones((3, 3), np.uint8)
# So far objects grow back over the boundaries between them: three cells.
_GROW = np.ones((7, 7), np.uint8)


def dips(plane: Plane) -> Plane:
    """Return how far narrow dark lines lie under what is on both their sides."""
    return np.asarray(cv2.morphologyEx(plane, cv2.MORPH_BLACKHAT, _LINE), np.float32)


def objects_of(burnt: Plane, luma: Plane, weakest_dips: Plane) -> NDArray[np.int32]:
    """Return numbers of the burnt-out area's objects, from 1 on; 0: not burnt out.

    Parameters
    ----------
    burnt, luma, weakest_dips : (h, w) arrays of float32
        Share of each cell that is burnt out, its luma, and the `dips` of its weakest
        channel.
    """
    solid = burnt > 0.5
    whole = (burnt >= _WHOLLY) & (dips(luma) <= _DIP) & (weakest_dips <= _WEAKEST_DIP)
    core = cv2.erode(whole.view(np.uint8), _SQUARE)
    number, labels = cv2.connectedComponents(core, connectivity=4, ltype=cv2.CV_32S)
    # OpenCV dilates floats, not whole numbers; these are exact.
    own = labels.astype(np.float32)
    grown = np.where(own > 0, own, cv2.dilate(own, _GROW)) * solid
    rest = (grown == 0) & solid
    _, others = cv2.connectedComponents(
        rest.view(np.uint8), connectivity=4, ltype=cv2.CV_32S
    )
    return np.where(rest, others + (number - 1), grown).astype(np.int32)
