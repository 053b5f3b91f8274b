"""How much a fault changes what a screen shows, whatever was done to the light.

A spot that takes a third of the light takes nothing from a black night. Lightness is
CIE 1976 L* (CIE 15:2018, 8.2.1) of the light that a reference display gives (ITU-R
BT.1886, black at 0), relative to nominal white. A difference of about 1 L* side by side
is just noticed under good conditions, three are seen at once (common practice, no
source); both figures here were fixed before anything was measured with them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from qc.signal import LUMA_WEIGHTS, Signal
from tests.bench.faults.linear import Curve, Planes

__all__ = ["LEAST_LSTAR", "LEAST_SECONDS", "changes", "lightness", "seconds_seen"]

LEAST_LSTAR = 3.0  # in the mean over the spot
LEAST_SECONDS = 1.0  # of frames, together
_GAMMA = 2.4  # BT.1886


def lightness(planes: Planes, signal: Signal) -> NDArray[np.float64]:
    """Return L* of every pixel, (H, W), 100 at nominal white.

    Examples
    --------
    >>> s = Signal()
    >>> codes = [np.full((2, 2), v, np.uint8) for v in (s.white, 128, 128)]
    >>> lightness(tuple(codes), s).round(3).tolist()
    [[100.0, 100.0], [100.0, 100.0]]
    """
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    shown = np.clip(Curve(signal).rgb(planes).astype(np.float64), 0, 1) ** _GAMMA
    y = shown @ np.array([kr, 1 - kr - kb, kb])
    cube = np.where(y > (6 / 29) ** 3, np.cbrt(y), y * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.asarray(116 * cube - 16, np.float64)


def changes(
    before: Sequence[Planes],
    after: Sequence[Planes],
    span: tuple[int, int],
    where: tuple[int, int, int, int],
    signal: Signal,
) -> NDArray[np.float64]:
    """Return the mean |difference of L*| over an ellipse in a box, frame by frame."""
    x, y, w, h = where
    rows, columns = before[0][0].shape
    top, left = max(y, 0) // 2 * 2, max(x, 0) // 2 * 2
    down, across = min(y + h + 1, rows) // 2 * 2, min(x + w + 1, columns) // 2 * 2
    v, u = np.mgrid[top:down, left:across] + 0.5
    inside = ((u - x - w / 2) / (w / 2)) ** 2 + ((v - y - h / 2) / (h / 2)) ** 2 <= 1

    def part(planes: Planes) -> NDArray[np.float64]:
        luma, cb, cr = planes
        few = slice(top // 2, down // 2), slice(left // 2, across // 2)
        return lightness((luma[top:down, left:across], cb[few], cr[few]), signal)

    each = [
        float(np.abs(part(after[i]) - part(before[i]))[inside].mean())
        for i in range(*span)
    ]
    return np.array(each)


def seconds_seen(changed: NDArray[np.float64], rate: float) -> float:
    """Return for how long the screen shows a change that a viewer surely notices.

    Examples
    --------
    >>> seconds_seen(np.array([0.5, 3.0, 8.0]), 25)
    0.08
    """
    return float(np.count_nonzero(changed >= LEAST_LSTAR) / rate)
