"""How time and memory grow with the work: longer, larger, more measures, more takes.

    python tests/bench/growth.py [--axes length size measures takes]
                                 [--minutes 1 2 5 10 20 40 60] [--json FILE]
    python tests/bench/growth.py --draw FILE.json

Every point is a process of its own on clips of `clips.py`. Processor time counts: other
work on the machine hardly changes it. ``growth.json`` beside this file keeps the last
figures, ``growth.svg`` the plot of them; a run replaces the axes it was asked for and
leaves the others. A straight line through each axis is told with them: what doubles
when the work doubles has the exponent 1.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeAlias

sys.path.insert(0, str(Path(__file__).resolve().parent))

import speed

__all__ = ["AXES", "exponent", "main"]

Point: TypeAlias = dict[str, Any]

_HERE = Path(__file__).resolve()
_KEPT = _HERE.with_suffix(".json")
_SIZES = ("960x540", "1280x720", "1920x1080", "2560x1440", "3840x2160")
_TAKES = (1, 2, 4, 8, 16)
_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
# Length is looked at on small pictures: an hour of large ones takes hours to measure,
# and what grows with length - rows, findings, the report - does not grow with size.
_SMALL = "320x180"
_UNITS = {
    "length": "minutes",
    "size": "megapixels",
    "measures": "picture measures",
    "takes": "takes",
}


# ------------------------------------------------------------- inside a run's process


def _some_measures(task: Point) -> Point:
    """Measure with the first few picture measures; nothing is judged."""
    from qc.measures import all_measures
    from qc.measures.base import Setup
    from qc.media import TakeReader, probe
    from qc.records import Picture
    from qc.rows import PictureRows, one_opencv_thread

    pictures = [m for m in all_measures() if m.clock == "picture"]
    chosen = tuple(pictures[: round(task["share"] * len(pictures))])
    info = probe(Path(task["path"]))
    recorder = PictureRows(Setup(info, speed._limits(task)), chosen)
    start, frames = time.process_time(), 0
    with one_opencv_thread(), TakeReader(info, threads=task["threads"]) as reader:
        for item in reader:
            if isinstance(item, Picture):
                recorder.take(item)
                frames += 1
        recorder.measure()
    return {
        "at": len(chosen),
        "frames": frames,
        "cpu_s": time.process_time() - start,
        "peak_mb": speed._peak_mb(),
    }


def _whole(task: Point) -> Point:
    """Check and report one take: processor time and memory of all of it."""
    from qc.report import write_report

    start = time.process_time()
    result = speed._check(task, limits=speed._limits(task))
    checked = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        write_report(result, Path(folder), stills=True)
        files = [p for p in Path(folder).rglob("*") if p.is_file()]
        size = sum(p.stat().st_size for p in files)
    return {
        "frames": result.coverage.frames_read,
        "findings": len(result.findings),
        "check_cpu_s": checked - start,
        "report_cpu_s": time.process_time() - checked,
        "cpu_s": time.process_time() - start,
        "report_mb": size / 1e6,
        "peak_mb": speed._peak_mb(),
    }


def _day(task: Point) -> Point:
    """Run a day of so many takes; processor time of all its processes."""
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work) / "card"
        folder.mkdir()
        for i in range(task["at"]):
            shutil.copy(
                task["path"], folder / f"take{i:03d}{Path(task['path']).suffix}"
            )
        command = [sys.executable, "-m", "qc", "day", str(folder), "--quiet"]
        command += ["--jobs", "2", "--out", str(Path(work) / "reports")]
        pid = os.posix_spawn(sys.executable, command, os.environ)
        _, status, used = os.wait4(pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise SystemExit("the day was not measured")
    # The largest process of them: one that measures.
    kilobyte = 1 if sys.platform == "darwin" else 1024
    return {
        "cpu_s": used.ru_utime + used.ru_stime,
        "peak_mb": used.ru_maxrss * kilobyte / 1e6,
    }


_WORK: dict[str, Callable[[Point], Point]] = {
    "measures": _some_measures,
    "length": _whole,
    "size": _whole,
    "takes": _day,
}


# ---------------------------------------------------------------- the process that asks


def _run(axis: str, task: Point) -> Point:
    found = speed._python(_HERE, "--worker", json.dumps(task | {"axis": axis}))
    point: Point = {"at": task.get("at")} | found
    told = f"{axis} {point['at']:g}: {point['cpu_s']:.1f} s, {point['peak_mb']:.0f} MB"
    print(told, file=sys.stderr, flush=True)
    return point


def _clip(given: argparse.Namespace, size: str, seconds: int, times: int = 1) -> Point:
    made = speed._python(
        _HERE.with_name("clips.py"),
        str(given.cache),
        *("--clips", "h264", "--seconds", str(seconds)),
        *("--size", size, "--times", str(times)),
    )
    (clip,) = made["clips"]
    task: Point = clip | {"neutral": made["neutral"], "threads": given.threads}
    return task


def _length(given: argparse.Namespace) -> list[Point]:
    points = []
    for minutes in given.minutes:
        clip = _clip(given, _SMALL, 10, times=max(1, round(6 * minutes)))
        points.append(_run("length", clip | {"at": minutes}))
    return points


def _size(given: argparse.Namespace) -> list[Point]:
    points = []
    for size in given.sizes:
        width, height = (int(n) for n in size.split("x"))
        clip = _clip(given, size, given.seconds)
        point = _run("size", clip | {"at": width * height / 1e6})
        bare = speed._run("bare", clip, given.threads)
        points.append(point | {"size": size, "bare_cpu_s": bare["cpu_s"]})
    return points


def _measures(given: argparse.Namespace) -> list[Point]:
    clip = _clip(given, "1920x1080", given.seconds)
    return [_run("measures", clip | {"share": s, "at": s}) for s in _SHARES]


def _takes(given: argparse.Namespace) -> list[Point]:
    clip = _clip(given, _SMALL, 2)
    return [_run("takes", clip | {"at": n}) for n in given.takes]


AXES: dict[str, Callable[[argparse.Namespace], list[Point]]] = {
    "length": _length,
    "size": _size,
    "measures": _measures,
    "takes": _takes,
}


def exponent(points: Sequence[Point], key: str) -> float:
    """Return how a figure grows from the middle of an axis to its end.

    Returns
    -------
    float
        b of ``figure ~ at ** b`` between the middle and the last point: there fixed
        costs weigh least. NaN with fewer than three points.

    Examples
    --------
    >>> exponent([{"at": n, "s": n * n} for n in (1, 2, 4, 8)], "s")
    2.0
    """
    if len(points) < 3:
        return math.nan
    a, b = points[len(points) // 2], points[-1]
    if len(points) % 2 == 0:
        a = points[len(points) // 2 - 1]
    return math.log(b[key] / a[key]) / math.log(b["at"] / a["at"])


def _table(axis: str, points: Sequence[Point]) -> str:
    rows = [[_UNITS[axis], "CPU s", "CPU ms a frame", "peak MB"]]
    for p in points:
        each = f"{1e3 * p['cpu_s'] / p['frames']:.2f}" if "frames" in p else "–"
        rows.append([f"{p['at']:g}", f"{p['cpu_s']:.2f}", each, f"{p['peak_mb']:.0f}"])
    grows = ", ".join(
        f"{label} ~ {_UNITS[axis]}^{exponent(points, key):.2f}"
        for label, key in (("time", "cpu_s"), ("memory", "peak_mb"))
    )
    return f"{speed._table(rows)}\n{grows}\n"


def _draw(figures: Point, path: Path) -> None:
    import matplotlib as mpl

    mpl.use("svg")
    from matplotlib import pyplot as plt

    mpl.rcParams |= {"svg.hashsalt": "growth", "font.size": 9}
    axes = [a for a in AXES if a in figures["axes"]]
    board, places = plt.subplots(
        2, len(axes), figsize=(3.2 * len(axes), 5), squeeze=False
    )
    for column, axis in enumerate(axes):
        points = figures["axes"][axis]
        at = [p["at"] for p in points]
        for row, (key, label) in enumerate(
            (("cpu_s", "CPU seconds"), ("peak_mb", "peak memory, MB"))
        ):
            place = places[row, column]
            place.plot(at, [p[key] for p in points], "o-", label="check and report")
            if key == "cpu_s" and "bare_cpu_s" in points[0]:
                bare = [p["bare_cpu_s"] for p in points]
                place.plot(at, bare, "s--", label="decoding alone")
                place.legend()
            place.set(xlabel=_UNITS[axis], ylabel=label, ylim=(0, None))
            place.set_xlim(0, None)
            for line in place.lines:
                line.set_clip_on(False)  # marks on the edge are drawn whole
    board.tight_layout()
    board.savefig(path, metadata={"Date": None})


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add("--axes", nargs="+", choices=AXES, default=list(AXES))
    add("--minutes", nargs="+", type=float, default=[1, 2, 5, 10, 20, 40, 60])
    add("--sizes", nargs="+", type=speed._size, default=list(_SIZES))
    add("--takes", nargs="+", type=int, default=list(_TAKES))
    add("--seconds", type=int, default=4, help="length of a clip otherwise")
    add("--threads", type=int, default=0, help="decoder threads; 0: all there are")
    add("--json", type=Path, default=_KEPT, metavar="FILE")
    add("--draw", type=Path, metavar="FILE", help="only draw these figures again")
    add("--cache", type=Path, default=Path(tempfile.gettempdir()) / "qc-bench")
    add("--worker", type=json.loads, help=argparse.SUPPRESS)
    return parser


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure the axes asked for, keep the figures, print and draw them."""
    given = _parser().parse_args(arguments)
    if given.worker is not None:
        print(json.dumps(_WORK[given.worker["axis"]](given.worker)))
        return
    if given.draw is not None:
        _draw(json.loads(given.draw.read_text()), given.draw.with_suffix(".svg"))
        return
    figures: Point = {"axes": {}}
    if given.json.exists():
        figures = json.loads(given.json.read_text())
    figures["machine"] = f"{platform.system()} {platform.machine()}"
    figures["cores"] = os.cpu_count()
    for axis in given.axes:
        figures["axes"][axis] = points = AXES[axis](given)
        print(_table(axis, points))
        given.json.write_text(json.dumps(figures, indent=1) + "\n")
    _draw(figures, given.json.with_suffix(".svg"))


if __name__ == "__main__":
    main()
