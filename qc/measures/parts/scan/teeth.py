"""Where teeth are to be seen in a picture: for the stills of a report."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.records import Picture

__all__ = ["teeth"]

_TOOTH_PERCENT = 5.0


def teeth(picture: Picture) -> NDArray[np.bool_]:
    """Return where lines stand out from both neighbours in turn, as teeth do."""
    tooth = (picture.signal.white - picture.signal.black) * _TOOTH_PERCENT / 100.0
    y = picture.y.astype(np.float32)
    mask = np.zeros(y.shape, np.uint8)
    if y.shape[0] >= 4:
        out = y[1:-1] - 0.5 * (y[:-2] + y[2:])
        turns = (
            (np.abs(out[:-1]) > tooth)
            & (np.abs(out[1:]) > tooth)
            & (out[:-1] * out[1:] < 0)
        )
        mask[1:-2] = turns
        upright, around = np.ones((3, 1), np.uint8), np.ones((5, 5), np.uint8)
        mask = np.asarray(
            cv2.dilate(cv2.morphologyEx(mask, cv2.MORPH_OPEN, upright), around),
            np.uint8,
        )
    return mask.astype(bool)
