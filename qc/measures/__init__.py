"""The measures: every module of this folder that holds a ``MEASURE``."""

from __future__ import annotations

import functools
import importlib
import itertools
import pkgutil
from pathlib import Path

from qc.errors import LimitsError
from qc.limits import GENERAL_OPTIONS, Limits, Option, load
from qc.measures.base import Measure

__all__ = [
    "all_measures",
    "all_options",
    "check_order",
    "default_limits",
    "load_limits",
    "measures_table",
    "rule_labels",
]


@functools.cache
def all_measures() -> tuple[Measure, ...]:
    """Return every measure, in name order."""
    found = []
    for module in pkgutil.iter_modules(__path__):
        if module.name == "base":
            continue
        measure = getattr(
            importlib.import_module(f"{__name__}.{module.name}"), "MEASURE", None
        )
        if measure is not None:
            found.append(measure)
    return tuple(sorted(found, key=lambda m: m.name))


@functools.cache
def all_options() -> tuple[Option, ...]:
    """Return the general options and those of every measure."""
    return GENERAL_OPTIONS + tuple(o for m in all_measures() for o in m.options)


def default_limits() -> Limits:
    """Return the built-in house limits."""
    return Limits.defaults(all_options())


def load_limits(path: Path) -> Limits:
    """Read a limits file; what it leaves out keeps its default.

    Raises
    ------
    LimitsError
        The file cannot be read, or a key, type or value is wrong.
    """
    limits = load(path, all_options())
    check_order(limits)
    return limits


def check_order(limits: Limits) -> None:
    """Refuse limits that contradict each other.

    A take must not be rejected before it is up for review, and a level not be too high
    before it is high enough.

    Raises
    ------
    LimitsError
    """
    for rule in (r for m in all_measures() for r in m.rules):
        keys = [k for k in (rule.note, rule.review, rule.reject) if k is not None]
        for milder, graver in itertools.pairwise(keys):
            a, b = limits[milder], limits[graver]
            if (a > b) if rule.above else (a < b):
                section, _, name = milder.partition(".")
                other = graver.partition(".")[2]
                more = "at most" if rule.above else "at least"
                raise LimitsError(
                    f"{limits.source}: [{section}] {name} = {a:g} lies beyond "
                    f"{other} = {b:g}; it must be {more} that"
                )
    for option in all_options():
        if option.at_most and limits[option.key] > limits[option.at_most]:
            raise LimitsError(
                f"{limits.source}: [{option.section}] {option.name} = "
                f"{limits[option.key]:g} lies over {option.at_most.partition('.')[2]} "
                f"= {limits[option.at_most]:g}; it must be at most that"
            )


def rule_labels() -> dict[str, str]:
    """Return the short name for people of every rule, by id."""
    return {k: v for m in all_measures() for k, v in m.rule_labels.items()}


def measures_table() -> str:
    """Return the table of measures for DEVELOPERS.md, in Markdown."""
    lines = [
        "| measure | what is read | findings |",
        "| --- | --- | --- |",
    ]
    for m in all_measures():
        read = "; ".join(
            c.label + (f" ({c.unit})" if c.unit else "") for c in m.columns + m.derived
        )
        rules = ", ".join(f"`{rule}`" for rule in m.rule_labels) or "–"
        lines.append(f"| {m.label} | {read} | {rules} |")
    return "\n".join(lines) + "\n"
