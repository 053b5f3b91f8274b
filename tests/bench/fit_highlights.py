"""Fits the weights that tell a burnt-out swab from what matters, on "tune" takes alone.

    python tests/bench/fit_highlights.py [--count N] [--keep FOLDER] [--write]

Draws takes 0 to N - 1 of the family's "tune" split (`sample_media/theatre/family.py`)
at their own and at the right exposure, measures every burnt-out place of them with the
code that measures real takes (`brightparts.look_at`), fits small networks of one
hidden layer by maximum likelihood with a ridge (Adam, in numpy), and prints what they
do to takes that they were not fitted on (four folds, by takes). `--write` puts the
table into `brightweights.py`.
`--keep` keeps what was measured, so that a second run need not draw again.
"""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "sample_media")]

from qc.measures.parts.burnt.brightblocks import at_least, block_counts  # noqa: E402
from qc.measures.parts.burnt.brightfeatures import FEATURES  # noqa: E402
from qc.measures.parts.burnt.brightparts import BrightMemory, look_at  # noqa: E402
from qc.records import Picture  # noqa: E402
from qc.signal import Signal  # noqa: E402

Array = NDArray[np.float64]

_TABLE = _ROOT / "qc" / "measures" / "parts" / "burnt" / "brightweights.py"
_FOLDS, RANDOM_STATE = 4, 1
_RIGHT_STOPS, _OVER_STOPS = -0.15, (0.3, 1.6)
_FAR = 5.0
# Places of a frame that are fitted to; together they weigh as the root of their share,
# so that no vast one rules.
_MOST_PLACES, _SHARE_ADDED = 200, 0.002
_PLAIN = 500
# Networks, their hidden units; what is fitted with is left out and shaken, so that no
# single feature is relied on.
_NETWORKS, _HIDDEN = 2, 16
_ROUNDS, _BATCH, _STEP, _RIDGE = 18, 1024, 3e-3, 2e-3
_LEFT_OUT, _SHAKEN = 0.15, 0.1
_THRESHOLDS = (-0.7, 0.0, 0.3, 0.7)


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Burnt-out places of many frames.

    Attributes
    ----------
    x : (n, features) array
    share : (n, 2) array
        Burnt pixels that matter, and of white things, as shares of their picture.
    frame, take : (n,) arrays of int
        Which frame and which take a place is of.
    """

    x: NDArray[np.float32]
    share: Array
    frame: NDArray[np.int64]
    take: NDArray[np.int64]

    def weights(self) -> Array:
        """Return what each place counts for in the fit, for each of its two kinds."""
        frames = int(self.frame.max()) + 1
        total = np.bincount(self.frame, self.share.sum(axis=1), frames)
        out = self.share / np.sqrt(total + _SHARE_ADDED)[self.frame][:, None]
        return np.asarray(out / out.sum(axis=0), np.float64)

    def of(self, rows: NDArray[Any]) -> Sample:
        """Return some of the places."""
        return Sample(self.x[rows], self.share[rows], self.frame[rows], self.take[rows])


def _exposures(case: Any) -> Iterator[Any]:
    yield case
    if case.plan.kind == "good field":
        rng = np.random.default_rng([RANDOM_STATE, case.plan.number])
        over = float(rng.uniform(*_OVER_STOPS))
        yield case.exposed(over, over)
    elif case.plan.table.pieces:
        yield case.exposed(_RIGHT_STOPS, _RIGHT_STOPS)


def measure_frames(case: Any, frames: Any) -> Iterator[tuple[Any, Array]]:
    """Give features and truth of each frame's burnt-out places."""
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    memory, code = BrightMemory(), case.first_code
    for index, ((y, cb, cr), truth) in enumerate(frames):
        picture = Picture(
            index=index, pts=index, duration=1, y=y, cb=cb, cr=cr, signal=signal
        )
        mask = at_least(y, code)
        counts = block_counts(mask)
        places = look_at(picture, mask, counts, code=code, memory=memory).places
        if not places.at.size or mask.mean() < _SHARE_ADDED:
            continue
        down, across = places.shape
        shares = [
            cv2.resize(
                m.astype(np.float32), (across, down), interpolation=cv2.INTER_AREA
            ).ravel()[places.at] / (down * across)
            for m in (truth.relevant, truth.swab)
        ]  # fmt: skip
        yield places.rows, np.stack(shares, axis=1).astype(np.float64)


class PlainField:
    """A field drawn with a few strokes: smooth patches, squares, bars, one camera.

    Rendered takes share one hand; these keep what is fitted from leaning on it. The
    attributes are those of a family's case that `measure_frames` asks for.
    """

    bit_depth, full_range, first_code = 8, False, 225
    _SIZE = (270, 480)
    _FLESH = ((0.55, 0.30, 0.26), (0.62, 0.45, 0.38), (0.42, 0.14, 0.11),
              (0.30, 0.19, 0.14), (0.70, 0.56, 0.44), (0.62, 0.36, 0.34))  # fmt: skip
    _DRAPES = ((0.04, 0.15, 0.14), (0.05, 0.12, 0.30), (0.10, 0.24, 0.15),
               (0.12, 0.12, 0.12), (0.62, 0.62, 0.62), (0.02, 0.02, 0.02))  # fmt: skip

    def __init__(self, number: int) -> None:
        self._rng = np.random.default_rng([RANDOM_STATE, 7, number])

    def _noise(self, size: float) -> Array:
        rough = self._rng.normal(0, 1, self._SIZE)
        soft = cv2.GaussianBlur(rough, (0, 0), size)
        return np.asarray(soft / soft.std(), np.float64)

    def _turned(self) -> tuple[Array, Array]:
        """Return how far each pixel lies from a chance point, along turned axes."""
        rng, (h, w) = self._rng, self._SIZE
        rows, columns = np.indices(self._SIZE)
        x = columns - rng.uniform(0.1, 0.9) * w
        y = rows - rng.uniform(0.1, 0.9) * h
        turn = rng.uniform(0, np.pi)
        return (
            np.abs(x * np.cos(turn) + y * np.sin(turn)),
            np.abs(y * np.cos(turn) - x * np.sin(turn)),
        )

    def frame(self) -> tuple[tuple[Any, Any, Any], Any]:
        """Draw and shoot one frame: planes, and masks of what matters and is white."""
        rng = self._rng
        drape = np.array(self._DRAPES[rng.integers(len(self._DRAPES))])
        light = np.ones((*self._SIZE, 3)) * drape * rng.uniform(0.7, 1.3)
        matters = np.zeros(self._SIZE, bool)
        white = np.full(self._SIZE, drape.min() > 0.5)
        lamp = np.full(self._SIZE, rng.uniform(0.3, 1))
        for _ in range(rng.integers(1, 3)):
            along, across = self._turned()
            reach = rng.uniform(60, 300)
            lamp += rng.uniform(0, 2) * np.exp(
                -(np.hypot(along, across) ** 2) / reach**2
            )
        for _ in range(rng.integers(0, 4)):
            along, across = self._turned()
            a, b = rng.uniform(25, 150, 2)
            bed = (along / a) ** 2 + (across / b) ** 2 < 1
            colour = np.array(self._FLESH[rng.integers(len(self._FLESH))])
            flesh = colour * rng.uniform(0.8, 1.2, 3) * rng.uniform(0.7, 1.5)
            mottled = np.exp(rng.uniform(0, 0.3) * self._noise(rng.uniform(1, 12)))
            light[bed] = (flesh * mottled[..., None])[bed]
            matters[bed], white[bed] = True, False
            if rng.random() < 0.7:  # a pool of light of its own
                away = (along / a) ** 2 + (across / b) ** 2
                lamp[bed] *= (0.5 + rng.uniform(0, 3) * np.exp(-2 * away))[bed]
        for _ in range(rng.integers(0, 3)):
            along, across = self._turned()
            sheet = (along < rng.uniform(12, 90)) & (across < rng.uniform(12, 90))
            cotton = np.array((0.85, 0.84, 0.82)) * rng.uniform(0.85, 1.1)
            weave = 1 - rng.uniform(0, 0.15) * np.abs(self._noise(rng.uniform(0.6, 3)))
            light[sheet] = (cotton * np.maximum(weave, 0.4)[..., None])[sheet]
            matters[sheet], white[sheet] = False, True
        if rng.random() < 0.4:  # a bar of steel
            along, across = self._turned()
            bar = (along < 200) & (across < rng.uniform(1.5, 5))
            light[bar], matters[bar], white[bar] = rng.uniform(0.3, 1), True, False
        return self._shoot(light * lamp[..., None]), (matters, white)

    def _shoot(self, light: Array) -> tuple[Any, Any, Any]:
        """Expose so that 1 to 40 % burn; BT.709-6, 8 bits."""
        rng = self._rng
        blue = rng.uniform(-1.4, 1.4) if rng.random() < 0.5 else rng.normal(0, 0.1)
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), rng.uniform(0.5, 1.2)))
        luma = light @ (0.2126, 0.7152, 0.0722)
        level = np.percentile(luma, 100 - np.exp(rng.uniform(0, np.log(40))))
        light = light * (0.93 / level) * (2 ** (-0.57 * blue), 1, 2**blue)
        light += rng.normal(0, 1, light.shape) * rng.uniform(0.001, 0.004)
        curve = 1.099 * np.maximum(light, 0.018) ** 0.45 - 0.099
        v = np.where(light < 0.018, 4.5 * light, curve)
        clip = rng.choice((1.0, 1.05, 1.09))
        if rng.random() < 0.3:
            knee = rng.uniform(0.8, 0.9)
            room = 1.1 * (clip - knee)
            soft = knee + room * (1 - np.exp(-np.maximum(v - knee, 0) / room))
            v = np.where(v > knee, soft, v)
        r, g, b = np.moveaxis(np.minimum(v, clip), -1, 0)
        y = 0.2126 * r + 0.7152 * g + 0.0722 * b
        half = [
            cv2.resize(c, None, None, 0.5, 0.5, cv2.INTER_AREA)
            for c in ((b - y) / 1.8556, (r - y) / 1.5748)
        ]
        planes = (16 + 219 * y, *(128 + 224 * c for c in half))
        first, second, third = (
            np.clip(np.rint(p), 0, 255).astype(np.uint8) for p in planes
        )
        return first, second, third


@dataclass(frozen=True, slots=True)
class _Masks:
    relevant: NDArray[np.bool_]
    swab: NDArray[np.bool_]


def measure_plain(count: int) -> tuple[Any, Any, Any]:
    """Measure plain fields: features, shares and frame of each place."""
    xs: list[Any] = []
    shares: list[Any] = []
    of: list[Any] = []
    for number in range(count):
        field = PlainField(number)
        planes, (matters, white) = field.frame()
        burns = planes[0] >= field.first_code
        masks = _Masks(burns & matters, burns & white)
        for features, truth in measure_frames(field, [(planes, masks)]):
            of.append(np.full(len(features), len(xs)))
            xs.append(features)
            shares.append(truth)
    return np.concatenate(xs), np.concatenate(shares), np.concatenate(of)


def draw(count: int, keep: Path | None) -> Sample:
    """Draw takes and measure them; takes kept from before are read."""
    from theatre import family  # type: ignore[import-not-found]

    parts: list[tuple[Any, Any, Any, Any]] = []
    frames = 0
    for case in family.cases("tune", count):
        number = case.plan.number
        kept = None if keep is None else keep / f"tune{number:03d}.npz"
        if kept is not None and kept.exists():
            with np.load(kept) as file:
                x, share, frame = file["x"], file["share"], file["frame"]
        else:
            xs: list[Any] = []
            shares: list[Any] = []
            of: list[Any] = []
            for take in _exposures(case):
                shot = take.frames(1, 3, coded=True)
                for features, truth in measure_frames(take, shot):
                    of.append(np.full(len(features), len(xs)))
                    xs.append(features)
                    shares.append(truth)
            if not xs:
                continue
            x, share, frame = (np.concatenate(v) for v in (xs, shares, of))
            if kept is not None:
                np.savez(kept, x=x, share=share, frame=frame)
        parts.append((x, share, frame + frames, np.full(len(x), number)))
        frames += int(frame.max()) + 1
        print(f"take {number}: {len(x)} places", flush=True)
    # Plain fields are drawn by one hand too: one fold takes them all.
    x, share, frame = measure_plain(_PLAIN)
    parts.append((x, share, frame + frames, np.full(len(x), -1)))
    return Sample(*(np.concatenate(v) for v in zip(*parts, strict=True)))


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Averaged networks over standardised features.

    Attributes
    ----------
    mean, spread : (features,) arrays
    weight, bias : (features, hidden) and (hidden,) arrays
    out : (hidden,) array
    constant : float
    """

    mean: Array
    spread: Array
    weight: Array
    bias: Array
    out: Array
    constant: float

    def merits(self, x: NDArray[np.float32]) -> Array:
        """Return log odds that places are of white things."""
        z = np.clip((x - self.mean) / self.spread, -_FAR, _FAR)
        hidden = np.maximum(z @ self.weight + self.bias, 0)
        return np.asarray(hidden @ self.out + self.constant, np.float64)


def _thinned(sample: Sample) -> tuple[NDArray[Any], Array]:
    """Return some rows of each frame, and what each weighs."""
    rng = np.random.default_rng(RANDOM_STATE)
    weights = sample.weights()
    order = np.argsort(sample.frame, kind="stable")
    kept, weigh = [], []
    for rows in np.split(order, np.flatnonzero(np.diff(sample.frame[order])) + 1):
        some = rng.choice(rows, min(_MOST_PLACES, len(rows)), replace=False)
        kept.append(some)
        weigh.append(weights[some] * (len(rows) / len(some)))
    rows, weights = np.concatenate(kept), np.concatenate(weigh)
    counts = weights.sum(axis=1) > 0
    rows, weights = rows[counts], weights[counts]
    return rows, weights / weights.sum(axis=0) * len(rows) / 2


def _train(
    z: NDArray[np.float32], weights: Array, number: int
) -> list[NDArray[np.float32]]:
    """Fit one network by Adam with a step that fades out.

    Returns
    -------
    weight, bias, out, constant
    """
    rng = np.random.default_rng([RANDOM_STATE, number])
    n, features = z.shape
    net = [
        rng.normal(0, features**-0.5, (features, _HIDDEN)), np.zeros(_HIDDEN),
        rng.normal(0, _HIDDEN**-0.5, _HIDDEN), np.zeros(1),
    ]  # fmt: skip
    net32: list[NDArray[np.float32]] = [w.astype(np.float32) for w in net]
    first, second = ([np.zeros_like(w) for w in net32] for _ in range(2))
    against, speaking = weights.astype(np.float32).T
    batches = max(n // _BATCH, 1)
    total, count = _ROUNDS * batches, 0
    for _ in range(_ROUNDS):
        order = rng.permutation(n)
        for batch in range(batches):
            rows = order[batch * _BATCH : (batch + 1) * _BATCH]
            x = z[rows] + np.float32(_SHAKEN) * rng.standard_normal(
                (len(rows), features), dtype=np.float32
            )
            kept = np.asarray(rng.random(features) > _LEFT_OUT, np.float32)
            x *= kept / np.float32(1 - _LEFT_OUT)
            before = x @ net32[0] + net32[1]
            hidden = np.maximum(before, 0)
            merit = hidden @ net32[2] + net32[3]
            both = speaking[rows] + against[rows]
            slope = (both / (1 + np.exp(-merit)) - speaking[rows]) / len(rows)
            back = np.outer(slope, net32[2]) * (before > 0)
            down = [
                x.T @ back + _RIDGE * net32[0], back.sum(axis=0),
                hidden.T @ slope + _RIDGE * net32[2], slope.sum(keepdims=True),
            ]  # fmt: skip
            count += 1
            step = _STEP * 0.5 * (1 + np.cos(np.pi * count / total))
            for k, d in enumerate(down):
                first[k] = 0.9 * first[k] + 0.1 * d
                second[k] = 0.999 * second[k] + 0.001 * d * d
                root = np.sqrt(second[k] / (1 - 0.999**count)) + 1e-8
                net32[k] -= (step * first[k] / (1 - 0.9**count) / root).astype(
                    np.float32
                )
    return net32


def fit(sample: Sample) -> Fit:
    """Fit by maximum likelihood with a ridge; both kinds weigh alike."""
    rows, weights = _thinned(sample)
    x = sample.x[rows].astype(np.float64)
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-3
    z = np.clip((x - mean) / spread, -_FAR, _FAR).astype(np.float32)
    nets = [_train(z, weights, number) for number in range(_NETWORKS)]
    weight, bias, out, constant = (
        np.concatenate([n[k] for n in nets], axis=-1).astype(np.float64)
        for k in range(4)
    )
    return Fit(mean, spread, weight, bias, out / _NETWORKS, float(constant.mean()))


def _told(sample: Sample, merit: Array, threshold: float) -> str:
    counted = merit < threshold
    frames = int(sample.frame.max()) + 1
    (matters, white), (kept, taken) = (
        [np.bincount(sample.frame, s * w, frames) for s in sample.share.T]
        for w in (1, counted)
    )
    some = white > 2e-4
    return (
        f"swab from {threshold:4.1f}: of swab taken for relevant "
        f"{100 * np.mean(taken[some] / white[some]):5.1f} %, of relevant kept "
        f"{100 * kept.sum() / matters.sum():5.1f} %, overlap "
        f"{kept.sum() / (matters.sum() + taken.sum()):.3f}"
    )


def cross_check(sample: Sample) -> list[str]:
    """Say what fits do to takes that they were not fitted on."""
    takes = np.random.default_rng(RANDOM_STATE).permutation(np.unique(sample.take))
    merit = np.zeros(len(sample.x))
    for fold in range(_FOLDS):
        out = np.isin(sample.take, takes[fold::_FOLDS])
        merit[out] = fit(sample.of(np.flatnonzero(~out))).merits(sample.x[out])
    return [_told(sample, merit, threshold) for threshold in _THRESHOLDS]


def _hundredths(values: Array) -> str:
    return " ".join(str(v) for v in np.rint(100 * values).astype(int))


def _wrapped(values: Array) -> str:
    return "\n".join(textwrap.wrap(_hundredths(values), 86))


def table(found: Fit) -> str:
    """Return the table as it stands in the module."""
    rows = zip(FEATURES, found.mean, found.spread, found.weight, strict=True)
    lines = [f"{n}: {m:.4f} {s:.4f}\n{_wrapped(w)}" for n, m, s, w in rows]
    text = "\n".join(lines)
    return (
        f'_TABLE = """\n{text}\n"""\n'
        "# Each hidden unit's constant and its weight in the merit, in hundredths.\n"
        f'_HIDDEN = """\n{_wrapped(found.bias)}\n"""\n'
        f'_OUT = """\n{_wrapped(found.out)}\n"""\n'
        f"_CONSTANT = {found.constant:.3f}\n"
    )


def write(found: Fit) -> None:
    """Put the table into the module."""
    text = _TABLE.read_text()
    first, last = text.index('_TABLE = """'), text.index("_CONSTANT = ")
    last = text.index("\n", last) + 1
    _TABLE.write_text(text[:first] + table(found) + text[last:])


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, fit, and print or write the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=200, help="takes to draw")
    parser.add_argument("--keep", type=Path, help="folder for what was measured")
    parser.add_argument("--write", action="store_true", help="write the table")
    given = parser.parse_args(arguments)
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    sample = draw(given.count, given.keep)
    print("\n".join(cross_check(sample)))
    found = fit(sample)
    if given.write:
        write(found)
    else:
        print(table(found))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
