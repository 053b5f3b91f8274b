"""Light that goes up and down steadily, once in three seconds to three times a second.

So slowly much else happens: breathing, a pulse, hands, an iris. A lamp that beats is
told from it by being regular: one sine of one strength, over several rounds, explains
nearly all that the light of the picture does, in the first half of them as in the
second, and on the left as on the right.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.light.lightwaves import (
    FLICKER_BANDS,
    MOST_BANDS,
    PARTS,
    STRIPS,
    Wave,
    vertex,
)

__all__ = ["HIGH_HZ", "LOW_HZ", "SLOW_WINDOWS", "slow_wave"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LOW_HZ, HIGH_HZ = 0.3, 3.0
"""Where it is looked for, Hz; above it any beat counts that stands out."""

SLOW_WINDOWS = ((3.0, 1.0, 2.0, 3.0), (6.0, 2.0, 4.0, 1.4), (12.0, 4.0, 8.0, 0.7))
"""Windows: length, hop and least length in seconds, and where looking ends, Hz."""

# So many rounds a window must hold; nothing but bands rolls (house choices).
_ROUNDS, _BAND_ROUNDS = 3.0, 2.5
_LEAST_BANDS = 0.75
_KNOWN = 0.9
_PER_ROUND = 4.0  # readings, at the least, of the fastest
_BAND_STEP = 0.25
_OVER = 6  # frequencies looked at within one resolution
_LIKELY = 10  # frequencies at which numbers of bands are tried
_BENDS = 3  # a level, a slope and one bend of each strip are taken off
# What the wave must explain: of all that strips do, of what they do at its frequency
# (what goes to and fro is two waves that roll, up and down) and, of flicker, of the
# mean of them (house choices: real recordings without a beat reach a third of the first
# by chance).
_OF_ALL, _OF_HERTZ, _OF_WHOLE = 0.6, 0.8, 0.8
# Both halves of a window, and left, middle and right, must swing like the whole.
_ALIKE = (0.55, 1.6)
_ANGLE = 0.5
_LEAST_SIDES = 2
_LEAST_STOPS = 0.007  # half a percent of light; weaker is not looked for


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """Levels of a window, thinned and straightened.

    Attributes
    ----------
    level : (n, strips) array
        Stops.
    since : (n,) array
        Seconds.
    place : (strips,) array
        From 0 at the top to 1.
    drift : (n, k) array
        Orthonormal courses that have been taken off.
    power : float
        Mean square of all readings, before thinning: nothing quick may fold into a
        slow beat.
    """

    level: Array
    since: Array
    place: Array
    drift: Array
    power: float

    def swings(self, hertz: Array, part: slice = slice(None)) -> Complex:
        """Return amplitudes of sines by least squares, (frequencies, strips).

        Notes
        -----
        The sines are straightened as the levels are, so that few rounds read right.
        """
        angle = 2.0 * np.pi * hertz[:, None] * self.since
        waves = np.stack([np.cos(angle), np.sin(angle)])
        off = np.einsum("wfn,nk->wfk", waves, self.drift)
        waves = (waves - np.einsum("wfk,nk->wfn", off, self.drift))[:, :, part]
        cc, ss = np.einsum("wfn,wfn->wf", waves, waves)
        cs = np.einsum("fn,fn->f", waves[0], waves[1])
        on_c, on_s = np.einsum("wfn,ns->wfs", waves, self.level[part])
        cc, ss, cs = cc[:, None], ss[:, None], cs[:, None]
        share = np.maximum(cc * ss - cs**2, 1e-9)
        return np.asarray(
            ((ss * on_c - cs * on_s) - 1j * (cc * on_s - cs * on_c)) / share
        )

    def down(self, bands: Array) -> Complex:
        """Return what sums strips up along waves of so many bands."""
        turn = np.exp(-2j * np.pi * np.outer(self.place, bands))
        return np.asarray(turn / len(self.place))


def slow_wave(
    strips: NDArray[np.floating],
    parts: NDArray[np.floating] | None,
    times: Array,
    *,
    high_hz: float = HIGH_HZ,
) -> Wave | None:
    """Return the steady slow beat of a window within a shot, None if there is none.

    Parameters
    ----------
    strips : (n, STRIPS) array
        Stops since the frame before; NaN where not known.
    parts : (n, STRIPS * PARTS) array or None
        The same for each part of a strip.
    times : (n,) array
        Seconds.

    Notes
    -----
    Least squares, not a Fourier sum: a window holds few rounds.
    """
    length = float(times[-1] - times[0]) if len(times) > 1 else 0.0
    if length * high_hz < _ROUNDS:
        return None
    step = max(1, int(len(times) / (_PER_ROUND * high_hz * length)))
    window = _window(strips, times, step)
    # Frames are too few to tell what is faster than a third of their rate.
    high = min(high_hz, len(times) / length / 3.0)
    low = max(LOW_HZ, _BAND_ROUNDS / length)
    if window is None or high <= low:
        return None
    if window.power < 0.5 * _OF_ALL * _LEAST_STOPS**2:
        return None
    hertz = np.arange(low, high + 1e-9, 1.0 / (_OVER * length))
    swings = window.swings(hertz)
    likely = np.argsort(np.einsum("fs,fs->f", swings, swings.conj()).real)[-_LIKELY:]
    hertz, swings = hertz[np.sort(likely)], swings[np.sort(likely)]
    bands = np.linspace(-MOST_BANDS, MOST_BANDS, round(2 * MOST_BANDS / _BAND_STEP) + 1)
    waves = np.einsum("fs,sb->fb", swings, window.down(bands))
    score = np.abs(waves)
    rolls = np.abs(bands) >= _LEAST_BANDS
    score[np.ix_(hertz * length < _ROUNDS - 0.05, ~rolls)] = 0.0
    f, b = (int(i) for i in np.unravel_index(int(score.argmax()), score.shape))
    swing = complex(waves[f, b])
    power = 0.5 * abs(swing) ** 2
    of_hertz = 2.0 * power / max(float(np.mean(np.abs(swings[f]) ** 2)), 1e-18)
    if (
        power < _OF_ALL * window.power
        or of_hertz < _OF_HERTZ
        or (abs(bands[b]) < FLICKER_BANDS and not _whole(window, swing))
    ):
        return None
    at, down = hertz[f : f + 1], bands[b : b + 1]
    half = len(window.level) // 2
    halves = [_along(window, at, down, p) for p in (slice(half), slice(half, None))]
    if not _alike(halves, swing):
        return None
    if parts is not None:
        cube = parts.reshape(len(parts), STRIPS, PARTS)
        seen = [_window(cube[:, :, k], times, step) for k in range(PARTS)]
        sides = [_along(s, at, down) for s in seen if s is not None]
        if len(sides) < _LEAST_SIDES or not _alike(sides, swing):
            return None
    more = vertex(score[:, b], f) / (_OVER * length)
    # A strip averages over its part of a band, a reading over its part of a round.
    mean = np.sinc(bands[b] / STRIPS) * np.sinc(hertz[f] * step * length / len(times))
    return Wave(
        hertz=float(hertz[f] + more),
        bands=float(bands[b] + _BAND_STEP * vertex(score[f], b)),
        stops=abs(swing) / float(mean),
        explained=of_hertz,
        clear=np.inf,
        narrow=0.0,
        floor_stops=0.0,
    )


def _window(changes: NDArray[np.floating], times: Array, step: int) -> _Window | None:
    known = np.isfinite(changes[1:]).mean(axis=0) >= _KNOWN
    if known.sum() < STRIPS // 3:
        return None
    steps = np.nan_to_num(np.asarray(changes[:, known], np.float64))
    steps[0] = 0.0
    whole = len(steps) - len(steps) % step
    every = np.cumsum(steps, axis=0)[:whole].reshape(-1, step, steps.shape[1])
    level = every.mean(axis=1)
    within = float(np.mean(every**2) - np.mean(level**2)) if step > 1 else 0.0
    since = (times - times[0])[:whole].reshape(-1, step).mean(axis=1)
    drift = _courses(len(since))
    off = np.einsum("nk,ns->ks", drift, level)
    level = level - np.einsum("nk,ks->ns", drift, off)
    place = (np.flatnonzero(known) + 0.5) / STRIPS
    return _Window(level, since, place, drift, float(np.mean(level**2)) + within)


@lru_cache(maxsize=32)
def _courses(count: int) -> Array:
    """Return a level, a slope and a bend over so many readings, orthonormal."""
    x = np.linspace(-1.0, 1.0, count)
    drift, _ = np.linalg.qr(np.stack([x**k for k in range(_BENDS)], axis=1))
    drift.flags.writeable = False
    return np.asarray(drift, np.float64)


def _whole(window: _Window, swing: complex) -> bool:
    """Return whether the sine is nearly all that the whole picture's light does."""
    light = float(np.mean(window.level.mean(axis=1) ** 2))
    return 0.5 * abs(swing) ** 2 >= _OF_WHOLE * light


def _along(
    window: _Window, hertz: Array, bands: Array, part: slice = slice(None)
) -> complex:
    """Return the amplitude of one wave in a part of a window."""
    swings = window.swings(hertz, part)
    return complex(np.einsum("fs,sb->fb", swings, window.down(bands))[0, 0])


def _alike(own: list[complex], swing: complex) -> bool:
    shares = [o / swing for o in own]
    low, high = _ALIKE
    return all(low <= abs(s) <= high and abs(np.angle(s)) <= _ANGLE for s in shares)
