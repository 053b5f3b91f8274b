"""Faults are what they say: light, time and place worked out from outside."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import colour
import numpy as np
import pytest
from scipy.integrate import quad

from qc.media import probe
from qc.signal import Signal
from tests import synth
from tests.bench import inject
from tests.bench.faults import iris, lamp, lens, pieces, tape
from tests.bench.faults.job import Injected, Job
from tests.bench.faults.kinds import KINDS, Kind
from tests.bench.faults.linear import Curve, Planes, daylight_gains, oetf
from tests.bench.faults.pieces import PIECES, Piece, Source, load, way_percent, write
from tests.bench.faults.score import Alarm, Case, Told, match, threshold
from tests.bench.faults.table import Outcome, lines, listing, table
from tests.bench.faults.visible import changes, lightness, seconds_seen

_SOURCE = Source("own", "tune", "family", moves=True)
_LIMITED = Signal()


def _flat(code: int, frames: int = 160, size: tuple[int, int] = (48, 64)) -> Piece:
    h, w = size
    grey = np.full((h // 2, w // 2), 128, np.uint8)
    one = (np.full((h, w), code, np.uint8), grey, grey)
    return Piece(_SOURCE, [one] * frames, _LIMITED, Fraction(25))


def _alive(frames: int = 160, width: int = 160, height: int = 96) -> Piece:
    made: list[Any] = synth.scene(frames, width, height)
    return Piece(_SOURCE, made, _LIMITED, Fraction(25))


def _put(
    fault: Callable[[Job], Injected | None],
    piece: Piece,
    strength: float,
    number: int = 0,
) -> Injected:
    made = fault(Job(piece, strength, np.random.default_rng(number)))
    assert made is not None
    return made


def _same(a: Planes, b: Planes) -> bool:
    return all(np.array_equal(x, y) for x, y in zip(a, b, strict=True))


def _changed(made: Injected, piece: Piece) -> list[int]:
    pairs = zip(made.frames, piece.frames, strict=True)
    return [i for i, (a, b) in enumerate(pairs) if not _same(a, b)]


# --------------------------------------------------------------------------- light


def test_camera_curve_is_that_of_colour_science() -> None:
    light = np.linspace(0, 1.6, 400)
    # It rounds BT.709's constants (1.099, 0.018), we take the exact ones.
    assert oetf(light) == pytest.approx(colour.models.oetf_BT709(light), abs=5e-4)


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("matrix", ["bt601", "bt709"])
def test_codes_come_back_from_light(full: bool, matrix: Any) -> None:
    curve = Curve(Signal(full_range=full, matrix=matrix))
    y = np.tile(np.arange(24, 232, dtype=np.uint8), (32, 1))
    cb, cr = (np.full((16, 104), code, np.uint8) for code in (120, 134))
    for before, after in zip(
        (y, cb, cr), curve.codes(curve.light((y, cb, cr))), strict=True
    ):
        assert np.abs(after.astype(int) - before).max() <= 1


def test_a_stop_is_a_factor_of_two_of_light() -> None:
    # Inverse of BT.709-6 item 1.2 by hand: grey 126 is 50.23 %, a stop down 34.83 %.
    signal = (126 - 16) / 219
    dimmed = 1.0993 * (0.5 * ((signal + 0.0993) / 1.0993) ** (1 / 0.45)) ** 0.45
    code = 16 + 219 * (dimmed - 0.0993)
    piece = _flat(126)
    made = _put(iris.dark, piece, 1.0)
    shown = made.frames[sum(made.span) // 2][0]
    assert float(shown.mean()) == pytest.approx(code, abs=0.3)
    assert _changed(made, piece) == list(range(*made.span))


@pytest.mark.parametrize("mired", [-80, -25, 10, 60, 95])
def test_white_shifts_along_the_daylight_of_colour_science(mired: int) -> None:
    kelvin = 1e6 / (1e6 / 6504 + mired)
    xy = colour.temperature.CCT_to_xy_CIE_D(kelvin)
    space = colour.RGB_COLOURSPACES["ITU-R BT.709"]
    rgb = space.matrix_XYZ_to_RGB @ colour.xy_to_XYZ(xy)
    assert daylight_gains(mired) == pytest.approx(rgb, abs=3e-3)


def test_noise_at_mid_level_is_as_strong_as_told() -> None:
    piece = _flat(round(16 + 0.45 * 219), size=(120, 160))
    for number in range(3):  # white and smoothed
        made = _put(iris.gain_noise, piece, 2.0, number)
        noisy = np.stack([made.frames[i][0] for i in range(*made.span)][:20])
        assert 100 * noisy.std() / 219 == pytest.approx(2.0, rel=0.05)


def test_burnt_share_is_what_was_asked_for() -> None:
    # A ramp of all levels: any share can burn.
    h, w = 48, 400
    grey = np.full((h // 2, w // 2), 128, np.uint8)
    ramp = np.tile(np.linspace(16, 200, w).astype(np.uint8), (h, 1))
    piece = Piece(_SOURCE, [(ramp, grey, grey)] * 160, _LIMITED, Fraction(25))
    made = _put(iris.burnt, piece, 8.0)
    shown = made.frames[sum(made.span) // 2][0]
    assert 100 * np.mean(shown >= 225) == pytest.approx(made.strength)
    assert made.strength == pytest.approx(8.0, abs=1.0)


# --------------------------------------------------------------------------- lamps


def test_light_of_a_row_is_the_integral_over_its_exposure() -> None:
    told = {"pulse_hz": 100.0, "depth": 0.7, "exposure_s": 1 / 130, "phase": 0.4}
    made = lamp.gain_of_rows(3, fps=29.97, rows=10, readout_s=0.02, **told)
    for row in (0, 4, 9):
        middle = 3 / 29.97 + row / 10 * 0.02
        light, _ = quad(
            lambda t: 1 + 0.7 * math.cos(2 * math.pi * 100 * t + 0.4),
            middle - 1 / 260,
            middle + 1 / 260,
        )
        assert made[row] == pytest.approx(light * 130, abs=1e-9)


@pytest.mark.parametrize(
    ("pulse", "fps", "beat"),
    # Closed forms of the project's notes on standards, 5.2.
    [(100, 24, 4), (100, 25, 0), (100, 30000 / 1001, 10.09), (120, 25, 5),
     (120, 60000 / 1001, 0.12), (100, 60, 20)],
)  # fmt: skip
def test_beat_of_a_lamp_with_the_frame_rate(
    pulse: float, fps: float, beat: float
) -> None:
    assert lamp.beat_hz(pulse, fps) == pytest.approx(beat, abs=0.005)


def test_flicker_has_the_depth_told() -> None:
    piece = _flat(126)
    made = _put(lamp.flicker, piece, 10.0)
    light = [piece_light(made.frames[i]) for i in range(*made.span)]
    # 120 pulses at 25 frames: five frames are a whole turn, so the root mean square
    # is that of a sine.
    whole = light[: len(light) // 5 * 5]
    depth = math.sqrt(2) * np.std(whole) / np.mean(whole)
    assert depth == pytest.approx(0.10, rel=0.02)


def piece_light(planes: Planes) -> float:
    return float(Curve(_LIMITED).light(planes).mean())


def test_flash_covers_the_share_told() -> None:
    # A flat dark picture: every pixel of the patch goes up by far over 20 cd/m2.
    made = _put(lamp.flashes, _flat(60, size=(120, 160)), 40.0)
    assert made.strength == pytest.approx(40.0, abs=1.5)
    on = [made.frames[i][0].max() > 100 for i in range(*made.span)]
    starts = sum(b and not a for a, b in zip([False, *on], on, strict=False))
    seconds = (made.span[1] - made.span[0]) / 25
    assert 4 <= made.told["rate_hz"] <= 8
    assert starts == pytest.approx(made.told["rate_hz"] * seconds, abs=1)


# --------------------------------------------------------------------- lens and rig


@pytest.mark.parametrize("sigma", [0.7, 2.0, 5.0])
@pytest.mark.parametrize("round_", [False, True])
def test_defocus_spreads_a_point_by_its_sd(sigma: float, round_: bool) -> None:
    light = np.zeros((81, 81, 3), np.float32)
    light[40, 40] = 1
    point = lens.blurred(light, sigma, round_=round_)[..., 0].astype(np.float64)
    place = np.arange(81) - 40
    assert point.sum() == pytest.approx(1, abs=1e-3)
    # A disc of radius r has second moment r^2/4 along an axis; pixels add 1/12.
    spread = float((point.sum(axis=0) * place**2).sum())
    wanted = math.sqrt(sigma**2 + (1 / 12 if round_ else 0))
    assert math.sqrt(spread) == pytest.approx(wanted, rel=0.02)


@pytest.mark.parametrize("fault", [lens.sway, lens.knock])
def test_the_picture_sways_by_what_is_told(
    fault: Callable[[Job], Injected | None],
) -> None:
    # The middle of a bright spot, as the mean place of its light, tells where it is.
    rows, columns = np.mgrid[0:192, 0:320]
    spot = 16 + 200 * np.exp(-((columns - 160) ** 2 + (rows - 96) ** 2) / (2 * 9**2))
    grey = np.full((96, 160), 128, np.uint8)
    still = (np.rint(spot).astype(np.uint8), grey, grey)
    piece = Piece(_SOURCE, [still] * 160, _LIMITED, Fraction(25))
    made = _put(fault, piece, 2.0, 3)
    path = []
    for i in range(*made.span):
        light = made.frames[i][0].astype(float) - 16
        path.append((light.sum(axis=0) @ np.arange(light.shape[1])) / light.sum())
    width = made.frames[0][0].shape[1]
    assert 100 * np.ptp(path) / width == pytest.approx(made.strength, rel=0.02)
    assert made.strength == pytest.approx(2.0, rel=0.02)
    assert _same(made.frames[0], made.frames[-1])


def test_a_spot_stays_where_it_was_told() -> None:
    piece = _flat(150, size=(120, 160))
    made = _put(lens.blemish, piece, 50.0, 2)
    assert made.where is not None
    x, y, w, h = made.where
    shown = made.frames[-1][0].astype(float)
    middle = shown[y + h // 2, x + w // 2]
    assert middle < 0.8 * 150
    darker = np.argwhere(shown < 140)
    assert np.abs(darker.mean(axis=0) - (y + h / 2, x + w / 2)).max() < 1.5


# ------------------------------------------------------------------------- recorder


def test_black_and_frozen_change_these_frames_alone() -> None:
    piece = _alive()
    for fault, strength in ((tape.black, 7), (tape.frozen, 0.6)):
        made = _put(fault, piece, strength, 4)
        assert _changed(made, piece) == list(range(*made.span))
    assert all(
        _same(made.frames[i], made.frames[made.span[0] - 1]) for i in range(*made.span)
    )


def test_single_frames_repeat_the_one_before() -> None:
    piece = _alive()
    made = _put(tape.repeated, piece, 5)
    assert _changed(made, piece) == made.told["frames"]
    assert all(_same(made.frames[i], made.frames[i - 1]) for i in made.told["frames"])


def test_lost_frames_leave_the_stamps_of_the_others() -> None:
    piece = _alive()
    made = _put(tape.gap, piece, 4)
    assert made.ticks is not None
    gone = sorted(set(range(160)) - set(made.ticks))
    assert gone == list(range(made.span[0] + 1, made.span[1]))
    assert len(gone) == 4
    assert all(
        _same(a, piece.frames[t]) for a, t in zip(made.frames, made.ticks, strict=True)
    )


def test_woven_fields_hold_two_moments() -> None:
    piece = _alive()
    made = _put(tape.woven, piece, 1)
    i = made.span[0]
    for plane, now, later in zip(
        made.frames[i], piece.frames[i], piece.frames[i + 1], strict=True
    ):
        assert np.array_equal(plane[::2], now[::2])
        assert np.array_equal(plane[1::2], later[1::2])


# ----------------------------------------------------------------- writing and chance


def _played(shift: int, frames: int = 40) -> Piece:
    """Return a pan over a drawn picture, whole pixels a frame."""
    wide = synth.scene(1, 480, 96)[0]
    made: list[Planes] = []
    for i in range(frames):
        x = 40 + shift * i
        y, (cb, cr) = wide[0][:, x : x + 160], (p[:, :80] for p in wide[1:])
        made.append((y.copy(), cb.copy(), cr.copy()))
    return Piece(_SOURCE, made, _LIMITED, Fraction(25))


@pytest.mark.parametrize("shift", [-1, 0, 2])
def test_way_of_a_pan_is_what_was_shifted(shift: int) -> None:
    # 36 frames from the first picture that is looked at to the last, of 160 pixels.
    way = way_percent(_played(shift))
    assert way == pytest.approx(100 * 35 * abs(shift) / 160, abs=0.6)


def test_a_pan_played_to_and_fro_is_judged_for_shake_played_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pan = Source("own", "tune", "family", passes=3)
    played: list[int] = []

    def load(source: Source) -> Piece:
        once = _played(1).frames
        back = [*once[-2::-1], *once[1:]] if source.passes == 3 else []
        return Piece(source, [*once, *back], _LIMITED, Fraction(25))

    def checked(piece: Piece) -> tuple[list[Told], Any]:
        played.append(len(piece.frames))
        told = [Told(rule, "review", 5, 9) for rule in ("picture.shake", "focus.soft")]
        return told if len(piece.frames) > 40 else [], SimpleNamespace(
            failed=False, picture=SimpleNamespace(columns=())
        )

    monkeypatch.setattr(inject, "load", load)
    monkeypatch.setattr(pieces, "load", load)
    monkeypatch.setattr(inject, "_as_it_is", checked)
    found = inject.untouched(pan)
    # 40 frames, and 39 more each way; shake as it is in 40 frames of 1/25 s.
    assert played == [118, 40]
    assert [f.rule for f in found.findings] == ["focus.soft"]
    assert (found.frames, found.shake_seconds) == (118, 1.6)
    still = replace(pan, passes=1)
    assert inject.untouched(still).shake_seconds is None
    assert played == [118, 40, 40]


def test_a_piece_keeps_range_matrix_rate_and_stamps(tmp_path: Path) -> None:
    piece = _alive(40)
    odd = Piece(
        _SOURCE,
        piece.frames,
        Signal(full_range=True, matrix="bt601", primaries="bt601-525"),
        Fraction(30000, 1001),
    )
    ticks = [*range(10), *range(13, 43)]
    info = probe(write(tmp_path / "a.mp4", odd.frames, odd, ticks))
    assert info.video is not None
    assert info.video.signal == odd.signal
    assert info.video.frame_rate == odd.rate
    stamps = list(synth.luma_by_time(tmp_path / "a.mp4"))
    tick = stamps[1] - stamps[0]
    assert [round((s - stamps[0]) / tick) for s in sorted(stamps)] == ticks


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: f"{k.rule} {k.name}")
def test_every_fault_follows_from_its_names_alone(
    kind: Kind, monkeypatch: pytest.MonkeyPatch
) -> None:
    piece = _alive(170, 64, 48)
    monkeypatch.setattr(inject, "load", lambda _: piece)
    known = inject.Untouched("own", (), (), 170, 6.8)
    one, other = (
        inject.put(kind, _SOURCE, 1, math.sqrt(kind.noticed * kind.high), known)
        for _ in range(2)
    )
    assert one is not None
    assert other is not None
    assert (one.span, one.strength) == (other.span, other.strength)
    assert all(_same(a, b) for a, b in zip(one.frames, other.frames, strict=True))
    a, b = one.span
    assert 0 <= a < b <= 170
    if one.ticks is None:
        assert any(not _same(x, y) for x, y in zip(one.frames, piece.frames,
                                                   strict=True))  # fmt: skip


def test_faults_keep_off_cuts_and_off_the_pieces_own() -> None:
    job = Job(_alive(100, 64, 48), 1, np.random.default_rng(0), (40,), ((60, 100),))
    for _ in range(50):
        span = job.place(10, 5)
        assert span is not None
        assert (span[0] >= 5 and span[1] <= 35) or (span[0] >= 45 and span[1] <= 60)
    assert job.place(70, 5) is None


def test_the_two_halves_share_no_recording() -> None:
    files = {"tune": set(), "test": set()}  # type: dict[str, set[str]]
    for source in PIECES:
        if source.file not in ("family", "vtest.avi"):
            files[source.split].add(source.file)
    assert not files["tune"] & files["test"]


# --------------------------------------------------------------------------- scoring


def test_a_finding_that_was_there_before_tells_nothing() -> None:
    before = [Told("a", "review", 0, 30)]
    after = [
        Told("a", "review", 0, 32),
        Told("a", "note", 18, 24),
        Told("b", "x", 1, 2),
    ]
    good, edges = match("a", (20, 25), after, before, total=60)
    assert good == [after[1]]
    assert edges == (2.0, 1.0)


def test_ends_of_the_take_are_no_edges_and_places_must_agree() -> None:
    told = [Told("a", "review", 0, 50, where=(10, 10, 20, 20))]
    assert match("a", (0, 50), told, [], total=50)[1] == ()
    assert match("a", (0, 50), told, [], total=50, where=(29, 29, 5, 5))[0] == told
    assert match("a", (0, 50), told, [], total=50, where=(30, 10, 5, 5))[0] == []


def test_threshold_finds_the_middle_of_a_logistic() -> None:
    rng = np.random.default_rng(11)
    strengths = np.exp(rng.uniform(math.log(0.3), math.log(10), 600))
    chances = 1 / (1 + np.exp(-4 * (np.log(strengths) - math.log(1.7))))
    found = rng.random(600) < chances
    assert threshold(strengths.tolist(), found.tolist()) == pytest.approx(1.7, rel=0.1)
    assert math.isnan(threshold([1, 2], [True, True]))


def test_table_counts_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    def case(strength: float, found: bool, *edges: float) -> Case:
        return Case("picture.black", "lens cap", "own", 0, strength, strength >= 3,
                    (1, 2), found, edges=edges)  # fmt: skip

    out = Outcome(
        [case(1, False), case(4, True, 0.0, 2.0), case(9, True, 4.0), case(20, False)],
        [
            Alarm("own", Told("picture.black", "review", 3, 4)),
            Alarm("own", Told("picture.black", "review", 8, 9), "it is night"),
        ],
        minutes=2.5,
        less={"picture.black": 0.5, "file.gap": 1.0},
    )
    line = next(lines(out))
    assert (line.put, line.noticed, line.found) == (4, 3, 2)
    assert line.recall == pytest.approx(2 / 3)
    assert (line.alarms, line.per_minute) == (1, 0.5)
    assert line.edge_median == 2.0
    assert "0.67" in table(out)
    assert listing(out, "picture.black").count("\n- ") == 7


def test_lightness_is_that_of_the_standards() -> None:
    """By colour-science: BT.1886 without a black lift, then CIE 1976 L*."""
    signal = Signal()
    grey = np.arange(16, 236, dtype=np.uint8)[None].repeat(2, axis=0)
    grey = grey[:, : grey.shape[1] // 2 * 2]
    flat = np.full((1, grey.shape[1] // 2), 128, np.uint8)
    light = colour.models.eotf_BT1886((grey[0] - 16.0) / 219.0)
    expected = colour.colorimetry.lightness_CIE1976(100.0 * light)
    found = lightness((grey, flat, flat), signal)
    np.testing.assert_allclose(found[0], expected, atol=1e-3)


def test_what_a_black_night_hides_is_not_asked_for() -> None:
    signal = Signal()

    def shown(code: int, less: int) -> float:
        flat = np.full((20, 20), 128, np.uint8)
        before = np.full((40, 40), code, np.uint8)
        after = before.copy()
        after[10:30, 10:30] -= less
        whole = [(before, flat, flat)] * 30, [(after, flat, flat)] * 30
        return seconds_seen(changes(*whole, (5, 30), (12, 12, 16, 16), signal), 25)

    assert shown(126, 20) == 1.0  # 25 frames of about 10 L*
    assert shown(18, 2) == 0.0  # codes 18 and 16: a tenth of 1 L*


def test_table_says_what_fell_away() -> None:
    def case(found: bool, unseen: bool) -> Case:
        return Case("picture.blemish", "dust", "own", 0, 60, not unseen, (1, 2),
                    found, unseen=unseen)  # fmt: skip

    out = Outcome([case(True, False), case(False, True), case(False, True)])
    assert next(lines(out)).recall == 1.0
    assert "2 of 3 strong enough" in table(out)
    assert "recall is 1 of 3, 0.33" in table(out)


def test_one_fault_through_the_whole_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    piece = _alive(60)
    monkeypatch.setattr(inject, "load", lambda _: piece)
    before = inject.untouched(_SOURCE)
    assert before.failed == ""
    assert before.frames == 60
    kind = next(k for k in KINDS if k.rule == "picture.black")
    case = inject.one(kind, _SOURCE, 0, 10, before)
    assert case is not None
    assert case.found
    assert case.edges == (0.0, 0.0)
    assert inject.one(kind, _SOURCE, 0, 58, before) is None


@pytest.mark.footage
def test_pieces_that_travel_do() -> None:
    there = [s for s in PIECES if s.there and s.travels]
    if not there:
        pytest.skip("no footage at hand: set QC_FOOTAGE")
    # By phase correlation, not by the way in which the tool follows a picture.
    ways = {s.name: way_percent(load(s)) for s in there}
    assert min(ways.values()) >= 2.0, ways
