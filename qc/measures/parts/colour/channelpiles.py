"""Where a camera's colour channels end: the pile-up at the top of their codes.

A channel that is clipped piles up at one code. At 100 % that is the nominal end; a
camera set to clip higher shows a run past 100 % without a pile-up there, and one
further on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.kernels.channels import values_at
from qc.measures.parts.colour.channelcodes import (
    CHANNELS,
    coloured,
    grid_step,
    shifts,
)
from qc.measures.parts.colour.channelpass import codes_of_ceilings
from qc.records import Picture
from qc.signal import Signal

__all__ = ["Piles", "pile_codes"]

# Codes are counted in 8-bit steps: finer ones only spread a pile-up.
_BINS = 320
_POINTS = 30_000
# A pile-up is this wide, in 8-bit codes to each side, ...
_SIDE = 2
# ... this many times what lies as wide just below it, ...
_STEEP = 2.5
# ... with at most this share of it beyond: ringing and noise of the coding ...
_BEYOND = 0.25
# ... and this share of all places at least.
_LEAST = 5e-4


def pile_codes(counts: NDArray[np.int64], *, white: int) -> list[int]:
    """Return the codes, from just under white up, at which a channel piles up.

    Parameters
    ----------
    counts : (n,) array
        Places of each code, in 8-bit steps.
    white : int
        Code of nominal white.

    Returns
    -------
    list of int
        The lowest first: the code in the middle of each pile-up. A pile-up below the
        top must stand out on both sides, the topmost one only from below.
    """
    total = int(counts.sum())
    width = 2 * _SIDE + 1
    mass = np.convolve(counts, np.ones(width, np.int64), mode="same")
    found: list[int] = []
    for code in range(white - _SIDE, len(counts) - width):
        pile = int(mass[code])
        here = mass[code - _SIDE : code + _SIDE + 1]
        if pile < _LEAST * total or pile < here.max():
            continue
        beyond = int(counts[code + _SIDE + 1 :].sum())
        after = int(mass[code + width])
        stands_out = pile >= _STEEP * int(mass[code - width])
        ends = beyond <= _BEYOND * pile or pile >= _STEEP * after
        if stands_out and ends and (not found or code - found[-1] > _SIDE):
            found.append(code)
    return found


class Piles:
    """Counts R', G' and B' at places on a grid over a take."""

    def __init__(self, signal: Signal) -> None:
        self._signal = signal
        self._shifts = shifts(signal)
        self._counts = np.zeros((3, _BINS), np.int64)

    def add(self, picture: Picture) -> None:
        """Count one picture; places of every luma, white ones too."""
        (whole,) = coloured(picture, by_field=False)
        self._counts += values_at(
            whole,
            self._shifts,
            step=grid_step(picture, points=_POINTS),
            shift=self._signal.bit_depth - 8,
            bins=_BINS,
        )

    @property
    def _white(self) -> int:
        return self._signal.white >> (self._signal.bit_depth - 8)

    def ceiling(self) -> tuple[int, bool]:
        """Return where channels end, and whether a pile-up there was seen.

        Returns
        -------
        number : int
            Which of the ceilings: the highest at or under the lowest pile-up of any
            channel; 0, nominal white, when there is none.
        seen : bool
        """
        piles = [
            code
            for channel in range(len(CHANNELS))
            for code in pile_codes(self._counts[channel], white=self._white)
        ]
        if not piles:
            return 0, False
        shift = self._signal.bit_depth - 8
        ends = [code >> shift for code in codes_of_ceilings(self._signal)]
        # A pile-up's middle is known to a code or two.
        return max(i for i, e in enumerate(ends) if e <= min(piles) + _SIDE), True

    def runs_past_white(self) -> bool:
        """Return whether a channel goes well over nominal white in places."""
        past = self._counts[:, self._white + 2 * _SIDE + 1 :].sum(axis=1)
        return bool((past >= _LEAST * self._counts.sum(axis=1).clip(min=1)).any())
