"""Damage is found where it is, whatever the threads; leaving early hangs nothing.

What damage does is found by decoding the whole and the damaged file with PyAV alone and
comparing frames; where it was put is known.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import textwrap
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import qc
from qc.errors import DecodeError
from qc.media import TakeReader, probe, stills_at
from qc.records import Picture, SoundBlock
from tests import synth
from tests.synth import Coded, Plane, Sound, Video

ROOT = Path(qc.__file__).parents[1]

MPEG2 = {"b": "3000000", "bf": "2", "g": "12"}
CLIPS = {
    "h264": ("mp4", Video(options=synth.h264())),
    "h264-open": ("mov", Video(options=synth.h264(extra="open-gop=1"))),
    "h264-slices": ("mp4", Video(options=synth.h264(extra="slices=4"))),
    "h264-no-b": ("mkv", Video(options=synth.h264(b_frames=0))),
    "h264-intra": ("mov", Video(options=synth.h264(group=1, b_frames=0))),
    "hevc": ("mp4", Video("libx265", options=synth.hevc())),
    "mpeg2": ("mov", Video("mpeg2video", options=MPEG2)),
    "mpeg2-mxf": ("mxf", Video("mpeg2video", options=MPEG2)),
    "prores": ("mov", Video("prores_ks", "yuv422p10le")),
    "dnxhd": ("mov", Video("dnxhd", "yuv422p", options={"profile": "dnxhr_sq"})),
}
FRAMES = 48


@dataclass(frozen=True)
class Found:
    """What reading a file gave; times are those of the file."""

    luma: dict[int, Plane]
    damaged: set[int]
    keys: set[int]
    missing: list[int]
    errors: int

    @property
    def sums(self) -> tuple[object, ...]:
        return sorted(self.luma), self.damaged, self.missing, self.errors  # type: ignore[return-value]


def read(path: Path, threads: int = 0) -> Found:
    info = probe(path)
    assert info.video is not None
    origin = round(info.origin / info.video.time_base)
    luma, damaged, keys = {}, set(), set()
    with TakeReader(info, threads=threads) as reader:
        for item in reader:
            if isinstance(item, Picture):
                luma[item.pts + origin] = item.y.copy()
                damaged |= {item.pts + origin} if item.damaged else set()
                keys |= {item.pts + origin} if item.key else set()
    assert reader.pictures is not None
    missing = [m + origin for m in reader.pictures.missing]
    return Found(luma, damaged, keys, missing, reader.pictures.errors)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return undamaged clips of every kind."""
    folder = tmp_path_factory.mktemp("whole")
    return {
        name: synth.write(
            folder / f"{name}.{ending}",
            synth.scene(FRAMES, 320, 192, video.pixel_format),
            video,
        )
        for name, (ending, video) in CLIPS.items()
    }


def next_key(coded: list[Coded], last: int) -> float:
    """Return when the first key frame coded behind a picture is shown."""
    return min((c.pts for c in coded[last + 1 :] if c.key), default=float("inf"))


def check_place(
    found: Found,
    good: dict[int, Plane],
    coded: list[Coded],
    first: int,
    last: int,
    *,
    indexed: bool = True,
) -> None:
    """Hold flags to what damage in coded pictures `first` to `last` has done."""
    harmed = {t for t, y in found.luma.items() if synth.differs_visibly(y, good[t])}
    # Recall: whatever differs is flagged, whatever is not there is missing.
    assert harmed <= found.damaged, sorted(harmed - found.damaged)
    gone = set(good) - set(found.luma)
    assert set(found.missing) <= gone
    if indexed:
        assert set(found.missing) == gone
    # Precision: nothing coded well before the damage, nothing from the next key frame.
    untouched = {c.pts for c in coded[: max(first - 1, 0)]}
    assert not found.damaged & untouched
    end = next_key(coded, last)
    assert not {t for t in found.damaged | set(found.missing) if t >= end}
    assert found.damaged or found.missing


@pytest.mark.parametrize("name", CLIPS)
@pytest.mark.parametrize("place", [5, 13, 14, 23, 37])
def test_a_destroyed_picture_is_found_where_it_is(
    tmp_path: Path, whole: dict[str, Path], name: str, place: int
) -> None:
    clip = whole[name]
    coded = synth.coded_pictures(clip)
    # Behind the lengths and headers that stand at the start; to its end.
    first = coded[place].place + min(24, coded[place].size // 4)
    last = coded[place].place + coded[place].size
    broken = synth.overwrite(clip, tmp_path / clip.name, first, last, place)

    found = read(broken)
    if name == "hevc" and not found.damaged and not found.missing:
        pytest.skip("FFmpeg's HEVC decoder does not notice this damage")
    check_place(found, synth.luma_by_time(clip), coded, place, place)


@pytest.mark.parametrize("name", CLIPS)
@pytest.mark.parametrize("place", [8, 20])
def test_a_bad_stretch_of_the_card_is_found_where_it_is(
    tmp_path: Path, whole: dict[str, Path], name: str, place: int
) -> None:
    # Sectors of 512 bytes that read as zero, over several coded pictures.
    clip = whole[name]
    coded = synth.coded_pictures(clip)
    first = coded[place].place // 512 * 512
    last = first + 512 * (2 + (coded[place].size + coded[place + 1].size) // 512)
    data = bytearray(clip.read_bytes())
    data[first:last] = bytes(last - first)
    broken = tmp_path / clip.name
    broken.write_bytes(data)
    touched = [
        i for i, c in enumerate(coded) if c.place < last and c.place + c.size > first
    ]

    found = read(broken)
    check_place(
        found,
        synth.luma_by_time(clip),
        coded,
        touched[0],
        touched[-1],
        # In these, what marks a picture in the file can be destroyed with it.
        indexed=clip.suffix not in (".mkv", ".mxf"),
    )


@pytest.mark.parametrize("name", CLIPS)
@pytest.mark.parametrize("place", [4, 19, 30, 44, 46, 47])
def test_threads_change_nothing(
    tmp_path: Path, whole: dict[str, Path], name: str, place: int
) -> None:
    clip = whole[name]
    coded = synth.coded_pictures(clip)[place]
    first = coded.place + min(24, coded.size // 4)
    broken = synth.overwrite(
        clip, tmp_path / clip.name, first, coded.place + coded.size, 100 + place
    )
    one = read(broken, threads=1)
    if name == "hevc":
        good = synth.luma_by_time(clip)
        if any(
            synth.differs_visibly(one.luma[t], good[t])
            for t in set(one.luma) - one.damaged
        ):
            pytest.skip("FFmpeg's HEVC decoder does not notice this damage")
    for threads in (2, 4):
        many = read(broken, threads=threads)
        assert many.sums == one.sums
        for time in set(one.luma) - one.damaged:
            np.testing.assert_array_equal(many.luma[time], one.luma[time])


@pytest.mark.parametrize("name", ["h264", "h264-slices"])
def test_marks_of_errors_do_not_hang_on_chance(
    tmp_path: Path, whole: dict[str, Path], name: str
) -> None:
    # Frame threads of FFmpeg's H.264 decoder lose some of them, now and then.
    clip = whole[name]
    coded = synth.coded_pictures(clip)[26]
    middle = coded.place + coded.size // 2
    broken = synth.overwrite(clip, tmp_path / clip.name, middle, middle + 40, 3)
    expected = read(broken, threads=1)
    assert expected.damaged
    for _ in range(12):
        assert read(broken, threads=4).sums == expected.sums


@pytest.mark.parametrize("name", CLIPS)
def test_whole_clips_have_no_damage(whole: dict[str, Path], name: str) -> None:
    good = synth.luma_by_time(whole[name])
    for threads in (0, 1, 3):
        found = read(whole[name], threads=threads)
        assert (found.damaged, found.missing, found.errors) == (set(), [], 0)
        assert list(found.luma) == sorted(good)
        for time, y in good.items():
            np.testing.assert_array_equal(found.luma[time], y)


# ------------------------------------------------------------------- transport streams


@pytest.fixture(scope="module")
def stream(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stream")
    sound = Sound(synth.ramps(2, 92_160, "f4"), "aac", "fltp")
    return synth.write(
        folder / "a.ts",
        synth.scene(FRAMES, 320, 192),
        Video(options=synth.h264()),
        [sound],
    )


@pytest.mark.parametrize("place", [6, 13, 22, 30])
@pytest.mark.parametrize("length", [100, 188, 188 * 6, 5000])
def test_a_transport_stream_cut_anywhere(
    tmp_path: Path, stream: Path, place: int, length: int
) -> None:
    coded = synth.coded_pictures(stream)
    first = coded[place].place + 60
    broken = synth.cut_out(stream, tmp_path / "b.ts", first, first + length)

    found = read(broken)

    good = synth.luma_by_time(stream)
    harmed = {t for t, y in found.luma.items() if synth.differs_visibly(y, good[t])}
    assert harmed <= found.damaged
    gone = [i for i, c in enumerate(coded) if c.place < first + length]
    end = next_key(coded, gone[-1])
    assert not {t for t in found.damaged if t >= end}
    assert len(found.luma) >= FRAMES - 1 - length // 188
    for threads in (1, 3):
        assert read(broken, threads=threads).sums == found.sums


# --------------------------------------------------------------------------- cut short


@pytest.mark.parametrize("name", ["h264", "prores", "hevc"])
def test_a_cut_file_with_its_index_in_front_is_read_as_far_as_it_goes(
    tmp_path: Path, name: str
) -> None:
    ending, video = CLIPS[name]
    sound = Sound(synth.ramps(2, 100_000))
    clip = synth.write(
        tmp_path / f"a.{ending}" if ending != "mp4" else tmp_path / "a.mov",
        synth.scene(FRAMES, 320, 192, video.pixel_format),
        video,
        [sound],
        options={"movflags": "+faststart"},
    )
    data = clip.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    coded = synth.coded_pictures(clip)
    cut = tmp_path / "b.mov"
    cut.write_bytes(data[: coded[30].place + coded[30].size // 2])

    info = probe(cut)
    found = read(cut)

    assert info.frames_expected == FRAMES
    good = synth.luma_by_time(clip)
    # 30 coded pictures are whole.
    there = {c.pts for c in coded[:30]}
    assert there <= set(found.luma)
    assert len(found.luma) <= 31
    for time in there - found.damaged:
        np.testing.assert_array_equal(found.luma[time], good[time])
    for threads in (1, 4):
        assert read(cut, threads=threads).sums == found.sums


def test_sound_behind_a_cut_is_simply_not_there(tmp_path: Path) -> None:
    put_in = synth.ramps(1, 96_000)
    clip = synth.write(tmp_path / "a.wav", sounds=[Sound(put_in, layout="mono")])
    cut = tmp_path / "b.wav"
    cut.write_bytes(clip.read_bytes()[:100_001])
    with TakeReader(probe(cut)) as reader:
        blocks = [b for b in reader if isinstance(b, SoundBlock)]
    found = np.concatenate([b.samples for b in blocks], axis=1)
    assert found.shape[1] == pytest.approx((100_001 - 44) / 2, abs=64)
    length = found.shape[1]
    np.testing.assert_array_equal(found, synth.full_scale(put_in)[:, :length])


def test_a_reader_must_be_entered(whole: dict[str, Path]) -> None:
    reader = TakeReader(probe(whole["h264"]))
    with pytest.raises(ValueError, match="must be entered before it is iterated"):
        next(iter(reader))


def test_a_file_that_was_replaced_while_it_was_checked(tmp_path: Path) -> None:
    path = synth.write(tmp_path / "a.mov", synth.scene(4), Video(options=synth.h264()))
    info = probe(path)
    path.unlink()
    synth.write(path, sounds=[Sound(synth.ramps(2, 4800))])
    with pytest.raises(DecodeError, match="the file changed while it was read"):
        TakeReader(info).__enter__()


# ----------------------------------------------------------------------- leaving early

EARLY = """
    import sys, signal, threading, time, os
    from pathlib import Path
    from qc.media import TakeReader, probe, stills_at
    from qc.records import Picture
    path, how, threads = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    info = probe(path)
    if how == "stills":
        next(stills_at(info, [3 * 512, 9 * 512]))
    elif how == "interrupt":
        signal.signal(signal.SIGINT, signal.default_int_handler)
        try:
            with TakeReader(info, threads=threads) as reader:
                for n, item in enumerate(reader):
                    if n == 3:
                        os.kill(os.getpid(), signal.SIGINT)
        except KeyboardInterrupt:
            pass
    elif how == "error":
        try:
            with TakeReader(info, threads=threads) as reader:
                for n, item in enumerate(reader):
                    if n == 3:
                        raise RuntimeError("inside")
        except RuntimeError:
            pass
    elif how == "break":
        with TakeReader(info, threads=threads) as reader:
            for n, item in enumerate(reader):
                if n == 3:
                    break
    elif how == "keep":
        # Pictures that are kept outlive their reader.
        with TakeReader(info, threads=threads) as reader:
            kept = [x for _, x in zip(range(4), reader)]
        assert all(int(p.y.sum()) > 0 for p in kept if isinstance(p, Picture))
    elif how == "many":
        for _ in range(10):
            with TakeReader(info, threads=threads) as reader:
                next(iter(reader))
    print("left")
"""


@pytest.mark.parametrize(
    "how", ["break", "error", "interrupt", "keep", "many", "stills"]
)
@pytest.mark.parametrize("state", ["whole", "damaged"])
@pytest.mark.parametrize("threads", [0, 4])
def test_leaving_early_does_not_hang(
    tmp_path: Path, whole: dict[str, Path], how: str, state: str, threads: int
) -> None:
    clip = whole["h264"]
    if state == "damaged":
        coded = synth.coded_pictures(clip)
        clip = synth.overwrite(
            clip, tmp_path / clip.name, coded[2].place + 24, coded[8].place
        )
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(EARLY), str(clip), how, str(threads)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.stdout == "left\n", done.stderr
    assert done.returncode == 0


# ------------------------------------------------------------ the source stays as it is


def test_the_recording_is_not_touched(tmp_path: Path) -> None:
    sound = Sound(synth.ramps(2, 48_000))
    clip = synth.write(
        tmp_path / "a.mov", synth.scene(25), Video(options=synth.h264()), [sound]
    )
    clip.chmod(0o444)
    os.utime(clip, ns=(10**18, 10**18))
    before = clip.stat()
    content = hashlib.sha256(clip.read_bytes()).digest()

    info = probe(clip)
    with TakeReader(info) as reader:
        ticks = [item.pts for item in reader if isinstance(item, Picture)]
    assert list(stills_at(info, ticks[:2]))

    after = clip.stat()
    kept = ("st_mtime_ns", "st_size", "st_mode", "st_ino", "st_uid", "st_nlink")
    assert {k: getattr(after, k) for k in kept} == {k: getattr(before, k) for k in kept}
    assert hashlib.sha256(clip.read_bytes()).digest() == content
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.mov"]


@pytest.mark.slow
@pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="this system does not tell peaks"
)
def test_memory_does_not_grow_with_the_take(tmp_path: Path) -> None:
    measured = {}
    for seconds in (5, 60):
        video = Video(options=synth.h264(group=25))
        sound = Sound(synth.ramps(2, 48_000 * seconds))
        scene = synth.scene(25, 320, 192)
        clip = synth.write(tmp_path / f"{seconds}.mov", scene * seconds, video, [sound])
        code = """
            import sys
            from pathlib import Path
            from qc.media import TakeReader, probe
            with TakeReader(probe(Path(sys.argv[1])), threads=2) as reader:
                print(sum(1 for _ in reader))
            for line in Path("/proc/self/status").read_text().splitlines():
                if line.startswith("VmHWM"):
                    print(line.split()[1])
        """
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(code), str(clip)],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        count, peak = map(int, done.stdout.split())
        assert count >= 25 * seconds
        measured[seconds] = peak
    # Twelve times as long: less than 8 MB more; all frames together are 138 MB.
    assert measured[60] - measured[5] < 8 << 10
