"""Moments of Matroska files without an index: places, times, and the spliced view.

Expected places and times come from FFmpeg's demuxer reading the whole file in order.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from qc.media.clusters import Clusters, Spliced
from tests import synth

RATE = Fraction(25)
SECONDS = 12


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a file as a recorder writes it that never comes to the end."""
    path = tmp_path_factory.mktemp("clusters") / "live.mkv"
    sound = np.random.default_rng(synth.RANDOM_STATE).integers(
        -9000, 9000, (1, 48_000 * SECONDS), np.int16
    )
    return synth.write(
        path,
        synth.scene(int(RATE) * SECONDS),
        synth.Video(rate=RATE, options=synth.h264(group=25)),
        [synth.Sound(sound)],
        options={"live": "1", "cluster_time_limit": "700"},
    )


def _packets(file: object) -> list[tuple[int, int, bytes]]:
    with av.open(file, format="matroska") as container:
        return [
            (p.stream.index, p.pts or 0, bytes(p))
            for p in container.demux()
            if p.size and p.pts is not None
        ]


@pytest.mark.parametrize("moment", [0, 0.5, 1, 3.3, 7.77, 11, 11.9, 100])
def test_reading_on_from_a_cluster_gives_what_the_whole_file_gives(
    live: Path, moment: float
) -> None:
    clusters = Clusters(live)
    place = clusters.before(Fraction(moment).limit_denominator(1000))
    whole = _packets(str(live))
    part = _packets(Spliced(live, clusters.head, place))
    assert part
    assert whole[-len(part) :] == part
    # Times are milliseconds here; a cluster ends at a key frame, one a second.
    first, end = min(p[1] for p in part) / 1000, whole[-1][1] / 1000
    assert min(moment, end) - 1.1 <= first
    assert first <= moment + 0.001 or place == clusters.head


def test_the_end_is_found(live: Path) -> None:
    last = Clusters(live).last()
    assert last is not None
    end = max(p[1] for p in _packets(str(live))) / 1000
    assert end - 1.1 <= last[1] <= end


def test_time_in_units_of_the_file(live: Path, tmp_path: Path) -> None:
    """RFC 9559, 5.1.2.9: a cluster's time counts units of TimestampScale ns."""
    data = live.read_bytes()
    # 2AD7B1: TimestampScale, here three bytes long, 1 000 000.
    usual = b"\x2a\xd7\xb1\x83" + (1_000_000).to_bytes(3, "big")
    assert data.count(usual) == 1
    slower = tmp_path / "slower.mkv"
    slower.write_bytes(data.replace(usual, usual[:4] + (2_000_000).to_bytes(3, "big")))
    one, two = Clusters(live).last(), Clusters(slower).last()
    assert one is not None
    assert two is not None
    assert two[0] == one[0]
    assert two[1] == 2 * one[1]


def test_an_index_is_seen_where_there_is_one(live: Path, tmp_path: Path) -> None:
    whole = synth.write(
        tmp_path / "whole.mkv",
        synth.scene(50),
        synth.Video(rate=RATE, options=synth.h264(group=25)),
    )
    front = synth.write(
        tmp_path / "front.mkv",
        synth.scene(50),
        synth.Video(rate=RATE, options=synth.h264(group=25)),
        options={"reserve_index_space": "4000"},
    )
    cut = tmp_path / "cut.mkv"
    cut.write_bytes(whole.read_bytes()[:-200])
    assert not Clusters(live).indexed
    assert Clusters(whole).indexed
    assert Clusters(front).indexed
    assert not Clusters(cut).indexed


@pytest.mark.parametrize(
    "data", [b"", b"RIFF\x00\x00\x00\x00WAVE", b"\x1a\x45\xdf\xa3"]
)
def test_what_is_no_such_file_has_no_clusters(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.mkv"
    path.write_bytes(data)
    clusters = Clusters(path)
    assert clusters.head == 0
    assert clusters.last() is None


def test_bytes_that_only_look_like_a_cluster_are_none(
    live: Path, tmp_path: Path
) -> None:
    clusters = Clusters(live)
    found = clusters.at_or_after(clusters.head + 1)
    assert found is not None
    data = bytearray(live.read_bytes())
    at = found[0] - 60
    data[at : at + 8] = b"\x1f\x43\xb6\x75\xff\xff\xff\xff"
    other = tmp_path / "b.mkv"
    other.write_bytes(data)
    assert Clusters(other).at_or_after(clusters.head + 1) == found


def test_the_spliced_view_is_head_and_rest(tmp_path: Path) -> None:
    data = bytes(range(256)) * 4
    path = tmp_path / "bytes"
    path.write_bytes(data)
    expected = data[:100] + data[700:]
    with Spliced(path, 100, 700) as view:
        assert b"".join(iter(lambda: view.read(64), b"")) == expected
        for at in (0, 50, 99, 100, 101, len(expected) - 1):
            view.seek(at)
            assert view.read(1) == expected[at : at + 1]
            assert view.tell() == at + 1
        assert view.seek(-3, 2) == len(expected) - 3
        assert view.read() == expected[-3:]
        assert view.read(5) == b""
