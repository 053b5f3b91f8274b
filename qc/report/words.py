"""Numbers, times and names as people read them on a report.

A value that could not be measured is said to be so; "NaN" stands nowhere.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from statistics import median

__all__ = [
    "NOT_MEASURED",
    "alike",
    "amount",
    "beside",
    "byte_size",
    "counted",
    "fixed",
    "grouped",
    "length",
    "printable",
    "rate",
    "sensible",
    "spelled_out",
    "told_apart",
    "unbroken",
]

# A number and its unit must not be torn apart at the end of a line.
_UNIT = re.compile(
    r"(?<=[0-9⅓⅔]) "
    r"(?=(?:%|(?:K|k?Hz|dB|dBFS|dBTP|LUFS|LU|ms|s|min|h|mired|stops?)\b))"
)
NOT_MEASURED = "not measured"
_MOST_DECIMALS = 5
_SPACE = "\N{NO-BREAK SPACE}"
_MINUS = "\N{MINUS SIGN}"

# A byte of a file name that is no UTF-8, see `os.fsdecode`.
_BYTE = re.compile("[\udc80-\udcff]")
# Control characters, halves of surrogate pairs (file names that are not UTF-8), and
# marks that turn the direction of writing: a name must not rearrange the page.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
    "\ud800-\udfff\ufffe\uffff]"
)


def spelled_out(text: str) -> str:
    r"""Return `text` with the bytes of a file name that are no UTF-8 written out.

    Examples
    --------
    >>> print(spelled_out("caf\udce9.mov"))
    caf\xe9.mov
    """
    # Python keeps such a byte as half of a surrogate pair, which no stream takes.
    return _BYTE.sub(lambda found: f"\\x{ord(found[0]) - 0xDC00:02x}", text)


def printable(text: str) -> str:
    r"""Return `text` with what cannot or must not be printed as U+FFFD.

    Bytes of a name that are no UTF-8 are written out.

    Examples
    --------
    >>> ascii(printable("a\x1bb\udcffc"))
    "'a\\ufffdb\\\\xffc'"
    """
    text = spelled_out(text)
    return _UNPRINTABLE.sub("\N{REPLACEMENT CHARACTER}", text)


def unbroken(text: str) -> str:
    """Return a sentence whose numbers stay on one line with their units.

    Examples
    --------
    >>> unbroken("at 95 % of 5600 K, 2 sets").replace("\N{NO-BREAK SPACE}", "_")
    'at 95_% of 5600_K, 2 sets'
    """
    return _UNIT.sub(_SPACE, text)


def grouped(number: int) -> str:
    """Return a whole number with its digits in groups of three.

    Examples
    --------
    >>> grouped(-1234567).replace("\N{NO-BREAK SPACE}", "_")
    '−1_234_567'
    """
    return f"{number:,}".replace(",", _SPACE).replace("-", _MINUS)


def fixed(value: float | None, decimals: int) -> str:
    """Return a number with so many decimals, or that it was not measured.

    Examples
    --------
    >>> fixed(-0.04, 1), fixed(-1.25, 2), fixed(float("nan"), 1)
    ('0.0', '−1.25', 'not measured')
    """
    if value is None or math.isnan(value):
        return NOT_MEASURED
    if math.isinf(value):
        return "∞" if value > 0 else f"{_MINUS}∞"
    text = f"{value:,.{decimals}f}".replace(",", _SPACE)
    if text.startswith("-"):
        # What rounds to zero has no sign.
        text = text[1:] if not text.strip("-0.") else _MINUS + text[1:]
    return text


def sensible(value: float | None) -> str:
    """Return a number with about three figures that count.

    Examples
    --------
    >>> [sensible(v) for v in (-3e-11, 0.0042, 0.25, 3.14159, 31.4159, 314.159)]
    ['0', '0.0042', '0.25', '3.14', '31.4', '314']
    """
    if value is None or not math.isfinite(value):
        return fixed(value, 0)
    if value == int(value) and abs(value) < 1e9:
        return grouped(int(value))
    size = abs(value)
    if size < 0.00005:
        return "0"
    return fixed(value, _decimals(value))


def alike(*values: float) -> tuple[str, ...]:
    """Return numbers that stand side by side, with the same decimals.

    Examples
    --------
    >>> alike(0.0094, -0.0004, 1.69), alike(0.998, 0.997, 1.0)
    (('0.01', '0.00', '1.69'), ('1.00', '1.00', '1.00'))
    >>> alike(2.0, 0.0, 7.0), alike(0.4, 0.0, 250.0), alike(0.002, 0.0, 0.0042)
    (('2', '0', '7'), ('0.4', '0.0', '250.0'), ('0.0020', '0.0000', '0.0042'))
    """
    if all(value == int(value) for value in values):
        return tuple(grouped(int(value)) for value in values)
    largest, middle = max(map(abs, values)), abs(median(values))
    # Where the largest alone needs none, one that a small number would be lost without.
    decimals = max(_decimals(largest), min(_decimals(middle), 1))
    return tuple(fixed(value, decimals) for value in values)


def _decimals(value: float) -> int:
    """Return how many decimals show about three figures that count."""
    size = abs(value)
    return 4 if size < 0.01 else 2 if size < 10 else 1 if size < 100 else 0


# Units that are counted.
_ONE = {"frames": "frame", "pixels": "pixel", "stops": "stop"}
# Levels that nothing but zeros has.
_LEVELS, _SILENT_DB = ("dBFS", "dBTP", "LUFS"), -150.0


def amount(value: float | None, unit: str, decimals: int | None = None) -> str:
    """Return a number with its unit; the unit is left out where nothing was measured.

    Examples
    --------
    >>> said = [amount(*told) for told in ((1.5, "%"), (1, "frames"), (2, "frames"))]
    >>> [s.replace("\N{NO-BREAK SPACE}", "_") for s in said]
    ['1.50_%', '1_frame', '2_frames']
    >>> amount(-200.0, "LUFS")
    'digital silence'
    """
    if unit in _LEVELS and value is not None and value <= _SILENT_DB:
        return "digital silence"
    text = sensible(value) if decimals is None else fixed(value, decimals)
    if not unit or text == NOT_MEASURED:
        return text
    return f"{text}{_SPACE}{_ONE.get(unit, unit) if text == '1' else unit}"


def beside(worst: float, limit: float, unit: str) -> tuple[str, str]:
    """Return a value and its limit, so that one sees on which side of it it lies.

    Examples
    --------
    >>> said = [beside(w, 8.0, "%") for w in (16.8, 8.004, 8.0)]
    >>> [tuple(s.replace("\N{NO-BREAK SPACE}", "_") for s in pair) for pair in said]
    [('16.8_%', '8_%'), ('8.004_%', '8.000_%'), ('8_%', '8_%')]
    >>> beside(0.0286, 0.004, "")
    ('0.0286', '0.0040')
    """
    one, other = amount(worst, unit), amount(limit, unit)
    if not (math.isfinite(worst) and math.isfinite(limit)):
        return one, other
    shown = round(worst, _decimals(worst)), round(limit, _decimals(limit))
    told = (shown[0] > shown[1], shown[0] < shown[1]) == (worst > limit, worst < limit)
    fine = abs(worst) < 0.1 and 0 < abs(limit) < 0.01  # 0.0286, not 0.03, by 0.0040
    if told and not fine:
        return one, other
    for decimals in range(4 if fine else _decimals(worst), _MOST_DECIMALS + 1):
        if round(worst, decimals) != round(limit, decimals):
            return amount(worst, unit, decimals), amount(limit, unit, decimals)
    return other, other  # nobody could tell them apart


def counted(number: int, one: str, many: str | None = None) -> str:
    """Return a count and its noun.

    Examples
    --------
    >>> [counted(n, "frame").replace("\N{NO-BREAK SPACE}", " ") for n in (1, 2)]
    ['1 frame', '2 frames']
    """
    noun = one if number == 1 else many or f"{one}s"
    return f"{grouped(number)}{_SPACE}{noun}"


def length(seconds: Fraction | float) -> str:
    """Return a duration as people say it.

    Examples
    --------
    >>> said = [length(s) for s in (0.04, 2.5, 59.97, 83, 3600, 10_804)]
    >>> [s.replace("\N{NO-BREAK SPACE}", " ") for s in said]
    ['0.04 s', '2.5 s', '1 min 00 s', '1 min 23 s', '1 h 00 min', '3 h 00 min']
    """
    value = float(seconds)
    if math.isnan(value):
        return NOT_MEASURED
    if value < 0.995:
        return f"{value:.2f}{_SPACE}s"
    if value < 59.95:
        return f"{value:.1f}{_SPACE}s"
    whole = round(value)
    if whole < 3600:
        return f"{whole // 60}{_SPACE}min {whole % 60:02d}{_SPACE}s"
    minutes = round(value / 60)
    return f"{minutes // 60}{_SPACE}h {minutes % 60:02d}{_SPACE}min"


def told_apart(paths: Sequence[Path]) -> list[str]:
    """Return files' names, with as many folders before them as tell them apart.

    Examples
    --------
    >>> told_apart([Path("a/x.mov"), Path("b/x.mov"), Path("a/y.mov")])
    ['a/x.mov', 'b/x.mov', 'y.mov']
    >>> told_apart([Path("a/x.mov"), Path("a/x.mov")])
    ['x.mov', 'x.mov']
    """
    different = list(dict.fromkeys(path.absolute() for path in paths))
    names = {path: path.name for path in different}
    for depth in range(2, max((len(p.parts) for p in different), default=0)):
        counts = Counter(names.values())
        clashing = [path for path in different if counts[names[path]] > 1]
        for path in clashing:
            names[path] = "/".join(path.parts[1:][-depth:])
    return [names[path.absolute()] for path in paths]


def byte_size(number: int) -> str:
    """Return a size in bytes with a decimal prefix.

    Examples
    --------
    >>> byte_size(788_584).replace("\N{NO-BREAK SPACE}", " ")
    '789 kB'
    """
    value = float(number)
    for unit in ("B", "kB", "MB", "GB"):
        if value < 999.5:
            return amount(value if unit != "B" else number, unit)
        value /= 1000.0
    return amount(value, "TB")


def rate(value: Fraction) -> str:
    """Return a frame rate the way the trade writes it.

    Examples
    --------
    >>> rate(Fraction(25)), rate(Fraction(30000, 1001))
    ('25', '29.97')
    """
    return f"{float(value):.3f}".rstrip("0").rstrip(".")
