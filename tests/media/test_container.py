"""Files that are no recordings are refused, in one sentence, and open nothing else."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from qc.errors import DecodeError
from qc.media import probe
from qc.media.container import bears, fingerprint, marks, open_recording
from tests import synth
from tests.synth import Sound, Video

SMALL = synth.scene(6, 96, 64)


# ------------------------------------------------------------- files that are refused


def playlist(folder: Path) -> Path:
    synth.write(folder / "real.ts", SMALL, Video(options=synth.h264()))
    path = folder / "list.m3u8"
    path.write_text(
        "#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:10,\nreal.ts\n#EXT-X-ENDLIST\n"
    )
    return path


def playlist_named_mov(folder: Path) -> Path:
    return playlist(folder).rename(folder / "list.mov")


def concat_script(folder: Path) -> Path:
    synth.write(folder / "real.mp4", SMALL, Video(options=synth.h264()))
    path = folder / "list.ffconcat"
    path.write_text("ffconcat version 1.0\nfile real.mp4\n")
    return path


def still_picture(folder: Path, name: str) -> Path:
    path = folder / name
    assert cv2.imwrite(str(path), np.zeros((64, 96), np.uint8))
    return path


def text(folder: Path) -> Path:
    path = folder / "notes.mov"
    path.write_text("Case 12, left stifle. Light 2 was off.\n" * 50)
    return path


def subtitles(folder: Path) -> Path:
    path = folder / "a.srt"
    path.write_text("1\n00:00:01,000 --> 00:00:02,000\nIncision\n")
    return path


def zeros(folder: Path) -> Path:
    path = folder / "a.mp4"
    path.write_bytes(bytes(100_000))
    return path


REFUSED = "not a recording that can be opened; if it should be one, copy it again"


@pytest.mark.parametrize(
    "make",
    [
        playlist,
        playlist_named_mov,
        concat_script,
        text,
        subtitles,
        zeros,
    ],
)
def test_what_is_no_recording_is_refused(
    tmp_path: Path, make: Callable[[Path], Path]
) -> None:
    path = make(tmp_path)
    with pytest.raises(DecodeError, match=REFUSED) as error:
        probe(path)
    assert str(path) in str(error.value)


@pytest.mark.parametrize("name", ["a.png", "a.jpg"])
def test_a_still_picture_is_told_to_be_one(tmp_path: Path, name: str) -> None:
    path = still_picture(tmp_path, name)
    with pytest.raises(DecodeError, match="a still picture; name a recording"):
        probe(path)


def test_a_play_list_opens_no_other_file(tmp_path: Path) -> None:
    path = playlist(tmp_path)
    target = tmp_path / "real.ts"
    # Reading a file changes its access time, unless the disk is mounted without.
    os.utime(target, ns=(0, 0))
    with pytest.raises(DecodeError, match=REFUSED):
        probe(path)
    untouched = target.stat().st_atime_ns == 0
    target.read_bytes()
    if target.stat().st_atime_ns == 0:
        pytest.skip("this disk does not keep access times")
    assert untouched


def test_an_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    path.touch()
    with pytest.raises(DecodeError, match=r"empty \(0 bytes\); copy it again"):
        probe(path)


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(DecodeError, match="no such file; check the name"):
        probe(tmp_path / "a.mov")


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(DecodeError, match="this is a folder; name the recordings"):
        probe(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no FIFOs")
@pytest.mark.timeout(10)
def test_a_fifo_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    os.mkfifo(path)
    with pytest.raises(DecodeError, match="not a regular file"):
        probe(path)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything"
)
def test_no_permission(tmp_path: Path) -> None:
    path = synth.write(tmp_path / "a.mp4", SMALL, Video(options=synth.h264()))
    path.chmod(0)
    with pytest.raises(DecodeError, match="no permission to read this file"):
        probe(path)


def test_names_that_look_like_addresses(tmp_path: Path) -> None:
    for name in ("http:a.mp4", "concat:a.mp4", "a%03d.mp4", "-i.mp4", "ü ñ.mp4"):
        clip = synth.write(tmp_path / "plain.mp4", SMALL, Video(options=synth.h264()))
        info = probe(clip.rename(tmp_path / name))
        assert info.name == name


def test_a_recording_cut_short_before_its_index(tmp_path: Path) -> None:
    whole = synth.write(
        tmp_path / "a.mov", synth.scene(30), Video(options=synth.h264())
    )
    cut = tmp_path / "b.mov"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    with pytest.raises(DecodeError, match="has no index: it was cut short before"):
        probe(cut)


def test_pictures_that_cannot_be_decoded_at_all(tmp_path: Path) -> None:
    pictures = synth.scene(6, 96, 64, "yuv422p10le")
    video = Video("prores_ks", "yuv422p10le")
    whole = synth.write(tmp_path / "a.mov", pictures, video)
    data = bytearray(whole.read_bytes())
    for coded in synth.coded_pictures(whole):
        data[coded.place : coded.place + coded.size] = bytes(coded.size)
    broken = tmp_path / "b.mov"
    broken.write_bytes(data)
    with pytest.raises(DecodeError, match="no frame of the picture can be decoded"):
        probe(broken)


# ------------------------------------------------------------------------- fingerprint


def test_a_fingerprint_is_of_the_content_alone(tmp_path: Path) -> None:
    one = synth.write(tmp_path / "a.mp4", SMALL, Video(options=synth.h264()))
    two = tmp_path / "b.mov"
    two.write_bytes(one.read_bytes())
    assert fingerprint(one) == fingerprint(two) == probe(one).fingerprint
    changed = synth.overwrite(one, tmp_path / "c.mp4", 900, 901)
    assert fingerprint(changed) != fingerprint(one)


@pytest.mark.parametrize("at", [0, 3 << 20, (6 << 20) - 1])
def test_a_fingerprint_of_a_long_file_looks_at_both_ends_and_the_middle(
    tmp_path: Path, at: int
) -> None:
    one, two = tmp_path / "a", tmp_path / "b"
    data = bytearray(6 << 20)
    one.write_bytes(data)
    data[at] = 1
    two.write_bytes(data)
    assert fingerprint(one) != fingerprint(two)


@pytest.mark.parametrize("size", [40, 5_000, 3 << 20])
def test_a_file_that_is_written_on_is_known_by_its_marks(
    tmp_path: Path, size: int
) -> None:
    rng = np.random.default_rng(size)
    path = tmp_path / "a"
    path.write_bytes(data := rng.bytes(size))
    known = marks(path)
    assert len(known) == 2
    assert bears(path, known)
    # Its length is put into its head, its last piece is written anew, more follows.
    between = data[size // 4 : -(size // 10)]
    path.write_bytes(bytes(size // 4) + between + rng.bytes(size))
    assert bears(path, known)
    for other in (rng.bytes(2 * size), data[: size // 2], b""):
        path.write_bytes(other)
        assert not bears(path, known)


def test_what_is_not_written_yet_is_no_mark(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(bytes(1 << 20))  # as made ready by a recorder
    assert marks(path) == ()
    assert not bears(path, ())
    path.write_bytes(bytes(1 << 19) + b"\1" + bytes(1 << 19))
    assert len(marks(path)) == 1


@pytest.mark.parametrize("mark", [(-1, 5, ""), (0, 0, ""), (0, 1 << 40, "")])
def test_marks_that_make_no_sense_are_of_no_file(
    tmp_path: Path, mark: tuple[int, int, str]
) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"something")
    assert not bears(path, [mark])


@pytest.mark.parametrize("b_frames", [0, 1, 3])
@pytest.mark.parametrize("ending", ["mp4", "mkv", "ts"])
def test_what_is_known_is_not_found_out_again(
    tmp_path: Path, ending: str, b_frames: int
) -> None:
    options = synth.h264(b_frames=b_frames)
    path = tmp_path / f"a.{ending}"
    info = probe(synth.write(path, synth.scene(30, 96, 64), Video(options=options)))
    luma = synth.luma_by_time(path)
    depths = []
    for known in (None, info):
        with open_recording(path, known=known) as container:
            video = container.streams.video[0]
            if known is not None:
                depths.append(video.codec_context.reorder_depth)
            frames = {f.pts: f.to_ndarray()[:64] for f in container.decode(video)}
            depths.append(video.codec_context.reorder_depth)
        assert list(frames) == sorted(luma)
        for pts, frame in frames.items():
            np.testing.assert_array_equal(frame, luma[pts or 0])
    # A picture is held back for the next one, or two where B-frames build on B-frames,
    # which the coder does from two of them on.
    assert depths == [min(b_frames, 2)] * 3
    assert info.video is not None
    assert info.video.reordering == depths[0]


@pytest.mark.parametrize(
    ("ending", "b_frames", "opened"),
    [("mp4", 1, [True]), ("mov", 2, [True]), ("mp4", 0, [True, False]),
     ("mkv", 1, [False]), ("ts", 1, [False])],
)  # fmt: skip
def test_an_index_spares_decoding_to_open_a_file(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    ending: str,
    b_frames: int,
    opened: list[bool],
) -> None:
    video = Video(options=synth.h264(b_frames=b_frames))
    path = synth.write(tmp_path / f"a.{ending}", synth.scene(30, 96, 64), video)
    whole = av.open
    spared: list[bool] = []

    def open_(*args: Any, **kwargs: Any) -> Any:
        spared.append(bool(kwargs["stream_options"]))
        return whole(*args, **kwargs)

    monkeypatch.setattr(av, "open", open_)
    info = probe(path)
    assert spared == opened
    assert info.video is not None
    assert info.video.reordering == b_frames


def test_another_file_in_its_place_is_not_taken_for_the_known_one(
    tmp_path: Path,
) -> None:
    path = synth.write(tmp_path / "a.mov", synth.scene(4), Video(options=synth.h264()))
    info = probe(path)
    assert info.video is not None
    moved = replace(info, video=replace(info.video, stream=7))
    with open_recording(path, known=moved) as container:
        assert len(container.streams) == 1
    path.unlink()
    synth.write(path, sounds=[Sound(synth.ramps(2, 4800))])
    with open_recording(path, known=info) as container:
        assert not container.streams.video
