"""Blocks of samples that are repeated right behind themselves, found by value."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Repeat", "RepeatFinder"]

# One sample in 32 is an anchor, chosen by its value: the copy has the same ones. Seven
# are expected in the shortest block, two suffice.
_ANCHOR_BITS = 5
_MIXER = np.uint32(
    2654435761
)  # Knuth's multiplicative hash: 2**32 over the golden ratio
_SECOND = np.uint64(0x9E3779B97F4A7C15)
_NUMBER_BITS = np.uint64((1 << 18) - 1)
_MOST_COPIES = 20
# Equal samples at the border that are equal by chance.
_BY_CHANCE = 6


@dataclass(frozen=True, slots=True)
class Repeat:
    """A block of `length` samples from `first` on, that comes again until `last`."""

    first: int
    length: int
    last: int


class RepeatFinder:
    """Finds repeated blocks in one channel, piece by piece.

    Parameters
    ----------
    shortest, longest : int
        Samples of a block.
    """

    def __init__(self, *, shortest: int, longest: int) -> None:
        self._shortest, self._longest = shortest, longest
        self._at = np.zeros(0, np.int64)
        self._keys = np.zeros(0, np.uint64)

    def reset(self) -> None:
        """Forget what came before."""
        self._at, self._keys = self._at[:0], self._keys[:0]

    def feed(
        self, line: NDArray[np.float32], start: int, first: int, last: int
    ) -> Iterator[Repeat]:
        """Yield the blocks whose copies end in this piece, in samples of the track.

        Parameters
        ----------
        line : (n,) array
            The piece with what lies around it.
        start : int
            Number of ``line[first]`` on the track's clock.
        first, last : int
            The piece proper; anchors before it are remembered.
        """
        at, keys = _anchors(line, first, last)
        offset = start - first
        at = np.concatenate([self._at, at + offset])[-int(_NUMBER_BITS) :]
        keys = np.concatenate([self._keys, keys])[-int(_NUMBER_BITS) :]
        keep = at >= start + (last - first) - 2 * self._longest
        self._at, self._keys = at[keep], keys[keep]
        lags = self._lags(at, keys)
        if lags:
            yield from self._confirm(line, offset, lags, first, last)

    def _lags(
        self, at: NDArray[np.int64], keys: NDArray[np.uint64]
    ) -> list[tuple[int, int]]:
        """Return (lag, place of the copy) for lags that two anchors agree on."""
        # Keys with their number in their last bits: sorted, those of one key follow
        # each other in time.
        number = np.arange(len(keys), dtype=np.uint64)
        mixed = np.sort((keys & ~_NUMBER_BITS) | number)
        same = (mixed[1:] ^ mixed[:-1]) <= _NUMBER_BITS
        if not same.any():
            return []
        order = mixed & _NUMBER_BITS
        later, earlier = at[order[1:][same]], at[order[:-1][same]]
        lag = later - earlier
        fits = (lag >= self._shortest) & (lag <= self._longest)
        found = sorted(zip(later[fits].tolist(), lag[fits].tolist(), strict=True))
        out = []
        for (_, a), (place, b) in itertools.pairwise(found):
            if a == b:
                out.append((b, place))
        return out

    def _confirm(
        self,
        line: NDArray[np.float32],
        offset: int,
        lags: list[tuple[int, int]],
        first: int,
        last: int,
    ) -> Iterator[Repeat]:
        done = -1
        for lag, place in lags:
            if place < done:
                continue
            lo = max(place - offset - _MOST_COPIES * self._longest, lag)
            same = line[lo:] == line[lo - lag : len(line) - lag]
            at = place - offset - lo
            if not 0 <= at < len(same) or not same[at]:
                continue
            breaks = np.flatnonzero(~same)
            split = int(np.searchsorted(breaks, at))
            if split == 0 or split == len(breaks):
                continue  # goes on beyond what is at hand
            begin, end = int(breaks[split - 1]) + 1, int(breaks[split])
            done = lo + end + offset
            # What ends before this piece has been told, what ends behind it will be.
            ends_here = first <= lo + end < last
            if ends_here and self._is_fault(line, lo + begin, lo + end, lag):
                yield Repeat(lo + begin - lag + offset, lag, lo + end + offset)

    def _is_fault(
        self, line: NDArray[np.float32], begin: int, end: int, lag: int
    ) -> bool:
        """Tell copies from sound that is periodic by nature, e.g. a generator's tone.

        Whole copies fill a whole number of lags. Inside the block nothing repeats.
        """
        copies = round((end - begin) / lag)
        rest = (end - begin) - copies * lag
        if not 1 <= copies <= _MOST_COPIES or not 0 <= rest <= _BY_CHANCE:
            return False
        block = line[begin : begin + lag].astype(np.float64)
        block = block - block.mean()
        energy = float(np.sum(block * block))
        if energy == 0.0 or len(np.unique(block)) < min(16, lag // 8):
            return False
        # A tone is told by any three samples from the two before; sound is not.
        x, y, z = block[2:], block[1:-1], block[:-2]
        guess = float(np.sum((x + z) * y) / max(float(np.sum(y * y)), 1e-30))
        left = float(np.sum((x - guess * y + z) ** 2))
        return left > 1e-7 * energy


def _anchors(
    line: NDArray[np.float32], first: int, last: int
) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """Return places chosen by their sample's value, and keys of three samples there."""
    bits = np.ascontiguousarray(line).view(np.uint32)
    last = min(last, len(line) - 2)
    part = bits[first:last]
    mixed = part * _MIXER
    at = np.flatnonzero(mixed < np.uint32(1 << (32 - _ANCHOR_BITS)))
    at += first
    one, two = bits[at], bits[at + 1]
    good = (one != 0) & (one != two)
    at, one, two = at[good], one[good], two[good]
    wide = one.astype(np.uint64) << np.uint64(32) | two
    return at, (wide ^ (bits[at + 2].astype(np.uint64) * _SECOND))
