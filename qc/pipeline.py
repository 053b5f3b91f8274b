"""One take: decode, measure, judge, report, in this order."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TypeAlias

from qc.errors import DecodeError, QCError
from qc.judge import advice_from, find, grade_of, once_for_all, usable_ranges
from qc.limits import Limits
from qc.measures import all_measures, default_limits, rule_labels
from qc.measures.base import (
    ROOMS,
    Measure,
    Measured,
    Setup,
)
from qc.measures.parts.sound.soundlines import with_names
from qc.media import TakeReader, probe
from qc.patchsize import fitted, noted
from qc.records import (
    Coverage,
    Picture,
    TakeFailure,
    TakeInfo,
    TakeResult,
)
from qc.rows import (
    PictureRows,
    SoundRows,
    add_derived,
    one_opencv_thread,
    sound_totals,
)

__all__ = ["Progress", "all_of", "check_take", "judge_measured", "measure_take"]

Progress: TypeAlias = Callable[[TakeInfo, Fraction], None]


def check_take(
    path: Path | str,
    *,
    limits: Limits | None = None,
    video: int | None = None,
    threads: int = 0,
    progress: Progress | None = None,
) -> TakeResult | TakeFailure:
    """Measure every frame and sample of a recording and judge it.

    Parameters
    ----------
    path : path
        The recording; opened read-only.
    limits : Limits, optional
        House limits; the built-in ones if left out.
    video : int, optional
        Which picture stream to measure, counted from 0.
    threads : int
        Decoder threads; 0 takes what the machine has.
    progress : function of (TakeInfo, seconds), optional
        Told after every picture how far the take is measured.

    Returns
    -------
    TakeResult or TakeFailure
        A recording that cannot be measured is a failure, not an exception.
    """
    path = Path(path)
    limits = default_limits() if limits is None else limits
    stage = "open"
    try:
        info = with_names(probe(path, video=video), limits)
        limits, note = fitted(limits, info)
        stage = "measure"
        result = measure_take(info, limits=limits, threads=threads, progress=progress)
        _ask_whether_whole(info)
        return noted(result, note)
    except DecodeError as error:
        # The file itself is the cause, also where it shows late.
        return TakeFailure(path, "open" if stage == "open" else "decode", str(error))
    except QCError as error:
        return TakeFailure(path, stage, str(error))
    except MemoryError:
        return TakeFailure(
            path, stage, f"{path}: not enough memory to measure this take"
        )
    except OSError as error:
        return TakeFailure(
            path,
            "worker",
            f"{path}: could not be measured to its end: {error.strerror or error}; "
            "check that the card is in and that the disk has room for temporary files",
        )
    except Exception as error:
        # A mistake of ours must not cost the other takes of the same call.
        if os.environ.get("QC_DEBUG"):
            raise
        return TakeFailure(
            path,
            stage,
            f"{path}: could not be measured because of a fault in this program "
            f"({type(error).__name__}: {error}); please report it",
        )


def _ask_whether_whole(info: TakeInfo) -> None:
    """Refuse what became another file while it was measured.

    Raises
    ------
    DecodeError
        Its size is another one: what was found at its end means nothing.
    """
    now = info.path.stat().st_size
    if now != info.bytes:
        # In bytes: what grows slowly has the same number of megabytes.
        sizes = f"{info.bytes:,} to {now:,} bytes".replace(",", " ")
        raise DecodeError(
            f"{info.path}: the file changed while it was measured, from {sizes}; it is "
            "still being written or copied: check it when that has ended (qc spot "
            "looks at what is there)"
        )


def measure_take(
    info: TakeInfo,
    *,
    limits: Limits,
    threads: int = 0,
    progress: Progress | None = None,
) -> TakeResult:
    """Measure and judge a take that has been probed.

    Raises
    ------
    QCError
        A measure's setting does not fit this take, or the file cannot be read.
    """
    began = time.monotonic()
    measures = all_measures()
    setup = Setup(info, limits)
    pictures = PictureRows(setup, measures)
    sounds = {t.stream: SoundRows(setup, t, measures) for t in info.audio}
    with one_opencv_thread(), TakeReader(info, threads=threads) as reader:
        with closing(reader.ahead()) as items:
            for item in items:
                if isinstance(item, Picture):
                    pictures.take(item)
                    if progress is not None:
                        progress(info, reader.position(item))
                else:
                    sounds[item.track.stream].take(item)
                    if progress is not None and info.video is None:
                        progress(info, Fraction(item.start, item.track.sample_rate))
        measured, coverage = all_of(setup, reader, pictures, list(sounds.values()))
    add_derived(measured, measures)
    return judge_measured(measured, measures, coverage, began)


def all_of(
    setup: Setup, reader: TakeReader, pictures: PictureRows, sounds: list[SoundRows]
) -> tuple[Measured, Coverage]:
    """Return what a take gave that was read to its end, before columns are derived.

    Parameters
    ----------
    reader : TakeReader
        Still open.

    Raises
    ------
    DecodeError
        The file holds a picture and sound, and nothing of either could be decoded.
    """
    info, decoder = setup.info, reader.pictures
    base = info.video.time_base if info.video is not None else Fraction(1)
    missing = [] if decoder is None else sorted(decoder.missing)
    measured = Measured(
        info=info,
        limits=setup.limits,
        picture=pictures.readings(),
        sound=tuple(s.readings() for s in sounds),
        totals=pictures.totals() | sound_totals(sounds),
        missing=tuple(m * base for m in missing),
        changed_format=0 if decoder is None else decoder.changed_format,
        restarts=0 if decoder is None else decoder.restarts,
        ended_early=reader.ended_early,
    )
    heard = list(reader.sounds.values())
    if info.picture_lost and not any(s.samples for s in heard):
        raise DecodeError(
            f"{info.path}: neither picture nor sound of it can be decoded; copy the "
            "file again from the card, and keep the card"
        )
    coverage = Coverage(
        mode="every frame",
        frames_read=0 if decoder is None else decoder.frames,
        frames_expected=info.frames_expected,
        frames_damaged=0 if decoder is None else decoder.damaged,
        frames_missing=len(missing),
        decode_errors=(0 if decoder is None else decoder.errors)
        + sum(s.errors for s in heard),
        sound_read_s=max((s.samples / s.track.sample_rate for s in heard), default=0.0),
        elapsed_s=0.0,
    )
    return measured, coverage


def judge_measured(
    measured: Measured,
    measures: tuple[Measure, ...],
    coverage: Coverage,
    began: float,
) -> TakeResult:
    """Judge a take whose every frame and sample is measured.

    Parameters
    ----------
    began : float
        `time.monotonic` when measuring began.
    """
    info = measured.info
    ends = [
        r.start(r.rows) for r in (measured.picture, *measured.sound) if r and r.rows
    ]
    duration = max(ends, default=Fraction(0))
    # Of sound alone a frame counts that is there to its end: nothing lies beyond it.
    frames = max(info.grid.at_or_before(duration), int(duration > 0))
    if measured.picture is not None and measured.picture.rows:
        frames = info.grid.nearest(measured.picture.start(measured.picture.rows))
    findings = once_for_all(find(measured, measures))
    summary = {
        m.name: dict(m.summarise(measured)) for m in measures if m.summarise is not None
    }
    notes = [
        note
        for m in sorted(measures, key=_turn)
        if m.notes is not None
        for note in m.notes(measured)
    ]
    if info.video is not None and not info.audio:
        notes.insert(0, "There is no sound in this file.")
    if info.video is None and not info.picture_lost and not info.is_sound_file:
        notes.insert(0, "There is no picture in this file.")
    return TakeResult(
        info=info,
        coverage=replace(coverage, elapsed_s=time.monotonic() - began),
        grade=grade_of(findings),
        findings=findings,
        usable=usable_ranges(findings, measured, frames=frames),
        summary=summary,
        advice=advice_from(findings, label=info.grid.label, names=rule_labels()),
        notes=tuple(notes),
        picture=measured.picture,
        sound=measured.sound,
        duration=duration,
        limits=measured.limits,
    )


def _turn(measure: Measure) -> tuple[bool, int]:
    """Return whose notes come first: what is wrong with the file, then as rooms do."""
    order = measure.reading_order
    return order != ROOMS.index("file"), order
