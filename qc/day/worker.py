"""Measuring one take of a day, wherever it runs, and what is kept of it."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import os
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import qc
from qc.day.kept import whole
from qc.daybook import DayTake, Job
from qc.errors import QCError
from qc.limits import Limits
from qc.measures import all_measures, all_options
from qc.media import probe
from qc.patchsize import fitted
from qc.pipeline import check_take
from qc.records import Grade, Readings, TakeFailure, TakeInfo, TakeResult
from qc.report import REPORT_FILES, same_take, write_report
from qc.report.folder import Belongs, existing_folder, place
from qc.report.handover import failure_document, json_bytes, plain
from qc.report.unjudged import is_too_short

__all__ = ["guarded", "job_key", "kept_take", "measure_job", "write_pulse"]

RESULT = "result.json"
STRIP_BINS = 48
_POSTER_WIDTH = 192
_PULSE_EVERY_S = 0.5
# Exit codes of a worker that ends itself; its take alone is given up.
EXIT_MEMORY = 87
EXIT_ORPHAN = 88

# Failures that the file itself is the cause of; others are tried again next time.
_LASTING_STAGES = ("open", "decode", "measure")


def job_key(
    size: int, mtime_ns: int, limits: Limits, *, stills: bool, video: int | None
) -> str:
    """Return a mark of everything that a take's result depends on."""
    told = {
        "file": [size, mtime_ns],
        # Settings of the day itself change no take.
        "limits": {k: plain(v) for k, v in limits.items() if not k.startswith("day.")},
        "stills": stills,
        "video": video,
        "tool": qc.__version__,
        "measures": {m.name: m.version for m in all_measures()},
    }
    text = json.dumps(told, sort_keys=True).encode()
    return hashlib.blake2b(text, digest_size=16).hexdigest()


def kept_take(out: Path, folder: str, *, name: str, key: str) -> DayTake | None:
    """Return what an earlier run kept of a take, if it still holds."""
    kept = _kept_in(out / folder, name, key)
    if kept is None and (out / folder).is_dir():
        # Where something else lay under that name, the report went beside it.
        beside = existing_folder(
            out, folder, belongs=lambda told: _is(told, name), document=RESULT
        )
        if beside is not None and beside.name != folder:
            kept = _kept_in(beside, name, key)
    return kept


def _kept_in(home: Path, name: str, key: str) -> DayTake | None:
    try:
        document = json.loads((home / RESULT).read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    # Other hands or a broken disk may have been there: it is measured again then.
    if not whole(document):
        return None
    grade = Grade(document["grade"])
    if not _is(document, name) or document["day"].get("key") != key:
        return None
    report = (home / "report.html").is_file()
    if grade is not Grade.UNREADABLE and not report:
        return None
    return DayTake(name, grade, document, home.name if report else None, fresh=False)


def measure_job(job: Job) -> DayTake:
    """Measure a take, write its report and return what the day needs of it.

    Returns
    -------
    DayTake
        Also for a take that cannot be measured; nothing of the file's is raised.
    """
    pulse = _Pulse(job)
    limits, note = _limits_that_fit(job)
    result = check_take(
        job.path,
        limits=limits,
        video=job.video,
        threads=job.threads,
        progress=pulse,
    )
    if isinstance(result, TakeResult):
        pulse.phase("report")
        if note:
            result = replace(result, notes=(note, *result.notes))
        extra = _kept(job, result)
        try:
            folder = write_report(
                result,
                job.out,
                stills=job.stills,
                name=job.folder,
                shown_name=job.name,
                belongs=_may_replace(job, result.info),
                extra={"day": extra},
            )
        except QCError as error:
            result = TakeFailure(job.path, "report", f"{plain(job.name)}: {error}")
        else:
            document = json.loads((folder / RESULT).read_bytes())
            return DayTake(job.name, result.grade, document, folder.name)
    return _failed(job, result)


def _limits_that_fit(job: Job) -> tuple[Limits, str]:
    """Return a take's limits, without a patch outside its picture, and a note.

    A day has takes of several sizes: a patch given for one must not keep the others
    from being measured.
    """
    if job.limits["white.neutral"] is None:
        return job.limits, ""
    try:
        info = probe(job.path, video=job.video)
    except QCError:
        return job.limits, ""  # told where it is measured
    try:
        limits, note = fitted(job.limits, info)
    except QCError:
        drawn = "x".join(map(str, job.limits["white.neutral_size"]))
        return _without_patch(
            job, info, f"was drawn for {drawn}, which has another shape than"
        )
    x, y, w, h = limits["white.neutral"]
    track = info.video
    if track is None or (x + w <= track.width and y + h <= track.height):
        return limits, note
    return _without_patch(job, info, "lies outside")


def _without_patch(job: Job, info: TakeInfo, why: str) -> tuple[Limits, str]:
    options = {o.key: o for o in all_options()}
    patch, track = job.limits["white.neutral"], info.video
    size = "" if track is None else f" of {track.width}x{track.height}"
    key = "white.neutral"
    return job.limits.with_values(
        options.values(), {key: options[key].default}, source="this take"
    ), (
        f"The neutral patch {','.join(map(str, patch))} {why} this picture{size}: it "
        "was not used, a white was looked for instead."
    )


def _is(document: Mapping[str, Any], name: str) -> bool:
    day = document.get("day")
    return isinstance(day, dict) and day.get("name") == plain(name)


def _may_replace(job: Job, info: TakeInfo) -> Belongs:
    """Return which reports give way to a job's: the day's own of that take.

    So does one that was written of the recording alone, in the same place meanwhile.
    """
    same = same_take(info)
    return lambda told: _is(told, job.name) or ("day" not in told and same(told))


def _failed(job: Job, failure: TakeFailure) -> DayTake:
    document: dict[str, Any] = failure_document(failure) | {
        "day": {"name": plain(job.name), "key": job.key}
    }
    if failure.stage in _LASTING_STAGES and _still_there(job):
        data = json_bytes(document)
        # If it cannot be kept either, it is only tried again next time.
        with suppress(QCError):
            place(
                job.out,
                job.folder,
                {RESULT: lambda file: _write(file, data)},
                belongs=lambda told: _is(told, job.name),
                source=job.path,
                all_names=REPORT_FILES,
            )
    return DayTake(job.name, Grade.UNREADABLE, document, None)


def _still_there(job: Job) -> bool:
    """Tell whether the file is the one that was to be measured.

    A card that was taken out for a moment must not be told of for good.
    """
    try:
        facts = job.path.stat(follow_symlinks=False)
    except OSError:
        return False
    size, time_ns = facts.st_size, facts.st_mtime_ns
    return job.key == job_key(
        size, time_ns, job.limits, stills=job.stills, video=job.video
    )


def _write(file: Any, data: bytes) -> None:
    file.write(data)


def failed_take(job: Job, message: str) -> DayTake:
    """Return a take that was given up from outside: stalled, too large, crashed."""
    failure = TakeFailure(job.path, "worker", message)
    return _failed(job, failure)


# ------------------------------------------------------------------ what is kept


def _kept(job: Job, result: TakeResult) -> dict[str, Any]:
    metadata = {
        key.lower(): value
        for key, value in result.info.metadata.items()
        if key.lower() in _TELLING
    }
    return {
        "name": plain(job.name),
        "key": job.key,
        "content": content_mark(result),
        "metadata": plain(metadata),
        "created": result.info.metadata.get("creation_time"),
        "mtime_ns": job.path.stat().st_mtime_ns,
        "poster": _poster(result) if job.stills else None,
        "strips": strips(result),
        "too_short": is_too_short(result),
    }


# What cameras write of themselves, by the names containers use.
_TELLING = frozenset((
    "make", "model", "com.apple.quicktime.make", "com.apple.quicktime.model",
    "com.android.manufacturer", "com.android.model", "device_manufacturer",
    "device_model", "device_serial_no", "camera_id", "camera_index", "reel_name",
    "reel", "material_package_name", "encoder", "originator", "company_name",
    "product_name",
))  # fmt: skip


def content_mark(result: TakeResult) -> str | None:
    """Return a mark of the decoded content, the same whatever wraps or names it.

    Readings of every frame come from the decoded pictures alone, so that a re-wrapped
    copy gives the same to the last bit. Sound counts only in a take without pictures:
    containers differ in how they cut its first and last moments.
    """
    digest = hashlib.blake2b(digest_size=16)
    if result.picture is not None and result.picture.rows:
        for column in ("exposure.mean_percent", "focus.laplacian_variance"):
            digest.update(np.ascontiguousarray(result.picture[column]).tobytes())
        return digest.hexdigest()
    for readings in result.sound:
        peaks = readings["peaks.sample_peak_dbfs"]
        digest.update(np.ascontiguousarray(peaks).tobytes())
    return digest.hexdigest() if result.sound else None


def strips(result: TakeResult) -> dict[str, list[float | None] | None]:
    """Return the take in a few numbers a measure, for tiny charts."""
    out: dict[str, list[float | None] | None] = {
        "exposure": None,
        "highlights": None,
        "focus": None,
        "sound": None,
    }
    picture = result.picture
    if picture is not None and picture.rows:
        out["exposure"] = _binned(
            picture, picture["exposure.p50_percent"], np.nanmedian
        )
        out["highlights"] = _binned(
            picture, picture["highlights.relevant_percent"], np.nanmax
        )
        out["focus"] = _binned(picture, picture["focus.relative_percent"], np.nanmin)
    loudest: NDArray[np.floating] | None = None
    for readings in result.sound:
        if readings.rows:
            peaks = np.fmax.reduce(readings["peaks.true_peak_dbtp"], axis=1)
            n = len(peaks) if loudest is None else min(len(peaks), len(loudest))
            loudest = peaks if loudest is None else np.fmax(peaks[:n], loudest[:n])
            out["sound"] = _binned(readings, loudest, np.nanmax)
    return out


def _binned(
    readings: Readings, values: NDArray[np.floating], fold: Any
) -> list[float | None]:
    edges = np.linspace(0, len(values), STRIP_BINS + 1).astype(int)
    out: list[float | None] = []
    for a, b in pairwise(edges):
        part = values[a : max(b, a + 1)]
        part = part[np.isfinite(part)]
        out.append(round(float(fold(part)), 2) if part.size else None)
    return out


def _poster(result: TakeResult) -> str | None:
    """Return a small JPEG of a good moment, as base64; None without a picture."""
    info, picture = result.info, result.picture
    if info.video is None or picture is None or not picture.rows:
        return None
    import cv2

    from qc.media import stills_at
    from qc.report.viewing import View, for_screen

    best = result.usable[0] if result.usable else None
    moment = (best.start + best.end) / 2 if best else result.duration / 2
    tick = round(moment / info.video.time_base)
    row = int(
        np.clip(np.searchsorted(picture.edges, tick, "right") - 1, 0, picture.rows - 1)
    )
    for _, still in stills_at(info, [int(picture.edges[row])]):
        size = (still.picture.width, still.picture.height)
        view = View.of(info.video, size, _POSTER_WIDTH)
        rgb = for_screen(view.picture(still.rgb), info.video.signal)
        ok, data = cv2.imencode(
            ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 70]
        )
        if ok:
            return base64.b64encode(data.tobytes()).decode("ascii")
    return None


# ------------------------------------------------------------------ signs of life


def write_pulse(path: Path, told: Mapping[str, object]) -> None:
    """Write how far a worker is; a reader sees the old or the new, never half."""
    part = path.with_name(f"{path.name}.{os.getpid()}")
    with suppress(OSError):
        part.write_text(json.dumps(dict(told)), encoding="utf-8")
        part.replace(path)


class _Pulse:
    """Progress of a take as a file that the day's run looks at."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._last = -math.inf
        self._told: dict[str, object] = {"pid": os.getpid(), "name": plain(job.name)}
        self.phase("open")

    def phase(self, name: str) -> None:
        self._told["phase"] = name
        write_pulse(self._job.pulse, self._told)

    def __call__(self, info: TakeInfo, position: Fraction) -> None:
        now = time.monotonic()
        if now - self._last < _PULSE_EVERY_S:
            return
        self._last = now
        self._told |= {
            "phase": "measure",
            "position": float(position),
            "length": None if info.duration is None else float(info.duration),
        }
        write_pulse(self._job.pulse, self._told)


def guarded(measure: Callable[[Job], DayTake], job: Job) -> DayTake:
    """Measure in a process of our own, which ends itself before it does harm."""
    stop = threading.Event()
    guard = threading.Thread(
        target=_guard, args=(job, os.getppid(), stop), daemon=True, name="qc-guard"
    )
    guard.start()
    try:
        return measure(job)
    finally:
        stop.set()


def _guard(job: Job, parent: int, stop: threading.Event) -> None:
    ceiling = job.memory_mb * 1_000_000
    while not stop.wait(0.2):
        if _resident_bytes() > ceiling:
            write_pulse(job.pulse, {"pid": os.getpid(), "phase": "memory"})
            os._exit(EXIT_MEMORY)
        if os.getppid() != parent:
            # The run was killed: nobody wants this take now.
            os._exit(EXIT_ORPHAN)


def _resident_bytes() -> int:
    """Return the memory this process holds; 0 where the system does not say."""
    try:
        with Path("/proc/self/statm").open("rb") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, AttributeError):
        return 0
