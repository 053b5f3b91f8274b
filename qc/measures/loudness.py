"""Loudness: momentary, short-term and of the whole programme, and its range."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Chart, Column, Measure, Measured, Setup, Values, signed
from qc.measures.parts.sound.kweighting import LOWEST_RATE, KWeighting, channel_weights
from qc.measures.parts.sound.soundlines import ROWS_PER_SECOND, tracks_of
from qc.measures.parts.sound.soundviews import seen
from qc.measures.parts.sound.truepeak import SILENCE_DBFS, lfe_index
from qc.records import AudioTrack, SoundBlock

__all__ = ["MEASURE", "gated_loudness", "loudness_range", "lufs"]

Array = NDArray[np.float64]

_OFFSET = -0.691
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0
_RANGE_GATE_LU = -20.0
_RANGE_PERCENT = (10, 95)
# Rows of a hundredth of a second.
_STEP = 10
_LONGEST = 300
# More than +120 dBFS is damage, as NaN is (the peaks measure counts it).
_NO_SOUND = np.float32(1e6)
# Channels whose energies differ by less than this share carry one sound.
_SAME_SHARE = 1e-4


def lufs(power: Array | float) -> Array:
    """Return loudness of the weighted sum of mean squares; silence reads -200.

    References
    ----------
    ITU-R BS.1770-5 Annex 1: -0.691 + 10 log10 of the sum.

    Examples
    --------
    >>> lufs(np.array([1.0, 0.0, math.nan])).round(3).tolist()
    [-0.691, -200.0, nan]
    """
    floor = 10.0 ** (SILENCE_DBFS / 10.0)
    with np.errstate(invalid="ignore"):
        level = _OFFSET + 10.0 * np.log10(np.maximum(power, floor))
        return np.asarray(np.maximum(level, SILENCE_DBFS), np.float64)


def gated_loudness(powers: Array) -> float:
    """Return the loudness of a programme, gated twice.

    Parameters
    ----------
    powers : (n,) array
        Weighted power of each block of 400 ms, 100 ms apart; NaN where not measured.

    Returns
    -------
    float
        LUFS; NaN if no block is over the absolute gate.

    References
    ----------
    ITU-R BS.1770-5 Annex 1: gates of -70 LUFS, then 10 LU under the loudness of what
    that leaves; blocks count when they are over the gate.
    """
    kept = powers[_over(powers, _ABSOLUTE_GATE_LUFS)]
    if not kept.size:
        return math.nan
    gate = float(lufs(kept.mean())) + _RELATIVE_GATE_LU
    return float(lufs(kept[_over(kept, gate)].mean()))


def _over(powers: Array, gate: float) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return lufs(powers) > gate


def loudness_range(powers: Array) -> float:
    """Return the loudness range.

    Parameters
    ----------
    powers : (n,) array
        Weighted power of each 3 s, 100 ms apart; NaN where not measured.

    Returns
    -------
    float
        LU; NaN if nothing is over the absolute gate.

    References
    ----------
    EBU Tech 3342: gates of -70 LUFS, then 20 LU under the loudness of what that leaves;
    from the 10th to the 95th of a hundred parts, to the nearest value measured.
    """
    kept = powers[_over(powers, _ABSOLUTE_GATE_LUFS)]
    if not kept.size:
        return math.nan
    levels = lufs(kept)
    gate = float(lufs(kept.mean())) + _RANGE_GATE_LU
    levels = np.sort(levels[levels >= gate])
    low, high = (levels[round((levels.size - 1) * p / 100)] for p in _RANGE_PERCENT)
    return float(high - low)


class _Windows:
    """Sums of energy over the last 400 ms and 3 s, at every row.

    Sums are taken anew for each row, in one order, so that neither the cut of the
    blocks nor anything loud or damaged that is past leaves a trace.
    """

    def __init__(self, width: int) -> None:
        self._before = np.full((_LONGEST - 1, width), math.nan)

    def reset(self) -> None:
        self._before[:] = math.nan

    def feed(self, energy: Array) -> tuple[Array, Array]:
        """Return the sums that end with each row; NaN until a window is full."""
        n = len(energy)
        joined = np.concatenate([self._before, energy])
        self._before = joined[n:]
        ten = _sum_of(joined, parts=10, apart=1)
        hundred = _sum_of(ten, parts=10, apart=10)
        return (
            _sum_of(ten[_LONGEST - 40 :], parts=4, apart=10),
            _sum_of(hundred, parts=3, apart=100),
        )


def _sum_of(values: Array, *, parts: int, apart: int) -> Array:
    length = len(values) - (parts - 1) * apart
    total = values[:length].copy()
    for k in range(1, parts):
        total += values[k * apart : k * apart + length]
    return total


class _Reader:
    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        self._rate = track.sample_rate
        self._weights = channel_weights(track.layout, track.channels)
        self._lfe = lfe_index(track.layout)
        self._heard = [c for c in range(track.channels) if c != self._lfe]
        self._meter = None
        if self._rate >= LOWEST_RATE:
            self._meter = KWeighting(len(self._heard), self._rate)
        self._windows = _Windows(len(self._heard) + 1)  # the last: samples
        self._next_row: int | None = None
        self._origin = 0
        # What gates choose from, 10 values a second: one column for the programme, if
        # there is one, then one a channel. About 1 MB an hour in stereo.
        self._blocks: list[Array] = []
        self._ranges: list[Array] = []
        columns = len(self._heard) + (self._weights is not None)
        self._highest = np.full((2, columns), math.nan)
        self._energy, self._apart = 0.0, 0.0

    def read(self, block: SoundBlock) -> Values:
        rows = len(block.row_edges) - 1
        if self._meter is None or not rows:
            unread = np.full(rows, math.nan)
            return {"momentary_lufs": unread, "short_term_lufs": unread}
        if self._next_row is None:
            self._origin = block.first_row
        if block.gap_before or self._next_row not in (None, block.first_row):
            self._meter.reset()
            self._windows.reset()
        self._next_row = block.first_row + rows
        sums = self._windows.feed(self._rows(self._meter, block))
        momentary, short = (self._powers(s) for s in sums)
        at = (block.first_row - self._origin + np.arange(rows) + 1) % _STEP == 0
        self._blocks.append(momentary[at])
        self._ranges.append(short[at] if self._weights is None else short[at, :1])
        for which, powers in enumerate((momentary, short)):
            top = np.fmax.reduce(powers, axis=0, initial=-1.0)
            top[top < 0] = math.nan
            np.fmax(self._highest[which], top, out=self._highest[which])
        return {
            "momentary_lufs": self._line(momentary),
            "short_term_lufs": self._line(short),
        }

    def _rows(self, meter: KWeighting, block: SoundBlock) -> Array:
        """Return each row's energies, and in the last column its samples."""
        samples, edges = block.samples, block.row_edges
        if self._lfe is not None:
            samples = samples[self._heard]
        lengths = np.diff(edges)
        whole = seen(block).whole
        good = np.ones(0, bool) if whole else np.abs(samples) < _NO_SOUND
        if not whole:
            samples = np.where(good, samples, np.float32(0.0))
        energy = meter.feed(samples, edges)
        if not whole:
            energy[_any_in_rows(~good, edges)] = math.nan
        first = block.first_row
        begins = -(
            -np.arange(first, first + len(edges)) * self._rate // ROWS_PER_SECOND
        )
        nominal = np.diff(begins)
        energy[lengths < nominal] = math.nan  # begins or ends within the row
        if len(self._heard) == 2:
            a, b = energy.T
            self._apart += float(np.nansum(np.abs(a - b)))
            self._energy += float(np.nansum(a + b))
        return np.column_stack([energy, lengths])

    def _powers(self, sums: Array) -> Array:
        """Return mean squares: of the programme, if there is one, and each channel."""
        squares = sums[:, :-1] / sums[:, -1:]
        if self._weights is None:
            return squares
        # Added one after another: a product of matrices may add in any order.
        programme = np.zeros(len(squares))
        for weight, column in zip(self._weights[self._heard], squares.T, strict=True):
            programme += weight * column
        return np.column_stack([programme, squares])

    def _line(self, powers: Array) -> Array:
        """Return loudness of the programme, else of the loudest channel."""
        if self._weights is not None:
            return lufs(powers[:, 0])
        return lufs(np.fmax.reduce(powers, axis=1))

    def finish(self) -> Mapping[str, object]:
        width = self._highest.shape[1]
        blocks = np.concatenate([np.empty((0, width)), *self._blocks])
        spread = width if self._weights is None else 1
        ranges = np.concatenate([np.empty((0, spread)), *self._ranges])
        lines: list[dict[str, float]] = []
        for column in range(width):
            momentary, short = lufs(self._highest[:, column])
            figures = {
                "programme_lufs": gated_loudness(blocks[:, column]),
                "momentary_max_lufs": float(momentary),
                "short_term_max_lufs": float(short),
            }
            if column < spread:
                figures["range_lu"] = loudness_range(ranges[:, column])
            lines.append(figures)
        channels: list[dict[str, float] | None] = [None] * (
            len(self._heard) + (self._lfe is not None)
        )
        for channel, figures in zip(
            self._heard, lines[self._weights is not None :], strict=True
        ):
            channels[channel] = figures
        return {
            "programme": None if self._weights is None else lines[0],
            "channels": channels,
            "alike": self._energy > 0 and self._apart < _SAME_SHARE * self._energy,
        }


def _any_in_rows(
    flags: NDArray[np.bool_], row_edges: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Return whether any flag is set in each row and channel; (rows, channels)."""
    counts = np.concatenate([np.zeros((len(flags), 1), int), flags.cumsum(axis=1)], 1)
    found: NDArray[np.bool_] = np.diff(counts[:, row_edges], axis=1).T > 0
    return found


def _totals(measured: Measured) -> list[Mapping[str, Any]]:
    found = measured.totals.get("loudness", {}).get("tracks", ())
    return cast("list[Mapping[str, Any]]", found)


def _kind(track: AudioTrack, totals: Mapping[str, Any]) -> str:
    if totals["programme"] is None:
        return "separate channels"
    if track.channels == 1:
        return "mono"
    if totals["alike"]:
        return "the same on both channels"
    return "stereo" if track.channels == 2 else track.layout


_NAMES = ("programme_lufs", "range_lu", "momentary_max_lufs", "short_term_max_lufs")


def _summarise(measured: Measured) -> Mapping[str, object]:
    tracks = []
    for k, _, track in tracks_of(measured):
        totals = _totals(measured)[k]
        whole = totals["programme"] or {}
        channels = [
            {
                "channel": track.channel_numbers[index],
                "name": "".join(track.channel_names[index:][:1]),
                **(figures or {}),
            }
            for index, figures in enumerate(totals["channels"])
        ]
        tracks.append(
            {
                "track": track.number,
                "kind": _kind(track, totals),
                **{name: whole.get(name, math.nan) for name in _NAMES},
                "to_target_lu": measured.limits["loudness.target_lufs"]
                - whole.get("programme_lufs", math.nan),
                "channels": channels,
            }
        )
    if not tracks:
        return {}
    # Of several tracks none is the programme.
    single = tracks[0] if len(tracks) == 1 else {}
    return {name: single.get(name, math.nan) for name in _NAMES} | {"tracks": tracks}


def _notes(measured: Measured) -> Iterator[str]:
    for k, _, track in tracks_of(measured):
        totals = _totals(measured)[k]
        name = f"Sound track {track.number + 1}"
        if track.sample_rate < LOWEST_RATE:
            yield (
                f"{name}: loudness is not measured at {track.sample_rate} Hz; it needs "
                f"{LOWEST_RATE} Hz or more."
            )
            continue
        programme = totals["programme"]
        if programme is None:
            yield (
                f"{name}: which of its {track.channels} channels is which is not "
                "known, so loudness is given for each by itself; the curve is the "
                "loudest."
            )
            continue
        if math.isnan(programme["momentary_max_lufs"]):
            yield (
                f"{name}: loudness is not measured, since nowhere are there 0.4 s of "
                "sound without a gap or damage."
            )
        loudness = programme["programme_lufs"]
        if math.isnan(loudness):
            continue
        if track.channels == 1:
            yield (
                f"{name} is mono: {signed(loudness, 1)} LUFS by itself, 3 LU more when "
                "the same is played left and right."
            )
        elif totals["alike"]:
            yield (
                f"{name}: both channels are equally loud at every moment, as when one "
                f"microphone is on both; together they reach {signed(loudness, 1)} "
                "LUFS, 3 LU more than one of them."
            )
        elif track.channels == 2:
            heard = [not math.isnan(c["programme_lufs"]) for c in totals["channels"]]
            if not all(heard):
                number = track.channel_numbers[heard.index(True)]
                yield (
                    f"{name}: its loudness is that of channel {number} alone; the same "
                    "on both channels would read 3 LU more."
                )


MEASURE = Measure(
    name="loudness",
    label="Loudness",
    clock="sound",
    columns=(
        Column("momentary_lufs", "Momentary loudness", "LUFS"),
        Column("short_term_lufs", "Short-term loudness", "LUFS"),
    ),
    options=(
        Option(
            "loudness.target_lufs",
            -23.0,
            "Loudness that finished programmes are brought to. The figures say how far "
            "a take is from it; it is not judged, since raw takes need not meet it "
            "(EBU R 128).",
            unit="LUFS",
            low=-70.0,
            high=0.0,
        ),
    ),
    start=_Reader,
    version=2,
    charts=(
        Chart(
            ("short_term_lufs", "momentary_lufs"),
            "Loudness",
            "LUFS",
            low=-60.0,
            high=0.0,
            limits=("loudness.target_lufs",),
            always=True,
            explain=(
                "How loud the last 3 seconds were, and in the paler curve the last 0.4 "
                "seconds; channels of a programme together, else the loudest."
            ),
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    method=(
        "K-weighting derived for the sample rate from the filter published at 48 kHz, "
        "whose response it keeps within 0.02 dB from 32 kHz on, 0.15 dB at 12 kHz and "
        "0.3 dB at 8 kHz. Momentary (0.4 s) and short-term (3 s) at every hundredth of "
        "a second; programme loudness gated at -70 LUFS and 10 LU under the mean; "
        "range from the 10th to the 95th per cent of short-term values. Nothing is "
        "read across a gap. Channels count by their place (side and surround 1.41, LFE "
        "not); three or more of unknown place are not added up. The range of less than "
        "a minute says little."
    ),
    source=(
        "ITU-R BS.1770-5 Annex 1, EBU R 128, EBU Tech 3341 (cases 1 to 6 and 9 to 14) "
        "and Tech 3342 (cases 1 to 4)."
    ),
)
