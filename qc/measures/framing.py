"""Framing: which frames belong to one shot, so that a reference holds within it.

Sharpness is judged against the best of the same shot. A new shot begins where the
picture no longer looks like the shot's first frames: at a cut, or once a pan or zoom
has changed the framing. Coming back to an earlier framing takes up its shot again.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Column, Measure, Measured, Setup, Values
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["MEASURE", "correlation", "thumbnail"]

_THUMB = (48, 27)  # width, height: coarse enough that blur and grain do not matter
_REMEMBERED = 8
# A return to an earlier framing must fit better than what is needed to stay in one.
_RETURN_MARGIN = 0.25
# Under this spread (percent of range) a picture has no structure to compare.
_FLAT_PERCENT = 0.5


def thumbnail(luma: NDArray[np.float32]) -> NDArray[np.float32] | None:
    """Return a coarse picture of zero mean and unit length, None for a flat picture.

    Parameters
    ----------
    luma : (H, W) array of float32
        Percent of black-to-white.
    """
    small = cv2.resize(luma, _THUMB, interpolation=cv2.INTER_AREA)
    small = small - small.mean()
    length = float(np.sqrt(np.sum(small * small, dtype=np.float64)))
    if length < _FLAT_PERCENT * math.sqrt(small.size):
        return None
    out: NDArray[np.float32] = small / np.float32(length)
    return out


def correlation(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Return the correlation of two thumbnails, -1 to 1."""
    return float(np.sum(a * b, dtype=np.float64))


class _Reader:
    def __init__(self, setup: Setup) -> None:
        self._stay = setup.limits["framing.same_shot_correlation"]
        self._shots: deque[tuple[int, NDArray[np.float32]]] = deque(maxlen=_REMEMBERED)
        self._current: tuple[int, NDArray[np.float32]] | None = None
        self._count = 0

    def read(self, picture: Picture) -> Values:
        thumb = None if picture.damaged else thumbnail(picture.view(proxy_luma))
        if thumb is None:
            # A flat or broken picture tells nothing about the framing.
            number = float(self._current[0]) if self._current else 0.0
            return {"shot": number, "likeness": math.nan}
        if self._current is not None:
            likeness = correlation(self._current[1], thumb)
            if likeness >= self._stay:
                return {"shot": float(self._current[0]), "likeness": likeness}
        # Not the shot so far: an earlier one again, or a new one?
        earlier = max(
            self._shots, key=lambda shot: correlation(shot[1], thumb), default=None
        )
        back = min(1.0, self._stay + _RETURN_MARGIN)
        if earlier is not None and correlation(earlier[1], thumb) >= back:
            self._current = earlier
        else:
            self._current = (self._count, thumb)
            self._shots.append(self._current)
            self._count += 1
        return {
            "shot": float(self._current[0]),
            "likeness": correlation(self._current[1], thumb),
        }

    def finish(self) -> Mapping[str, object]:
        return {"shots": self._count}


def _summarise(measured: Measured) -> Mapping[str, object]:
    return measured.totals.get("framing", {})


MEASURE = Measure(
    name="framing",
    label="Framing",
    clock="picture",
    columns=(
        Column("shot", "Shot", "", 0),
        Column("likeness", "Likeness to the shot's first frame", "", 2),
    ),
    options=(
        Option(
            "framing.same_shot_correlation",
            0.5,
            "A frame belongs to the shot as long as its coarse picture correlates with "
            "the shot's first frame at least this much (house choice).",
            low=0,
            high=1,
            measuring=True,
        ),
    ),
    start=_Reader,
    summarise=_summarise,
    method=(
        "Each frame, area-averaged to 48 x 27 cells, is correlated with the first "
        "frame of its shot; below the limit a new shot begins, or an earlier one goes "
        "on if it fits better. Changes of exposure and focus do not break a shot."
    ),
    source="Normalised cross-correlation: textbook statistics. Limit: house choice.",
)
