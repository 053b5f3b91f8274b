"""Fits the weights that tell a burnt-out swab from what matters, on "tune" takes alone.

    python tests/bench/fit_highlights.py [--count N] [--keep FOLDER] [--write]

Draws takes 0 to N - 1 of the family's "tune" split (`sample_media/theatre/family.py`)
at their own and at the right exposure, measures every burnt-out place of them with the
code that measures real takes (`brightparts.look_at`), fits a logistic regression with
a ridge by maximum likelihood, and prints what it does to takes that it was not fitted
on (four folds, by takes). `--write` puts the table into `brightweights.py`.
`--keep` keeps what was measured, so that a second run need not draw again.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "sample_media")]

from qc.measures.parts.burnt.brightblocks import at_least, block_counts  # noqa: E402
from qc.measures.parts.burnt.brightfeatures import FEATURES  # noqa: E402
from qc.measures.parts.burnt.brightparts import BrightMemory, look_at  # noqa: E402
from qc.records import Picture  # noqa: E402
from qc.signal import Signal  # noqa: E402

Array = NDArray[np.float64]

_TABLE = _ROOT / "qc" / "measures" / "brightweights.py"
_FOLDS, RANDOM_STATE = 4, 1
_RIDGE = 1e-3
_RIGHT_STOPS, _OVER_STOPS = -0.15, 1.0
_FAR = 5.0
_MOST_CELLS = 30_000
# A frame's places together weigh as the root of their share, so that no vast one rules.
_SHARE_ADDED = 0.002
_THRESHOLDS = (-0.5, 0.0, 0.5, 1.0, 1.5)


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Burnt-out cells of many frames.

    Attributes
    ----------
    x : (n, features) array
    share : (n, 2) array
        Burnt pixels that matter, and of white things, as shares of their picture.
    frame, take : (n,) arrays of int
        Which frame and which take a cell is of.
    """

    x: NDArray[np.float32]
    share: Array
    frame: NDArray[np.int64]
    take: NDArray[np.int64]

    def weights(self) -> Array:
        """Return what each cell counts for in the fit, for each of its two kinds."""
        frames = int(self.frame.max()) + 1
        total = [np.bincount(self.frame, s, frames) for s in self.share.T]
        root = np.sqrt(np.stack(total, axis=1) + _SHARE_ADDED)
        out = self.share / root[self.frame]
        return np.asarray(out / out.sum(axis=0), np.float64)

    def of(self, rows: NDArray[Any]) -> Sample:
        """Return some of the cells."""
        return Sample(self.x[rows], self.share[rows], self.frame[rows], self.take[rows])


def _exposures(case: Any) -> Iterator[Any]:
    yield case
    if case.plan.kind == "good field":
        yield case.exposed(_OVER_STOPS, _OVER_STOPS)
    elif case.plan.table.pieces:
        yield case.exposed(_RIGHT_STOPS, _RIGHT_STOPS)


def measure_frames(case: Any, frames: Any) -> Iterator[tuple[Any, Array]]:
    """Give features and truth of each frame's burnt-out cells."""
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    memory, code = BrightMemory(), case.first_code
    for index, ((y, cb, cr), truth) in enumerate(frames):
        picture = Picture(
            index=index, pts=index, duration=1, y=y, cb=cb, cr=cr, signal=signal
        )
        mask = at_least(y, code)
        look = look_at(picture, mask, block_counts(mask), code=code, memory=memory)
        if not look.at.size:
            continue
        size = look.scene.luma.shape[::-1]
        shares = [
            cv2.resize(m.astype(np.float32), size, interpolation=cv2.INTER_AREA)
            .ravel()[look.at] / look.scene.luma.size
            for m in (truth.relevant, truth.swab)
        ]  # fmt: skip
        yield look.features, np.stack(shares, axis=1).astype(np.float64)


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
                seconds = 3 if take is case else 2
                shot = take.frames(1, seconds, coded=True)
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
        print(f"take {number}: {len(x)} cells", flush=True)
    return Sample(*(np.concatenate(v) for v in zip(*parts, strict=True)))


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Weights of standardised features, and the constant."""

    mean: Array
    spread: Array
    weight: Array
    constant: float

    def merits(self, x: NDArray[np.float32]) -> Array:
        """Return log odds that cells are of white things."""
        z = np.clip((x - self.mean) / self.spread, -_FAR, _FAR)
        return np.asarray(z @ self.weight + self.constant, np.float64)


def fit(sample: Sample) -> Fit:
    """Fit by maximum likelihood with a ridge; both kinds weigh alike."""
    weights = sample.weights()
    rows = np.flatnonzero(weights.sum(axis=1) > 0)
    if len(rows) > _MOST_CELLS:
        rng = np.random.default_rng(RANDOM_STATE)
        rows = rng.choice(rows, _MOST_CELLS, replace=False)
    against, speaking = (weights[rows] / weights[rows].sum(axis=0)).T
    x = sample.x[rows].astype(np.float64)
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-3
    z = np.clip((x - mean) / spread, -_FAR, _FAR)

    def loss(t: Array) -> tuple[float, Array]:
        u = z @ t[:-1] + t[-1]
        lost = speaking @ np.logaddexp(0, -u) + against @ np.logaddexp(0, u)
        slope = (speaking + against) / (1 + np.exp(-u)) - speaking
        down = np.append(z.T @ slope + _RIDGE * t[:-1], slope.sum())
        return float(lost + 0.5 * _RIDGE * t[:-1] @ t[:-1]), down

    start = np.zeros(z.shape[1] + 1)
    found = minimize(loss, start, jac=True, method="L-BFGS-B")
    return Fit(mean, spread, found.x[:-1], float(found.x[-1]))


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


def table(found: Fit) -> str:
    """Return the table as it stands in the module."""
    rows = zip(FEATURES, found.weight, found.mean, found.spread, strict=True)
    lines = [f'    "{n}": ({w:.3f}, {m:.3f}, {s:.3f}),' for n, w, m, s in rows]
    text = "\n".join(lines)
    return (
        "_TABLE: dict[str, tuple[float, float, float]] = {\n"
        f"{text}\n}}\n_CONSTANT = {found.constant:.3f}\n"
    )


def write(found: Fit) -> None:
    """Put the table into the module."""
    text = _TABLE.read_text()
    first, last = text.index("_TABLE: dict"), text.index("_CONSTANT = ")
    last = text.index("\n", last) + 1
    _TABLE.write_text(text[:first] + table(found) + text[last:])


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, fit, and print or write the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=66, help="takes to draw")
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
