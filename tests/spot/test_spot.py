"""Spot checks of whole takes: what is found, what is said, how long it takes."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from qc.cli import ExitCode, main
from qc.day.worker import job_key, kept_take
from qc.measures import all_measures, default_limits, rule_labels
from qc.media import probe
from qc.pipeline import check_take
from qc.records import TakeFailure, TakeResult
from qc.report import write_report
from qc.report.handover import result_document
from qc.spot import needs, spot_take
from tests import synth

RATE = Fraction(25)
PIECE_S = 4
BURNT_S = (120.0, 280.0)
LENGTH_S = 400.0


def _calm(frames: int, number: int = 0) -> list[synth.Planes]:
    """A still scene with sensor noise, so that nothing stands still."""
    rng = np.random.default_rng(synth.RANDOM_STATE + number)
    (luma, cb, cr), *_ = synth.scene(1, 96, 64)
    out = []
    for _ in range(frames):
        noisy = luma * 0.8 + 10 + rng.normal(0, 2.0, luma.shape)
        out.append((np.clip(np.rint(noisy), 16, 235).astype(np.uint8), cb, cr))
    return out


def joined(path: Path, parts: Sequence[Path]) -> Path:
    """Write the packets of some recordings of one kind end to end."""
    with av.open(str(parts[0])) as first, av.open(str(path), "w") as out:
        new = [out.add_stream_from_template(s) for s in first.streams]
        coded: dict[Path, list[tuple[Any, ...]]] = {}
        ends = [0] * len(new)
        for part in parts:
            if part not in coded:
                with av.open(str(part)) as source:
                    coded[part] = [
                        (p.stream.index, p.pts, p.dts, p.duration, p.is_keyframe,
                         p.time_base, bytes(p))
                        for p in source.demux() if p.size
                    ]  # fmt: skip
            lengths = [0] * len(new)
            for index, pts, dts, duration, key, base, data in coded[part]:
                packet = av.Packet(data)
                packet.pts, packet.dts = pts + ends[index], dts + ends[index]
                packet.duration, packet.is_keyframe = duration, key
                packet.time_base, packet.stream = base, new[index]
                lengths[index] += duration
                out.mux(packet)
            ends = [a + b for a, b in zip(ends, lengths, strict=True)]
    return path


@pytest.fixture(scope="session")
def long_take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take of 400 s, burnt out from 120 to 280 s."""
    folder = tmp_path_factory.mktemp("spot")
    clean = _calm(int(RATE) * PIECE_S)
    burnt = []
    for luma, cb, cr in clean:
        blown = luma.copy()
        blown[10:54, 16:80] = 235
        burnt.append((blown, cb, cr))
    t = np.arange(48_000 * PIECE_S) / 48_000
    tone = (3000 * np.sin(2 * np.pi * 440 * t)).astype(np.int16)
    kind = synth.Video(rate=RATE, options=synth.h264(group=25))
    parts = {
        name: synth.write(
            folder / f"{name}.mov", frames, kind, [synth.Sound(np.stack([tone, tone]))]
        )
        for name, frames in (("clean", clean), ("burnt", burnt))
    }
    order = ["clean"] * 30 + ["burnt"] * 40 + ["clean"] * 30
    return joined(folder / "long.mov", [parts[name] for name in order])


class Steps:
    """A clock that goes on by a step whenever it is asked, on any machine.

    It is asked once a picture or block of sound.
    """

    def __init__(self, step: float = 0.01) -> None:
        self._step, self._now = step, 0.0

    def __call__(self) -> float:
        self._now += self._step
        return self._now


@pytest.fixture(scope="session")
def result(long_take: Path) -> TakeResult:
    found = spot_take(long_take, within=10.0, clock=Steps())
    assert isinstance(found, TakeResult)
    return found


# -------------------------------------------------------------------- what is found


def test_a_fault_of_four_tenths_of_the_take_is_found(result: TakeResult) -> None:
    burnt = [f for f in result.findings if f.rule == "highlights.relevant"]
    assert burnt
    for finding in burnt:
        assert BURNT_S[0] - 0.1 <= finding.start < finding.end <= BURNT_S[1] + 0.1


def test_edges_hold_what_was_put_in(result: TakeResult) -> None:
    spot = result.coverage.spot
    assert spot is not None
    (edge,) = (e for e in spot.edges if e.rule == "highlights.relevant")
    tick = 0.1
    assert edge.begins_after_s - tick <= BURNT_S[0] <= edge.seen_from_s + tick
    assert edge.seen_to_s - tick <= BURNT_S[1] <= edge.ends_before_s + tick


def test_findings_of_one_thing_are_told_once(result: TakeResult) -> None:
    spans = sorted(
        (f.start, f.end) for f in result.findings if f.rule == "highlights.relevant"
    )
    assert all(a[1] < b[0] for a, b in pairwise(spans))


def test_the_picture_of_a_finding_is_the_frame_it_tells_of(result: TakeResult) -> None:
    assert result.picture is not None
    for finding in result.findings:
        row = finding.worst_pts_row
        if row is not None:
            assert result.picture.start(row) == finding.worst_at


# --------------------------------------------------------------------- what is said


def test_windows_are_short_and_reach_both_ends(result: TakeResult) -> None:
    spot = result.coverage.spot
    assert spot is not None
    assert spot.reading == "windows"
    assert spot.windows[0][0] == 0.0
    assert math.isclose(spot.windows[-1][1], LENGTH_S, abs_tol=0.1)
    seen = sum(b - a for a, b in spot.windows)
    assert spot.frames_share_percent is not None
    assert math.isclose(spot.frames_share_percent, 100 * seen / LENGTH_S, rel_tol=0.1)
    assert spot.bytes_read < 0.9 * result.info.bytes
    gaps = [b[0] - a[1] for a, b in pairwise(spot.windows)]
    assert math.isclose(spot.longest_unseen_s, max(gaps), abs_tol=0.1)


def test_every_rule_is_bounded_found_or_said_not_to_be_judged(
    result: TakeResult,
) -> None:
    spot = result.coverage.spot
    assert spot is not None
    bounded = {b.rule for b in spot.bounds}
    told = {rule for rule, _ in spot.not_judged}
    assert bounded | told == set(rule_labels())
    assert not bounded & told
    for bound in spot.bounds:
        assert bound.found == (bound.share_percent is None)
        assert bound.found or 0 < (bound.share_percent or 0) <= 100
        # Sound is read in other portions than pictures.
        assert bound.sure_s >= spot.longest_unseen_s - 0.1


def test_no_limit_of_the_whole_take_is_held_against_a_window(
    result: TakeResult,
) -> None:
    assert not {f.rule for f in result.findings} & {
        "file.length", "file.gap", "file.damaged", "file.rate"
    }  # fmt: skip


def test_unseen_stretches_are_empty_in_the_readings(result: TakeResult) -> None:
    picture, spot = result.picture, result.coverage.spot
    assert picture is not None
    assert spot is not None
    times = picture.times()
    assert times[0] == 0.0
    assert math.isclose(times[-1], LENGTH_S)
    long_rows = np.flatnonzero(np.diff(times) > 1.5 / float(RATE))
    assert len(long_rows) == len(spot.windows) - 1
    for name in picture.columns:
        assert np.isnan(picture[name][long_rows]).all()
    assert result.coverage.frames_read == picture.rows - len(long_rows)


def test_nothing_is_said_to_be_usable(result: TakeResult) -> None:
    assert result.usable == ()


def test_the_document_tells_of_the_spot_check(
    result: TakeResult, long_take: Path
) -> None:
    told = json.loads(json.dumps(result_document(result), allow_nan=False))["coverage"]
    assert told["mode"] == "spot"
    assert told["spot"]["by_chance"] >= 1
    assert {"rule", "share_percent", "stretch_s", "sure_s"} <= set(
        told["spot"]["bounds"][0]
    )


def test_a_full_check_says_nothing_of_spots(tmp_path: Path) -> None:
    path = synth.write(tmp_path / "a.mov", _calm(30), synth.Video(rate=RATE))
    full = check_take(path)
    assert isinstance(full, TakeResult)
    assert "spot" not in result_document(full)["coverage"]


def test_the_page_says_as_far_as_seen(result: TakeResult, tmp_path: Path) -> None:
    folder = write_report(result, tmp_path, stills=False)
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "Reject, as far as seen" in page
    assert "A spot check." in page
    assert "the longest stretch not seen is" in page
    assert "Looked at" in page
    assert "Usable stretches" not in page
    # A full check takes the folder over.
    assert write_report(result, tmp_path, stills=False) == folder


def test_a_day_does_not_take_it_for_a_full_check(
    result: TakeResult, long_take: Path, tmp_path: Path
) -> None:
    write_report(result, tmp_path, stills=False)
    facts = long_take.stat()
    key = job_key(
        facts.st_size, facts.st_mtime_ns, default_limits(), stills=False, video=None
    )
    assert kept_take(tmp_path, "long", name="long.mov", key=key) is None


# -------------------------------------------------------------------------- in time


def test_time_is_kept_with_the_report(long_take: Path, tmp_path: Path) -> None:
    took = []
    for _ in range(3):  # other programs may get in the way once or twice
        began = time.monotonic()
        spot = spot_take(long_take, within=4.0)
        assert isinstance(spot, TakeResult)
        write_report(spot, tmp_path)
        took.append(time.monotonic() - began)
        if took[-1] < 4.0 * 1.1:
            break
    # What is promised, with pictures and all.
    assert min(took) < 4.0 * 1.1


def test_a_spot_check_repeats_and_more_time_sees_more(
    result: TakeResult, long_take: Path
) -> None:
    less, again = (spot_take(long_take, within=5.0, clock=Steps()) for _ in range(2))
    assert isinstance(less, TakeResult)
    assert isinstance(again, TakeResult)
    assert again.findings == less.findings
    assert again.coverage == less.coverage
    few, many = less.coverage.spot, result.coverage.spot
    assert few is not None
    assert many is not None
    assert few.by_chance < many.by_chance
    assert few.longest_unseen_s > many.longest_unseen_s
    assert less.coverage.frames_read < result.coverage.frames_read


def test_a_short_take_is_read_whole_and_judged_like_a_full_check(
    tmp_path: Path,
) -> None:
    path = synth.write(tmp_path / "a.mov", _calm(30), synth.Video(rate=RATE))
    spot, full = spot_take(path, within=60.0), check_take(path)
    assert isinstance(spot, TakeResult)
    assert isinstance(full, TakeResult)
    assert spot.coverage.mode == "spot"
    assert spot.coverage.spot is not None
    assert spot.coverage.spot.reading == "everything"
    assert spot.findings == full.findings
    assert spot.usable == full.usable
    assert spot.grade == full.grade


def test_a_file_without_times_is_read_from_its_start(tmp_path: Path) -> None:
    path = synth.write(
        tmp_path / "a.avi",
        _calm(25 * 60),
        synth.Video(rate=RATE, options=synth.h264(group=25)),
    )
    spot = spot_take(path, within=6.0, clock=Steps())
    assert isinstance(spot, TakeResult)
    told = spot.coverage.spot
    assert told is not None
    assert told.reading == "from the start"
    ((start, end),) = told.windows
    assert start == 0.0
    for bound in told.bounds:
        # What was not seen, and what reaches into what was by less than is needed.
        rest = 100 * (60 - end + bound.stretch_s) / 60
        assert bound.found or math.isclose(bound.share_percent or 0, rest, abs_tol=0.2)
    assert any("read from its start" in note for note in spot.notes)


def test_a_file_still_growing_is_looked_at_as_far_as_it_is(
    long_take: Path, tmp_path: Path
) -> None:
    parts = [long_take.with_name("clean.mov")] * 30
    whole = joined(tmp_path / "whole.mkv", parts)
    data = whole.read_bytes()
    grown = tmp_path / "grows.mkv"
    grown.write_bytes(data[: len(data) * 6 // 10])
    spot = spot_take(grown, within=9.0, clock=Steps())
    assert isinstance(spot, TakeResult)
    told = spot.coverage.spot
    assert told is not None
    assert told.reading == "windows"
    # Six tenths of 120 s, all of about the same rate.
    assert 65 < float(spot.duration) < 75
    assert 65 < told.windows[-1][1] < 75
    assert not {f.rule for f in spot.findings} & {"file.damaged", "file.length"}
    assert any("growing still" in note for note in spot.notes)


def test_a_file_that_grows_meanwhile_has_its_pictures_and_one_report(
    long_take: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    parts = [long_take.with_name(f"{n}.mov") for n in ("clean", "burnt")] * 4
    data = joined(tmp_path / "whole.mkv", parts).read_bytes()
    grows, out = tmp_path / "grows.mkv", tmp_path / "reports"
    for share in (4, 6, 8, 10):
        grows.write_bytes(data[: len(data) * share // 10])
        spot = spot_take(grows, within=60.0)
        assert isinstance(spot, TakeResult)
        assert any(f.rule == "highlights.relevant" for f in spot.findings)
        # A second later there is more of it.
        grows.write_bytes(data[: len(data) * min(share + 1, 10) // 10])
        folder = write_report(spot, out)
        assert folder == out / "grows-spot"
        page = (folder / "report.html").read_text()
        assert "could not be read again" not in page
        assert "data:image/jpeg" in page
    assert main(["spot", str(grows), "--out", str(out), "--quiet"]) == 1
    assert [p.name for p in out.iterdir()] == ["grows-spot"]
    grows.write_bytes(data[::-1])  # another recording: its pictures are not of this one
    (folder / "result.json").unlink()
    page = (write_report(spot, out) / "report.html").read_text()
    assert "data:image/jpeg" not in page


def test_the_end_of_a_file_that_is_being_copied_is_no_damage(tmp_path: Path) -> None:
    data = synth.write(
        tmp_path / "whole.mkv", _calm(75), synth.Video(rate=RATE, options=synth.h264())
    ).read_bytes()
    half = tmp_path / "half.mkv"
    half.write_bytes(data[: len(data) // 2])
    # Cut short and left so, it is damaged.
    cut = spot_take(half, within=60.0)
    assert isinstance(cut, TakeResult)
    assert "file.damaged" in {f.rule for f in cut.findings}

    def copy_on(*_: object) -> None:
        with half.open("ab") as file:
            file.write(data[half.stat().st_size :][:100])

    spot = spot_take(half, within=60.0, progress=copy_on)
    assert isinstance(spot, TakeResult)
    assert "file.damaged" not in {f.rule for f in spot.findings}
    assert spot.grade is not cut.grade
    assert "still being written or copied" in spot.notes[0]
    assert not any("card" in sentence for sentence in spot.advice)


def test_a_file_without_index_or_length_is_looked_at_all_over(tmp_path: Path) -> None:
    path = synth.write(
        tmp_path / "live.mkv",
        _calm(25 * 90),
        synth.Video(rate=RATE, options=synth.h264(group=25)),
        options={"live": "1"},
    )
    assert probe(path).duration is None
    spot = spot_take(path, within=9.0, clock=Steps())
    assert isinstance(spot, TakeResult)
    told = spot.coverage.spot
    assert told is not None
    assert told.reading == "windows"
    assert 88 < float(spot.duration) <= 90
    assert len(told.windows) >= 4
    assert told.windows[0][0] == 0.0
    assert told.windows[-1][1] > 88
    assert not {f.rule for f in spot.findings} & {"file.damaged", "file.gap"}
    assert any("looked for and found" in note for note in spot.notes)


def test_what_is_no_recording_is_a_failure(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    path.write_bytes(b"nothing of the kind")
    failure = spot_take(path, within=3.0)
    assert isinstance(failure, TakeFailure)
    assert "a.mov" in failure.message


# ------------------------------------------------------------------------ the command


def test_the_command(
    long_take: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(
        ["spot", str(long_take), "--within", "4", "--out", str(tmp_path), "--no-stills"]
    )
    out = capsys.readouterr().out
    assert code in (ExitCode.CLEAN, ExitCode.FINDINGS)
    # On a machine that is busy, little is seen in so short a time, and it says so.
    assert ", as far as seen" in out or ", but too little was seen" in out
    assert "longest stretch not seen" in out
    assert (tmp_path / "long-spot" / "report.html").is_file()


@pytest.mark.parametrize("within", ["0", "-3", "nan", "soon", "1e9"])
def test_a_time_that_is_none_is_refused(
    within: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["spot", "a.mov", "--within", within])
    assert stop.value.code == ExitCode.FAILED
    assert "is not a time in seconds" in capsys.readouterr().err


# --------------------------------------------------------------- what windows can judge


def test_every_rule_has_a_need_or_a_reason() -> None:
    rules = set(rule_labels())
    assert not set(needs._NEEDS) & set(needs._WHY_NOT)
    missing = rules - set(needs._NEEDS) - set(needs._WHY_NOT)
    assert not missing, "a spot check does not know these"


def test_needs_follow_the_limits(long_take: Path) -> None:
    info = probe(long_take)
    limits = default_limits()
    usual = needs.needs_of(all_measures(), limits, info)
    from qc.measures import all_options

    longer = limits.with_values(
        all_options(), {"highlights.min_seconds": 3.0}, source="test"
    )
    changed = needs.needs_of(all_measures(), longer, info)
    assert math.isclose(
        changed["highlights.relevant"] - usual["highlights.relevant"],
        3.0 - float(limits["highlights.min_seconds"]),
    )
