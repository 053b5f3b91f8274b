"""Windows of a recording: what they give is what the full check is given there."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from qc.measures import all_measures, default_limits
from qc.media import probe
from qc.media.windows import WindowReader, can_seek
from qc.pipeline import check_take
from qc.records import Picture, SoundBlock, TakeInfo, TakeResult
from qc.spot.piece import PieceMaker
from tests import synth

RATE = Fraction(25)
SECONDS = 6
PLAIN = ("exposure.mean_percent", "exposure.p50_percent", "exposure.p99_percent")
OPEN = synth.h264(group=25, extra="open-gop=1")
KINDS = {
    "closed.mov": synth.Video(options=synth.h264(group=25)),
    "open.mp4": synth.Video(options=OPEN),
    "open.mkv": synth.Video(options=OPEN),
    "live.mkv": synth.Video(options=OPEN),
    "open.ts": synth.Video(options=OPEN),
    "intra.mov": synth.Video(codec="mjpeg", pixel_format="yuvj420p"),
}


@pytest.fixture(scope="module")
def pictures() -> list[synth.Planes]:
    return synth.scene(int(RATE) * SECONDS)


@pytest.fixture(scope="module", params=KINDS)
def take(
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
    pictures: list[synth.Planes],
) -> Path:
    path = tmp_path_factory.mktemp("windows") / request.param
    rng = np.random.default_rng(synth.RANDOM_STATE)
    samples = rng.integers(-9000, 9000, (2, 48_000 * SECONDS), np.int16)
    # Every hundredth of a second has a level of its own.
    samples //= np.repeat(rng.integers(1, 30, SECONDS * 100), 480).astype(np.int16)
    # A transport stream holds no such sound.
    coded = (
        synth.Sound(samples, codec="mp2")
        if path.suffix == ".ts"
        else synth.Sound(samples)
    )
    # Such a file has neither an index nor a length.
    live = {"live": "1"} if path.stem == "live" else None
    return synth.write(path, pictures, KINDS[request.param], [coded], options=live)


@pytest.fixture(scope="module")
def full(take: Path) -> TakeResult:
    result = check_take(take)
    assert isinstance(result, TakeResult)
    return result


def _read(
    info: TakeInfo, start: float, end: float, lead: float = 0.0
) -> tuple[list[Picture], list[SoundBlock], WindowReader]:
    with WindowReader(
        info, Fraction(start), Fraction(end), lead=Fraction(lead)
    ) as reader:
        items = list(reader)
    shown = [i for i in items if isinstance(i, Picture)]
    return shown, [i for i in items if isinstance(i, SoundBlock)], reader


def test_readings_are_those_of_the_full_check(full: TakeResult) -> None:
    assert full.picture is not None
    maker = PieceMaker(full.info, default_limits(), judged=set())
    for start in (0.0, 2.5, 4.3):
        piece = maker.window(start, start + 1.0, lead=0.5, until=float("inf"))
        assert piece is not None
        assert piece.picture is not None
        assert piece.whole
        assert piece.damaged == 0
        rows = np.searchsorted(full.picture.edges, piece.picture.edges[:-1])
        assert np.array_equal(full.picture.edges[rows], piece.picture.edges[:-1])
        assert (np.diff(rows) == 1).all()  # no frame left out
        assert piece.start <= start + 0.04
        assert piece.end >= start + 0.96
        for name in PLAIN:
            assert np.array_equal(full.picture[name][rows], piece.picture[name])


def test_sound_lies_where_the_full_check_has_it(take: Path, full: TakeResult) -> None:
    if take.suffix == ".ts":
        pytest.skip("coded sound: the decoder's own memory shows for a moment")
    maker = PieceMaker(full.info, default_limits(), judged=set())
    piece = maker.window(4.3, 5.3, lead=0.0, until=float("inf"))
    assert piece is not None
    (own,), (whole,) = piece.sound, full.sound
    # The first and the last row are filled in part.
    rows = np.searchsorted(whole.edges, own.edges[1:-2])
    assert own.start(0) <= Fraction(43, 10) + Fraction(1, 50)
    assert own.start(own.rows) >= Fraction(53, 10) - Fraction(1, 20)
    name = "peaks.sample_peak_dbfs"
    if take.suffix == ".mkv":
        # Its stamps are whole milliseconds: up to 24 samples to either side.
        apart = np.abs(whole[name][rows] - own[name][1:-1])
        assert np.median(apart) < 0.1
    else:
        assert np.array_equal(whole[name][rows], own[name][1:-1])


def test_only_a_short_lead_is_given(take: Path) -> None:
    info = probe(take)
    shown, _, reader = _read(info, 3.9, 4.5, lead=0.1)
    assert info.video is not None
    base = info.video.time_base
    if take.name == "intra.mov":
        assert reader.key >= Fraction(38, 10)
    else:
        assert reader.key <= Fraction(39, 10)
    first = min(p.pts * base for p in shown)
    assert Fraction(38, 10) <= first <= Fraction(394, 100)
    assert max(p.pts * base for p in shown) < Fraction(45, 10)


def test_little_of_the_file_is_read(take: Path) -> None:
    info = probe(take)
    _, _, reader = _read(info, 4.3, 4.8)
    # Without an index it begins up to two seconds before the key frame.
    most = 1 / 2 if info.duration else 2 / 3
    assert 0 < reader.bytes < info.bytes * most


def test_leaving_early_comes_to_an_end(take: Path) -> None:
    info = probe(take)
    for _ in range(3):
        with WindowReader(info, Fraction(2), Fraction(4)) as reader:
            for count, _item in enumerate(reader):
                if count == 3:
                    break
            assert count == 3


def test_what_lies_behind_the_end_gives_nothing(take: Path) -> None:
    info = probe(take)
    assert can_seek(info)
    shown, _, _ = _read(info, 5.5, 12.0)
    assert shown
    assert info.video is not None
    assert max(p.pts for p in shown) * info.video.time_base < SECONDS


def test_a_file_without_times_cannot_be_sought(
    tmp_path: Path, pictures: list[synth.Planes]
) -> None:
    path = synth.write(tmp_path / "a.avi", pictures[:30], KINDS["closed.mov"])
    assert not can_seek(probe(path))


def test_sound_alone_beyond_an_hour_is_placed_right(tmp_path: Path) -> None:
    rate = 8000
    samples = np.zeros((1, rate * 3700), np.int16)
    samples[:, rate * 3650] = 16_000
    path = synth.write(
        tmp_path / "long.wav",
        sounds=[synth.Sound(samples, rate=rate, layout="mono")],
    )
    maker = PieceMaker(probe(path), default_limits(), judged=set())
    piece = maker.window(3649.0, 3651.0, lead=0.0, until=float("inf"))
    assert piece is not None
    (sound,) = piece.sound
    peaks = sound["peaks.sample_peak_dbfs"][:, 0]
    assert int(sound.edges[int(np.nanargmax(peaks))]) == 365_000


def test_every_measure_can_begin_in_the_middle(take: Path) -> None:
    maker = PieceMaker(
        probe(take),
        default_limits(),
        judged={r for m in all_measures() for r in m.rule_labels},
    )
    piece = maker.window(3.0, 4.2, lead=0.0, until=float("inf"))
    assert piece is not None
    assert piece.frames == 30
