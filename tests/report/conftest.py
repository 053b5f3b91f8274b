"""Results made by hand, for the tests of the report."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.limits import Region
from qc.records import (
    AudioTrack,
    Coverage,
    Finding,
    Grade,
    Readings,
    TakeInfo,
    TakeResult,
    UsableRange,
    VideoTrack,
)
from qc.signal import Signal
from qc.store import ColumnStore
from qc.timecode import TimecodeFormat

MakeResult = Callable[..., TakeResult]
MakeFinding = Callable[..., Finding]


def make_finding(
    info: TakeInfo,
    start: int,
    end: int,
    *,
    rule: str = "highlights.relevant",
    grade: Grade = Grade.REVIEW,
    message: str = "Highlights on tissue for 1 s.",
    advice: str = "Close the iris by ⅔ stop.",
    worst: float | None = 12.5,
    limit: float | None = 5.0,
    unit: str = "%",
    where: tuple[int, int, int, int] | None = (10, 20, 30, 40),
    channel: int | None = None,
) -> Finding:
    """Return a finding over frames ``[start, end)``."""
    grid = info.grid
    return Finding(
        rule=rule,
        grade=grade,
        start=grid.seconds(start),
        end=grid.seconds(end),
        worst_at=grid.seconds(start),
        start_frame=start,
        end_frame=end,
        worst_frame=start,
        message=message,
        advice=advice,
        worst=worst,
        limit=limit,
        unit=unit,
        where=where,
        channel=channel,
        worst_pts_row=start,
    )


@pytest.fixture
def make_result() -> Iterator[MakeResult]:
    """Return a function that makes the result of a take."""
    stores: list[ColumnStore] = []

    def stored(columns: Mapping[str, NDArray[np.float32]], rows: int) -> ColumnStore:
        widths = {n: 0 if c.ndim == 1 else c.shape[1] for n, c in columns.items()}
        store = ColumnStore(widths, in_memory_bytes=1)
        store.extend(columns, rows)
        stores.append(store)
        return store

    def make(
        path: Path,
        *,
        rate: Fraction = Fraction(25),
        drop_frame: bool = False,
        start: str = "10:00:00:00",
        frames: int = 250,
        spans: tuple[tuple[int, int], ...] = ((50, 75), (100, 101)),
        fingerprint: str = "f1",
        picture: bool = True,
        sound: bool = True,
        summary: Mapping[str, Mapping[str, object]] | None = None,
        level: float = 1.5,
        **finding: object,
    ) -> TakeResult:
        timecode = TimecodeFormat(rate, drop_frame)
        video = VideoTrack(
            stream=0,
            number=0,
            codec="h264",
            pixel_format="yuv422p10le",
            width=1920,
            height=1080,
            frame_rate=rate,
            time_base=1 / rate,
            signal=Signal(bit_depth=10),
            frames_expected=frames,
        )
        track = AudioTrack(1, 0, "pcm_s24le", 2, "stereo", 48_000, 1)
        info = TakeInfo(
            path=path,
            bytes=1234,
            container="mov",
            duration=frames / rate,
            video=video if picture else None,
            audio=(track,) if sound else (),
            timecode=timecode,
            start_frame=timecode.frame(start),
            timecode_source="timecode track",
            assumed=("The transfer curve is not marked: BT.709 is assumed.",),
            fingerprint=fingerprint,
        )
        readings = Readings(
            "picture",
            1 / rate,
            np.arange(frames + 1, dtype=np.int64),
            stored(
                {
                    "highlights.relevant_percent": np.linspace(
                        0, level, frames, dtype=np.float32
                    ),
                    "white.patch": np.arange(frames * 3, dtype=np.float32).reshape(
                        frames, 3
                    ),
                },
                frames,
            ),
        )
        rows = int(frames / rate * 100)
        peaks = np.full((rows, 2), np.nan, np.float32)
        peaks[:, 0] = -20
        heard = Readings(
            "sound",
            Fraction(1, 100),
            np.arange(rows + 1, dtype=np.int64),
            stored({"peaks.true_peak_dbtp": peaks}, rows),
            track,
        )
        return TakeResult(
            info=info,
            coverage=Coverage(
                "every frame", frames, frames, 0, 0, 0, float(frames / rate), 1.25
            ),
            grade=Grade.REVIEW if spans else Grade.CLEAN,
            findings=tuple(
                make_finding(info, *span, **finding)  # type: ignore[arg-type]
                for span in spans
            ),
            usable=(
                UsableRange(101 / rate, frames / rate, 101, frames),
                UsableRange(Fraction(0), 50 / rate, 0, 50),
            ),
            summary={"highlights": {"share_max_percent": np.float32(12.5)}}
            if summary is None
            else summary,
            advice=("Close the iris by ⅔ stop.",),
            notes=("The patch was hidden for 3 frames.",),
            picture=readings if picture else None,
            sound=(heard,) if sound else (),
            duration=frames / rate,
            limits={
                "highlights.level_percent": 95.0,
                "highlights.ignore": (Region(((0.0, 0.0), (0.5, 0.0), (0.5, 1.0))),),
                "white.patch": (100, 200, 50, 50),
                "peaks.unused_channels": (),
            },
        )

    yield make
    for store in stores:
        store.close()
