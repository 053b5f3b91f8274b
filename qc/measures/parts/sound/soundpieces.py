"""Sound in pieces whose borders do not depend on how the decoder cut its blocks.

Blocks come as the decoder cuts them. What looks over a border (a drop-out, a window of
seconds) is read from pieces of one length that are counted from the first sample after
a gap, or from sums over a few samples that are counted likewise: the same samples give
the same numbers, down to the last bit, whatever the blocks were.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.records import SoundBlock

__all__ = ["CellSums", "Piece", "Pieces", "cell_means", "usable"]

# +120 dBFS: no recorder's headroom reaches here, so this is damage, as NaN is.
_NO_SOUND = 1e6


def usable(line: NDArray[np.float32]) -> bool:
    """Return whether all samples of one channel are numbers that sound can have.

    Examples
    --------
    >>> usable(np.array([0.5, -1.0], np.float32)), usable(np.array([np.nan], "f4"))
    (True, False)
    """
    # The sum of squares is not a number, or absurd, if any sample is.
    return bool(np.einsum("i,i->", line, line) < _NO_SOUND**2)


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A stretch of samples with what lies around it.

    Attributes
    ----------
    samples : (channels, before + length + after) array
    start : int
        Number of the first sample of the piece proper on the track's clock.
    first, last : int
        Where the piece proper lies in `samples`, half-open.
    ends : bool
        True when nothing follows: a gap, or the end of the track.
    """

    samples: NDArray[np.float32]
    start: int
    first: int
    last: int
    ends: bool


class Pieces:
    """Cuts a track into pieces of `length` samples with samples before and after.

    Parameters
    ----------
    channels, length, before, after : int
        The first piece behind a gap has nothing before it, the last may be shorter
        and has nothing after it.
    """

    def __init__(self, channels: int, *, length: int, before: int, after: int) -> None:
        self._length, self._before, self._after = length, before, after
        # Kept, as arrays of this size cost more to get from the system than to fill.
        self._buffer = np.zeros((channels, 0), np.float32)
        self._count = 0  # samples held
        self._first = 0  # where the next piece proper begins in what is held
        self._start: int | None = None

    def feed(self, block: SoundBlock) -> Iterator[Piece]:
        """Yield the pieces that are whole with this block; call `end` at a gap.

        A piece's samples are there until the next one is asked for.
        """
        if self._start is None:
            self._start = block.start
        self._hold(block.samples)
        begin = 0  # what is before it was used up
        while self._count - begin - self._first >= self._length + self._after:
            last = self._first + self._length
            yield Piece(
                self._buffer[:, begin : begin + last + self._after],
                self._start,
                self._first,
                last,
                ends=False,
            )
            dropped = max(last - self._before, 0)
            begin += dropped
            self._first = last - dropped
            self._start += self._length
        if begin:
            left = self._buffer[:, begin : self._count].copy()
            self._count = left.shape[1]
            self._buffer[:, : self._count] = left

    def _hold(self, samples: NDArray[np.float32]) -> None:
        need = self._count + samples.shape[1]
        if self._buffer.shape[1] < need:
            wider = np.zeros((len(self._buffer), need), np.float32)
            wider[:, : self._count] = self._buffer[:, : self._count]
            self._buffer = wider
        self._buffer[:, self._count : need] = samples
        self._count = need

    def end(self) -> Iterator[Piece]:
        """Yield what is left, and begin anew behind the gap."""
        last, held = self._count, self._buffer[:, : self._count]
        if self._start is not None and last > self._first:
            # What waited for its samples after may be longer than one piece.
            middle = min(self._first + self._length, last)
            yield Piece(held, self._start, self._first, middle, ends=middle == last)
            if middle < last:
                start = self._start + middle - self._first
                yield Piece(held, start, middle, last, ends=True)
        self._count, self._first, self._start = 0, 0, None


class CellSums:
    """Means over a few samples one after another: a cheap low-pass that decimates.

    Parameters
    ----------
    channels, size : int
        Samples a cell; cells are counted from the first sample behind a gap.

    Notes
    -----
    A mean over `size` samples is zero at the multiples of the new rate, so that what
    folds down to low frequencies is weak (sinc: 20 dB down at a tenth of the new rate).
    """

    def __init__(self, channels: int, size: int) -> None:
        self._size = size
        self._rest = np.zeros((channels, 0), np.float32)

    @property
    def empty(self) -> bool:
        """Whether a block's cells begin with its first sample."""
        return self._rest.shape[1] == 0

    def feed(
        self,
        samples: NDArray[np.float32],
        row_edges: NDArray[np.int64],
        ready: NDArray[np.float32] | None = None,
    ) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
        """Return the cells that end in this block, and where its rows begin in them.

        A cell belongs to the row that its last sample lies in.

        Parameters
        ----------
        ready : (channels, cells) array or None
            The cells, where they are known already; asked for only when `empty`.

        Returns
        -------
        (channels, cells) array, (rows + 1,) array
        """
        size, held = self._size, self._rest.shape[1]
        joined = np.concatenate([self._rest, samples], axis=1) if held else samples
        count = joined.shape[1] // size
        cells = cell_means(joined, size) if held or ready is None else ready
        self._rest = joined[:, count * size :].copy()
        return cells, np.minimum((row_edges + held) // size, count)

    def reset(self) -> None:
        """Forget an unfinished cell: what follows does not join on."""
        self._rest = self._rest[:, :0]


def cell_means(samples: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Return means over each `size` samples one after another, (channels, n // size).

    Examples
    --------
    >>> cell_means(np.array([[1.0, 3.0, 5.0, 6.0, 9.0]], np.float32), 2).tolist()
    [[2.0, 5.5]]
    """
    import cv2  # heavy; the command must answer at once

    count = samples.shape[1] // size
    out = np.empty((len(samples), count), np.float32)
    if count:
        for line, cells in zip(samples, out, strict=True):
            part = line[: count * size].reshape(count, size)
            cells[:] = cv2.reduce(part, 1, cv2.REDUCE_SUM)[:, 0]
        out *= np.float32(1.0 / size)
    return out
