"""Waves of light over time and down the picture, found in strips of a picture.

A lamp that pulses makes every row brighter and darker at one frequency. What differs
is the phase: all rows together is flicker, rows one after another are bands that roll.
Both are one plane wave over time and height; its two frequencies tell which.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FLICKER_BANDS",
    "MOST_BANDS",
    "PARTS",
    "STRIPS",
    "LineFigures",
    "Wave",
    "frequencies",
    "levels",
    "line_figures",
    "spectrum",
    "strongest_wave",
    "vertex",
]

Array = NDArray[np.float64]

STRIPS = 27
"""Strips a picture is read in, from top to bottom; five proxy rows each in 16:9."""

PARTS = 3
"""Parts of a strip from left to right."""

MOST_BANDS = 13.0
"""Bands a picture holds at most; from 13.5 on so many strips cannot follow them."""

FLICKER_BANDS = 0.5
"""Under half a band from top to bottom the picture flickers as a whole."""

_BAND_STEP = 0.1
_OVER = 4  # frequencies looked at within one resolution
# The main lobe of a Hann window ends two resolutions off the peak.
_LOBE = 2.0
_FLOOR_REACH_HZ = 3.0
# Frequencies at which numbers of bands are tried.
_LIKELY = 24
# Times count as even while no frame is off by more, in frames.
_EVEN = 0.02


@dataclass(frozen=True, slots=True)
class Wave:
    """A plane wave of brightness.

    Attributes
    ----------
    hertz : float
        Frequency over time.
    bands : float
        Waves from the picture's top to its bottom; positive when lower rows are ahead,
        as they are when bands roll upward.
    stops : float
        Amplitude: half of what lies between high and low.
    explained : float
        Share of all strips' power at this frequency that the wave explains, 0 to 1.
    clear : float
        How many times it stands above its surroundings in the spectrum.
    narrow : float
        Highest value next to its peak, beyond the resolution, as a share of the peak.
    floor_stops : float
        What amplitude the surroundings have.
    """

    hertz: float
    bands: float
    stops: float
    explained: float
    clear: float
    narrow: float
    floor_stops: float


def levels(changes: NDArray[np.floating]) -> Array:
    """Return each strip's level from its changes, straightened, of zero mean.

    Parameters
    ----------
    changes : (n, strips) array
        Stops since the row before; NaN counts as none. The first row is not looked at.

    Returns
    -------
    (n, strips) array
        Stops, without the straight line that fits best.
    """
    steps = np.nan_to_num(np.asarray(changes, np.float64))
    steps[0] = 0.0
    level = np.cumsum(steps, axis=0)
    n = len(level)
    x = np.linspace(-1.0, 1.0, n)
    level -= level.mean(axis=0)
    slope = np.einsum("n,ns->s", x, level) / max(float(np.sum(x * x)), 1.0)
    return np.asarray(level - np.outer(x, slope), np.float64)


def strongest_wave(
    level: Array, times: Array, *, low_hz: float, high_hz: float, least_bands: float = 0
) -> Wave | None:
    """Return the plane wave that stands out most between two frequencies.

    Parameters
    ----------
    level : (n, strips) array
        Stops; strips that are not known are NaN throughout.
    times : (n,) array
        Seconds; need not be evenly spaced.
    low_hz, high_hz : float
        Where to look; not beyond half the frame rate in any case.
    least_bands : float
        Look only at waves with at least so many bands.

    Returns
    -------
    Wave or None
        None if fewer than a third of the strips are known or nothing can be looked at.

    Notes
    -----
    The Fourier sum at the true times under a Hann window, then over the strips. What
    hands and shadows do falls with frequency, so amplitudes are compared after they
    are multiplied by the square root of their frequency.
    """
    known = np.flatnonzero(np.isfinite(level).all(axis=0))
    if len(known) < STRIPS // 3 or high_hz <= low_hz or len(times) < 2:
        return None
    hertz, first, length = frequencies(times, low_hz, high_hz)
    if not len(hertz):
        return None
    step = 1.0 / (_OVER * length)
    seen = spectrum(level[:, known], times, hertz, first)
    bands, down = _down(tuple(known.tolist()), least_bands)
    power = np.mean(np.abs(seen) ** 2, axis=1)
    likely = np.argsort(power * hertz)[-_LIKELY:]
    # Not matrix products: their threads get into each other's way in a day's run.
    score = np.abs(np.einsum("fs,sb->fb", seen[likely], down))
    score *= np.sqrt(hertz[likely, None])
    at, k = np.unravel_index(int(score.argmax()), score.shape)
    f = int(likely[at])
    line = np.abs(np.einsum("fs,s->f", seen, down[:, k]))
    peak = float(line[f])
    figures = line_figures(line, hertz, f, length)
    return Wave(
        hertz=float(hertz[f] + step * vertex(line, f)),
        bands=float(bands[k] + _BAND_STEP * vertex(score[at], int(k))),
        # A strip averages over its part of a band.
        stops=peak / float(np.sinc(bands[k] / STRIPS)),
        explained=peak * peak / float(power[f]) if power[f] > 0 else 0.0,
        clear=figures.clear,
        narrow=figures.narrow,
        floor_stops=figures.floor,
    )


def frequencies(
    times: Array, low_hz: float, high_hz: float
) -> tuple[Array, int, float]:
    """Return where a window's spectrum is looked at: a quarter of its resolution apart.

    Returns
    -------
    hertz : (f,) array
        Empty if there would be too few.
    first : int
        Place of ``hertz[0]`` in the padded transform of evenly spaced times.
    length : float
        Seconds of the window.
    """
    length = round(float(times[-1] - times[0]) * len(times) / (len(times) - 1), 6)
    step = 1.0 / (_OVER * length)
    high_hz = min(high_hz, 0.5 * len(times) / length)  # half the frame rate
    places = np.arange(int(np.ceil(low_hz / step)), int(high_hz / step + 0.01) + 1)
    if len(places) < _OVER:
        places = places[:0]
    first = int(places[0]) if len(places) else 0
    return step * places.astype(np.float64), first, length


@dataclass(frozen=True, slots=True)
class LineFigures:
    """How a peak stands in its line of the spectrum; see `Wave`."""

    clear: float
    narrow: float
    floor: float


def line_figures(line: Array, hertz: Array, f: int, length: float) -> LineFigures:
    """Return how far the peak at place `f` stands out, and how sharp it is."""
    peak = float(line[f])
    off = np.abs(hertz - hertz[f])
    around = line[(off > _LOBE / length) & (off <= _FLOOR_REACH_HZ + _LOBE / length)]
    beside = line[(off > _LOBE / length) & (off <= 2 * _LOBE / length)]
    floor = float(np.median(around)) if around.size else peak
    return LineFigures(
        clear=peak / floor if floor > 0 else np.inf,
        narrow=float(beside.max()) / peak if beside.size and peak > 0 else 0.0,
        floor=floor,
    )


def spectrum(
    level: Array, times: Array, hertz: Array, first: int
) -> NDArray[np.complex128]:
    """Return complex amplitudes of sines, (frequencies, strips).

    Twice the mean: a real sine's other half lies at the negative frequency. Within the
    resolution of half the frame rate both halves meet, and it reads up to twice.

    Parameters
    ----------
    first : int
        Place of ``hertz[0]`` in the padded transform of evenly spaced times.
    """
    window = np.hanning(len(times) + 2)[1:-1]
    seen = level * (2.0 / window.sum() * window)[:, None]
    since = times - times[0]
    frame = float(since[-1]) / (len(since) - 1)
    if np.abs(since - frame * np.arange(len(since))).max() <= _EVEN * frame:
        whole = np.fft.rfft(seen, n=_OVER * len(times), axis=0)
        return np.asarray(whole[first : first + len(hertz)], np.complex128)
    waves = np.exp(-2j * np.pi * np.outer(hertz, since))
    return np.asarray(np.einsum("fn,ns->fs", waves, seen), np.complex128)


@lru_cache(maxsize=64)
def _down(
    known: tuple[int, ...], least_bands: float
) -> tuple[Array, NDArray[np.complex128]]:
    """Return band counts, and what sums strips up along waves of so many bands."""
    count = round(MOST_BANDS / _BAND_STEP)
    bands = np.linspace(-MOST_BANDS, MOST_BANDS, 2 * count + 1)
    bands = bands[np.abs(bands) >= least_bands]
    place = (np.array(known) + 0.5) / STRIPS
    down: NDArray[np.complex128] = np.exp(-2j * np.pi * np.outer(place, bands))
    return bands, down / len(place)


def vertex(values: Array, peak: int) -> float:
    """Return where the parabola through a peak and its neighbours tops, -0.5 to 0.5."""
    if not 0 < peak < len(values) - 1:
        return 0.0
    before, top, after = (float(v) for v in values[peak - 1 : peak + 2])
    bend = before - 2.0 * top + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0
