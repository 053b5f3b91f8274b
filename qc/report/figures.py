"""What each measure found over the whole take, and the limits it was held against."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from numbers import Integral, Real

from qc.limits import Option, Region
from qc.measures.base import Column, Measure
from qc.records import TakeResult
from qc.report.facts import Fact
from qc.report.words import amount, counted, sensible

__all__ = ["Figures", "LimitRow", "figures", "limit_rows"]

_UNITS = {
    "percent": "%",
    "stops": "stops",
    "dbfs": "dBFS",
    "dbtp": "dBTP",
    "lufs": "LUFS",
    "lu": "LU",
    "db": "dB",
    "k": "K",
    "s": "s",
    "hz": "Hz",
    "px": "px",
}
# Units of columns that read badly behind a number.
_PLAIN_UNITS = {"in 1 s": "a second", "CIEDE2000": "ΔE₀₀", "% of range": "%"}
# Figures whose names say little on their own, or not in an operator's words.
_LABELS = {
    "channels.ceiling_percent": "Level at which the colours are cut off",
    "channels.ceiling_seen": "Is there such a level in this take?",
    "channels.frames_looked_at_percent": "Frames looked at in full",
    "clocks.declared_rate": "Frames a second, by the file",
    "clocks.real_rate": "Frames a second, by the clock",
    "clocks.rate_varies": "Does the frame rate vary?",
    "combing.moments_known": "Moments with enough motion to tell",
    "combing.as_declared_percent": "Moments that agree with the file",
    "continuity.frames_held_long": "Frames that stay longer than they should",
    "continuity.longest_held_s": "Longest that one frame stays",
    "damage.damaged_frames": "Frames that arrived damaged",
    "damage.missing_frames": "Frames that could not be decoded",
    "dropout.breaks": "Breaks in the sound",
    "dropout.missing_samples_places": "Places where samples are missing",
    "dropout.repeats": "Pieces heard twice",
    "focus.laplacian_variance_median": "Fine detail, median",
    "focus.sharpness_median": "Fine detail without noise, median",
    "focus.sharpness_max": "Fine detail without noise, highest",
    "focus.edge_rise_px_median": "Width of the crispest edges, median",
    "focus.edge_rise_px_min": "Width of the crispest edges, lowest",
    "hum.hum_dbfs": "Hum, strongest",
    "hum.mains_hz": "Mains frequency",
    "hum.told_from_dbfs": "Hum would be told from",
    "hum.offset_percent": "Constant offset",
    "hum.offset_dbfs": "The same, as a level",
    "hunting.unknown_percent": "Frames that could not be judged",
    "light.judged_percent": "Part of the take that could be judged",
    "loudness.programme_lufs": "Loudness of the whole",
    "loudness.range_lu": "Loudness range",
    "loudness.to_target_lu": "To reach the target",
    "noise.level_percent": "Picture level",
    "noise.noise_percent": "Noise there",
    "phase.correlation_lowest": "Correlation where they match best in time, lowest",
    "phase.correlation_median": "Correlation where they match best in time, median",
    "rumble.usual_dbfs": "Level under 60 Hz, usual",
    "rumble.highest_dbfs": "Level under 60 Hz, highest",
    "speech.activity_percent": "Share of the time with speech",
    "speech.speech_s": "Time with speech",
    "speech.speech_to_noise_db": "Speech above noise",
    "speech.to_house_level_db": "To reach the house level",
    "steadiness.sway_p95_percent": "95 % of the time it sways less than",
    "steadiness.unknown_percent": "Frames that could not be judged",
    "stillness.frozen_s": "Time that the picture stands still",
    "stillness.longest_frozen_s": "Longest that it stands still",
    "stillness.repeated_frames": "Frames shown again",
    "stillness.repeated_in_rhythm_frames": "Frames shown again in a steady rhythm",
    "stillness.identical_frames": "Frames identical to the one before",
    "exposure.far_below_black_percent": "Pixels far below black",
    "exposure.curve": "Curve used for stops",
    "highlights.highest_level_percent": "Highest level reached",
    "highlights.level_percent": "Level that counts as burnt out",
    "highlights.level_code": "First code value that counts",
    "white.neutral_k": "Neutral is at",
    "white.words": "Cast in words",
    "white.neutral_duv": "Duv of neutral",
    "white.duv_shift": "Duv from neutral",
    "white.mired_shift": "Mired from neutral",
    "framing.motion_p95_percent": "95 % of the frames move less than",
    "white.share_measured_percent": "Share of frames measured",
}
# Figures that were looked for and are not there, if the one beside them says from where
# on they would be; and the values of columns that stand for none.
_LOOKED_FOR = {"hum.hum_dbfs": "told_from_dbfs"}
_NONE_AT = {"hum.hum_dbfs": -100.0}
_NONE = "none found"
_STATISTICS = {
    "max": "highest",
    "min": "lowest",
    "mean": "mean",
    "median": "median",
}


@dataclass(frozen=True, slots=True)
class Figures:
    """What one measure found over the whole take.

    Attributes
    ----------
    heads, rows : tuples
        A table of figures that come once a channel or the like; may be empty.
    """

    title: str
    facts: tuple[Fact, ...]
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class LimitRow:
    """A house limit in force."""

    key: str
    value: str
    text: str
    changed: bool


def figures(result: TakeResult, measures: Iterable[Measure]) -> tuple[Figures, ...]:
    """Return the figures of every measure that has any, with names for people."""
    out = []
    for measure in measures:
        found = result.summary.get(measure.name)
        if found:
            out.append(_figures_of(measure, found))
            out.extend(_nested(measure, found))
    return tuple(out)


def _nested(measure: Measure, found: Mapping[str, object]) -> Iterator[Figures]:
    """Return tables that stand inside the rows of another, each as one of its own."""
    inner: dict[str, list[Mapping[str, object]]] = {}
    for value in found.values():
        for entry in _entries(value):
            for key, part in entry.items():
                inner.setdefault(key, []).extend(_entries(part))
    for key, entries in inner.items():
        if entries:
            heads, rows = _table(measure, entries)
            title = f"{measure.label}, {key.replace('_', ' ')}"
            yield Figures(title, (), heads, rows)


def _figures_of(measure: Measure, found: Mapping[str, object]) -> Figures:
    facts: list[Fact] = []
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    for key, value in found.items():
        entries = _entries(value)
        if entries:
            heads, rows = _table(measure, entries)
        elif not isinstance(value, list | tuple | Mapping):
            facts.append(Fact(*_figure(measure, key, value)))
    return Figures(measure.label, tuple(facts), heads, rows)


def _table(
    measure: Measure, entries: list[Mapping[str, object]]
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return heads and rows of figures that come once a channel or the like."""
    keys = [k for k in entries[0] if any(_told(e.get(k)) for e in entries)]
    heads = tuple(_figure(measure, k, entries[0][k])[0] for k in keys)
    rows = tuple(
        tuple(
            _NONE if _looked_for(measure, k, e) else _cell(measure, k, e.get(k))
            for k in keys
        )
        for e in entries
    )
    return heads, rows


def _looked_for(measure: Measure, key: str, entry: Mapping[str, object]) -> bool:
    """Tell whether a figure is missing because nothing of the kind was found."""
    beside = entry.get(_LOOKED_FOR.get(f"{measure.name}.{key}", ""))
    value = entry.get(key)
    return (
        isinstance(beside, Real)
        and math.isfinite(beside)
        and isinstance(value, Real)
        and math.isnan(value)
    )


def _told(value: object) -> bool:
    """Return whether there is something to put into a cell."""
    if isinstance(value, list | tuple):
        return bool(value) and not _entries(value)
    return value not in ("", None)


def _entries(value: object) -> list[Mapping[str, object]]:
    if isinstance(value, list | tuple) and all(isinstance(v, Mapping) for v in value):
        return list(value)
    return []


def _cell(measure: Measure, key: str, value: object) -> str:
    if key == "track" and isinstance(value, int):
        return str(value + 1)  # people count from one
    if isinstance(value, list | tuple) and not _entries(value):
        return ", ".join(_figure(measure, key, v)[1] for v in value)
    return _figure(measure, key, value)[1]


def _figure(measure: Measure, key: str, value: object) -> tuple[str, str]:
    """Return a figure's name and value for people."""
    label, unit, decimals = _name_of(measure, key)
    if isinstance(value, bool):
        return label, "yes" if value else "no"
    if isinstance(value, Integral):
        return label, amount(int(value), unit)
    if isinstance(value, Real):
        column, _ = _column_of(measure, key)
        if column and value == _NONE_AT.get(f"{measure.name}.{column.name}"):
            return label, _NONE
        return label, amount(float(value), unit, decimals)
    return label, "–" if value in (None, "") else str(value)


def _name_of(measure: Measure, key: str) -> tuple[str, str, int | None]:
    """Return label, unit and decimals for people."""
    label, unit, decimals = _declared(measure, key)
    if key == "level_percent":
        decimals = None  # a round level that something is told of, not a reading
    label = _LABELS.get(f"{measure.name}.{key}", label)
    return label, _PLAIN_UNITS.get(unit, unit), decimals


def _declared(measure: Measure, key: str) -> tuple[str, str, int | None]:
    """Return label, unit and decimals, from the column that a figure comes from."""
    column, statistic = _column_of(measure, key)
    if column:
        label = ", ".join(filter(None, (column.label, statistic)))
        return label, column.unit, column.decimals
    parts = key.split("_")
    unit = _UNITS.get(parts[-1], "") if len(parts) > 1 else ""
    words = parts[:-1] if unit else parts
    label = " ".join(words).capitalize()
    return label, unit, None


def _column_of(measure: Measure, key: str) -> tuple[Column | None, str]:
    """Return the column that a figure comes from, and which statistic of it it is."""
    columns = {c.name: c for c in measure.columns + measure.derived}
    parts = key.split("_")
    for i, part in enumerate(parts):
        stem = "_".join(parts[:i] + parts[i + 1 :])
        if part in _STATISTICS and stem in columns:
            return columns[stem], _STATISTICS[part]
    return columns.get(key), ""


# ----------------------------------------------------------------------- the limits


def limit_rows(
    limits: Mapping[str, object], options: Iterable[Option]
) -> tuple[LimitRow, ...]:
    """Return the limits in force, in the order in which the measures declare them."""
    out = []
    for option in options:
        if option.key in limits:
            value = limits[option.key]
            changed = value != option.check(option.default)
            text = _value(value, option.unit)
            out.append(LimitRow(option.key, text, option.text, changed))
    return tuple(out)


def _value(value: object, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Fraction):
        value = float(value)
    if isinstance(value, int | float):
        return f"{_as_it_is(value)} {unit}".strip()
    if value is None or value in ((), [], ""):
        return "none"
    if isinstance(value, list | tuple):
        if all(isinstance(v, Region) for v in value):
            return counted(len(value), "region")
        return ", ".join(str(v) for v in value)
    return str(value)


def _as_it_is(value: float) -> str:
    """Return a limit's number with all its figures: 0.9995 is not 1.00."""
    if not math.isfinite(value):
        return str(value)
    if value == int(value) and abs(value) < 1e9:
        return sensible(value)
    return f"{Decimal(repr(float(value))):f}".replace("-", "\N{MINUS SIGN}")
