"""Colour channels against a plain conversion of the whole picture, and bars.

Expected shares come from `qc.signal.ycbcr_to_rgb` in float64 over whole planes, and
from colour-science's ``YCbCr_to_RGB``, which knows nothing of ours. Published bars and
ranges are in ``values/channels.toml``, each with its source.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.judge import find
from qc.kernels.channels import thresholds
from qc.measures import exposure
from qc.measures.base import Measured
from qc.measures.channels import MEASURE
from qc.measures.parts.colour.channelcodes import ends, gains, range_codes, repeats
from qc.measures.parts.colour.channelpass import (
    WINDOW,
    Pass,
    Region,
    codes_of_ceilings,
    out_of_range_percent,
    saturated,
)
from qc.measures.parts.colour.channelpiles import Piles, pile_codes
from qc.media.probe import probe
from qc.media.reader import TakeReader
from qc.records import Finding, Grade, Picture
from qc.signal import LUMA_WEIGHTS, Signal, ycbcr_to_rgb
from tests import synth
from tests.pictures import column, measure, reader_of, setup_of

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "channels.toml").read_text("utf-8")
)
# What bars are made of: white, yellow, cyan, green, magenta, red, blue.
BARS = [(1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1)]
# Luma lines and samples that share one chroma sample.
FORMATS = {"4:2:0": (2, 2), "4:2:2": (1, 2), "4:4:4": (1, 1), "4:1:1": (1, 4)}
Plane = NDArray[Any]


def coloured(
    y: Plane,
    cb: Plane,
    cr: Plane,
    *,
    signal: Signal = Signal(),  # noqa: B008 - frozen
    index: int = 0,
    interlaced: bool = False,
    damaged: bool = False,
) -> Picture:
    dtype = np.uint8 if signal.bit_depth == 8 else np.uint16
    planes: list[Plane] = [plane.astype(dtype) for plane in (y, cb, cr)]
    return Picture(
        index=index,
        pts=index,
        duration=1,
        y=planes[0],
        cb=planes[1],
        cr=planes[2],
        signal=signal,
        interlaced=interlaced,
        damaged=damaged,
    )


def codes_of(rgb: Any, signal: Signal = Signal()) -> NDArray[np.int64]:  # noqa: B008
    """Return Y', Cb, Cr codes of R'G'B', by the standards' own equations."""
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    r, g, b = (np.asarray(c, np.float64) for c in np.moveaxis(np.asarray(rgb), -1, 0))
    y = kr * r + (1 - kr - kb) * g + kb * b
    cb, cr = (b - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))
    codes = [
        signal.black + (signal.white - signal.black) * y,
        signal.chroma_zero + signal.chroma_span * cb,
        signal.chroma_zero + signal.chroma_span * cr,
    ]
    return np.clip(np.rint(np.stack(codes, axis=-1)), 0, signal.top).astype(np.int64)


def drawn(rgb: NDArray[np.float64], form: str, signal: Signal, **facts: Any) -> Picture:
    """Make a picture of R'G'B' pixels; chroma is the mean over those that share it."""
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    down, across = FORMATS[form]
    r, g, b = np.moveaxis(rgb, -1, 0)
    y = kr * r + (1 - kr - kb) * g + kb * b
    shape = rgb.shape[0] // down, down, rgb.shape[1] // across, across
    planes = [signal.black + (signal.white - signal.black) * y]
    for difference in ((b - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))):
        mean = difference.reshape(shape).mean(axis=(1, 3))
        planes.append(signal.chroma_zero + signal.chroma_span * mean)
    y, cb, cr = (np.clip(np.rint(p), 0, signal.top) for p in planes)
    return coloured(y, cb, cr, signal=signal, **facts)


def whole_rgb(p: Picture) -> NDArray[np.float64]:
    """Return R', G', B' of every pixel in codes: chroma repeated, plain float64."""
    height, width = p.y.shape
    down, across = repeats(p)
    if p.interlaced and height > 1:
        # Chroma lines belong to the fields in turn; the last of a field holds on.
        own = [list(range(f, p.cb.shape[0], 2)) or [0] for f in (0, 1)]
        line = [
            own[i % 2][min(i // 2 // down, len(own[i % 2]) - 1)] for i in range(height)
        ]
    else:
        line = [i // down for i in range(height)]
    cb, cr = (
        plane[line][:, [j // across for j in range(width)]] for plane in (p.cb, p.cr)
    )
    rgb = ycbcr_to_rgb(p.y, cb, cr, signal=p.signal)
    return p.signal.black + (p.signal.white - p.signal.black) * rgb


def random_picture(
    form: str,
    signal: Signal,
    shape: tuple[int, int],
    number: int,
    *,
    interlaced: bool = False,
) -> Picture:
    """Make a picture of random codes that video may have, most of them bright."""
    random = np.random.default_rng(number)
    down, across = FORMATS[form]
    small = -(-shape[0] // down), -(-shape[1] // across)
    scale = 1 << (signal.bit_depth - 8)
    y = random.integers(90 * scale, 255 * scale, shape)
    # 8-bit Cb over 252 is out of any range; BT.2020 would need codes under 0 there.
    cb, cr = (random.integers(2 * scale, 252 * scale, small) for _ in range(2))
    if number % 3 == 0:  # near no colour, where most pictures are
        cb, cr = (signal.chroma_zero + (c - 128 * scale) // 6 for c in (cb, cr))
    return coloured(y, cb, cr, signal=signal, interlaced=interlaced)


SIGNALS = st.builds(
    Signal,
    bit_depth=st.sampled_from([8, 10, 12, 16]),
    full_range=st.booleans(),
    matrix=st.sampled_from(["bt601", "bt709", "bt2020"]),
)
SHAPES = st.tuples(st.integers(1, 24), st.integers(1, 24))


# ------------------------------------------------------------------------ arithmetic


def at_or_above(p: Picture, line: int, code: int) -> NDArray[np.bool_]:
    """Return where a channel is at or above a code, chroma not shared."""
    return p.y > thresholds(p.cb, p.cr, ends(p.signal, (code,)), line)


@pytest.mark.parametrize(
    ("matrix", "bits", "percent", "codes"), VALUES["bars"]["values"]
)
def test_bars_come_out_as_the_channels_they_are_made_of(
    matrix: Any, bits: int, percent: int, codes: list[list[int]]
) -> None:
    signal = Signal(bit_depth=bits, matrix=matrix)
    y, cb, cr = (np.array([row]) for row in zip(*codes, strict=True))
    p = coloured(y, cb, cr, signal=signal)
    expected = signal.black + (signal.white - signal.black) * percent / 100 * (
        np.array(BARS).T
    )
    # Rounding of the three codes moves B' by at most 1.44 codes of any depth, and the
    # channel is told in whole ones.
    for line, channel in enumerate(expected):
        for place, code in enumerate(channel.tolist()):
            assert at_or_above(p, line, math.ceil(code - 1.95))[0, place]
            assert not at_or_above(p, line, math.floor(code + 1.95) + 1)[0, place]


@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
def test_channels_are_colour_sciences(matrix: Any) -> None:
    kr, kb = LUMA_WEIGHTS[matrix]
    for full_range in (False, True):
        signal = Signal(bit_depth=10, matrix=matrix, full_range=full_range)
        p = random_picture("4:4:4", signal, (40, 40), 1)
        theirs = colour.YCbCr_to_RGB(
            np.stack([p.y, p.cb, p.cr], axis=-1).astype(np.float64),
            K=np.array([kr, kb]),
            in_bits=10,
            in_legal=not full_range,
            in_int=True,
            out_bits=10,
            out_legal=False,
            out_int=False,
        )
        codes = signal.black + (signal.white - signal.black) * theirs
        # Halves aside, which may be rounded either way.
        clear = np.abs(codes - np.floor(codes) - 0.5) > 0.002
        for code in (signal.white - 8, signal.white, signal.white + 20):
            for line in range(3):
                found = at_or_above(p, line, code)
                expected = np.rint(codes[..., line]) >= code
                assert expected.any()
                assert (found == expected)[clear[..., line]].all()


@pytest.mark.parametrize("full_range", [False, True])
@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
def test_rounding_hides_no_clipped_channel(matrix: Any, full_range: bool) -> None:
    # A channel clipped at its end and coded in 8 bits is still within the window.
    signal = Signal(matrix=matrix, full_range=full_range)
    rgb = np.random.default_rng(3).uniform(0, 1, (20_000, 3))
    for channel in range(3):
        clipped = rgb.copy()
        clipped[:, channel] = 1.0
        y, cb, cr = np.moveaxis(codes_of(clipped, signal), -1, 0)
        back = ycbcr_to_rgb(y, cb, cr, signal=signal)[:, channel]
        lost = (1.0 - back.min()) * (signal.white - signal.black)
        worst = 0.5 + 0.5 * sum(abs(g) for g in gains(signal)[channel])
        assert lost <= worst < WINDOW


@pytest.mark.parametrize(
    ("bits", "lowest", "highest", "percent"), VALUES["range"]["values"]
)
def test_the_range_is_that_of_r103(
    bits: int, lowest: int, highest: int, percent: float
) -> None:
    signal = Signal(bit_depth=bits)
    assert range_codes(signal) == (lowest, highest)
    y = np.full((10, 10), signal.code(50))
    y[0] = lowest
    y[1] = highest
    grey = np.full((5, 5), signal.chroma_zero)
    assert (
        out_of_range_percent(coloured(y, grey, grey, signal=signal), signal=signal) == 0
    )
    y[0, :3] -= 1
    y[1, :4] += 1
    p = coloured(y, grey, grey, signal=signal)
    assert out_of_range_percent(p, signal=signal) == 7


# ------------------------------------------------------- exact against whole pictures


def ties(signal: Signal) -> float:
    """Return by how many codes the fast way may miss half a code.

    Its gains are whole multiples of 2**(bit depth - 29), wrong by half of one at most
    (exact arithmetic), and multiply two chroma codes under 2**(bit depth). At 16 bits
    that is 8 codes, 0.012 % of the range. Float32 leaves 0.01 elsewhere.
    """
    return max(0.01, 2.0 ** (2 * signal.bit_depth - 29))


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(sorted(FORMATS)),
    SIGNALS,
    SHAPES,
    st.booleans(),
    st.floats(60, 108),
    st.integers(0, 2**32 - 1),
)
def test_shares_are_those_of_a_whole_conversion(
    form: str,
    signal: Signal,
    shape: tuple[int, int],
    interlaced: bool,
    level: float,
    number: int,
) -> None:
    p = random_picture(form, signal, shape, number, interlaced=interlaced)
    codes = whole_rgb(p)
    window = WINDOW << (signal.bit_depth - 8)
    low = p.y < min(signal.first_code_at(level), signal.white - window)
    shares = Pass(signal, level_percent=level).shares(p)
    # Rounded to whole codes; float32 in the fast way leaves ties open.
    tie = ties(signal)
    for slack, holds in ((0.5 + tie, np.less_equal), (0.5 - tie, np.greater_equal)):
        for i, ceiling in enumerate(codes_of_ceilings(signal)):
            over = (codes >= ceiling - window - slack) & low[..., None]
            rounding = 1e-4 if slack > 0.5 else -1e-4  # of the shares, float32
            each = 100 * over.sum(axis=(0, 1)) / p.y.size + rounding
            either = 100 * over.any(axis=-1).sum() / p.y.size + rounding
            assert holds(shares.channels[:, i], each).all()
            assert holds(shares.any_channel[i], either)
    assert np.isnan(shares.channels[:, len(codes_of_ceilings(signal)) :]).all()


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(sorted(FORMATS)),
    SIGNALS,
    SHAPES,
    st.booleans(),
    st.integers(0, 2**32 - 1),
)
def test_range_and_mark_are_those_of_a_whole_conversion(
    form: str, signal: Signal, shape: tuple[int, int], interlaced: bool, number: int
) -> None:
    p = random_picture(form, signal, shape, number, interlaced=interlaced)
    codes = whole_rgb(p)
    lowest, highest = range_codes(signal)
    ours = out_of_range_percent(p, signal=signal) * p.y.size / 100
    with_y = np.concatenate([codes, p.y[..., None]], axis=-1)
    counts = [
        ((with_y > highest + s) | (with_y < lowest - s)).any(axis=-1).sum()
        for s in (0.5 + ties(signal), 0.5 - ties(signal))
    ]
    assert counts[0] - 1e-6 <= ours <= counts[1] + 1e-6
    window = WINDOW << (signal.bit_depth - 8)
    low = p.y < signal.first_code_at(95)
    for i, ceiling in enumerate(codes_of_ceilings(signal)):
        mask = saturated(p, level_percent=95, ceiling=i)
        surely, maybe = (
            (codes >= ceiling - window - s).any(axis=-1) & low
            for s in (0.5 - ties(signal), 0.5 + ties(signal))
        )
        assert (mask >= surely).all()
        assert (mask <= maybe).all()


@pytest.mark.parametrize("form", sorted(FORMATS))
def test_colour_science_counts_the_same_red(form: str) -> None:
    signal = Signal(bit_depth=10)
    p = random_picture(form, signal, (48, 64), 9)
    down, across = FORMATS[form]
    cb, cr = (np.kron(c, np.ones((down, across))) for c in (p.cb, p.cr))
    theirs = colour.YCbCr_to_RGB(
        np.stack([p.y, cb, cr], axis=-1).astype(np.float64),
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        in_bits=10,
        in_legal=True,
        in_int=True,
        out_bits=10,
        out_legal=True,
        out_int=True,
    )
    low = p.y < 897  # first code at 95 %
    over = (theirs >= 940 - 8) & low[..., None]
    shares = Pass(signal, level_percent=95).shares(p)
    assert shares.channels[:, 0] == pytest.approx(
        100 * over.sum(axis=(0, 1)) / p.y.size, abs=1e-4
    )


@pytest.mark.parametrize("form", sorted(FORMATS))
def test_repeated_chroma_errs_only_beside_colour_edges(form: str) -> None:
    # A red disc at its end on grey, drawn in R'G'B'. Chroma shared across the edge is
    # wrong there: at most the pixels of chroma samples that the edge runs through.
    signal = Signal()
    rows, columns = np.indices((240, 320))
    disc = (rows - 117) ** 2 + (columns - 158) ** 2 < 71**2
    rgb = np.where(disc[..., None], [1.0, 0.25, 0.2], [0.4, 0.4, 0.4])
    p = drawn(rgb, form, signal)
    shares = Pass(signal, level_percent=95).shares(p)
    down, across = FORMATS[form]
    blocks = disc.reshape(240 // down, down, 320 // across, across)
    inside = blocks.sum(axis=(1, 3))
    mixed = ((inside > 0) & (inside < down * across)).sum() * down * across
    error = abs(shares.channels[0, 0] - 100 * disc.mean())
    assert error <= 100 * mixed / disc.size + 1e-4
    assert error < 1.0  # of 20.6 %
    if form == "4:4:4":
        assert error < 1e-4
    mask = saturated(p, level_percent=95)
    wrong = mask != disc
    far = np.kron((inside > 0) & (inside < down * across), np.ones((down, across)))
    assert not (wrong & (far == 0)).any()


def test_interlaced_chroma_belongs_to_its_field() -> None:
    # 4:2:0, fields of different moments: one grey, one red. Read as frames, chroma
    # lines would be put on lines of the other field.
    rgb = np.zeros((64, 64, 3))
    rgb[0::2] = [1.0, 0.3, 0.3]
    rgb[1::2] = [0.2, 0.2, 0.2]
    y, cb, cr = np.moveaxis(codes_of(rgb), -1, 0)
    lines = [4 * (k // 2) + k % 2 for k in range(32)]
    planes = y, cb[lines][:, ::2], cr[lines][:, ::2]
    shares = Pass(Signal(), level_percent=95).shares(coloured(*planes, interlaced=True))
    assert shares.channels[:, 0].tolist() == [50, 0, 0]
    mistaken = Pass(Signal(), level_percent=95).shares(coloured(*planes))
    assert mistaken.channels[0, 0] == 25


def test_planes_that_do_not_belong_together_are_told() -> None:
    p = coloured(np.zeros((8, 8)), np.zeros((3, 5)), np.zeros((3, 5)))
    with pytest.raises(ValueError, match="chroma of 5 x 3 does not belong"):
        repeats(p)


def test_the_threshold_is_the_code_less_the_shift() -> None:
    # BT.709, full range: a Cr 10 codes over no colour lifts R' by 15.748.
    signal = Signal(full_range=True)
    cb, cr = np.full((1, 1), 128, np.uint8), np.full((1, 1), 138, np.uint8)
    red, green, blue = (
        thresholds(cb, cr, ends(signal, (255,)), line) for line in range(3)
    )
    assert (red.item(), blue.item()) == (255 - 1 - 16, 254)
    assert green.item() == 255  # G' falls by 4.68: no code reaches it


# ------------------------------------------------------------------------- one picture


def read(p: Picture, level: float = 95.0, region: Region | None = None) -> Any:
    return Pass(p.signal, level_percent=level).shares(p, region)


def flat(rgb: Any, shape: tuple[int, int] = (40, 60), **facts: Any) -> Picture:
    signal = facts.pop("signal", Signal())
    return drawn(np.tile(np.array(rgb, float), (*shape, 1)), "4:2:0", signal, **facts)


def test_grey_never_saturates_under_the_level() -> None:
    for grey in (0.5, 0.94, 1.0, 1.08):
        for level in (95, 109):
            assert read(flat([grey] * 3), level).any_channel[0] == 0


def test_white_at_its_end_does_not_count_but_red_does() -> None:
    rgb = np.tile(np.array([0.4, 0.3, 0.3]), (40, 60, 1))
    rgb[:10, :20] = 1.0  # a swab
    rgb[20:30, 30:50] = [1.0, 0.62, 0.6]
    shares = read(drawn(rgb, "4:2:0", Signal()))
    assert shares.channels[:, 0] == pytest.approx([100 * 200 / 2400, 0, 0])
    assert shares.box == (30, 20, 20, 10)
    # 0.2126 + 0.7152 x 0.62 + 0.0722 x 0.6
    assert shares.luma[0] == pytest.approx(69.9, abs=0.3)


def test_only_judged_pixels_count() -> None:
    p = flat([1.0, 0.5, 0.5])
    mask = np.zeros((40, 60), bool)
    mask[3:17, 5:9] = True
    for interlaced in (False, True):
        p.interlaced = interlaced
        shares = read(p, region=Region(mask))
        assert shares.channels[0, 0] == pytest.approx(100 * 14 * 4 / 2400)


def test_higher_ceilings_are_counted_too() -> None:
    random = np.random.default_rng(4)
    field = np.kron(random.uniform(0.7, 1.2, (36, 64)), np.ones((20, 20)))
    rgb = np.stack([field, 0.5 * field, 0.5 * field], axis=-1)
    p = drawn(rgb, "4:4:4", Signal())
    codes = np.rint(whole_rgb(p))
    shares = read(p)
    for i, ceiling in enumerate(codes_of_ceilings(Signal())):
        exact = 100 * (codes[..., 0] >= ceiling - WINDOW).mean()
        assert exact > 15
        assert shares.channels[0, i] == pytest.approx(exact, abs=1e-4)


# --------------------------------------------------------------- where channels end


def clipped_take(at: float, *, number: int = 0, bits: int = 8, top: float = 1.3) -> Any:
    """Make pictures of a camera that clips R', G', B' at a level, with some noise."""
    random = np.random.default_rng(number)
    signal = Signal(bit_depth=bits)
    out = []
    for i in range(6):
        field = np.kron(random.uniform(0.2, top, (24, 32)), np.ones((8, 8)))
        field += random.normal(0, 0.004, field.shape)
        rgb = np.stack([field, 0.6 * field, 0.55 * field], axis=-1)
        rgb[:16, :64] = 2.0  # a burnt-out swab shows where the camera clips
        rgb = np.minimum(rgb, at)
        out.append(drawn(rgb, "4:2:0", signal, index=5 * i))
    return out


@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize(
    ("at", "ceiling"), [(1.0, 0), (1.03, 1), (1.05, 2), (1.07, 3), (1.087, 4)]
)
def test_a_cameras_clip_is_found(at: float, ceiling: int, bits: int) -> None:
    piles = Piles(Signal(bit_depth=bits))
    for p in clipped_take(at, bits=bits):
        piles.add(p)
    assert piles.ceiling() == (ceiling, True)


def test_a_take_that_never_gets_there_is_judged_at_100() -> None:
    piles = Piles(Signal())
    for p in clipped_take(1.09, top=0.8):
        p.y = np.minimum(p.y, 180)
        piles.add(p)
    assert piles.ceiling() == (0, False)
    assert not piles.runs_past_white()


def test_a_smooth_run_past_white_is_no_pile_up() -> None:
    counts = np.zeros(320, np.int64)
    counts[:280] = np.linspace(4000, 0, 280).astype(np.int64)
    assert pile_codes(counts, white=235) == []
    counts[246] += 20_000
    assert pile_codes(counts, white=235)[0] in range(244, 249)
    counts[235] += 20_000
    assert pile_codes(counts, white=235)[0] in range(233, 238)


def test_full_range_ends_at_white() -> None:
    signal = Signal(full_range=True)
    assert codes_of_ceilings(signal) == (255,)
    shares = read(flat([1.0, 0.5, 0.4], signal=signal))
    assert shares.channels[0, 0] == 100
    assert np.isnan(shares.channels[0, 1:]).all()


# ------------------------------------------------------------------------ whole takes


def taken(
    pictures: list[Picture], changes: Mapping[str, object] | None = None, **facts: Any
) -> Measured:
    setup = setup_of(changes, signal=pictures[0].signal, **facts)
    return measure(pictures, setup, [exposure.MEASURE, MEASURE])


def found(measured: Measured) -> list[Finding]:
    return [f for f in find(measured, [MEASURE]) if f.rule == "highlights.channel"]


def tissue(share: float, red: Any = (1.0, 0.62, 0.6), **facts: Any) -> Picture:
    """Make a picture whose left part, a share of it, has red at its end."""
    rgb = np.tile(np.array([0.45, 0.3, 0.28]), (50, 100, 1))
    rgb[:, : round(100 * share)] = red
    form = facts.pop("form", "4:2:0")
    return drawn(rgb, form, facts.pop("signal", Signal()), **facts)


def test_saturated_red_is_found_to_the_frame_and_named() -> None:
    pictures = [tissue(0.06 if 12 <= i < 33 else 0.0, index=i) for i in range(50)]
    (finding,) = found(taken(pictures))
    assert (finding.start_frame, finding.end_frame) == (12, 33)
    assert finding.grade is Grade.REVIEW
    assert finding.worst == pytest.approx(6.0)
    assert finding.where == (0, 0, 6, 50)
    assert finding.message == (
        "Red saturates on 6.0 % of the picture while luma is at 70 %: texture in "
        "tissue is lost (limit 3 %)."
    )
    assert finding.advice.startswith("Close the iris")
    assert "saturation, colour matrix and white balance" in finding.advice


def test_much_of_the_picture_is_rejected_and_little_let_pass() -> None:
    (finding,) = found(taken([tissue(0.2, index=i) for i in range(25)]))
    assert finding.grade is Grade.REJECT
    assert not found(taken([tissue(0.02, index=i) for i in range(25)]))


@pytest.mark.parametrize(
    ("colour_", "said"),
    [
        ((0.4, 0.45, 1.0), "Blue saturates on"),
        ((0.5, 1.0, 0.5), "Green saturates on"),
        ((1.0, 1.0, 0.2), "Red and green saturate on"),
    ],
)
def test_the_channel_is_named(colour_: Any, said: str) -> None:
    pictures = [tissue(0.1, colour_, index=i) for i in range(25)]
    (finding,) = found(taken(pictures))
    assert finding.message.startswith(said)
    alone = "saturates" in said
    assert ("colour matrix" in finding.advice) == alone


def test_swabs_and_ignored_regions_do_not_count() -> None:
    white = [tissue(0.3, (1.0, 1.0, 1.0), index=i) for i in range(25)]
    assert not found(taken(white))
    red = [tissue(0.3, index=i) for i in range(25)]
    ignored = {"highlights.ignore": [[0.0, 0.0, 0.5, 1.0]]}
    assert not found(taken(red, ignored))
    relevant = {"highlights.relevant": [[0.2, 0.0, 0.8, 1.0]]}
    measured = taken(red, relevant)
    assert column(measured, "channels.red_percent") == pytest.approx(10.0)


def test_no_pixel_left_to_judge_is_unknown_and_said() -> None:
    everything = {"highlights.ignore": [[0.0, 0.0, 1.0, 1.0]]}
    measured = taken([tissue(0.3, index=i) for i in range(10)], everything)
    assert np.isnan(column(measured, "channels.any_percent")).all()
    assert MEASURE.notes is not None
    assert any("leave no pixel" in n for n in MEASURE.notes(measured))


def test_a_camera_that_clips_at_105_is_judged_there() -> None:
    # R' runs smoothly to 104 % on 30 % of the picture, a swab piles up at 105 %.
    ramp = np.linspace(0.98, 1.04, 30)
    rgb = np.tile(np.array([0.45, 0.3, 0.28]), (50, 100, 1))
    rgb[:, :30, 0] = ramp
    rgb[:, :30, 1:] = 0.5
    rgb[:20, 80:] = 1.05
    signal = Signal(bit_depth=10)
    pictures = [drawn(rgb, "4:2:2", signal, index=i) for i in range(25)]
    measured = taken(pictures)
    assert not found(measured)
    assert column(measured, "channels.red_from_percent")[0, 0] > 15
    assert MEASURE.notes is not None
    assert any("up to about 105" in n for n in MEASURE.notes(measured))
    # The same tissue clipped there is found, and the mark shows it.
    rgb[:, :30, 0] = 1.05
    pictures = [drawn(rgb, "4:2:2", signal, index=i) for i in range(25)]
    (finding,) = found(taken(pictures))
    assert finding.worst == pytest.approx(30.0)


def test_a_run_past_100_without_a_pile_up_is_told() -> None:
    rgb = np.tile(np.array([0.45, 0.3, 0.28]), (50, 100, 1))
    rgb[..., 0] = np.linspace(0.5, 1.08, 5000).reshape(50, 100)
    measured = taken([drawn(rgb, "4:2:0", Signal(), index=i) for i in range(25)])
    assert len(found(measured)) == 1
    assert MEASURE.notes is not None
    assert any("no upper end was seen" in n for n in MEASURE.notes(measured))


def test_range_is_noted_only_beyond_one_percent() -> None:
    assert MEASURE.notes is not None
    for share, told in ((0.0, False), (0.01, False), (0.02, True)):
        red = (1.08, 0.3, 0.3)
        pictures = [tissue(share, red, form="4:4:4", index=i) for i in range(25)]
        measured = taken(pictures)
        assert column(measured, "channels.out_of_range_percent")[-1] == pytest.approx(
            100 * share
        )
        notes = [n for n in MEASURE.notes(measured) if "R 103" in n]
        assert bool(notes) == told
    assert "for 1.0 s; worst 2.0 % of the picture at 00:00:00:00" in notes[0]


@pytest.mark.parametrize("transfer", ["pq", "hlg"])
def test_hdr(transfer: Any) -> None:
    signal = Signal(bit_depth=10, transfer=transfer, matrix="bt2020")
    pictures = [
        tissue(0.3, (1.08, 0.4, 0.4), signal=signal, index=i) for i in range(25)
    ]
    measured = taken(pictures)
    assert MEASURE.notes is not None
    notes = " ".join(MEASURE.notes(measured))
    # R 103's range is not held against HDR; PQ has no end at 100 %.
    assert "R 103" not in notes
    assert ("is PQ" in notes) == (transfer == "pq") == (not found(measured))


def test_a_damaged_picture_is_unknown_and_not_held_over() -> None:
    pictures = [
        tissue(0.3 if i < 5 else 0.0, index=i, damaged=i == 5) for i in range(10)
    ]
    values = column(taken(pictures), "channels.any_percent")
    assert values[:5] == pytest.approx(30.0)
    assert math.isnan(values[5])
    assert (values[6:] == 0).all()


def test_pictures_are_looked_at_twice_a_second_by_time_and_when_they_change() -> None:
    looked: list[int] = []
    setup = setup_of(rate=Fraction(50))
    reader: Any = reader_of(MEASURE, setup)
    through = reader._pass.shares

    def spy(p: Picture, region: Region | None) -> Any:
        looked.append(p.pts)
        return through(p, region)

    reader._pass.shares = spy
    still, changed = tissue(0.1), tissue(0.12)
    for pts in (0, 1, 24, 25, 26, 49, 90, 91):  # frames may be missing
        still.pts = pts
        reader.read(still)
    changed.pts = 92
    reader.read(changed)
    assert looked == [0, 25, 90, 92]
    # Back in time, after a clock began anew: looked at again.
    still.pts = 3
    reader.read(still)
    assert looked[-1] == 3


def test_what_is_held_is_off_by_no_more_than_told() -> None:
    # Red spreads and shrinks within a second: frames that are not looked at in whole
    # are off by half a percent of the picture, or a tenth of what was there, at most
    # (the grid of places itself by a line of it: 1 / 160).
    pictures = []
    exact = []
    for i in range(50):
        width = 2 * round(32 * math.sin(math.pi * i / 50) ** 2)
        rgb = np.tile(np.array([0.45, 0.3, 0.28]), (200, 320, 1))
        rgb[:, :width] = [1.0, 0.62, 0.6]
        pictures.append(drawn(rgb, "4:2:0", Signal(), index=i))
        exact.append(100 * width / 320)
    measured = taken(pictures, rate=Fraction(50))
    values = column(measured, "channels.red_percent").astype(float)
    allowed = np.maximum(0.5, 0.1 * np.array(exact)) + 100 / 160
    assert (abs(values - exact) <= allowed).all()
    assert max(values) == pytest.approx(20.0, abs=2.0)
    looked_at = measured.totals["channels"]["frames_looked_at_percent"]
    assert isinstance(looked_at, float)
    assert looked_at < 90


def test_tiny_and_empty_pictures() -> None:
    grey = np.full((1, 1), 128)
    for size in (1, 2):
        y = np.full((size, size), 100)
        assert read(coloured(y, grey, grey)).any_channel[0] == 0
    empty = coloured(np.zeros((0, 0)), np.zeros((0, 0)), np.zeros((0, 0)))
    assert reader_of(MEASURE, setup_of()).read(empty) == {}


def test_a_recording_coded_in_rgb(tmp_path: Path) -> None:
    # Red at its end on a quarter of the picture; green and blue hold texture.
    random = np.random.default_rng(6)
    red, green, blue = (random.uniform(0.1, 0.6, (48, 64)) for _ in range(3))
    red[:, :16] = 1.0
    planes = tuple(np.rint(1023 * c).astype(np.uint16) for c in (green, blue, red))
    video = synth.Video("ffv1", "gbrp10le")
    path = synth.write(tmp_path / "rgb.mkv", [planes] * 3, video)
    info = probe(path)
    assert info.video is not None
    with TakeReader(info) as reader:
        pictures = [(p, read(p)) for p in reader if isinstance(p, Picture)]
    assert len(pictures) == 3
    for p, shares in pictures:
        assert p.signal == info.video.signal
        assert shares.channels[:, 0].tolist() == [25, 0, 0]


def test_the_mark_is_what_counts() -> None:
    pictures = [tissue(0.3, index=i) for i in range(25)]
    changes = {"highlights.ignore": [[0.0, 0.0, 0.1, 1.0]]}
    setup = setup_of(changes)
    (finding,) = found(taken(pictures, changes))
    assert MEASURE.mark is not None
    marks = MEASURE.mark(pictures[0], setup, finding)
    ((kind, mask),) = marks.areas
    assert kind == "channel"
    assert mask.shape == (50, 100)
    assert np.array_equal(np.flatnonzero(mask.all(axis=0)), range(10, 30))
    assert finding.worst == pytest.approx(100 * mask.mean())


def test_the_summary_has_the_figures() -> None:
    assert MEASURE.summarise is not None
    summary = MEASURE.summarise(taken([tissue(0.06, index=i) for i in range(25)]))
    assert summary["red_max_percent"] == pytest.approx(6.0)
    assert summary["any_mean_percent"] == pytest.approx(6.0)
    assert (summary["ceiling_percent"], summary["ceiling_seen"]) == (100.0, True)
    assert summary["green_max_percent"] == 0
