"""Fits the weights that tell a burnt-out swab from what matters, on "tune" takes alone.

    python tests/bench/fit_highlights.py [--count N] [--keep FOLDER] [--onward]
                                         [--check] [--write]

Draws takes 0 to N - 1 of the family's "tune" split (`sample_media/theatre/family.py`)
at their own and at the right exposure, and their fields under other takes' lamps and
cameras, since few are under a lamp that the camera is not balanced for, and under lamps
greener or pinker than a black body; measures every
burnt-out place of them with the code that measures real takes (`brightparts.look_at`),
and fits two small networks (`smallnet`): the first weighs a place's features; the
second weighs them again together with what the first says of the neighbourhood and of
the whole object. So that the second sees the first as it is on takes that are new to
it, half the takes are shown what a fit to the other half says. `--check` prints what
fits do to a quarter of the takes that is left out. `--write` puts the tables into
`brightfirst.py` and `brightsecond.py`. `--keep` keeps what was measured: a second run
need not draw again. `--onward` fits on from the tables as they stand and goes half the
way to what that makes of them. Run `fit_lamps` before: features are measured against
the white that it tells.

The tables as they stand were fitted to takes 0 to 706, of 0 to 428 at two or three
exposures, and to the fields of 108 takes from 932 to 1098 under other lamps; then, when
`fit_lamps` had learnt of tints, onward to takes 277 to 428, those 108, and 192 takes
from 1200 to 1399 under tinted lamps. Half the way: on takes left out that gives tinted
lamps most of what the whole way does, and takes next to nothing from the others.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "sample_media")]

from qc.measures.parts.burnt import brightfirst, brightsecond  # noqa: E402
from qc.measures.parts.burnt.brightagain import AGAIN, again_of  # noqa: E402
from qc.measures.parts.burnt.brightblocks import at_least, block_counts  # noqa: E402
from qc.measures.parts.burnt.brightfeatures import FEATURES, Places  # noqa: E402
from qc.measures.parts.burnt.brightparts import BrightMemory, look_at  # noqa: E402
from qc.measures.parts.burnt.brightweights import Network  # noqa: E402
from qc.records import Picture  # noqa: E402
from qc.signal import Signal  # noqa: E402
from tests.bench import smallnet  # noqa: E402
from tests.bench.plainfield import PlainField  # noqa: E402
from tests.bench.tinted import tinted  # noqa: E402

Array = NDArray[np.float64]
Rows = NDArray[np.float32]

_TABLES = _ROOT / "qc" / "measures" / "parts" / "burnt"
RANDOM_STATE = 1
_RIGHT_STOPS, _OVER_STOPS = -0.15, (0.3, 1.6)
# Places of a frame that are fitted to; together they weigh as the root of their share,
# so that no vast one rules.
_MOST_PLACES, _SHARE_ADDED = 160, 0.002
# Rendered takes share one hand, plain fields have another.
_PLAIN = 600
_LEFT_OUT = 4
# Under so many others each field is shot, the last of them any lamp and any balance.
_RELIT, _OTHERS_FROM = 3, 10_000
_OVERS = ((0.1, 1.0), (0.3, 1.9), (-0.15, 0.7))
_KELVIN, _BALANCES, _BALANCED = (2800.0, 7000.0), (3000.0, 6500.0), 0.3
_THRESHOLDS = (-0.5, 0.0, 0.3)


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """The burnt-out places of one frame, and the truth.

    Attributes
    ----------
    share : (n, 2) array
        Burnt pixels that matter, and of white things, as shares of their picture.
    take : int
        Which take it is of; plain fields count down from -1.
    """

    places: Places
    share: Rows
    take: int


def exposures(case: Any) -> Iterator[Any]:
    """Give a take at its own exposure, and the right one, or over it."""
    yield case
    if case.plan.kind == "good field":
        rng = np.random.default_rng([RANDOM_STATE, case.plan.number])
        over = float(rng.uniform(*_OVER_STOPS))
        yield case.exposed(over, over)
    elif case.plan.table.pieces:
        yield case.exposed(_RIGHT_STOPS, _RIGHT_STOPS)


def relit(case: Any) -> Iterator[Any]:
    """Give a take's field under other takes' lamps, balances and cameras."""
    from theatre import family, plans  # type: ignore[import-not-found]

    plan = case.plan
    rng = np.random.default_rng([RANDOM_STATE, 3, plan.number])
    for index in range(_RELIT):
        other = plans.plan("tune", _OTHERS_FROM + (_RELIT + 1) * plan.number + index)
        lamp, balance = other.light, other.balanced_to
        if index == _RELIT - 1:
            lamp = (float(rng.uniform(*_KELVIN)), 0.0)
            even = rng.random() < _BALANCED
            balance = lamp if even else (float(rng.uniform(*_BALANCES)), 0.0)
        over = float(rng.uniform(*_OVERS[index]))
        yield family.Case(
            replace(
                plan, over=(over, over), light=lamp, balanced_to=balance,
                sensor=other.sensor, anchor=other.anchor,
            )
        )  # fmt: skip


def measure_frames(case: Any, frames: Any, take: int) -> Iterator[Frame]:
    """Give each frame's burnt-out places."""
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    memory, code = BrightMemory(), case.first_code
    for index, ((y, cb, cr), truth) in enumerate(frames):
        picture = Picture(
            index=index, pts=index, duration=1, y=y, cb=cb, cr=cr, signal=signal
        )
        mask, counts = at_least(y, code), block_counts(y, code)
        places = look_at(picture, counts, code=code, memory=memory).places
        if not places.at.size or mask.mean() < _SHARE_ADDED:
            continue
        down, across = places.shape
        shares = [
            cv2.resize(
                m.astype(np.float32), (across, down), interpolation=cv2.INTER_AREA
            ).ravel()[places.at] / (down * across)
            for m in (truth.relevant, truth.swab)
        ]  # fmt: skip
        yield Frame(_lean(places), np.stack(shares, axis=1).astype(np.float32), take)


def _lean(places: Places) -> Places:
    """Return places without the map, which is not fitted to."""
    return replace(places, white=np.zeros((0, 0), np.float32))


@dataclass(frozen=True, slots=True)
class _Masks:
    relevant: NDArray[np.bool_]
    swab: NDArray[np.bool_]


def measure_plain(count: int) -> Iterator[Frame]:
    """Measure plain fields."""
    for number in range(count):
        field = PlainField(number)
        planes, (matters, white) = field.frame()
        burns = planes[0] >= field.first_code
        masks = _Masks(burns & matters, burns & white)
        yield from measure_frames(field, [(planes, masks)], -1 - number)


_PARTS = ("at", "burnt", "rows", "area", "object")


def keep(path: Path, frames: Sequence[Frame]) -> None:
    """Write a take's frames into a file."""
    parts = {n: np.concatenate([getattr(f.places, n) for f in frames]) for n in _PARTS}
    np.savez(
        path,
        allow_pickle=False,
        share=np.concatenate([f.share for f in frames]),
        shapes=np.array([f.places.shape for f in frames]),
        sizes=np.array([len(f.share) for f in frames]),
        takes=np.array([f.take for f in frames]),
        **parts,
    )


def kept(path: Path) -> Iterator[Frame]:
    """Read what `keep` wrote."""
    with np.load(path) as file:
        parts = {name: file[name] for name in (*_PARTS, "share")}
        sizes, shapes = file["sizes"].tolist(), file["shapes"].tolist()
        takes = file["takes"].tolist()
    end = 0
    for (down, across), size, take in zip(shapes, sizes, takes, strict=True):
        end += size
        of = {name: part[end - size : end] for name, part in parts.items()}
        share = of.pop("share")
        places = Places((down, across), white=np.zeros((0, 0), np.float32), **of)
        yield Frame(places, share, take)


def draw(count: int, folder: Path | None) -> list[Frame]:
    """Draw takes and measure them; takes kept from before are read."""
    from theatre import family  # type: ignore[import-not-found]

    frames: list[Frame] = []
    for case in family.cases("tune", count):
        number = case.plan.number
        path = None if folder is None else folder / f"tune{number:03d}.npz"
        if path is not None and path.exists():
            frames += kept(path)
            continue
        of = [
            frame
            for take in (*exposures(case), *relit(case), *tinted(case))
            for frame in measure_frames(take, take.frames(1, 3, coded=True), number)
        ]
        if of and path is not None:
            keep(path, of)
        frames += of
        print(f"take {number}: {len(of)} frames", flush=True)
    path = None if folder is None else folder / f"plain{_PLAIN}.npz"
    if path is not None and path.exists():
        return frames + list(kept(path))
    of = list(measure_plain(_PLAIN))
    if path is not None:
        keep(path, of)
    return frames + of


def _sample(
    frames: Sequence[Frame], again: Sequence[Rows] | None = None
) -> tuple[Rows, Array]:
    """Return some places of each frame, and what each counts for as either kind.

    Both kinds weigh alike in all.
    """
    rng = np.random.default_rng(RANDOM_STATE)
    rows, weights = [], []
    for number, frame in enumerate(frames):
        share = frame.share.astype(np.float64)
        count = len(share)
        some = rng.choice(count, min(_MOST_PLACES, count), replace=False)
        own = share / np.sqrt(share.sum() + _SHARE_ADDED) * (count / len(some))
        some = some[share[some].sum(axis=1) > 0]
        parts = [frame.places.rows[some]]
        if again is not None:
            parts.append(again[number][some])
        rows.append(np.concatenate(parts, axis=1))
        weights.append(own[some])
    weight = np.concatenate(weights)
    return np.concatenate(rows), weight / weight.sum(axis=0) * len(weight) / 2


def _heard(frames: Sequence[Frame], first: smallnet.Net) -> list[Rows]:
    return [again_of(f.places, first.merits(f.places.rows)) for f in frames]


def present() -> tuple[smallnet.Net, smallnet.Net]:
    """Return both networks as their tables stand."""
    nets = []
    for names, of in ((FEATURES, brightfirst), (FEATURES + AGAIN, brightsecond)):
        net = Network.of(names, of.TABLE, of.HIDDEN, of.OUT, of.CONSTANT)
        mean, spread, bias = (
            part[:, 0].copy() for part in (net.mean, net.spread, net.bias)
        )
        weight = np.ascontiguousarray(net.weight.T)
        nets.append(
            smallnet.Net(mean, spread, weight, bias, net.out, float(net.constant))
        )
    return nets[0], nets[1]


Pair = tuple[smallnet.Net, smallnet.Net]


def fit(frames: Sequence[Frame], start: Pair | None = None) -> Pair:
    """Fit the first network, and the second to what firsts say of takes new to them.

    Parameters
    ----------
    start : pair of networks or None
        What to fit on from; None: from chance.
    """
    begin, then = (None, None) if start is None else start
    takes = np.random.default_rng(RANDOM_STATE).permutation(
        np.unique([f.take for f in frames])
    )
    again: list[Rows] = [np.zeros((0, 0), np.float32)] * len(frames)
    for fold in range(2):
        out = np.isin([f.take for f in frames], takes[fold::2])
        shown = [f for f, left in zip(frames, out, strict=True) if not left]
        first = smallnet.fit(*_sample(shown), 2 + fold, start=begin)
        for index in np.flatnonzero(out).tolist():
            again[index] = _heard([frames[index]], first)[0]
    first = smallnet.fit(*_sample(frames), 0, start=begin)
    return first, smallnet.fit(*_sample(frames, again), 1, start=then)


def half_way(start: Pair, end: Pair) -> Pair:
    """Return networks whose weights are the mean of two pairs."""
    nets = [
        smallnet.Net(
            one.mean,
            one.spread,
            *(
                np.float32(0.5) * (getattr(one, name) + getattr(two, name))
                for name in ("weight", "bias", "out")
            ),
            0.5 * (one.constant + two.constant),
        )
        for one, two in zip(start, end, strict=True)
    ]
    return nets[0], nets[1]


def onward(frames: Sequence[Frame]) -> Pair:
    """Fit on from the tables as they stand, and go half the way."""
    start = present()
    return half_way(start, fit(frames, start))


def _told(
    frames: Sequence[Frame], merits: Sequence[Rows], threshold: float, name: str
) -> str:
    matters, taken, kept_ = 0.0, 0.0, 0.0
    white: list[float] = []
    for frame, merit in zip(frames, merits, strict=True):
        counted = merit < threshold
        own, swab = frame.share.sum(axis=0, dtype=np.float64)
        of_own, of_swab = frame.share[counted].sum(axis=0, dtype=np.float64)
        matters, kept_, taken = matters + own, kept_ + of_own, taken + of_swab
        if swab > 2e-4:
            white.append(of_swab / swab)
    return (
        f"{name}, swab from {threshold:4.1f}: of swab taken for relevant "
        f"{100 * np.mean(white):5.1f} %, of relevant kept "
        f"{100 * kept_ / matters:5.1f} %, overlap {kept_ / (matters + taken):.3f}"
    )


def check(frames: Sequence[Frame], on: bool) -> Iterator[str]:
    """Say what fits do to a part of the takes that they were not fitted on.

    Parameters
    ----------
    on : bool
        Fit onward: true only of takes that the tables do not know yet.
    """
    takes = np.random.default_rng(RANDOM_STATE + 1).permutation(
        np.unique([f.take for f in frames if f.take >= 0])
    )
    left = set(takes[::_LEFT_OUT].tolist())
    first, second = (onward if on else fit)([f for f in frames if f.take not in left])
    out = [f for f in frames if f.take in left]
    again = _heard(out, first)
    once = [first.merits(f.places.rows) for f in out]
    twice = [
        second.merits(np.concatenate([f.places.rows, a], axis=1))
        for f, a in zip(out, again, strict=True)
    ]
    for threshold in _THRESHOLDS:
        yield _told(out, once, threshold, "first")
        yield _told(out, twice, threshold, "second")


def write(name: str, table: str) -> None:
    """Put a table into its module."""
    path = _TABLES / f"{name}.py"
    text = path.read_text()
    path.write_text(text[: text.index('TABLE = """')] + table)


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, fit, and print or write the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=400, help="takes to draw")
    parser.add_argument("--keep", type=Path, help="folder for what was measured")
    parser.add_argument("--onward", action="store_true", help="fit on from the tables")
    parser.add_argument("--check", action="store_true", help="fit to a part of it")
    parser.add_argument("--write", action="store_true", help="write the tables")
    given = parser.parse_args(arguments)
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    frames = draw(given.count, given.keep)
    if given.check:
        print("\n".join(check(frames, given.onward)))
        return 0
    nets = (onward if given.onward else fit)(frames)
    names = (FEATURES, FEATURES + AGAIN)
    for name, of, net in zip(("brightfirst", "brightsecond"), names, nets, strict=True):
        table = smallnet.table(of, net)
        if given.write:
            write(name, table)
        else:
            print(table)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
