"""A day's folder: find the takes, measure what is new, and look at them together."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import time
import unicodedata
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import Executor, Future
from contextlib import closing, contextmanager
from pathlib import Path, PurePosixPath
from queue import SimpleQueue
from typing import Any, TypeAlias

from qc.day.advice import closed_advice
from qc.day.checks import camera_of, check_whole_day, day_advice, day_times
from qc.day.find import find_recordings, settle
from qc.day.run import LocalWorkers, ctrl_c_later
from qc.day.worker import job_key, kept_take, measure_job
from qc.daybook import DayResult, DayTake, Found, Job, Skipped
from qc.errors import ReportError, UsageError
from qc.limits import Limits
from qc.measures import default_limits
from qc.report.day_files import write_day
from qc.report.folder import check_writable, safe_name

__all__ = ["Told", "check_day", "day_folder", "watch_day"]

# Called when the takes are known, and after every take that is done.
Told: TypeAlias = Callable[[list[Job], int, DayTake | None], None]

_LOCK = ".day.lock"
_PULSES = ".day.running"


def day_folder(folder: Path, out: Path) -> Path:
    """Return where a day's reports go: a folder of its name under `out`."""
    try:
        name = folder.absolute().name
        if name == "..":
            name = folder.resolve().name
        return out.absolute() / safe_name(name or "day")
    except OSError as error:
        raise UsageError(
            f"{folder}: the folder that this was started in is gone; "
            "change to another one, and name the day's folder in full"
        ) from error


def check_day(
    folder: Path,
    *,
    out: Path = Path("reports"),
    limits: Limits | None = None,
    jobs: int = 0,
    fresh: bool = False,
    stills: bool = True,
    video: int | None = None,
    executor: Executor | None = None,
    told: Told | None = None,
) -> DayResult:
    """Measure every recording under a folder, and write a report of the day.

    Parameters
    ----------
    folder : Path
    out : Path
        The day's reports go to ``out/<folder's name>``.
    limits : Limits, optional
    jobs : int
        Takes at a time; 0: as many as there are cores.
    fresh : bool
        Measure everything again.
    stills : bool
        Whether reports hold pictures.
    video : int, optional
        Which picture stream to measure.
    executor : Executor, optional
        Where takes are measured: anything with the interface of `concurrent.futures`;
        worker processes of this machine if left out.
    told : function, optional
        Told of the jobs there are, how many takes are done, and each that gets done.

    Returns
    -------
    DayResult
        Where it is `empty`, nothing was written.

    Raises
    ------
    UsageError
        There is no such folder.
    ReportError
        The reports cannot be written, or another run is at work there.
    """
    began = time.monotonic()
    limits = default_limits() if limits is None else limits
    _check_folder(folder)
    home = day_folder(folder, out)
    check_writable(home)
    found, skipped = find_recordings(folder, reports=home)
    if not found and not any(s.lost for s in skipped):
        return DayResult(  # of no recordings there is no report
            folder.absolute(),
            home,
            (),
            tuple(skipped),
            (),
            (),
            time.monotonic() - began,
        )
    with _alone(home):
        resting, growing = settle(found, patience=limits["day.settle_seconds"])
        skipped += [_growing(f) for f in growing]
        takes, todo = _plan(
            resting, home, limits, fresh=fresh, stills=stills, video=video, jobs=jobs
        )
        if told is not None:
            told(todo, len(takes), None)
        # Closed: wherever Ctrl-C strikes, workers are let go before anything else.
        with closing(_measured(todo, executor, jobs, limits)) as measured:
            for take in measured:
                takes.append(take)
                if told is not None:
                    told(todo, len(takes), take)
        takes.sort(key=lambda t: t.name)
        findings = check_whole_day(takes, limits)
        result = DayResult(
            folder=folder.absolute(),
            out=home,
            takes=tuple(takes),
            skipped=tuple(sorted(skipped, key=lambda s: s.name)),
            findings=findings,
            advice=(*closed_advice(skipped), *day_advice(takes, findings)),
            elapsed_s=time.monotonic() - began,
            complete=not growing,
            times=day_times(takes),
            cameras={take.name: camera_of(take) for take in takes},
        )
        write_day(result, limits, stills=stills)
    return result


def watch_day(
    folder: Path,
    *,
    every_s: float = 5.0,
    gone: Callable[[], None] | None = None,
    **settings: Any,
) -> Iterator[DayResult]:
    """Check a day's folder again and again as recordings are copied into it.

    Parameters
    ----------
    folder : Path
    every_s : float
        Seconds between two looks at the folder.
    gone : function, optional
        Told when the folder is not there any more: a card was taken out, or a disk
        has dropped off. It is waited for.
    **settings
        As for `check_day`; ``fresh`` holds for the first time only.

    Yields
    ------
    DayResult
        After every round in which something was new. It goes on until the caller
        stops it.
    """
    seen: object = None
    _check_folder(folder)
    home = day_folder(folder, settings.get("out", Path("reports")))
    while True:
        if not folder.is_dir():
            if gone is not None:
                gone()
            while not folder.is_dir():
                time.sleep(every_s)
            seen = None  # what was being measured when it went is measured now
        found, _ = find_recordings(folder, reports=home)
        now = [(f.name, f.size, f.mtime_ns) for f in found]
        if now != seen:
            try:
                result = check_day(folder, **settings)
            except UsageError:
                if folder.is_dir():
                    raise
                continue  # gone since
            settings["fresh"] = False
            yield result
            # What was still growing is looked at again, even if it rests by now.
            seen = now if result.complete else None
        time.sleep(every_s)


def _growing(found: Found) -> Skipped:
    reason = "still being written; check the day again when it is complete"
    return Skipped(found.name, reason, lost=True, growing=True)


def _check_folder(folder: Path) -> None:
    try:
        facts = folder.stat()
    except (FileNotFoundError, NotADirectoryError) as error:
        raise UsageError(f"{folder}: no such folder; check the name") from error
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise UsageError(
            f"{folder}: cannot be opened: {why}; check the name, and that you may "
            "read the folders it lies in"
        ) from error
    if not stat.S_ISDIR(facts.st_mode):
        raise UsageError(
            f"{folder}: not a folder; check a single recording with 'qc take'"
        )


def _plan(
    found: list[Found],
    home: Path,
    limits: Limits,
    *,
    fresh: bool,
    stills: bool,
    video: int | None,
    jobs: int,
) -> tuple[list[DayTake], list[Job]]:
    """Return what earlier runs have kept, and what is left to measure."""
    cores = os.cpu_count() or 1
    threads = max(1, cores // (jobs or cores))
    kept: list[DayTake] = []
    todo: list[Job] = []
    for take, folder in zip(found, _folders([f.name for f in found]), strict=True):
        key = job_key(take.size, take.mtime_ns, limits, stills=stills, video=video)
        old = None if fresh else kept_take(home, folder, name=take.name, key=key)
        if old is not None:
            kept.append(old)
            continue
        todo.append(
            Job(
                path=take.path,
                name=take.name,
                out=home,
                folder=folder,
                key=key,
                pulse=home / _PULSES / f"{len(todo):06d}.json",
                limits=limits,
                stills=stills,
                video=video,
                threads=threads,
                memory_mb=limits["day.memory_mb"],
            )
        )
    # The longest first, so that no core is left with a long one at the end.
    sizes = {f.name: f.size for f in found}
    todo.sort(key=lambda job: (-sizes[job.name], job.name))
    return kept, todo


def _folders(names: list[str]) -> list[str]:
    """Return a report folder for each take, the same whatever order they come in.

    The stem where it is the only one of its name, else the whole name, with the
    folders it lies in.
    """

    def key(text: str) -> str:
        return unicodedata.normalize("NFC", safe_name(text)).casefold()

    paths = [PurePosixPath(n) for n in names]
    short = [" ".join([*p.parts[:-1], p.stem]) for p in paths]
    whole = [" ".join(p.parts) for p in paths]
    taken = Counter(key(s) for s in short)
    out = [s if taken[key(s)] == 1 else w for s, w in zip(short, whole, strict=True)]
    again = Counter(key(o) for o in out)
    return [
        # Names that differ only in case or accents' form get a mark of their own.
        safe_name(o if again[key(o)] == 1 else f"{o} {_mark(n)}")
        for o, n in zip(out, names, strict=True)
    ]


def _mark(name: str) -> str:
    return hashlib.blake2b(
        name.encode(errors="surrogatepass"), digest_size=3
    ).hexdigest()


def _measured(
    todo: list[Job], executor: Executor | None, jobs: int, limits: Limits
) -> Generator[DayTake, None, None]:
    if not todo:
        return
    pulses = todo[0].pulse.parent
    _clear(pulses)
    try:
        pulses.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ReportError(
            f"{pulses}: cannot be made: {error.strerror}; take away what lies there"
        ) from error
    own = executor is None
    workers = executor or LocalWorkers(
        jobs or os.cpu_count() or 1, stall_s=limits["day.stall_seconds"]
    )
    futures: dict[Future[DayTake], Job] = {}
    try:
        # As they end: a queue that Ctrl-C cannot leave locked, as it may a future.
        done: SimpleQueue[Future[DayTake]] = SimpleQueue()
        with ctrl_c_later():
            for job in todo:
                future = workers.submit(measure_job, job)
                futures[future] = job
                future.add_done_callback(done.put)
        for _ in todo:
            future = done.get()
            yield _taken(future, futures[future])
    except BaseException:
        for future in futures:
            future.cancel()
        if own:
            workers.shutdown(wait=True, cancel_futures=True)
        raise
    else:
        if own:
            workers.shutdown()
    finally:
        _clear(pulses)


def _clear(pulses: Path) -> None:
    """Remove a run's signs of life, whatever else has got in between."""
    if pulses.is_dir() and not pulses.is_symlink():
        shutil.rmtree(pulses, ignore_errors=True)


def _taken(future: Future[DayTake], job: Job) -> DayTake:
    from qc.day.worker import failed_take

    try:
        return future.result()
    except Exception as error:  # a worker far away may fail in its own ways
        return failed_take(
            job, f"{job.path}: its worker failed ({type(error).__name__}: {error})"
        )


@contextmanager
def _alone(home: Path) -> Iterator[None]:
    """Hold the day's report folder for this run; the system lets go if it is killed.

    Raises
    ------
    ReportError
        Another run holds it, or it cannot be made.
    """
    try:
        home.mkdir(parents=True, exist_ok=True)
        file = (home / _LOCK).open("a+b")
    except OSError as error:
        raise ReportError(
            f"{home}: cannot write reports there: {error.strerror}; "
            "name another folder with --out"
        ) from error
    with file:
        if not _locked(file.fileno()):
            raise ReportError(
                f"{home}: another run of 'qc day' is at work on this folder; "
                "wait until it has ended, or name another folder with --out"
            )
        yield


def _locked(descriptor: int) -> bool:
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
