"""Tells speech from noise in a sound track, and adds up the levels of both."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Setup, Values
from qc.measures.parts.sound.blockfilter import BlockFilter
from qc.measures.parts.sound.soundlines import ROWS_PER_SECOND
from qc.measures.parts.sound.soundpieces import cell_means
from qc.measures.parts.sound.soundviews import seen
from qc.measures.parts.sound.speechswings import Swings
from qc.measures.parts.sound.truepeak import SILENCE_DBFS, row_reduce
from qc.records import AudioTrack, SoundBlock

__all__ = [
    "FAINTEST",
    "PERIOD_ROWS",
    "WINDOW_ROWS",
    "Activity",
    "SpeechBand",
    "SpeechReader",
    "activity",
    "high_pass",
]

Array = NDArray[np.float64]

# Rows of a hundredth of a second.
PERIOD_ROWS = 100  # how often the running figures are made anew
WINDOW_ROWS = 1000  # and from how much sound
_ENOUGH = 300  # before this nothing is said
_HANG = 20  # speech goes on for so long after it was last heard (ITU-T P.56)
_SPOKEN = 100  # rows of speech that a running level needs
# Of the levels of a window, the low one stands for the noise, the high one for vowels.
_LOW_SHARE, _HIGH_SHARE = 0.03, 0.95
# Powers. Speech is what rises 6 dB over the noise and lies no more than 20 dB under
# the vowels: about 16 under its own mean, the margin of ITU-T P.56.
_OVER_NOISE, _UNDER_VOWELS = 10.0**0.6, 10.0**-2.0
_LIKE_NOISE = 10.0**0.3
# Speech swings by this much between vowels and pauses; a motor or a fan does not.
_SWING = 10.0
# And it swings while it goes on; what is switched on and off, as suction, does not.
_SWING_WITHIN = 10.0**0.5
# Under this level of its vowels nothing is called speech, in power.
FAINTEST = 10.0**-7.0
# +60 dBFS and more: no recorder's headroom reaches there, so this is damage.
_NO_SOUND = np.float32(1e3)


class SpeechBand:
    """Mean squares of one track in the band of speech, row by row.

    Boxes of samples make it about 8 kHz sampled, which falls off over 3 kHz; then a
    high-pass of second order at 150 Hz. Made for telling speech from rumble and hiss,
    not for levels. Same numbers however blocks are cut.
    """

    def __init__(self, channels: int, sample_rate: int) -> None:
        self._box = max(1, round(sample_rate / 8000))
        sections = high_pass(150.0, sample_rate / self._box)
        self._filter = BlockFilter(sections, channels)
        self._channels = channels
        self.reset()

    def reset(self) -> None:
        """Forget what went before: what follows does not join on."""
        self._rest = np.zeros((self._channels, 0), np.float32)
        self._filter.reset()

    def feed(self, samples: NDArray[np.float32], row_edges: NDArray[np.int64]) -> Array:
        """Return each row's mean square, (rows, channels); NaN without samples."""
        held, box = self._rest.shape[1], self._box
        joined = np.concatenate([self._rest, samples], axis=1) if held else samples
        count = joined.shape[1] // box
        self._rest = joined[:, count * box :].copy()
        filtered = self._filter.feed(cell_means(joined, box))
        # A box belongs to the row in which it ends.
        edges = (row_edges + held) // box
        edges[0] = 0
        sums = row_reduce(np.add, np.square(filtered, out=filtered), edges)
        means: Array = sums / np.maximum(np.diff(edges), 1)[:, np.newaxis]
        return means


def high_pass(hertz: float, rate: float) -> Array:
    """Return a Butterworth high-pass of second order as one section.

    Returns
    -------
    (1, 6) array
        ``b0 b1 b2 1 a1 a2``, as `scipy.signal.butter` gives them.

    References
    ----------
    Bilinear transform of 1 / (s^2 + sqrt(2) s + 1), its corner kept: textbook.

    Examples
    --------
    >>> high_pass(150.0, 8000.0).round(4).tolist()
    [[0.9201, -1.8401, 0.9201, 1.0, -1.8337, 0.8465]]
    """
    corner = math.tan(math.pi * hertz / rate)
    whole = 1.0 + math.sqrt(2.0) * corner + corner**2
    last = 1.0 - math.sqrt(2.0) * corner + corner**2
    below = 2.0 * (corner**2 - 1.0) / whole, last / whole
    gain = 1.0 / whole
    return np.array([[gain, -2.0 * gain, gain, 1.0, *below]])


@dataclass(frozen=True, slots=True, eq=False)
class Activity:
    """Where there is speech in some seconds of sound; (channels, rows), (channels,)."""

    speech: NDArray[np.bool_]
    noise: NDArray[np.bool_]
    told: NDArray[np.bool_]


def activity(band: Array) -> Activity:
    """Tell speech from noise in some seconds of sound.

    Parameters
    ----------
    band : (channels, rows) array
        Mean squares in the band of speech.

    Returns
    -------
    speech, noise : (channels, rows) arrays of bool
        Rows of speech, with what hangs over; rows of noise alone.
    told : (channels,) array of bool
        Whether there is speech at all.
    """
    level = _smoothed(band)
    rows = level.shape[1]
    low, high = round(_LOW_SHARE * (rows - 1)), round(_HIGH_SHARE * (rows - 1))
    ordered = np.partition(level, [low, high], axis=1)
    floor, top = ordered[:, low], ordered[:, high]
    told = (top > _SWING * floor) & (top > FAINTEST)
    threshold = np.maximum(_OVER_NOISE * floor, _UNDER_VOWELS * top)
    above = level > threshold[:, np.newaxis]
    for channel in np.flatnonzero(told):
        told[channel] = _swings(level[channel][above[channel]])
    at = np.arange(rows)
    last = np.where(above, at, -_HANG - 1)
    speech = at - np.maximum.accumulate(last, axis=1) <= _HANG
    speech &= told[:, np.newaxis]
    noise = (level <= _LIKE_NOISE * floor[:, np.newaxis]) & ~speech
    return Activity(speech, noise, told)


def _swings(level: Array) -> bool:
    """Tell whether levels swing as syllables do, from the 10th to the 90th per cent."""
    low, high = round(0.1 * (level.size - 1)), round(0.9 * (level.size - 1))
    ordered = np.partition(level, [low, high])
    return bool(ordered[high] > _SWING_WITHIN * ordered[low])


def _smoothed(band: Array) -> Array:
    """Return means over 8 rows around each; at the ends the nearest such mean."""
    two = band[:, :-1] + band[:, 1:]
    four = two[:, :-2] + two[:, 2:]
    eight = (four[:, :-4] + four[:, 4:]) / 8.0
    before, after = np.repeat(eight[:, :1], 4, 1), np.repeat(eight[:, -1:], 3, 1)
    return np.concatenate([before, eight, after], axis=1)


def _decibels(power: Array | float) -> Array:
    with np.errstate(invalid="ignore", divide="ignore"):
        level = 10.0 * np.log10(np.maximum(power, 0.0))
    return np.asarray(np.maximum(level, SILENCE_DBFS), np.float64)


def _levels(sums: Array) -> tuple[Array, Array]:
    """Return powers of speech and noise from energies and rows of either."""
    with np.errstate(invalid="ignore", divide="ignore"):
        both, noise = sums[0] / sums[1], sums[2] / sums[3]
    # In speech there is the noise as well; no more of it than this can be believed.
    return np.maximum(both - np.nan_to_num(noise), 0.1 * both), noise


class SpeechReader:
    """Levels of speech and of noise in one track: a `SoundReader`.

    Running figures come from the ten seconds before; those of the whole take from
    windows that reach as far ahead as back.
    """

    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        self._channels = track.channels
        self._band = SpeechBand(track.channels, track.sample_rate)
        self._next_row: int | None = None
        self._totals = np.zeros((4, track.channels))
        self._swings = Swings(track.channels)
        self._start_anew()

    def _start_anew(self) -> None:
        self._band.reset()
        empty = np.zeros((self._channels, 0))
        self._ring = np.stack([empty, empty, empty])  # see `_rows`
        self._fresh: list[Array] = []  # rows since the last full period
        self._waiting = 0  # rows at the ring's end that are not in the totals yet
        self._held = np.full((3, self._channels), math.nan)
        self._sounding = np.zeros(self._channels, bool)

    def read(self, block: SoundBlock) -> Values:
        """Return the running figures at each row."""
        rows = len(block.row_edges) - 1
        if block.gap_before or self._next_row not in (None, block.first_row):
            self._end_of_run()
            self._start_anew()
        self._next_row = block.first_row + rows
        values = self._rows(block)
        out = np.empty((3, rows, self._channels))
        at = 0
        while at < rows:
            left = PERIOD_ROWS - (block.first_row + at) % PERIOD_ROWS
            upto = min(rows, at + left)
            out[:, at:upto] = self._held[:, np.newaxis]
            self._fresh.append(values[:, :, at:upto])
            if upto - at == left:
                self._end_period()
            at = upto
        return {
            "speech_dbfs": out[0],
            "noise_dbfs": out[1],
            "activity_percent": out[2],
        }

    def _rows(self, block: SoundBlock) -> Array:
        """Return power, power in band, and if it is unread; (3, channels, rows)."""
        samples, edges = block.samples, block.row_edges
        lengths = np.maximum(np.diff(edges), 1)[:, np.newaxis]
        with np.errstate(over="ignore", invalid="ignore"):
            power = seen(block).energy / lengths
        bad = ~(power < float(_NO_SOUND) ** 2)
        unread = bad
        if not self._sounding.all():
            # What coding puts before the first sound is no pause of a speaker.
            sounding = np.logical_or.accumulate(power > 0) | self._sounding
            unread = bad | ~sounding
            self._sounding |= sounding.any(axis=0)
        if bad.any():
            # Nothing damaged may stay in the filter.
            good = np.abs(samples) < _NO_SOUND
            samples = np.where(good, samples, np.float32(0.0))
        band = self._band.feed(samples, edges)
        unread = unread | np.isnan(band)  # a first row may be too short for a box
        return np.stack([power.T, band.T, unread.T])

    def _end_period(self) -> None:
        fresh = np.concatenate(self._fresh, axis=2)
        self._fresh = []
        self._waiting += fresh.shape[2]
        ring = self._ring = np.concatenate([self._ring, fresh], axis=2)
        if ring.shape[2] < _ENOUGH:
            return
        sums = self._look()
        if ring.shape[2] >= WINDOW_ROWS:
            self._add(sums, stay=WINDOW_ROWS // 2)
            self._ring = ring[:, :, PERIOD_ROWS - WINDOW_ROWS :]
        speech, noise = _levels(sums.sum(axis=2))
        spoken = sums[1].sum(axis=1)
        known = ring.shape[2] - ring[2].sum(axis=1)
        self._held[0] = np.where(spoken >= _SPOKEN, _decibels(speech), math.nan)
        self._held[1] = _decibels(noise)
        with np.errstate(invalid="ignore", divide="ignore"):
            self._held[2] = 100.0 * spoken / known
        self._held[:, known < ring.shape[2] / 2] = math.nan

    def _look(self) -> Array:
        """Return energies and rows of speech and of noise; (4, channels, rows)."""
        power, band, unread = self._ring
        good = unread == 0
        if not good.all():
            power = np.where(good, power, 0.0)
            band = _last_good(band, good)
        told = activity(band)
        speech, noise = told.speech & good, told.noise & good
        return np.stack([power * speech, speech, power * noise, noise])

    def _add(self, sums: Array, *, stay: int) -> None:
        """Add rows to the totals, once as much is known after them as before them."""
        rows = sums.shape[2]
        fresh = slice(rows - self._waiting, rows - stay)
        self._totals += sums[:, :, fresh].sum(axis=2)
        level = _smoothed(np.nan_to_num(self._ring[1]))
        self._swings.feed(level[:, fresh], sums[1][:, fresh] > 0)
        self._waiting = stay

    def _end_of_run(self) -> None:
        """Add what waits to the totals."""
        if self._fresh:
            fresh = np.concatenate(self._fresh, axis=2)
            self._fresh = []
            self._waiting += fresh.shape[2]
            self._ring = np.concatenate([self._ring, fresh], axis=2)
        if self._ring.shape[2] >= PERIOD_ROWS:
            self._add(self._look(), stay=0)
        self._swings.reset()
        self._waiting = 0

    def finish(self) -> Mapping[str, object]:
        """Return level, noise and seconds of speech of each channel."""
        self._end_of_run()
        speech, noise = _levels(self._totals)
        swing, share = self._swings.finish()
        return {
            "swing_db": swing,
            "fast_swings": share,
            "speech_dbfs": _decibels(speech).tolist(),
            "noise_dbfs": _decibels(noise).tolist(),
            "speech_s": (self._totals[1] / ROWS_PER_SECOND).tolist(),
        }


def _last_good(values: Array, good: NDArray[np.bool_]) -> Array:
    """Return values with those that are not good replaced by the last good before."""
    at = np.where(good, np.arange(values.shape[1]), 0)
    at = np.maximum.accumulate(at, axis=1)
    at = np.maximum(at, good.argmax(axis=1)[:, np.newaxis])
    return np.nan_to_num(np.take_along_axis(values, at, axis=1))
