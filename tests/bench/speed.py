"""How much longer a full check takes than decoding alone, and where the time goes.

    python tests/bench/speed.py [--seconds 10] [--size 1920x1080] [--runs 5]
                                [--clips h264 intra prores] [--json FILE]
    python tests/bench/speed.py --ratio-only
    python tests/bench/speed.py --length-check

Every run is a process of its own, so that processor time and peak memory are its own;
bare decoding and the full check take turns, and ratios are of neighbouring runs.
Processor time is user and system time of all threads between call and return;
starting Python and importing the packages comes before. Wall time says little on a
machine that others use: judge by processor time.

"Bare" decodes pictures and sound with PyAV and drops them. "Full" is
`qc.pipeline.check_take` with built-in limits and a neutral patch, so that every
measure works; its fixed cost (opening twice, imports at first use) weighs on short
clips. "Judged" and "report" are wall seconds from the last frame on; peak memory
includes the report. Yardsticks are runs of `yardsticks.py` in between, to
tell what other ways of taking far fewer numbers cost. The costs of measures and shared
views are processor time on one decoder thread, with the views' time taken out of the
measure that asked first.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeAlias

__all__ = ["main"]

Figures: TypeAlias = dict[str, Any]

_HERE = Path(__file__).resolve()
_LONGER = 6
_DECODING, _REST = "decoding alone", "reading and keeping rows"
_TAIL = "after the last frame"


# ------------------------------------------------------------- inside a run's process


def _peak_mb() -> float:
    """Return the most memory this process has held, in MB (10^6 bytes)."""
    status = Path("/proc/self/status")
    if status.exists():
        # ru_maxrss would not do here: a child takes over its parent's at the start.
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024 / 1e6
    try:
        import resource
    except ImportError:
        return math.nan
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


def _timed(work: Callable[[], Figures]) -> Figures:
    wall, cpu = time.perf_counter(), time.process_time()
    figures = work()
    return figures | {
        "wall_s": time.perf_counter() - wall,
        "cpu_s": time.process_time() - cpu,
        "peak_mb": _peak_mb(),
    }


def _bare(task: Figures) -> Figures:
    import av
    from av.video.frame import VideoFrame

    def work() -> Figures:
        frames = 0
        with av.open(task["path"]) as container:
            video, sound = container.streams.video[0], container.streams.audio[0]
            video.thread_type = "AUTO"
            video.codec_context.thread_count = task["threads"]
            for packet in container.demux([video, sound]):
                for frame in packet.decode():
                    frames += isinstance(frame, VideoFrame)
        return {"frames": frames}

    return _timed(work)


def _limits(task: Figures) -> Any:
    import qc.pipeline  # noqa: F401 -- before anything is timed, as what "bare" uses
    from qc.measures import all_options, default_limits

    values = {"white.neutral": task["neutral"]}
    return default_limits().with_values(all_options(), values, source="bench")


def _check(task: Figures, **more: Any) -> Any:
    """Check a clip; the result if it is whole."""
    from qc.pipeline import check_take
    from qc.records import TakeFailure

    result = check_take(task["path"], threads=task["threads"], **more)
    if isinstance(result, TakeFailure):
        raise SystemExit(f"the check failed: {result.message}")
    white: Any = result.summary["white"]
    share = white["share_measured_percent"]
    if share < 100.0:
        raise SystemExit(f"white balance was read on {share:.0f} % of the frames only")
    return result


def _full(task: Figures) -> Figures:
    from qc import kernels

    limits = _limits(task)

    def work() -> Figures:
        result = _check(task, limits=limits)
        return {"frames": result.coverage.frames_read, "compiled": kernels.compiled}

    return _timed(work)


def _report(task: Figures) -> Figures:
    """Time what comes after the last frame; the report only where there is one."""
    limits, last = _limits(task), math.nan

    def tell(*_: object) -> None:
        nonlocal last
        last = time.perf_counter()

    result = _check(task, limits=limits, progress=tell)
    figures: Figures = {
        "frames": result.coverage.frames_read,
        "judged_s": time.perf_counter() - last,
        "peak_mb": _peak_mb(),
    }
    with tempfile.TemporaryDirectory() as folder:
        try:
            from qc.report import write_report

            write_report(result, Path(folder), stills=True)
        except Exception as error:
            # What is being timed here is measuring; the parent tells.
            return figures | {"no_report": repr(error)}
        figures["report_s"] = time.perf_counter() - last
    return figures | {"report_peak_mb": _peak_mb()}


class _Stopwatch:
    """Processor time by name; what runs inside another name is not counted twice."""

    def __init__(self) -> None:
        self.total: defaultdict[str, float] = defaultdict(float)
        self._inner: list[float] = []

    def __call__(self, name: str, work: Callable[..., Any], *given: Any) -> Any:
        start = time.process_time()
        self._inner.append(0.0)
        try:
            return work(*given)
        finally:
            took = time.process_time() - start
            self.total[name] += took - self._inner.pop()
            if self._inner:
                self._inner[-1] += took


class _TimedReader:
    def __init__(self, name: str, reader: Any, watch: _Stopwatch) -> None:
        self._name, self._reader, self._watch = name, reader, watch

    def read(self, item: Any) -> Any:
        return self._watch(self._name, self._reader.read, item)

    def finish(self) -> Any:
        return self._reader.finish()


def _profile(task: Figures) -> Figures:
    import qc.pipeline
    from qc.measures import all_measures
    from qc.records import Picture

    limits, watch, last = _limits(task), _Stopwatch(), math.nan

    def starter(measure: Any) -> Callable[..., _TimedReader]:
        name = f"measure {measure.name}"
        return lambda *given: _TimedReader(name, measure.start(*given), watch)

    measures = tuple(replace(m, start=starter(m)) for m in all_measures())
    pipeline: Any = qc.pipeline
    pipeline.all_measures = lambda: measures
    timed: dict[Callable[[Picture], Any], Callable[[Picture], Any]] = {}
    plain = Picture.view

    def view(picture: Picture, compute: Callable[[Picture], Any]) -> Any:
        if compute not in timed:
            name = f"view {compute.__name__}"
            timed[compute] = lambda p: watch(name, compute, p)
        return plain(picture, timed[compute])

    Picture.view = view  # type: ignore[method-assign, assignment]

    def tell(*_: object) -> None:
        nonlocal last
        last = time.process_time()

    start = time.process_time()
    result = _check(task, limits=limits, progress=tell)
    end = time.process_time()
    if not watch.total:
        raise SystemExit("no measure was timed: the pipeline asks others than these")
    frames = result.coverage.frames_read
    parts = {name: 1e3 * s / frames for name, s in sorted(watch.total.items())}
    known = sum(watch.total.values())
    return {
        "frames": frames,
        "parts_ms": parts,
        "rest_ms": 1e3 * (last - start - known) / frames,
        "tail_ms": 1e3 * (end - last) / frames,
    }


def _yardstick(task: Figures) -> Figures:
    from yardsticks import YARDSTICKS

    return _timed(lambda: YARDSTICKS[task["yardstick"]](task["path"], task["threads"]))


_WORK = {
    "bare": _bare,
    "full": _full,
    "report": _report,
    "profile": _profile,
    "yardstick": _yardstick,
}
# Named here too, so that the process that asks imports nothing heavy.
_YARDSTICKS = ("plain OpenCV loop", "FFmpeg's statistics filters")


# ---------------------------------------------------------------- the process that asks


def _python(script: Path, *arguments: str) -> Figures:
    """Run a script in a fresh process; what its last line of output says."""
    # Measured is the code beside this file, installed or not.
    paths = [str(_HERE.parents[2]), os.environ.get("PYTHONPATH", "")]
    done = subprocess.run(
        [sys.executable, str(script), *arguments],
        capture_output=True,
        text=True,
        # One thread for matrices, as the command has it.
        env={"OPENBLAS_NUM_THREADS": "1"}
        | os.environ
        | {"PYTHONPATH": os.pathsep.join(filter(None, paths))},
        check=False,
    )
    if done.returncode:
        raise SystemExit(f"{script.name} {arguments[0]}: {done.stderr.strip()}")
    answer: Figures = json.loads(done.stdout.splitlines()[-1])
    return answer


def _run(mode: str, clip: Figures, threads: int) -> Figures:
    task = {"mode": mode, "threads": threads} | clip
    return _python(_HERE, "--worker", json.dumps(task))


def _clips(given: argparse.Namespace, *, times: int = 1) -> list[Figures]:
    made = _python(
        _HERE.with_name("clips.py"),
        str(given.cache),
        *("--clips", *given.clips),
        *("--seconds", str(given.seconds)),
        *("--size", given.size),
        *("--times", str(times)),
    )
    return [clip | {"neutral": made["neutral"]} for clip in made["clips"]]


def _spread(values: Iterable[float]) -> Figures:
    known = list(values)
    middle = statistics.median(known)
    return {"median": middle, "low": min(known), "high": max(known), "all": known}


def _time_clip(clip: Figures, given: argparse.Namespace) -> Figures:
    print(f"{clip['label']} ...", file=sys.stderr, flush=True)
    bare, full = [], []
    names = () if given.ratio_only else _YARDSTICKS
    others: dict[str, list[Figures]] = {name: [] for name in names}
    for _ in range(given.runs):
        bare.append(_run("bare", clip, given.threads))
        full.append(_run("full", clip, given.threads))
        for name, runs in others.items():
            task = clip | {"yardstick": name}
            runs.append(_run("yardstick", task, given.threads))
    every = [*bare, *full, *(run for runs in others.values() for run in runs)]
    frames = {run["frames"] for run in every}
    if len(frames) != 1:
        raise SystemExit(f"{clip['name']}: not the same frames each run: {frames}")
    (count,) = frames
    pairs = list(zip(bare, full, strict=True))
    size = Path(clip["path"]).stat().st_size
    figures = {
        "name": clip["name"],
        "label": clip["label"],
        "frames": count,
        "compiled": all(run["compiled"] for run in full),
        "megabits": 8e-6 * size / given.seconds,
        "bare_fps": _spread(count / r["wall_s"] for r in bare),
        "full_fps": _spread(count / r["wall_s"] for r in full),
        "wall_ratio": _spread(f["wall_s"] / b["wall_s"] for b, f in pairs),
        "bare_cpu_ms": _spread(1e3 * r["cpu_s"] / count for r in bare),
        "full_cpu_ms": _spread(1e3 * r["cpu_s"] / count for r in full),
        "cpu_ratio": _spread(f["cpu_s"] / b["cpu_s"] for b, f in pairs),
        "bare_peak_mb": _spread(r["peak_mb"] for r in bare),
        "full_peak_mb": _spread(r["peak_mb"] for r in full),
    }
    if not given.ratio_only:
        figures["yardsticks_cpu_ms"] = {
            name: _spread(1e3 * r["cpu_s"] / count for r in runs)
            for name, runs in others.items()
        }
        figures |= _costs(clip, given.threads, frames=count)
    return figures


def _costs(clip: Figures, threads: int, *, frames: int) -> Figures:
    """Return what comes after the last frame, and each measure's and view's share."""
    after = _run("report", clip, threads)
    if "no_report" in after:
        print(f"the report was not written: {after['no_report']}", file=sys.stderr)
    profile = _run("profile", clip, 1)
    alone = 1e3 * _run("bare", clip, 1)["cpu_s"] / frames
    parts = {_DECODING: alone, _REST: profile["rest_ms"] - alone}
    parts |= profile["parts_ms"] | {_TAIL: profile["tail_ms"]}
    kept = ("judged_s", "report_s", "report_peak_mb")
    return {k: after[k] for k in kept if k in after} | {"parts_cpu_ms": parts}


def _table(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for first, *others in rows:
        cells = [first.ljust(widths[0])]
        cells += [c.rjust(w) for c, w in zip(others, widths[1:], strict=True)]
        lines.append("  ".join(cells))
    return "\n".join(lines)


def _range(figures: Figures, decimals: int) -> str:
    low, high = (f"{figures[k]:.{decimals}f}" for k in ("low", "high"))
    return f"{figures['median']:.{decimals}f} ({low}–{high})"


def _seconds(figures: Figures, name: str) -> str:
    return f"{figures[name]:.2f}" if name in figures else "–"


def _speed_table(clips: Sequence[Figures]) -> str:
    head = ["clip", "Mbit/s", "bare fps", "full fps", "wall ratio", "bare CPU ms"]
    head += ["full CPU ms", "CPU ratio", "peak MB", "judged s", "report s"]
    rows = [head]
    for c in clips:
        rows.append(
            [
                c["label"],
                f"{c['megabits']:.0f}",
                f"{c['bare_fps']['median']:.1f}",
                f"{c['full_fps']['median']:.1f}",
                _range(c["wall_ratio"], 2),
                _range(c["bare_cpu_ms"], 1),
                _range(c["full_cpu_ms"], 1),
                _range(c["cpu_ratio"], 2),
                f"{max(c['full_peak_mb']['high'], c.get('report_peak_mb', 0.0)):.0f}",
                _seconds(c, "judged_s"),
                _seconds(c, "report_s"),
            ]
        )
    return _table(rows)


def _parts_table(clips: Sequence[Figures]) -> str:
    order = dict.fromkeys(name for c in clips for name in c["parts_cpu_ms"])
    rows = [["CPU ms a frame", *(c["name"] for c in clips)]]
    for name in order:
        values = (c["parts_cpu_ms"].get(name) for c in clips)
        rows.append([name, *("–" if v is None else f"{v:.2f}" for v in values)])
    whole = (sum(c["parts_cpu_ms"].values()) for c in clips)
    rows.append(["together", *(f"{v:.2f}" for v in whole)])
    return _table(rows)


def _yardstick_table(clips: Sequence[Figures]) -> str:
    rows = [["CPU ms a frame, decoding included", *(c["name"] for c in clips)]]
    for name in _YARDSTICKS:
        cells = (_range(c["yardsticks_cpu_ms"][name], 1) for c in clips)
        rows.append([name, *cells])
    for name, key in (("bare decoding", "bare"), ("the full check", "full")):
        rows.append([name, *(_range(c[f"{key}_cpu_ms"], 1) for c in clips)])
    return _table(rows)


def _load() -> float:
    return os.getloadavg()[0] if hasattr(os, "getloadavg") else math.nan


def _length_check(given: argparse.Namespace) -> Figures:
    """Return peak memory for each clip and for one of the same, six times as long."""
    lengths = {1: f"{given.seconds} s", _LONGER: f"{_LONGER * given.seconds} s"}
    reports = (f"report {length}" for length in lengths.values())
    rows = [["peak MB", *lengths.values(), "more", *reports]]
    out: Figures = {}
    pairs = zip(_clips(given), _clips(given, times=_LONGER), strict=True)
    for clips in pairs:
        label, name = clips[0]["label"], clips[0]["name"]
        print(f"{label} ...", file=sys.stderr, flush=True)
        runs = [_run("report", clip, given.threads) for clip in clips]
        if runs[1]["frames"] != _LONGER * runs[0]["frames"]:
            raise SystemExit(f"{name}: the long clip has lost frames")
        check = [run["peak_mb"] for run in runs]
        report = [run.get("report_peak_mb", math.nan) for run in runs]
        cells = [*check, check[1] - check[0], *report]
        rows.append([label, *(f"{mb:.0f}" for mb in cells)])
        out[name] = {"check_mb": check, "report_mb": report}
    print(_table(rows))
    return out


def _noise(clips: Sequence[Figures]) -> str:
    bare = [c["bare_cpu_ms"] for c in clips]
    widest = max(100 * (b["high"] / b["low"] - 1) for b in bare)
    return f"bare decoding's CPU time varied by up to {widest:.0f} % from run to run"


def _size(text: str) -> str:
    width, _, height = text.partition("x")
    if not (width.isdigit() and height.isdigit()):
        raise argparse.ArgumentTypeError(f"{text!r} is not like 1920x1080")
    if int(width) % 4 or int(height) % 4 or min(int(width), int(height)) < 160:
        raise argparse.ArgumentTypeError(f"{text}: take multiples of 4, at least 160")
    return text


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add("--seconds", type=int, default=10, help="length of a clip (default: 10)")
    add("--size", type=_size, default="1920x1080", help="pixels (default: 1920x1080)")
    add("--runs", type=int, default=5, help="pairs of runs (default: 5)")
    add("--threads", type=int, default=0, help="decoder threads; 0: all there are")
    add("--clips", nargs="+", default=["h264", "intra", "prores"], metavar="NAME")
    add("--json", type=Path, metavar="FILE", help="also write everything there")
    add(
        "--cache",
        type=Path,
        default=Path(tempfile.gettempdir()) / "qc-bench",
        help="folder that keeps the clips",
    )
    add("--ratio-only", action="store_true", help="leave out what each measure costs")
    add("--length-check", action="store_true", help="only: is memory flat in length?")
    add("--worker", type=json.loads, help=argparse.SUPPRESS)
    return parser


def main(arguments: Sequence[str] | None = None) -> None:
    """Make clips, time them, print the tables."""
    given = _parser().parse_args(arguments)
    if given.worker is not None:
        print(json.dumps(_WORK[given.worker["mode"]](given.worker)))
        return
    before = _load()
    figures: Figures = {
        "seconds": given.seconds,
        "size": given.size,
        "threads": given.threads,
        "cores": os.cpu_count(),
        "machine": f"{platform.system()} {platform.machine()}",
    }
    if given.length_check:
        figures["length"] = _length_check(given)
    else:
        print(
            f"{given.size} at 50 frames/s, {given.seconds} s a clip, {given.runs} "
            f"pairs of runs, {figures['cores']} cores; median (lowest–highest)\n"
        )
        figures["clips"] = clips = [_time_clip(c, given) for c in _clips(given)]
        print(_speed_table(clips), "", sep="\n")
        if not given.ratio_only:
            print(_yardstick_table(clips), "", sep="\n")
            print(_parts_table(clips), "", sep="\n")
        whether = "" if all(c["compiled"] for c in clips) else "not "
        print(f"the passes over planes are {whether}compiled here")
        print(_noise(clips))
    figures["load_average"] = [before, _load()]
    print(f"load average {before:.1f} at the start, {_load():.1f} at the end")
    if given.json is not None:
        given.json.write_text(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
