"""One take in bounded time: look, judge, and say honestly what was looked at."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Literal

from qc.errors import DecodeError, QCError
from qc.judge import advice_from, grade_of, once_for_all
from qc.limits import Limits
from qc.measures import all_measures, default_limits, rule_labels
from qc.measures.base import Measured
from qc.measures.damage import picture_lost
from qc.measures.parts.sound.soundlines import with_names
from qc.media import marks, probe
from qc.media.windows import can_seek, found_length
from qc.patchsize import fitted, noted
from qc.pipeline import Progress, judge_measured
from qc.records import (
    Coverage,
    SpotCoverage,
    TakeFailure,
    TakeInfo,
    TakeResult,
)
from qc.spot.joined import findings_of, joined_picture, joined_sound, summary_of
from qc.spot.look import Looking
from qc.spot.needs import needs_of, not_judged, unmeasured
from qc.spot.piece import Piece, PieceMaker, Whole
from qc.spot.promise import frames_seen, promise, seconds_heard
from qc.timecode import clock as spoken

__all__ = ["spot_take"]

# Seconds of one processor that judging, a report without pictures and the end of the
# program take, and each picture in it: the second for every million of pixels; house
# choices after measuring (0.15 to 0.2, 0.15 at 1280 x 720 and 0.35 at 1920 x 1080).
_REPORT_S = 0.3
_STILL_S, _STILL_S_MILLION = 0.08, 0.14
# Of the time, the report may take up at most this share, and its pictures this.
_MOST_FOR_REPORT, _MOST_FOR_STILLS = 0.4, 0.15
# Of the time, this is kept besides.
_SPARE = 0.03
# Up to so many times as long a report may take while other programs run.
_SLOWEST = 6.0
_MOST_STILLS = 4
# What may be only because a file is not complete yet, and how near its end: recorders
# write picture and sound in turns of up to a second.
_OF_THE_END = ("file.damaged", "file.length")
_END_S = 1


@dataclass(frozen=True, slots=True)
class _Looked:
    """What looking gave."""

    reading: Literal["windows", "from the start"]
    pieces: list[Piece]
    weights: tuple[float, ...]
    window: float
    notes: tuple[str, ...] = ()


def spot_take(
    path: Path | str,
    *,
    within: float = 20.0,
    limits: Limits | None = None,
    video: int | None = None,
    threads: int = 0,
    began: float | None = None,
    stills: bool = True,
    progress: Progress | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> TakeResult | TakeFailure:
    """Look at as much of a recording as time allows, and judge it as far as seen.

    Parameters
    ----------
    path : path
        The recording; opened read-only.
    within : float
        Seconds from `began` until the report should be written.
    limits, video, threads, progress
        As `qc.check_take` takes them.
    began : float, optional
        When time began to count, as `clock` tells it; now, if left out.
    stills : bool
        Whether time is kept for pictures in the report.
    clock : function
        Tells the time now, in seconds.

    Returns
    -------
    TakeResult or TakeFailure
        Its ``coverage.spot`` says what was looked at, and what follows for the rest.
        A recording that cannot be read is a failure, not an exception.
    """
    path = Path(path)
    began = clock() if began is None else began
    limits = default_limits() if limits is None else limits
    try:
        info = with_names(probe(path, video=video), limits)
        info = replace(info, marks=marks(path))
        limits, note = fitted(limits, info)
        spot = _Spot(info, limits, within, began, threads, stills, progress, clock)
        return _as_far_as_it_was(noted(spot.result(), note))
    except DecodeError as error:
        return TakeFailure(path, "decode", str(error))
    except QCError as error:
        return TakeFailure(path, "measure", str(error))
    except MemoryError:
        return TakeFailure(
            path, "measure", f"{path}: not enough memory to measure this take"
        )
    except OSError as error:
        return TakeFailure(
            path,
            "worker",
            f"{path}: could not be looked at: {error.strerror or error}; check that "
            "the card is in and that the disk has room for temporary files",
        )
    except Exception as error:
        # A mistake of ours must not cost the other takes of the same call.
        if os.environ.get("QC_DEBUG"):
            raise
        return TakeFailure(
            path,
            "measure",
            f"{path}: could not be looked at because of a fault in this program "
            f"({type(error).__name__}: {error}); please report it",
        )


def _as_far_as_it_was(result: TakeResult) -> TakeResult:
    """Return a result without what only says that its file is still being written.

    That a file ends before the length it announces is no damage while it grows.
    """
    info = result.info
    now = info.path.stat().st_size
    if now <= info.bytes:
        return result
    end = result.duration - _END_S
    findings = tuple(
        f for f in result.findings if f.rule not in _OF_THE_END or f.end < end
    )
    told = (
        "The file grew while it was looked at: it is still being written or copied. "
        "What was there counts as the take, and of damage nothing is said for its end; "
        "look again when it is complete."
    )
    return replace(
        result,
        findings=findings,
        grade=grade_of(findings),
        advice=advice_from(findings, label=info.grid.label, names=rule_labels()),
        notes=(told, *result.notes),
    )


class _Spot:
    """One spot check."""

    def __init__(
        self,
        info: TakeInfo,
        limits: Limits,
        within: float,
        began: float,
        threads: int,
        stills: bool,
        progress: Progress | None,
        clock: Callable[[], float],
    ) -> None:
        self._clock = clock
        self._wall, self._busy = time.monotonic(), time.process_time()
        self._info, self._limits = info, limits
        self._within, self._began, self._threads = within, began, threads
        self._stills, self._progress = stills, progress
        self._needs = needs_of(all_measures(), limits, info)
        self._maker = PieceMaker(
            info, limits, judged=set(self._needs), threads=threads, clock=clock
        )

    def result(self) -> TakeResult:
        """Look and judge."""
        looked = self._look()
        if isinstance(looked, Whole):
            return self._as_spot(looked)
        return self._judged(looked)

    # ------------------------------------------------------------------------- looking

    def _until(self, pieces: list[Piece]) -> float:
        """Return when to stop: what was found decides how long the report takes."""
        return self._began + self._within - self._for_report(pieces)

    def _for_report(self, pieces: list[Piece]) -> float:
        slow, within = self._slowness(), self._within
        kinds = {k for p in pieces for k in p.rules}
        pictures = min(len(kinds) + 1, _MOST_STILLS) if self._stills else 0
        stills = min(self._still_s() * pictures * slow, _MOST_FOR_STILLS * within)
        wanted = _REPORT_S * slow + stills + _SPARE * within
        return min(wanted, _MOST_FOR_REPORT * within)

    def _still_s(self) -> float:
        """Return how long a picture in the report takes one processor."""
        video = self._info.video
        pixels = 0 if video is None else video.width * video.height
        return _STILL_S + _STILL_S_MILLION * pixels / 1e6

    def _slowness(self) -> float:
        """Return how much longer things take while others use this machine."""
        if self._clock is not time.monotonic:
            return 1.0
        wall = time.monotonic() - self._wall
        busy = time.process_time() - self._busy
        if wall < 1.0:
            return 2.0
        return min(max(1.0, wall / max(busy, 0.01)), _SLOWEST)

    def _as_spot(self, whole: Whole) -> TakeResult:
        """Judge a take that was read to its end as the full check does."""
        # The pipeline's own judging, so that nothing is told otherwise.
        result = judge_measured(
            whole.measured, all_measures(), whole.coverage, self._wall
        )
        length = float(result.duration)
        spot = SpotCoverage(
            within_s=self._within,
            reading="everything",
            windows=((0.0, length),),
            by_chance=0,
            window_s=0.0,
            frames_share_percent=100.0 if self._info.video is not None else None,
            sound_share_percent=100.0 if self._info.audio else None,
            longest_unseen_s=0.0,
            bytes_read=self._info.bytes,
            stills=self._stills_left(),
        )
        return replace(
            result,
            coverage=replace(
                result.coverage, elapsed_s=self._clock() - self._began, spot=spot
            ),
        )

    def _look(self) -> _Looked | Whole:
        info = self._info
        notes: list[str] = []
        if not info.duration:
            info = self._info = self._with_length(info, notes)
        if not can_seek(info):
            why = (
                "The file does not say how long it is"
                if not info.duration
                else "The file does not say when each frame is shown"
            )
            return self._from_start(f"{why}: it was read from its start.")
        length = float(info.duration or 0)
        looking = Looking(
            info,
            self._maker,
            length=length,
            until=self._until,
            told=self._tell(info),
            clock=self._clock,
        )
        whole = looking.straight(within=self._within)
        if whole is not None:
            return whole
        if not looking.windows():
            return self._from_start(
                "This file does not let one jump to a moment: it was read from its "
                "start."
            )
        if looking.length < length:
            self._info = replace(
                info, duration=Fraction(looking.length).limit_denominator(1_000_000)
            )
            notes.append(
                f"The file reaches to about {spoken(Fraction(looking.length))}, though "
                f"it announces {spoken(Fraction(length))}: it may be growing still, or "
                "have been cut short. What is there counts as the take."
            )
        elif looking.failures:
            notes.append(
                "Some moments could not be gone to, and others were looked at instead."
            )
        return _Looked(
            "windows",
            looking.pieces,
            looking.plan_weights,
            looking.window,
            tuple(notes),
        )

    def _with_length(self, info: TakeInfo, notes: list[str]) -> TakeInfo:
        """Return a take with its length, if that is to be found."""
        length = found_length(info)
        if length is None:
            return info
        notes.append(
            "The file does not say how long it is, and has no index: it may be growing "
            f"still, or have been cut short. Its end was looked for and found at about "
            f"{spoken(length)}; what is there counts as the take."
        )
        return replace(info, duration=length)

    def _tell(self, info: TakeInfo) -> Callable[[float], None] | None:
        progress = self._progress
        if progress is None:
            return None
        # Windows come from anywhere: what goes on steadily is the time.
        length = float(info.duration or 0)

        def told(_: float) -> None:
            share = (self._clock() - self._began) / self._within
            progress(info, Fraction(min(share, 1.0) * length).limit_denominator(1000))

        return told

    def _from_start(self, note: str) -> _Looked | Whole:
        until = self._until([])
        tell = self._tell(self._info)

        def go_on(position: float) -> bool:
            if tell is not None:
                tell(position)
            return self._clock() <= until

        read = self._maker.straight(go_on, until=until)
        if isinstance(read, Whole):
            return read
        if read is None:
            raise QCError(
                f"{self._info.path}: nothing of it could be looked at in time; "
                "give it more with --within"
            )
        return _Looked("from the start", [read], (), 0.0, (note,))

    # ------------------------------------------------------------------------- judging

    def _judged(self, looked: _Looked) -> TakeResult:
        info, pieces = self._info, looked.pieces
        if not pieces:
            raise QCError(
                f"{info.path}: nothing of it could be looked at in time; "
                "give it more with --within"
            )
        ends = [Fraction(p.end).limit_denominator(1_000_000) for p in pieces]
        duration = max(ends) if info.duration is None else info.duration
        picture = joined_picture(info, pieces, duration)
        sound = joined_sound(info, pieces, duration)
        findings = findings_of(pieces, picture)
        if info.picture_lost:
            # Whatever the pieces are, this holds for the take as a whole.
            heard = Measured(info, self._limits, None, sound, {})
            findings = (*picture_lost(heard), *findings)
        findings = once_for_all(findings)
        found = {f.rule for f in findings}
        clocks = [r for r in (picture, *sound) if r is not None]
        blind = unmeasured(all_measures(), clocks) - found
        needs = {r: s for r, s in self._needs.items() if r not in blind}
        rest = not_judged(all_measures(), info, self._needs) | {
            r: "could not be measured in what was seen"
            for r in self._needs
            if r in blind
        }
        spot = promise(
            info,
            pieces,
            reading=looked.reading,
            weights=looked.weights,
            window=looked.window,
            needs=needs,
            not_judged=rest,
            length=float(duration),
            within=self._within,
            found=found,
            heard_rules={
                r for m in all_measures() if m.clock == "sound" for r in m.rule_labels
            },
            sound=sound,
        )
        spot = replace(spot, stills=self._stills_left())
        return TakeResult(
            info=info,
            coverage=Coverage(
                mode="spot",
                frames_read=frames_seen(pieces),
                frames_expected=info.frames_expected,
                frames_damaged=sum(p.damaged for p in pieces),
                frames_missing=sum(p.missing for p in pieces),
                decode_errors=sum(p.errors for p in pieces),
                sound_read_s=seconds_heard(sound),
                elapsed_s=self._clock() - self._began,
                spot=spot,
            ),
            grade=grade_of(findings),
            findings=findings,
            usable=(),
            summary=summary_of(picture, sound),
            advice=advice_from(findings, label=info.grid.label, names=rule_labels()),
            notes=looked.notes,
            picture=picture,
            sound=sound,
            duration=duration,
            limits=self._limits,
        )

    def _stills_left(self) -> int:
        slow = self._slowness()
        left = self._began + self._within - self._clock() - _REPORT_S * slow
        most = int(left / (self._still_s() * slow))
        return max(0, min(_MOST_STILLS, most)) if self._stills else 0
