"""House limits: a TOML file becomes a frozen `Limits`; defaults come from the measures.

Every option is declared by the measure that uses it (see `qc.measures.base`), so this
module knows how to read and check values but not what they are for.
"""

from __future__ import annotations

import difflib
import json
import math
import re
import textwrap
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from qc.errors import LimitsError
from qc.limitkinds import CHECKS, Kind, Region

__all__ = [
    "GENERAL_OPTIONS",
    "Limits",
    "Option",
    "Region",
    "load",
    "parse",
    "to_toml",
]

_LARGEST_BYTES = 1 << 20
_LONGEST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Option:
    """One house limit or setting.

    Parameters
    ----------
    key : str
        ``"section.name"``; the section is the measure's name.
    default : object
        Value used when the limits file does not give one.
    text : str
        One or two sentences for the commented TOML, in the operator's words.
    kind : str
        What values are taken; see `qc.limitkinds`.
    unit : str
        Unit for people, e.g. ``"%"``.
    low, high : float
        Smallest and largest value taken.
    choices : tuple of str
        For ``kind="choice"``.
    at_most : str
        Key of another option that this one must not go over; empty: none.
    measuring : bool
        True when the value changes what is measured, not only how it is judged.
    """

    key: str
    default: Any
    text: str
    kind: Kind = "number"
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    at_most: str = ""
    measuring: bool = False

    @property
    def section(self) -> str:
        """TOML table the option stands in."""
        return self.key.partition(".")[0]

    @property
    def name(self) -> str:
        """Key within its table."""
        return self.key.partition(".")[2]

    def check(self, value: object) -> Any:
        """Return `value` in the form the measures use.

        Raises
        ------
        ValueError
            With the second half of a sentence that begins with the key and value.
        """
        return CHECKS[self.kind](self, value)


class Limits(Mapping[str, Any]):
    """House limits in force: a frozen mapping of ``"section.name"`` to value."""

    __slots__ = ("_values", "source")

    def __init__(self, values: Mapping[str, Any], source: str = "built-in") -> None:
        self._values = MappingProxyType(dict(values))
        self.source = source

    @classmethod
    def defaults(cls, options: Iterable[Option]) -> Limits:
        """Return the limits with every option at its default."""
        return cls({o.key: o.check(o.default) for o in options})

    def __getitem__(self, key: str) -> Any:
        return self._values[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __reduce__(self) -> tuple[type[Limits], tuple[dict[str, Any], str]]:
        return Limits, (dict(self._values), self.source)

    def with_values(
        self, options: Iterable[Option], changes: Mapping[str, object], *, source: str
    ) -> Limits:
        """Return limits with `changes` made, each checked like a limits file's value.

        Parameters
        ----------
        source : str
            Where the values come from, for the error message, e.g. ``"--level"``.
        """
        known = {o.key: o for o in options}
        values = dict(self._values)
        for key, value in changes.items():
            values[key] = _checked(known[key], value, source)
        return Limits(values, self.source)


def parse(text: str, options: Iterable[Option], *, source: str) -> Limits:
    """Read limits from TOML text.

    Parameters
    ----------
    text : str
        TOML; options that are left out keep their defaults.
    options : iterable of Option
        All options there are.
    source : str
        File name for messages.

    Raises
    ------
    LimitsError
        Bad TOML, an unknown key (with a suggestion), a wrong type or value.
    """
    known = {o.key: o for o in options}
    sections = {o.section for o in known.values()}
    try:
        # Some editors begin a file with a byte order mark, which TOML does not know.
        tables = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        comma = _decimal_comma(text, str(error))
        raise LimitsError(f"{source}: {comma or f'not valid TOML: {error}'}") from error
    except (ValueError, RecursionError) as error:
        raise LimitsError(
            f"{source}: not a limits file: a number of absurd length, or brackets "
            "within brackets without end"
        ) from error
    values = {key: option.check(option.default) for key, option in known.items()}
    wrong: list[str] = []
    for section, table in tables.items():
        if section not in sections:
            homes = _sections_of(section, known.values())
            if homes and not isinstance(table, dict):
                wrong.append(f"{section}: stands in no section; write it under {homes}")
            else:
                meant = _suggest(section, sorted(sections))
                wrong.append(f"[{section}]: no such section{meant}")
            continue
        if not isinstance(table, dict):
            wrong.append(f"{section}: must be a section, written [{section}]")
            continue
        for name, value in table.items():
            key = f"{section}.{name}"
            if key not in known:
                names = [o.name for o in known.values() if o.section == section]
                homes = _sections_of(name, known.values())
                meant = _suggest(name, names, elsewhere=homes)
                wrong.append(f"[{section}] {name}: no such key{meant}")
                continue
            try:
                values[key] = known[key].check(value)
            except ValueError as error:
                wrong.append(_refused(known[key], value, error))
    if wrong:
        raise LimitsError(_all_wrong(source, wrong))
    return Limits(values, source)


def _all_wrong(source: str, wrong: list[str]) -> str:
    """Return every mistake of a file at once: one by one it would take many runs.

    Examples
    --------
    >>> _all_wrong("a.toml", ["[x]: no such section", "[y] z: no such key"])
    'a.toml: 2 mistakes: (1) [x]: no such section (2) [y] z: no such key'
    """
    if len(wrong) == 1:
        return f"{source}: {wrong[0]}"
    listed = " ".join(f"({n}) {text}" for n, text in enumerate(wrong, 1))
    return f"{source}: {len(wrong)} mistakes: {listed}"


def _decimal_comma(text: str, error: str) -> str:
    """Return what is wrong where a number is written as people in many countries do."""
    at = re.search(r"\bline (\d+)\b", error)
    lines = text.splitlines()
    number = int(at.group(1)) if at else 0
    if not 1 <= number <= len(lines):
        return ""
    line = lines[number - 1].strip()
    found = re.fullmatch(r"([\w.-]+\s*=\s*[+-]?\d+),(\d+)\s*(?:#.*)?", line)
    if found is None:
        return ""
    return (
        f"line {number}: {found.group(1)},{found.group(2)}: numbers are written with a "
        f"point: {found.group(1)}.{found.group(2)}"
    )


def load(path: Path, options: Iterable[Option]) -> Limits:
    """Read a limits file.

    Raises
    ------
    LimitsError
        The file cannot be read, or `parse` refuses it.
    """
    try:
        if path.exists() and not path.is_file():
            raise LimitsError(f"{path}: not a file; name a limits file in TOML")
        if path.exists() and path.stat().st_size > _LARGEST_BYTES:
            raise LimitsError(f"{path}: far too large for a limits file")
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise LimitsError(
            f"{path}: no such limits file; 'qc limits' prints one to start from"
        ) from error
    except UnicodeDecodeError as error:
        raise LimitsError(
            f"{path}: not a text file in UTF-8; a limits file is TOML text, "
            "'qc limits' prints one to start from"
        ) from error
    except OSError as error:
        raise LimitsError(
            f"{path}: cannot read the limits file: {error.strerror}"
        ) from error
    return parse(text, options, source=str(path))


def to_toml(
    limits: Mapping[str, Any],
    options: Iterable[Option],
    *,
    titles: Mapping[str, str],
) -> str:
    """Write limits as commented TOML that `parse` reads back to the same values.

    Parameters
    ----------
    titles : mapping of str to str
        A line for people over each section, by section name.
    """
    sections: dict[str, list[Option]] = {}
    for option in options:
        sections.setdefault(option.section, []).append(option)
    lines: list[str] = []
    for section, members in sections.items():
        title = titles.get(section)
        lines += ["", f"[{section}]" + (f"  # {title}" if title else "")]
        for option in members:
            lines += textwrap.wrap(
                option.text, 86, initial_indent="# ", subsequent_indent="# "
            )
            unit = f"  # {option.unit}" if option.unit else ""
            lines += [f"{option.name} = {_toml(limits[option.key])}{unit}", ""]
        lines.pop()
    return "\n".join(lines).lstrip("\n") + "\n"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # TOML's basic strings escape as JSON's do.
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Region):
        return _toml(value.points)
    if value is None:
        return "[]"
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value)


def _sections_of(name: str, options: Iterable[Option]) -> str:
    """Return the sections that have a key of this name, as a file names them."""
    return " or ".join(
        f"[{s}]" for s in sorted({o.section for o in options if o.name == name})
    )


def _suggest(word: str, choices: list[str], *, elsewhere: str = "") -> str:
    close = difflib.get_close_matches(word, choices, n=1)
    if close:
        return f"; did you mean {close[0]!r}?"
    if elsewhere:
        return f"; it belongs under {elsewhere}"
    return f"; there are {', '.join(choices)}" if choices else ""


def _checked(option: Option, value: object, source: str) -> Any:
    try:
        return option.check(value)
    except ValueError as error:
        raise LimitsError(f"{source}: {_refused(option, value, error)}") from error


def _refused(option: Option, value: object, error: ValueError) -> str:
    shown = _as_written(value)
    if len(shown) > _LONGEST_SHOWN:
        shown = f"{shown[:_LONGEST_SHOWN]}..."
    return f"[{option.section}] {option.name} = {shown}: {error}"


def _as_written(value: object) -> str:
    """Return a value as TOML has it, so that it is found again in the file.

    Examples
    --------
    >>> print(_as_written(True), _as_written("a"), _as_written([1, False, "b"]))
    true "a" [1, false, "b"]
    """
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool | list | tuple):
        return _toml(value)
    return repr(value)


GENERAL_OPTIONS = (
    Option(
        "judging.usable_min_seconds",
        2.0,
        "A stretch without findings counts as usable from this length on "
        "(house choice).",
        unit="s",
        low=0,
        high=600,
    ),
    Option(
        "day.gap_max_seconds",
        120.0,
        "A pause up to this long between two takes of one camera may be one case cut "
        "in two (house choice).",
        unit="s",
        low=0,
        high=7200,
    ),
    Option(
        "day.gap_min_seconds",
        0.5,
        "A shorter gap between takes is none: recorders split long takes into files "
        "(house choice).",
        unit="s",
        low=0,
        high=600,
        at_most="day.gap_max_seconds",
    ),
    Option(
        "day.stall_seconds",
        120.0,
        "A take in which nothing moves on for this long is given up.",
        unit="s",
        low=1,
        high=86400,
    ),
    Option(
        "day.memory_mb",
        3000,
        "A take that needs more memory than this is given up.",
        kind="whole",
        unit="MB",
        low=300,
        high=1_000_000,
    ),
    Option(
        "day.settle_seconds",
        20.0,
        "How long to wait for a file that is still being written.",
        unit="s",
        low=0,
        high=3600,
    ),
    Option(
        "white.neutral_size",
        (),
        "Size [width, height] of the picture that the neutral patch was drawn on, in "
        "pixels: in a recording of another size, but the same shape, the patch is "
        "scaled, and of another shape it is refused. []: unknown, the patch is taken "
        "as it is wherever it fits.",
        kind="size",
        measuring=True,
    ),
)
