"""How near the measures come to what is known to be true.

    python tests/bench/accuracy.py [SECTION...] [--split tune|test] [--count N]
                                   [--jobs N] [--plots DIR] [--json FILE]

Prints a table for each section, with goal and verdict; all sections if none is named.
The exit code is 0 whatever the verdicts: this measures, the tests judge. Sections live
in modules beside this one and register themselves (`scoring.section`):

- `rendered`: drawn takes whose truth is exact, from `sample_media/theatre/family.py`.
  "tune" and "test" draw from the same ranges, by separate runs of chance: no take of
  one is in the other. Constants are tuned on "tune" alone. Burnt areas want many
  takes, since of fifty two wrong ones are 4 %: half an hour with `--jobs 2`.
- `faults`: faults put into real recordings, by `inject.py`, which also runs by itself
  and lists every miss. A quarter of an hour on two cores; `--count` is faults a kind.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path

_HERE = Path(__file__).resolve().parent
_MODULES = ("rendered", "inject")
_HEAD = ("figure", "value", "goal", "verdict", "n", "")

if __name__ == "__main__":  # as a script only this folder is on the path
    sys.path[:0] = [str(_HERE.parents[1])]

from tests.bench.scoring import SECTIONS, Row, Task  # noqa: E402

__all__ = ["main", "table"]


def table(rows: Sequence[Row]) -> str:
    """Return rows as text, columns aligned."""
    cells = [_HEAD, *(row.line() for row in rows)]
    widths = [max(len(line[i]) for line in cells) for i in range(len(_HEAD))]
    return "\n".join(
        "  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip()
        for line in cells
    )


def _load() -> None:
    for name in _MODULES:
        if importlib.util.find_spec(f"tests.bench.{name}") is not None:
            importlib.import_module(f"tests.bench.{name}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench."""
    _load()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    names = ", ".join(SECTIONS)
    parser.add_argument("section", nargs="*", help=f"one or more of: {names}")
    parser.add_argument("--split", choices=("tune", "test"), default="test")
    parser.add_argument("--count", type=int, help="takes of each section")
    parser.add_argument(
        "--jobs", type=int, default=1, help="processes that share rendered takes"
    )
    parser.add_argument("--plots", type=Path, help="folder for figures")
    parser.add_argument("--json", type=Path, help="write the figures to this file")
    given = parser.parse_args(arguments)
    unknown = [name for name in given.section if name not in SECTIONS]
    if unknown:
        parser.error(f"no such section: {', '.join(unknown)}; there are: {names}")
    if given.plots is not None:
        given.plots.mkdir(parents=True, exist_ok=True)
    task = Task(given.split, given.count, given.plots, max(1, given.jobs))
    record: dict[str, object] = {"split": given.split, "count": given.count}
    for name in given.section or list(SECTIONS):
        start = time.monotonic()
        rows = SECTIONS[name].run(task)
        took = time.monotonic() - start
        print(f"\n{name}: {SECTIONS[name].what} ({task.split}, {took:.0f} s)")
        print(table(rows))
        sys.stdout.flush()
        record[name] = [row.record() for row in rows]
    if given.json is not None:
        given.json.write_text(json.dumps(record, indent=1, allow_nan=False) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
