"""What a spot check promises as it sees more, and how that is put into words."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from qc.measures import rule_labels
from qc.media import probe
from qc.records import Grade, SpotBound, SpotCoverage, TakeResult
from qc.report.spotwords import left_out, spot_block, summary_sentences, verdict_word
from qc.spot.pace import Pace
from qc.spot.promise import _bound, _snapped
from tests import synth
from tests.report.conftest import make_finding

LENGTH, WINDOW = 30.0, 2.5
NEEDS = (0.02, 0.3, 1.2, 2.1, 2.4)


@pytest.mark.parametrize("needs", NEEDS)
def test_the_bound_goes_to_nothing_as_the_rest_is_seen(needs: float) -> None:
    shares = []
    for seen_to in (15.0, 20.0, 27.0, 29.0, 29.9, 30.0):
        told = _bound([(0.0, seen_to)], (), window=0.0, needs=needs, length=LENGTH)
        assert told is not None
        share, _, sure = told
        left = LENGTH - seen_to
        # Exactly: what was not seen, and what reaches into what was by too little.
        assert share == pytest.approx((left + needs) / LENGTH if left else 0.0)
        assert sure == pytest.approx(left + needs if left else needs)
        shares.append(share)
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] == 0.0


@pytest.mark.parametrize("needs", NEEDS)
def test_chance_never_makes_the_certain_bound_worse(needs: float) -> None:
    # All but 2 s in the middle, with a window in each of 8 equal strata.
    seen = [(0.0, 14.0), (16.0, 30.0)]
    told = _bound(seen, (1 / 8,) * 8, window=WINDOW, needs=needs, length=LENGTH)
    assert told is not None
    assert told[0] <= (2.0 + 2 * needs) / LENGTH + 1e-9
    assert told[2] == pytest.approx(2.0 + 2 * needs)


def test_chance_counts_only_if_both_ends_were_seen() -> None:
    many = (1 / 40,) * 40
    ends = [(0.0, 2.5), (997.5, 1000.0)]
    both = _bound(ends, many, window=2.5, needs=0.3, length=1000.0)
    one = _bound(ends[:1], many, window=2.5, needs=0.3, length=1000.0)
    assert both is not None
    assert one is not None
    # 40 even and independent looks: 1 - (1 - p)**40 = 0.95.
    assert both[0] == pytest.approx(1 - 0.05 ** (1 / 40), rel=1e-6)
    assert one[0] > 0.99


def test_what_no_stretch_is_long_enough_for_is_not_promised() -> None:
    assert _bound([(0.0, 2.0)], (), window=0.0, needs=2.1, length=LENGTH) is None


def test_a_trifle_at_the_ends_counts_as_seen() -> None:
    assert _snapped(0.04, 5.9, 6.0) == (0.0, 6.0)
    assert _snapped(0.2, 5.7, 6.0) == (0.2, 5.7)


# ------------------------------------------------------------------------- the pace


def _reads_to(length: float, speed: list[float], *, within: float = 20.0) -> float:
    """Return how far a take is read, at a speed that changes every tenth of it."""
    now = [0.0]
    pace = Pace(
        length,
        first_s=2.5,
        first_until=0.35 * within,
        until=within,
        within=within,
        clock=lambda: now[0],
    )
    at = 0.0
    while at < length and pace.go_on(at):
        now[0] += 0.04 / speed[int(10 * at / length)]
        at += 0.04
    return at


def test_what_fits_is_read_to_its_end() -> None:
    assert _reads_to(6.0, [0.5] * 10) >= 6.0
    assert _reads_to(150.0, [8.0] * 10) >= 150.0


def test_what_does_not_fit_is_left_early() -> None:
    assert _reads_to(600.0, [8.0] * 10) == pytest.approx(2.5, abs=0.1)
    # Too slow even for the first seconds: a share of the time, not more.
    assert _reads_to(30.0, [0.1] * 10) < 1.0


def test_a_machine_that_gets_slower_ends_in_time_and_late() -> None:
    # 100 s at 8 in a second would take 12.5 s; from the middle on it is half as fast.
    far = _reads_to(100.0, [8.0] * 5 + [4.0] * 5)
    assert far >= 100.0
    # A quarter as fast: given up, so that other places are seen as well.
    assert 50.0 < _reads_to(100.0, [8.0] * 5 + [1.0] * 5) < 60.0


# ------------------------------------------------------------------------- the words


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> TakeResult:
    from qc.spot import spot_take

    path = synth.write(
        tmp_path_factory.mktemp("words") / "a.mov",
        synth.scene(50, 96, 64),
        synth.Video(rate=Fraction(25)),
    )
    result = spot_take(path, within=60.0)
    assert isinstance(result, TakeResult)
    return result


def _partly(whole: TakeResult, windows: tuple[tuple[float, float], ...]) -> TakeResult:
    """Return the take as if it were 30 s long and only some of it had been seen."""
    seen = sum(b - a for a, b in windows)
    ends = (0.0, *(t for pair in windows for t in pair), LENGTH)
    gaps = [b - a for a, b in zip(ends[::2], ends[1::2], strict=True)]
    needs = {"highlights.relevant": 0.3, "light.flash": 1.2}
    bounds = []
    for rule, seconds in needs.items():
        told = _bound(windows, (), window=0.0, needs=seconds, length=LENGTH)
        assert told is not None
        bounds.append(SpotBound(rule, False, 100 * told[0], told[1], told[2]))
    spot = SpotCoverage(
        within_s=20.0,
        reading="windows",
        windows=windows,
        by_chance=0,
        window_s=WINDOW,
        frames_share_percent=100 * seen / LENGTH,
        sound_share_percent=None,
        longest_unseen_s=max(gaps),
        bytes_read=1,
        bounds=tuple(bounds),
        not_judged=(("exposure.drift", "compares"), ("focus.soft", "compares")),
    )
    return replace(
        whole,
        duration=Fraction(30),
        findings=(),
        grade=Grade.CLEAN,
        coverage=replace(whole.coverage, spot=spot),
    )


def test_all_seen_is_said_simply(whole: TakeResult) -> None:
    (sentence,) = summary_sentences(whole)
    assert "everything" in sentence
    assert "%" not in sentence
    assert left_out(whole) == ""
    assert spot_block(whole) is None


@pytest.mark.parametrize("unseen", [0.02, 0.05, 0.12, 0.2])
def test_never_all_where_something_was_not_seen(
    whole: TakeResult, unseen: float
) -> None:
    result = _partly(whole, ((0.0, LENGTH - unseen),))
    told = " ".join(summary_sentences(result))
    assert told.startswith("All but 0.")
    assert "100" not in told
    assert "Too little" not in told


def test_a_share_seen_is_rounded_down(whole: TakeResult) -> None:
    told = " ".join(summary_sentences(_partly(whole, ((0.0, 29.69),))))
    assert told.startswith("98\N{NO-BREAK SPACE}%")


def test_little_seen_is_no_clean_bill(whole: TakeResult) -> None:
    little = summary_sentences(_partly(whole, ((0.0, 4.0),)))
    assert little[0].startswith("Too little was seen")
    few, most = (_partly(whole, ((0.0, end),)) for end in (4.0, 28.0))
    assert verdict_word(few, "Clean") == "Nothing found, but too little was seen"
    assert verdict_word(most, "Clean") == "Clean, as far as seen"
    assert verdict_word(whole, "Clean") == "Clean"
    assert not summary_sentences(_partly(whole, ((0.0, 28.0),)))[0].startswith("Too")


def test_what_cannot_be_judged_in_pieces_is_named(whole: TakeResult) -> None:
    told = left_out(_partly(whole, ((0.0, 20.0),)))
    assert "“Soft”, “Exposure drifts”" in told
    assert "qc take" in told


def test_reading_straight_on_judges_all_as_the_full_check(tmp_path: Path) -> None:
    from qc.pipeline import check_take
    from qc.spot import spot_take

    path = synth.write(
        tmp_path / "b.mov", synth.scene(60, 96, 64), synth.Video(rate=Fraction(25))
    )
    assert probe(path).duration == Fraction(60, 25)
    spot, full = spot_take(path, within=60.0), check_take(path)
    assert isinstance(spot, TakeResult)
    assert isinstance(full, TakeResult)
    for name in ("grade", "findings", "usable", "summary", "advice", "notes"):
        assert repr(getattr(spot, name)) == repr(getattr(full, name)), name
    told = replace(spot.coverage, mode="every frame", spot=None, elapsed_s=0.0)
    assert told == replace(full.coverage, elapsed_s=0.0)


def test_sound_that_ends_before_the_pictures_is_bounded_all_the_same(
    tmp_path: Path,
) -> None:
    import numpy as np

    from qc.spot import spot_take
    from tests.spot.test_spot import Steps

    rng = np.random.default_rng(7)
    # 150 s of pictures, 148.5 s of sound.
    sound = rng.integers(-2000, 2000, (2, 48_000 * 297 // 2), np.int16)
    few = synth.scene(25, 96, 64)
    path = synth.write(
        tmp_path / "c.mov",
        few * 150,
        synth.Video(rate=Fraction(25), options=synth.h264(group=25)),
        [synth.Sound(sound)],
    )
    result = spot_take(path, within=8.0, clock=Steps())
    assert isinstance(result, TakeResult)
    spot = result.coverage.spot
    assert spot is not None
    assert spot.by_chance >= 3
    shares = {b.rule: b.share_percent for b in spot.bounds}
    # What needs a moment has one bound, seen or heard: chance placed both.
    assert shares["sound.clipped"] == pytest.approx(shares["picture.black"], abs=0.5)


def test_the_length_that_is_always_met_holds_for_every_kind_it_speaks_of(
    whole: TakeResult,
) -> None:
    result = _partly(whole, ((0.0, 12.0), (14.0, 30.0)))
    # 2 s unseen, and 1.2 s of the slower kind on both sides of it.
    assert "more than 4.4\N{NO-BREAK SPACE}s would have been seen" in " ".join(
        summary_sentences(result)
    )


def test_figures_that_do_not_add_up_say_why(whole: TakeResult) -> None:
    # 24 of 30 s seen, and 0.3 s (of the slower kind 1.2 s) of a fault needed.
    told = " ".join(summary_sentences(_partly(whole, ((0.0, 24.0),))))
    told = told.replace("\N{NO-BREAK SPACE}", " ")
    assert "the longest stretch not seen is 6.0 s" in told
    assert "more than 7.2 s would have been seen. Shorter ones" in told
    # (6 + 1.2) of 30 s: more than the 20 % unseen.
    assert (
        "in at most 24 % of the take, those seen too briefly to be judged included"
        in told
    )
    # A bound by chance below what was not seen counts no such moments.
    partly = _partly(whole, ((0.0, 24.0),))
    spot = partly.coverage.spot
    assert spot is not None
    bounds = tuple(replace(b, share_percent=12.0) for b in spot.bounds)
    spot = replace(spot, bounds=bounds, by_chance=9)
    seen = replace(partly, coverage=replace(partly.coverage, spot=spot))
    told = " ".join(summary_sentences(seen))
    assert "included" not in told
    assert "this holds in 95 of 100" in told


def test_places_around_what_was_found_are_told_only_if_anything_was(
    whole: TakeResult,
) -> None:
    partly = _partly(whole, ((0.0, 12.0), (14.0, 30.0)))
    spot = partly.coverage.spot
    assert spot is not None
    coverage = replace(partly.coverage, spot=replace(spot, by_chance=2))
    for findings in ((), (make_finding(whole.info, 0, 25),)):
        block = spot_block(replace(partly, coverage=coverage, findings=findings))
        assert block is not None
        where = block.sentences[0]
        assert "at places chosen by chance" in where
        assert ("around what was found" in where) is bool(findings)


@pytest.mark.parametrize(
    ("took", "by_chance", "why"),
    [
        (21.0, 0, ""),  # within the tenth that may be over
        (23.0, 0, "less is not possible"),
        (23.0, 5, "longer than those before"),
    ],
)
def test_more_time_than_asked_for_is_told_with_its_reason(
    whole: TakeResult, took: float, by_chance: int, why: str
) -> None:
    partly = _partly(whole, ((0.0, 24.0),))
    spot = partly.coverage.spot
    assert spot is not None
    coverage = replace(
        partly.coverage, elapsed_s=took, spot=replace(spot, by_chance=by_chance)
    )
    told = " ".join(summary_sentences(replace(partly, coverage=coverage)))
    told = told.replace("\N{NO-BREAK SPACE}", " ")
    assert ("It took 23.0 s without the report, and 20.0 s were asked" in told) == bool(
        why
    )
    assert why in told


def test_the_least_is_short_when_time_is_up_at_once(tmp_path: Path) -> None:
    from qc.spot import spot_take
    from tests.spot.test_spot import Steps

    path = synth.write(
        tmp_path / "d.mov", synth.scene(100, 96, 64), synth.Video(rate=Fraction(25))
    )
    result = spot_take(path, within=0.05, clock=Steps())
    assert isinstance(result, TakeResult)
    # Three quarters of a second, and a picture or two that were on their way.
    assert 18 <= result.coverage.frames_read <= 21
    assert "less is not possible" in " ".join(summary_sentences(result))


def test_bounds_that_say_nothing_are_one_line(whole: TakeResult) -> None:
    partly = _partly(whole, ((0.0, 10.0),))
    spot = partly.coverage.spot
    assert spot is not None
    shares = {"picture.shake": 100.0, "light.flash": 81.0, "picture.black": 80.0}
    bounds = tuple(SpotBound(r, False, s, 1.0, 2.0) for r, s in shares.items())
    seen = replace(partly.coverage, spot=replace(spot, bounds=bounds))
    block = spot_block(replace(partly, coverage=seen))
    assert block is not None
    labels = rule_labels()
    assert [row[0] for row in block.bounds] == [labels["picture.black"]]
    names = ", ".join(sorted(labels[r] for r in ("picture.shake", "light.flash")))
    assert block.unknown == f"Next to nothing is known of: {names}."
