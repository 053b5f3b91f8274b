"""K-weighting of ITU-R BS.1770 at any sample rate, and the weights of the channels.

The filter keeps its state over the borders of blocks: energies come out the same, down
to the last bit, however the samples are cut.
"""

from __future__ import annotations

import functools
import math
import re

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.blockfilter import BlockFilter
from qc.measures.parts.sound.truepeak import row_reduce

__all__ = [
    "LOWEST_RATE",
    "PUBLISHED_48K",
    "KWeighting",
    "channel_weights",
    "k_filter",
]

# ITU-R BS.1770-5 Annex 1, tables 1 and 2: sections b0 b1 b2 a0 a1 a2 at 48 kHz.
_SHELF = (1.53512485958697, -2.69169618940638, 1.19839281085285)
_SHELF_BELOW = (1.0, -1.69065929318241, 0.73248077421585)
_HIGH_PASS = (1.0, -2.0, 1.0)
_HIGH_PASS_BELOW = (1.0, -1.99004745483398, 0.99007225036621)
PUBLISHED_48K = (
    (*_SHELF, *_SHELF_BELOW),
    (*_HIGH_PASS, *_HIGH_PASS_BELOW),
)
"""The two sections as published: the head's shelf, then the high-pass."""

LOWEST_RATE = 8000
"""Below this sample rate, in Hz, the shelf cannot be followed and nothing is read."""

_PUBLISHED_RATE = 48_000


@functools.cache
def k_filter(sample_rate: int) -> NDArray[np.float64]:
    """Return the K-weighting's second-order sections for a sample rate.

    Parameters
    ----------
    sample_rate : int
        Hz, at least `LOWEST_RATE`.

    Returns
    -------
    (2, 6) array
        Sections ``b0 b1 b2 1 a1 a2`` for `scipy.signal.sosfilt`; those published at
        48 kHz.

    Notes
    -----
    Each published section is taken back through the bilinear transform to the analogue
    one it stands for, and through it again at the new rate, so that its own corner
    stays at the same frequency. The high-pass keeps the gain of the published one
    (+0.043 dB far over its corner), on which the -0.691 of the loudness formula rests:
    with a numerator of 1, -2, 1 at every rate it would change with the rate.

    Examples
    --------
    >>> bool((k_filter(48_000) == np.array(PUBLISHED_48K)).all())
    True
    """
    if sample_rate < LOWEST_RATE:
        raise ValueError(f"sample rate must be {LOWEST_RATE} or more: {sample_rate}")
    published = np.array(PUBLISHED_48K, np.float64)
    if sample_rate == _PUBLISHED_RATE:
        return published
    return np.stack([_at_rate(section, sample_rate) for section in published])


def _at_rate(section: NDArray[np.float64], sample_rate: int) -> NDArray[np.float64]:
    top, bottom = _analogue(section[:3]), _analogue(section[3:])
    corner = math.sqrt(bottom[0] / bottom[2])  # tan(pi f0 / rate)
    hertz = math.atan(corner) * _PUBLISHED_RATE / math.pi
    stretch = corner / math.tan(math.pi * hertz / sample_rate)
    powers = stretch ** np.arange(3)
    out = np.concatenate([_digital(top * powers), _digital(bottom * powers)])
    out /= out[3]
    return out


def _analogue(c: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1, s and s^2 terms, for s = (1 - 1/z) / (1 + 1/z)."""
    return np.array([c[0] + c[1] + c[2], 2.0 * (c[0] - c[2]), c[0] - c[1] + c[2]])


def _digital(c: NDArray[np.float64]) -> NDArray[np.float64]:
    """Undo `_analogue`, but for a factor that sections have above and below alike."""
    return np.array([c[2] + c[1] + c[0], 2.0 * (c[0] - c[2]), c[2] - c[1] + c[0]])


class KWeighting:
    """Energies of one track's K-weighted samples, row by row.

    Parameters
    ----------
    channels : int
    sample_rate : int
        Hz.
    """

    def __init__(self, channels: int, sample_rate: int) -> None:
        self._filter = BlockFilter(k_filter(sample_rate), channels)

    def reset(self) -> None:
        """Forget what went before: what follows does not join on."""
        self._filter.reset()

    def feed(
        self, samples: NDArray[np.float32], row_edges: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Return the sum of squares of each row's weighted samples.

        Parameters
        ----------
        samples : (channels, n) array of float32
            Finite.
        row_edges : (rows + 1,) array
            Offsets at which rows begin, and the end.

        Returns
        -------
        (rows, channels) array
            NaN for rows without samples.
        """
        weighted = self._filter.feed(samples)
        return row_reduce(np.add, np.square(weighted, out=weighted), row_edges)


# Channels in the order of FFmpeg's layouts, of which `AudioTrack.layout` is a name.
# s: beside or behind the listener, 60 to 120 degrees: times 1.41 (BS.1770-5 Annex 1,
# table 4, from memory); x: low-frequency effects, left out; f: all others, times 1.
_PLACES = {
    "mono": "f",
    "stereo": "ff",
    "downmix": "ff",
    "2.1": "ffx",
    "3.0": "fff",
    "3.1": "fffx",
    "5.0": "fffss",
    "5.0(side)": "fffss",
    "5.1": "fffxss",
    "5.1(side)": "fffxss",
    "6.1": "fffxfss",
    "7.0": "fffffss",
    "7.1": "fffxffss",
}
_WEIGHTS = {"f": 1.0, "s": 1.41, "x": 0.0}


def channel_weights(layout: str, channels: int) -> NDArray[np.float64] | None:
    """Return the weight of each channel's power, or None if they are no programme.

    Parameters
    ----------
    layout : str
        As in `AudioTrack`.
    channels : int

    Returns
    -------
    (channels,) array or None
        Two channels of an unmarked layout are taken for left and right, as players do.
        More of them may be anything, and recorders put microphones of their own on
        each: these have no common loudness.

    Examples
    --------
    >>> channel_weights("5.1(side)", 6).tolist()
    [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]
    >>> channel_weights("2 channels, layout not marked", 2).tolist()
    [1.0, 1.0]
    >>> channel_weights("quad", 4) is None
    True
    """
    places = _PLACES.get(layout, "")
    if not places and channels <= 2 and (not layout or re.match(r"\d ch", layout)):
        places = "f" * channels
    if len(places) != channels:
        return None
    return np.array([_WEIGHTS[p] for p in places])
