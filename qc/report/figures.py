"""What each measure found over the whole take, and the limits it was held against."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from numbers import Integral, Real

from qc.limits import Option, Region
from qc.measures.base import Measure
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
# Figures whose names say little on their own.
_LABELS = {
    "exposure.far_below_black_percent": "Pixels far below black",
    "exposure.curve": "Curve used for stops",
    "highlights.highest_level_percent": "Highest level reached",
    "highlights.level_percent": "Level that counts as burnt out",
    "highlights.level_code": "First code value that counts",
    "white.neutral_k": "Neutral is at",
    "white.neutral_duv": "Duv of neutral",
    "white.duv_shift": "Duv from neutral",
    "white.mired_shift": "Mired from neutral",
    "framing.motion_p95_percent": "95 % of the frames move less than",
    "white.share_measured_percent": "Share of frames measured",
}
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
    return tuple(out)


def _figures_of(measure: Measure, found: Mapping[str, object]) -> Figures:
    facts: list[Fact] = []
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    for key, value in found.items():
        entries = _entries(value)
        if entries:
            keys = [
                k
                for k in entries[0]
                if any(e.get(k) not in ("", None) for e in entries)
            ]
            names = [_figure(measure, k, entries[0][k])[0] for k in keys]
            heads = tuple(names)
            rows = tuple(
                tuple(_cell(measure, k, e.get(k)) for k in keys) for e in entries
            )
        elif not isinstance(value, list | tuple | Mapping):
            facts.append(Fact(*_figure(measure, key, value)))
    return Figures(measure.label, tuple(facts), heads, rows)


def _entries(value: object) -> list[Mapping[str, object]]:
    if isinstance(value, list | tuple) and all(isinstance(v, Mapping) for v in value):
        return list(value)
    return []


def _cell(measure: Measure, key: str, value: object) -> str:
    if key == "track" and isinstance(value, int):
        return str(value + 1)  # people count from one
    return _figure(measure, key, value)[1]


def _figure(measure: Measure, key: str, value: object) -> tuple[str, str]:
    """Return a figure's name and value for people."""
    label, unit, decimals = _name_of(measure, key)
    if isinstance(value, bool):
        return label, "yes" if value else "no"
    if isinstance(value, Integral):
        return label, amount(int(value), unit)
    if isinstance(value, Real):
        if unit in ("dBFS", "dBTP") and value <= -150:
            return label, "digital silence"
        return label, amount(float(value), unit, decimals)
    return label, "–" if value in (None, "") else str(value)


def _name_of(measure: Measure, key: str) -> tuple[str, str, int | None]:
    """Return label, unit and decimals, from the column that a figure comes from."""
    columns = {c.name: c for c in measure.columns + measure.derived}
    parts = key.split("_")
    for i, part in enumerate(parts):
        stem = "_".join(parts[:i] + parts[i + 1 :])
        if part in _STATISTICS and stem in columns:
            column = columns[stem]
            label = f"{column.label}, {_STATISTICS[part]}"
            return label, column.unit, column.decimals
    if key in columns:
        return columns[key].label, columns[key].unit, columns[key].decimals
    unit = _UNITS.get(parts[-1], "") if len(parts) > 1 else ""
    words = parts[:-1] if unit else parts
    label = "Cast in words" if key == "words" else " ".join(words).capitalize()
    label = _LABELS.get(f"{measure.name}.{key}", label)
    return label, unit, None


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
        shown = sensible(value) if math.isfinite(value) else str(value)
        return f"{shown} {unit}".strip()
    if value is None or value in ((), [], ""):
        return "none"
    if isinstance(value, list | tuple):
        if all(isinstance(v, Region) for v in value):
            return counted(len(value), "region")
        return ", ".join(str(v) for v in value)
    return str(value)
