"""What several measures need of a block of sound, computed once a block."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.soundpieces import cell_means
from qc.measures.parts.sound.truepeak import row_reduce
from qc.records import SoundBlock

__all__ = ["SoundView", "seen"]

# +120 dBFS: no recorder's headroom reaches here, so this is damage, as NaN is.
_NO_SOUND = 1e6


class SoundView:
    """Readings of one block that several measures share, each made when asked for."""

    def __init__(self, block: SoundBlock) -> None:
        self._block = block
        self._cells: dict[int, NDArray[np.float32]] = {}

    @functools.cached_property
    def highest(self) -> NDArray[np.float64]:
        """Highest magnitude of each row and channel; NaN in rows without samples."""
        samples, edges = self._block.samples, self._block.row_edges
        above = row_reduce(np.maximum, samples, edges)
        return np.maximum(above, -row_reduce(np.minimum, samples, edges))

    @functools.cached_property
    def energy(self) -> NDArray[np.float64]:
        """Sum of squares of each row and channel; NaN in rows without samples."""
        with np.errstate(over="ignore", invalid="ignore"):
            squares = np.square(self._block.samples)
        return row_reduce(np.add, squares, self._block.row_edges)

    @functools.cached_property
    def usable(self) -> NDArray[np.bool_]:
        """Whether all samples of each channel are numbers that sound can have."""
        filled = np.diff(self._block.row_edges) > 0
        # The sum of squares is not a number, or absurd, if any sample is.
        with np.errstate(invalid="ignore"):
            return np.asarray(self.energy[filled].sum(axis=0) < _NO_SOUND**2)

    @functools.cached_property
    def whole(self) -> bool:
        """Whether no sample is NaN or absurd: then nothing has to be left out."""
        filled = np.diff(self._block.row_edges) > 0
        return bool((self.highest[filled] < _NO_SOUND).all())

    def cells(self, size: int) -> NDArray[np.float32]:
        """Return means over `size` samples from the block's first on."""
        found = self._cells.get(size)
        if found is None:
            found = self._cells[size] = cell_means(self._block.samples, size)
        return found


@functools.lru_cache(maxsize=1)
def seen(block: SoundBlock) -> SoundView:
    """Return the shared readings of a block: the same ones as long as it is the last.

    Every measure reads a block before the next comes. Blocks do not change, so that
    what is kept is only ever the block's own.
    """
    return SoundView(block)
