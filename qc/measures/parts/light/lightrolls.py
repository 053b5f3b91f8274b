"""Bands that roll so slowly that a shot holds part of a round: held against the mains.

Lamps on 60 Hz mains at 59.94 frames a second make bands that take 8.3 s to come round.
A search over all frequencies needs one round and a half; but where the mains would put
them is known, so that one plane wave can be fitted. Half a round tells it from all else
that happens, if it is nearly all that happens to the light.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.light.lightwaves import PARTS, STRIPS, Wave
from qc.measures.parts.light.mains import PULSES_HZ, beat_hz, percent_of_stops

__all__ = [
    "CRAWL_HZ",
    "CRAWL_ROUNDS",
    "LEAST_ROUNDS",
    "MOST_ROUNDS",
    "SEEN_PERCENT",
    "Rolls",
    "roll_of",
    "slow_beat",
]

Array = NDArray[np.float64]

LEAST_ROUNDS, MOST_ROUNDS = 0.5, 1.5
"""Part of a round it takes; from the other on, nothing has to be known beforehand."""

CRAWL_HZ = (0.06, 0.3)
CRAWL_ROUNDS = 0.75
"""At rates at which the mains should not beat they do when they run off: so fast bands
crawl, and where that is not known beforehand, it takes so many rounds."""

SEEN_PERCENT = 5.0
"""Where bands as strong as this would have been seen, slow bands count as judged."""

# Beats slower than this are no bands that come round in a take; others are looked for
# like any beat.
_LEAST_HZ, _MOST_HZ = 0.02, 0.6
# What a grid may run off by most of the time, doubled by the light (from memory).
_OFF_HZ, _STEP_HZ = 0.1, 0.02
_LEAST_BANDS, _MOST_BANDS, _BAND_STEP = 0.75, 6.0, 0.125
_KNOWN = 0.9
# What the wave must explain of all that strips do differently (house choices: real
# recordings without bands reach two thirds of it by chance, in four seconds).
_EXPLAINED, _EXPLAINED_HALF = 0.8, 0.65
# The weakest bands that are believed from part of a round.
_LEAST_PERCENT = 2.5
# Left, middle and right must go along, each by this share of what they do on the mean,
# and at right angles by no more than that.
_SIDES = (0.5, 1.6)
_SIDE_ANGLE = 0.5
_LEAST_SIDES = 2
# So many readings a second are enough for what is slow.
_PER_SECOND = 10.0


@dataclass(frozen=True, slots=True)
class Rolls:
    """What a window tells of slow bands.

    Attributes
    ----------
    wave : Wave or None
        Bands that count.
    floor_percent : float
        Weaker bands than this, percent of light, would not have been told.
    """

    wave: Wave | None
    floor_percent: float


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """The plane wave that explains most.

    Attributes
    ----------
    swing : complex
        Amplitude in stops and phase.
    left : (n, strips) array
        What it leaves of the level.
    power : float
        Mean square that a wave of one stop has in this window.
    """

    hertz: float
    bands: float
    swing: complex
    explained: float
    left: Array
    level: Array
    power: float


def slow_beat(rate: float) -> float | None:
    """Return how fast bands of lamps on the mains roll, where that is slow; else None.

    Examples
    --------
    >>> round(slow_beat(60000 / 1001), 3)
    0.12
    >>> slow_beat(24.0) is None
    True
    """
    beats = [abs(beat_hz(pulses, rate=rate)) for pulses in PULSES_HZ.values()]
    return min((b for b in beats if _LEAST_HZ <= b <= _MOST_HZ), default=None)


def roll_of(
    strips: NDArray[np.floating],
    parts: NDArray[np.floating] | None,
    times: Array,
    beat: float | None,
) -> Rolls | None:
    """Fit the slow bands that the mains would make to a window within a shot.

    Parameters
    ----------
    strips : (n, STRIPS) array
        Stops since the frame before; NaN where not known.
    parts : (n, STRIPS * PARTS) array or None
        The same for each part of a strip.
    times : (n,) array
        Seconds.
    beat : float or None
        Frequency that the mains would give, Hz; None if anything slow may be.

    Returns
    -------
    Rolls or None
        None where too little is known.
    """
    step = max(1, int(len(times) / (_PER_SECOND * (times[-1] - times[0]))))
    known = np.isfinite(strips[1:]).mean(axis=0) >= _KNOWN
    if known.sum() < STRIPS // 3:
        return None
    since = _thinned((times - times[0])[:, None], step)[:, 0]
    level = _thinned(_levels(strips[:, known]), step)
    place = (np.flatnonzero(known) + 0.5) / STRIPS
    fit = _fit(level, since, place, _near(beat, float(since[-1])))
    if fit is None:
        return None
    rest = float(np.mean(fit.left**2))
    # Of what strips do, a wave must be so many times as much as all the rest.
    needed = rest * _EXPLAINED / (1.0 - _EXPLAINED)
    floor = max(percent_of_stops(float(np.sqrt(needed / fit.power))), _LEAST_PERCENT)
    percent = percent_of_stops(abs(fit.swing))
    fits = percent >= _LEAST_PERCENT and fit.explained >= _EXPLAINED
    counts = (
        fits
        and _steady(fit)
        and _travels(fit)
        and (parts is None or _on_all_sides(parts, since, step, fit))
    )
    if fits and not counts:
        # Something like it is there: bands no stronger would not be told from it.
        floor = max(floor, percent)
    wave = Wave(
        hertz=fit.hertz,
        bands=fit.bands,
        stops=abs(fit.swing) / float(np.sinc(fit.bands / STRIPS)),
        explained=fit.explained,
        clear=abs(fit.swing) / float(np.sqrt(2.0 * rest)) if rest > 0 else np.inf,
        narrow=0.0,
        floor_stops=float(np.sqrt(2.0 * rest)),
    )
    return Rolls(wave if counts else None, floor)


def _near(beat: float | None, seconds: float) -> Array:
    """Return the frequencies tried: about where a grid that is a little off puts it."""
    if beat is None:
        low = max(CRAWL_HZ[0], CRAWL_ROUNDS / seconds)
        return np.arange(low, max(CRAWL_HZ[1], low + 0.5 * _STEP_HZ), _STEP_HZ)
    low = max(beat - _OFF_HZ, LEAST_ROUNDS / seconds)
    return np.arange(low, max(beat + _OFF_HZ, low + 0.5 * _STEP_HZ), _STEP_HZ)


def _levels(changes: NDArray[np.floating]) -> Array:
    steps = np.nan_to_num(np.asarray(changes, np.float64))
    steps[0] = 0.0
    return np.asarray(np.cumsum(steps, axis=0), np.float64)


def _thinned(values: Array, step: int) -> Array:
    """Return means of so many rows, so that no quick beat folds into a slow one."""
    whole = len(values) - len(values) % step
    return np.asarray(values[:whole].reshape(-1, step, values.shape[1]).mean(axis=1))


def _centred(level: Array) -> Array:
    """Take off what all strips do together, and where each of them is on the mean."""
    return np.asarray(
        level - level.mean(axis=0) - level.mean(axis=1, keepdims=True) + level.mean()
    )


def _fit(level: Array, since: Array, place: Array, hertz: Array) -> _Fit | None:
    """Find the wave over time and height that explains most, by least squares."""
    level = _centred(level)
    total = float(np.sum(level**2))
    if not total > 0:
        return None
    count = round((_MOST_BANDS - _LEAST_BANDS) / _BAND_STEP)
    up = _LEAST_BANDS + _BAND_STEP * np.arange(count + 1)
    bands = np.concatenate([-up[::-1], up])
    # Centred over time and over height, a plane wave is still a product of the two.
    turn = _around(hertz[:, None] * since)
    down = _around(bands[:, None] * place)
    swing, power = _swings(level, turn, down)
    explained = power / total
    f, b = (int(i) for i in np.unravel_index(int(explained.argmax()), explained.shape))
    wave = np.real(swing[f, b] * turn[f][:, None] * down[b])
    strength = abs(swing[f, b])
    return _Fit(
        hertz=float(hertz[f]),
        bands=float(bands[b]),
        swing=complex(swing[f, b]),
        explained=float(explained[f, b]),
        left=np.asarray(level - wave),
        level=level,
        power=float(np.mean(wave**2)) / strength**2 if strength > 0 else 0.5,
    )


def _swings(
    level: Array, turn: NDArray[np.complex128], down: NDArray[np.complex128]
) -> tuple[NDArray[np.complex128], Array]:
    """Return the amplitude of each wave that fits best, and what power it explains.

    Parameters
    ----------
    level : (n, strips) array
    turn : (f, n) array
    down : (b, strips) array

    Notes
    -----
    Least squares of ``level = Re(swing wave)``: with ``z = sum(level wave*)``, ``s =
    sum(|wave|^2)`` and ``t = sum(wave^2)`` the normal equations give ``swing =
    2 (s z - t* z*) / (s^2 - |t|^2)``, and ``Re(swing z*)`` is explained.
    """
    # Not matrix products: their threads get into each other's way in a day's run.
    seen = np.einsum("ft,ts->fs", turn.conj(), level)
    seen = np.einsum("fs,bs->fb", seen, down.conj())
    same = np.outer(_sum(turn * turn.conj()).real, _sum(down * down.conj()).real)
    twice = np.outer(_sum(turn * turn), _sum(down * down))
    swing = 2.0 * (same * seen - twice.conj() * seen.conj())
    swing = swing / np.maximum(same**2 - np.abs(twice) ** 2, 1e-12 * same**2)
    return np.asarray(swing), np.asarray(np.real(swing * seen.conj()), np.float64)


def _around(rounds: Array) -> NDArray[np.complex128]:
    """Return turns of one, each row without its mean."""
    turns = np.exp(2j * np.pi * rounds)
    return np.asarray(turns - turns.mean(axis=1, keepdims=True), np.complex128)


def _sum(values: NDArray[np.complex128]) -> NDArray[np.complex128]:
    return np.asarray(values.sum(axis=1), np.complex128)


def _steady(fit: _Fit) -> bool:
    """Return whether one speed explains the first half and the second alike."""
    half = len(fit.level) // 2
    return all(
        float(np.sum(fit.left[part] ** 2))
        <= (1.0 - _EXPLAINED_HALF) * float(np.sum(fit.level[part] ** 2))
        for part in (slice(0, half), slice(half, None))
    )


def _travels(fit: _Fit) -> bool:
    """Return whether a wave that rolls explains more than any pattern that stands.

    A lamp that is turned away, or a shadow that deepens, changes all strips in one
    course of time, each by its share: a product of two. Of half a round of a rolling
    wave the best product leaves 16 %, of more it leaves more.
    """
    both = np.einsum("ns,nt->st", fit.level, fit.level)
    powers = np.linalg.eigvalsh(both)
    return float(np.sum(fit.left**2)) < float(np.sum(powers[:-1]))


def _on_all_sides(
    parts: NDArray[np.floating], since: Array, step: int, fit: _Fit
) -> bool:
    """Return whether left, middle and right swing alike, as far as they are known."""
    sides = parts.reshape(len(parts), STRIPS, PARTS)
    shares: list[complex] = []
    for side in range(PARTS):
        changes = sides[:, :, side]
        known = np.isfinite(changes[1:]).mean(axis=0) >= _KNOWN
        if known.sum() < STRIPS // 3:
            continue
        place = (np.flatnonzero(known) + 0.5) / STRIPS
        level = _centred(_thinned(_levels(changes[:, known]), step))
        turn = _around(fit.hertz * since[None])
        down = _around(fit.bands * place[None])
        own, _ = _swings(level, turn, down)
        # Against the wave of the whole: 1 where a side does just the same.
        shares.append(complex(own[0, 0]) / fit.swing)
    if len(shares) < _LEAST_SIDES:
        return False
    middle = complex(np.mean(shares))
    low, high = _SIDES
    return all(
        low * abs(middle) <= s.real <= high * abs(middle)
        and abs(s.imag) <= _SIDE_ANGLE * abs(middle)
        for s in shares
    )
