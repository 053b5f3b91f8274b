"""Fits what tells a wet glint from tissue that burns, on "tune" takes alone.

    python tests/bench/fit_glints.py [--count N] [--keep FOLDER] [--write]

Draws the same takes as `fit_highlights`, measures the burnt-out patches that are not
told to be cloth with the code that measures real takes (`brightpeaks`), and fits one
small network (`smallnet`) to whether more of a patch's pixels matter or are glints.
Every other frame is measured once more at twice its size, as a softer lens on more
pixels shows it. Pixels count alike, so that even odds are where either way of being
wrong costs the same. `--write` puts the table into `brightglints.py`. Run it after
`fit_highlights`: what is cloth is told by the tables as they stand. `--keep` keeps what
was measured.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "sample_media")]

from qc.measures.parts.burnt.brightblocks import block_counts  # noqa: E402
from qc.measures.parts.burnt.brightparts import (  # noqa: E402
    BrightMemory,
    Kind,
    kinds_of,
    look_at,
)
from qc.measures.parts.burnt.brightpeaks import (  # noqa: E402
    PEAKS,
    patch_of,
    peaks_of,
    pooled,
    uncertain,
)
from qc.records import Picture  # noqa: E402
from qc.signal import Signal  # noqa: E402
from tests.bench import smallnet  # noqa: E402
from tests.bench.fit_highlights import RANDOM_STATE, exposures, write  # noqa: E402

Array = NDArray[np.float64]
Rows = NDArray[np.float32]

# Patches of a frame that are fitted to; together they weigh as the root of their share.
_MOST_PATCHES, _SHARE_ADDED = 500, 0.002
_HIDDEN = 12


@dataclass(frozen=True, slots=True)
class _Masks:
    relevant: NDArray[np.bool_]
    glint: NDArray[np.bool_]


def _twice(frames: Iterable[Any]) -> Iterator[Any]:
    """Enlarge every other frame."""
    for planes, truth in islice(frames, 0, None, 2):
        large = tuple(
            cv2.resize(p, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
            for p in planes
        )
        masks = (
            np.repeat(np.repeat(m, 2, axis=0), 2, axis=1)
            for m in (truth.relevant, truth.glint)
        )
        yield large, _Masks(*masks)


def measure_take(case: Any, frames: Any) -> Iterator[tuple[Rows, Array]]:
    """Give each frame's patches, and what counts in each as relevant and as glint."""
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    memory, code = BrightMemory(), case.first_code
    for index, ((y, cb, cr), truth) in enumerate(frames):
        picture = Picture(
            index=index, pts=index, duration=1, y=y, cb=cb, cr=cr, signal=signal
        )
        counts = block_counts(y, code)
        look = look_at(picture, counts, code=code, memory=memory)
        kinds = kinds_of(look, counts, memory, index)
        asked = (kinds == Kind.RELEVANT) | (kinds == Kind.UNDECIDED)
        patch = patch_of(picture.width)
        share = pooled(counts, patch)
        at = uncertain(share, asked, patch)
        if at.size:
            of = [
                pooled(block_counts(m.view(np.uint8)) * asked, patch).ravel()[at]
                for m in (truth.relevant, truth.glint)
            ]
            weights = np.stack(of, axis=1).astype(np.float64) / share.size
            yield peaks_of(y, signal, share, look.scene, at), weights


def _some(rows: Rows, weights: Array, rng: np.random.Generator) -> tuple[Rows, Array]:
    """Choose patches of a frame, and weigh them."""
    own = weights / np.sqrt(weights.sum() + _SHARE_ADDED)
    known = np.flatnonzero(own.sum(axis=1) > 0)
    if len(known) > _MOST_PATCHES:
        some = rng.choice(known, _MOST_PATCHES, replace=False)
        return rows[some], own[some] * (len(known) / _MOST_PATCHES)
    return rows[known], own[known]


def draw(count: int, folder: Path | None) -> tuple[Rows, Array]:
    """Draw takes and measure them; takes kept from before are read."""
    from theatre import family  # type: ignore[import-not-found]

    rows: list[Rows] = []
    weights: list[Array] = []
    for case in family.cases("tune", count):
        number = case.plan.number
        path = None if folder is None else folder / f"glints{number:03d}.npz"
        if path is not None and path.exists():
            with np.load(path) as file:
                rows.append(file["rows"])
                weights.append(file["weights"])
            continue
        rng = np.random.default_rng([RANDOM_STATE, number])
        of = [
            _some(*frame, rng)
            for take in exposures(case)
            for frames in [list(take.frames(1, 3, coded=True))]
            for shown in (frames, _twice(frames))
            for frame in measure_take(take, shown)
        ]
        if not of:
            continue
        rows.append(np.concatenate([r for r, _ in of]))
        weights.append(np.concatenate([w for _, w in of]))
        if path is not None:
            np.savez(path, allow_pickle=False, rows=rows[-1], weights=weights[-1])
        print(f"take {number}: {len(rows[-1])} patches", flush=True)
    weight = np.concatenate(weights)
    return np.concatenate(rows), weight / weight.sum() * len(weight)


def fit(rows: Rows, weights: Array) -> smallnet.Net:
    """Fit the network: what is above 0 is more likely a glint."""
    return smallnet.fit(rows, weights, 0, hidden=_HIDDEN)


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, fit, and print or write the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=429, help="takes to draw")
    parser.add_argument("--keep", type=Path, help="folder for what was measured")
    parser.add_argument("--write", action="store_true", help="write the table")
    given = parser.parse_args(arguments)
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    table = smallnet.table(PEAKS, fit(*draw(given.count, given.keep)))
    if given.write:
        write("brightglints", table)
    else:
        print(table)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
