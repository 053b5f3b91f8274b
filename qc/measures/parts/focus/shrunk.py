"""Lines of a picture as of a smaller one: only those that are asked for are made."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Shrunk"]

# Up to so large squares few lines of the plane are read.
_FEW = 2


class Shrunk:
    """A plane as its area means on a coarser grid.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
    shape : (lines, pixels)
        Of the smaller picture.
    """

    def __init__(
        self, plane: NDArray[np.unsignedinteger], shape: tuple[int, int]
    ) -> None:
        self._plane = plane
        self.shape = shape
        self._small: NDArray[np.float32] | None = None

    def lines(self, scale: int, step: int, *, down: bool) -> NDArray[np.float32]:
        """Return some lines, or columns, averaged over squares of `scale` pixels.

        Parameters
        ----------
        scale : int
            Pixels of the smaller picture.
        step : int
            From one line to the next; a multiple of `scale`.
        down : bool
            Columns instead, each as a line.

        Returns
        -------
        (n, length) array of float32
        """
        if scale > _FEW:
            return self._of_all(scale, step, down=down)
        thin, long = (1, 0) if down else (0, 1)
        places, shares = _overlaps(
            self._plane.shape[thin], self.shape[thin], scale, step
        )
        if down:
            some = np.take(self._plane, places.ravel(), axis=1).reshape(
                -1, *places.shape
            )
            lines = np.einsum("nm,lnm->nl", shares, some.astype(np.float32))
        else:
            some = self._plane[places]
            lines = np.einsum("nm,nml->nl", shares, some.astype(np.float32))
        whole = self.shape[long]
        lines = _area_mean(lines, whole)[:, : whole // scale * scale]
        return _area_mean(lines, whole // scale)

    def _of_all(self, scale: int, step: int, *, down: bool) -> NDArray[np.float32]:
        """Return the same where most of the plane is read: made smaller once."""
        if self._small is None:
            plane = self._plane.astype(np.float32)
            self._small = _resized(plane, (self.shape[1], self.shape[0]))
        rows, columns = (side // scale for side in self.shape)
        area = self._small[: rows * scale, : columns * scale]
        # Columns are picked in the order of memory and turned when they are few.
        parts = ((area[:, i::step] if down else area[i::step]) for i in range(scale))
        lines = next(parts).copy()
        for part in parts:
            lines += part
        lines /= np.float32(scale)
        return _area_mean(lines.T if down else lines, rows if down else columns)


def _area_mean(lines: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    if lines.shape[1] == length:
        return np.ascontiguousarray(lines)
    return _resized(np.ascontiguousarray(lines), (length, len(lines)))


def _resized(plane: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.float32)


def _overlaps(
    fine: int, coarse: int, scale: int, step: int
) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
    """Return which lines of a plane lie in each of those picked, and their shares.

    Examples
    --------
    >>> places, shares = _overlaps(6, 4, 1, 2)
    >>> places.tolist(), shares.astype(float).round(2).tolist()
    ([[0, 1, 2], [3, 4, 5]], [[0.67, 0.33, 0.0], [0.67, 0.33, 0.0]])
    """
    each = fine / coarse
    begins = np.arange(0, coarse // scale * scale, step) * each
    ends = begins + scale * each
    # A hair in, for products that are not exact.
    first = np.floor(begins + 1e-9).astype(np.intp)
    places = first[:, None] + np.arange(int(np.ceil(scale * each)) + 1)
    shares = np.minimum(places + 1, ends[:, None]) - np.maximum(places, begins[:, None])
    shares = np.maximum(shares, 0.0) / (scale * each)
    return np.minimum(places, fine - 1), shares.astype(np.float32)
