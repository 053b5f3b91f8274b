"""Stills are the frames that were measured, fetched once more.

Expected pictures are those that were encoded; lossless codecs give them back exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from av.video.frame import VideoFrame

from qc.errors import DecodeError
from qc.media import TakeReader, probe, sampler, stills_at
from qc.records import Picture, TakeInfo
from tests import synth
from tests.synth import Planes, Sound, Video

LOSSLESS = synth.h264(lossless=True)


def ticks_of(info: TakeInfo) -> list[int]:
    with TakeReader(info) as reader:
        return [p.pts for p in reader if isinstance(p, Picture)]


@pytest.mark.parametrize(
    ("ending", "video"),
    [
        ("mp4", Video(options=synth.h264(lossless=True, extra="open-gop=1"))),
        ("ts", Video(options=LOSSLESS)),
        ("mkv", Video("ffv1")),
        ("avi", Video(options=LOSSLESS)),  # no presentation times
        ("h264", Video(options=LOSSLESS)),  # no times at all
        ("mp4", Video("libx265", options=synth.hevc(lossless=True))),
    ],
)
def test_stills_are_the_frames_that_were_measured(
    tmp_path: Path, ending: str, video: Video
) -> None:
    put_in = synth.noise("yuv420p", 48, 32, 40)
    info = probe(synth.write(tmp_path / f"a.{ending}", put_in, video))
    ticks = ticks_of(info)
    wanted = [0, 5, 13, 24, 39]

    # Asked in any order, and twice for one.
    stills = dict(stills_at(info, [ticks[i] for i in (*reversed(wanted), 5)]))

    assert list(stills) == [ticks[i] for i in wanted]
    for i in wanted:
        still = stills[ticks[i]]
        np.testing.assert_array_equal(still.picture.y, put_in[i][0])
        np.testing.assert_array_equal(still.picture.cr, put_in[i][2])
        assert still.picture.pts == ticks[i]
        assert still.rgb.shape == (32, 48, 3)
        assert not still.rgb.flags.writeable


def test_every_frame_of_an_open_group_is_fetched_whole(tmp_path: Path) -> None:
    put_in = synth.noise("yuv420p", 48, 32, 40)
    options = synth.h264(lossless=True, extra="open-gop=1")
    info = probe(synth.write(tmp_path / "a.mov", put_in, Video(options=options)))
    ticks = ticks_of(info)
    # One at a time: what comes behind a seek has no frames before it to build on.
    for i, planes in enumerate(put_in):
        ((_, still),) = stills_at(info, [ticks[i]])
        np.testing.assert_array_equal(still.picture.y, planes[0])


@pytest.mark.parametrize(
    ("ending", "extra", "b_frames"),
    [
        ("mov", "open-gop=1", 2),
        ("mp4", "b-pyramid=normal", 3),  # some B-frames are built on, some are not
        ("mkv", "ref=1", 1),
        ("ts", "b-pyramid=normal", 3),  # no index
        ("mov", "bff=1", 2),  # fields
    ],
)
def test_nothing_is_lost_by_leaving_out_what_none_builds_on(
    tmp_path: Path, ending: str, extra: str, b_frames: int
) -> None:
    # Lossless coding has no B-frames: what is expected is the plain decoding in order.
    options = synth.h264(extra=extra, b_frames=b_frames)
    scan = "bottom" if "bff" in extra else "progressive"
    path = tmp_path / f"a.{ending}"
    synth.write(path, synth.scene(40, 96, 64), Video(options=options, scan=scan))
    info = probe(path)
    assert info.video is not None
    assert info.video.reordering
    origin = round(info.origin / info.video.time_base)
    luma = {pts - origin: y for pts, y in synth.luma_by_time(path).items()}
    ticks = ticks_of(info)
    assert ticks == sorted(luma)
    assert len(ticks) == 40
    for wanted in (range(40), [2, 3, 13, 26, 39], [17], [35]):
        stills = dict(stills_at(info, [ticks[i] for i in wanted], whole=True))
        assert list(stills) == [ticks[i] for i in wanted]
        for tick, still in stills.items():
            np.testing.assert_array_equal(still.picture.y, luma[tick])


def test_what_none_builds_on_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    options = synth.h264(b_frames=2, group=40, extra="b-pyramid=none")
    path = tmp_path / "a.mov"
    info = probe(synth.write(path, synth.scene(40, 96, 64), Video(options=options)))
    decoded: list[int] = []
    plain = sampler._Frames._decoded

    def counted(self: sampler._Frames) -> Iterator[VideoFrame]:
        for frame in plain(self):
            decoded.append(frame.pts or 0)
            yield frame

    monkeypatch.setattr(sampler._Frames, "_decoded", counted)
    wanted = ticks_of(info)[31]
    counts = []
    for whole in (False, True):
        decoded.clear()
        ((_, still),) = stills_at(info, [wanted], whole=whole)
        np.testing.assert_array_equal(still.picture.y, synth.luma_by_time(path)[wanted])
        counts.append(len(decoded))
    # Two of three frames are B-frames that none builds on.
    assert counts[0] == 32
    assert counts[1] <= 13


def test_between_two_frames_of_h264_too(tmp_path: Path) -> None:
    path = tmp_path / "a.mkv"
    video = Video(options=synth.h264())
    info = probe(synth.write(path, synth.scene(30, 96, 64), video))
    luma = synth.luma_by_time(path)
    # Frames of 40 ms in whole milliseconds: 10 and 20 show from 400 and 800 on.
    stills = dict(stills_at(info, [439, 800, 839], whole=True))
    for moment, shows in ((439, 400), (800, 800), (839, 800)):
        np.testing.assert_array_equal(stills[moment].picture.y, luma[shows])


def test_a_still_between_two_frames_is_the_one_that_is_showing(tmp_path: Path) -> None:
    put_in = synth.noise("yuv420p", 48, 32, 10)
    info = probe(synth.write(tmp_path / "a.mkv", put_in, Video("ffv1")))
    # Frame 4 shows from 160 ms to 200 ms; Matroska counts milliseconds.
    ((_, still),) = stills_at(info, [199])
    np.testing.assert_array_equal(still.picture.y, put_in[4][0])


def test_a_moment_that_is_not_in_the_file_has_no_still(tmp_path: Path) -> None:
    put_in = synth.noise("yuv420p", 48, 32, 10)
    info = probe(synth.write(tmp_path / "a.mkv", put_in, Video("ffv1")))
    assert dict(stills_at(info, [5000])) == {}
    assert dict(stills_at(info, [])) == {}


def test_a_take_without_pictures_has_no_stills(tmp_path: Path) -> None:
    clip = synth.write(tmp_path / "a.wav", sounds=[Sound(synth.ramps(2, 4800))])
    assert dict(stills_at(probe(clip), [0])) == {}


def test_times_count_from_the_first_frame(tmp_path: Path) -> None:
    # Transport streams begin anywhere on their clock: here at 2 s.
    put_in = synth.noise("yuv420p", 48, 32, 12)
    video = Video(options=LOSSLESS, ticks=range(50, 62))
    info = probe(synth.write(tmp_path / "a.ts", put_in, video))
    assert info.origin >= 2
    ((tick, still),) = stills_at(info, [ticks_of(info)[7]])
    assert tick == 7 * 3600
    np.testing.assert_array_equal(still.picture.y, put_in[7][0])


def test_fields_and_signal_are_the_takes(tmp_path: Path) -> None:
    tags = {"range": synth.LIMITED, "matrix": 6, "transfer": 6, "primaries": 6}
    video = Video(options=synth.h264(extra="bff=1"), scan="bottom", tags=tags)
    info = probe(synth.write(tmp_path / "a.mov", synth.scene(6), video))
    assert info.video is not None
    ((_, still),) = stills_at(info, [0])
    assert still.picture.signal == info.video.signal
    assert still.picture.interlaced
    assert not still.picture.top_field_first


def test_stills_of_damaged_frames_show_the_damage(tmp_path: Path) -> None:
    whole = synth.write(
        tmp_path / "a.mov", synth.scene(30, 320, 192), Video(options=synth.h264())
    )
    coded = synth.coded_pictures(whole)[16]
    first = coded.place + 24
    broken = synth.overwrite(whole, tmp_path / "b.mov", first, coded.place + coded.size)
    info = probe(broken)
    measured: dict[int, Planes] = {}
    with TakeReader(info, threads=1) as reader:
        for p in reader:
            if isinstance(p, Picture) and p.damaged:
                measured[p.pts] = (p.y.copy(),)
    assert measured
    found = {t: s.picture.y for t, s in stills_at(info, measured)}
    assert set(found) == set(measured)
    whole_luma = synth.luma_by_time(whole)
    for tick, (y,) in measured.items():
        # What fills a hole may come from another frame than when measuring.
        assert np.abs(found[tick].astype(int) - y).mean() < 8
        if synth.differs_visibly(y, whole_luma[tick]):
            assert synth.differs_visibly(found[tick], whole_luma[tick])


def test_a_file_that_has_become_a_sound_file(tmp_path: Path) -> None:
    path = synth.write(tmp_path / "a.mov", synth.scene(4), Video(options=synth.h264()))
    info = probe(path)
    path.unlink()
    synth.write(path, sounds=[Sound(synth.ramps(2, 4800))])
    # Whatever lies there now, its pictures are not this take's.
    with pytest.raises(DecodeError, match="has changed since it was measured"):
        dict(stills_at(info, [0]))
    unmarked = replace(info, fingerprint="")
    assert dict(stills_at(unmarked, [0])) == {}
    assert dict(stills_at(replace(info, video=None), [0])) == {}
