"""Fits what tells the lamp that a picture was taken under, on "tune" takes alone.

    python tests/bench/fit_lamps.py [--count N] [--keep FOLDER] [--check] [--write]

Takes the last frame of each take of `fit_highlights`, and plain fields, and fits one
small network (`smallnet`) to which of a row of lamps is the right one. `--check` prints
what fits do to a third of the takes that is left out. `--write` puts the table into
`brightlamps.py`; run it before `fit_highlights`, whose features are measured against
the white that it finds. `--keep` keeps what was measured.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "sample_media")]

from qc.measures.parts.burnt.brightblocks import at_least, block_counts  # noqa: E402
from qc.measures.parts.burnt.brightcues import stops_of  # noqa: E402
from qc.measures.parts.burnt.brightparts import BrightMemory, scene_of  # noqa: E402
from qc.measures.parts.burnt.brightwhite import (  # noqa: E402
    LAMP_FEATURES,
    LAMPS,
    Votes,
    chances,
    evidence_of,
    settled,
    votes_of,
)
from qc.records import Picture  # noqa: E402
from qc.signal import Signal  # noqa: E402
from tests.bench import smallnet  # noqa: E402
from tests.bench.fit_highlights import (  # noqa: E402
    RANDOM_STATE,
    exposures,
    relit,
    write,
)
from tests.bench.plainfield import PlainField  # noqa: E402

Rows = NDArray[np.float32]

_PLAIN, _LEFT_OUT = 600, 3
# How near to a lamp counts as it, in stops.
_NEAR = 0.12
_WRONG = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What one frame shows of its lamp, and the truth.

    Attributes
    ----------
    blue : float
        Stops of blue over green of a perfect neutral.
    take : int
        Which take it is of; plain fields count down from -1.
    """

    votes: Votes
    evidence: Rows
    blue: float
    take: int


def measure(case: Any, planes: Any, blue: float, take: int) -> Shown:
    """Measure one frame."""
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    y, cb, cr = planes
    picture = Picture(index=0, pts=0, duration=1, y=y, cb=cb, cr=cr, signal=signal)
    mask = at_least(y, case.first_code)
    scene = scene_of(
        picture, mask, block_counts(mask), code=case.first_code, memory=BrightMemory()
    )
    votes = votes_of(scene, stops_of(scene.rgb, scene.transfer))
    return Shown(votes, evidence_of(votes), blue, take)


def keep(path: Path, shown: Sequence[Shown]) -> None:
    """Write a take's frames into a file."""
    np.savez(
        path,
        allow_pickle=False,
        kind=np.concatenate([s.votes.kind for s in shown]),
        seen=np.concatenate([[s.votes.red, s.votes.blue] for s in shown], axis=1),
        sizes=np.array([len(s.votes.kind) for s in shown]),
        places=np.array([s.votes.places for s in shown]),
        whole=np.array([s.votes.whole for s in shown]),
        blue=np.array([s.blue for s in shown]),
        take=np.array([s.take for s in shown]),
    )


def kept(path: Path) -> Iterator[Shown]:
    """Read what `keep` wrote."""
    with np.load(path) as file:
        of = {name: file[name] for name in file.files}
    end = 0
    for n, size in enumerate(of["sizes"].tolist()):
        end += size
        some = slice(end - size, end)
        whole = tuple(of["whole"][n].tolist())
        votes = Votes(
            of["kind"][some], *of["seen"][:, some], int(of["places"][n]), whole
        )
        yield Shown(votes, evidence_of(votes), float(of["blue"][n]), int(of["take"][n]))


def draw(count: int, folder: Path | None) -> list[Shown]:
    """Draw takes and measure them; takes kept from before are read."""
    from theatre import family  # type: ignore[import-not-found]

    found: list[Shown] = []
    for case in family.cases("tune", count):
        number = case.plan.number
        path = None if folder is None else folder / f"lamps{number:03d}.npz"
        if path is not None and path.exists():
            found += kept(path)
            continue
        of = []
        for take in (*exposures(case), *relit(case)):
            *_, (planes, _) = take.frames(1, 3, coded=True)
            of.append(measure(take, planes, take.neutral_gains_stops[1], number))
        if path is not None:
            keep(path, of)
        found += of
        print(f"take {number}: {len(of)} frames", flush=True)
    for number in range(_PLAIN):
        field = PlainField(number)
        planes, _ = field.frame()
        found.append(measure(field, planes, field.lamp_stops, -1 - number))
    return found


def fit(shown: Sequence[Shown]) -> smallnet.Net:
    """Fit the network to which lamp it is."""
    blue = np.array([[s.blue] for s in shown])
    near = np.exp(-0.5 * ((LAMPS - blue) / _NEAR) ** 2)
    true = (near / near.sum(axis=1, keepdims=True)).astype(np.float32)
    return smallnet.choose(np.stack([s.evidence for s in shown]), true, 0)


def check(shown: Sequence[Shown]) -> Iterator[str]:
    """Say what a fit does to a part of the takes that it was not fitted on."""
    takes = np.random.default_rng(RANDOM_STATE).permutation(
        np.unique([s.take for s in shown])
    )
    left = set(takes[::_LEFT_OUT].tolist())
    net = fit([s for s in shown if s.take not in left])
    for name, cast in (("balanced", False), ("under a cast", True)):
        off = [
            abs(settled(s.votes, chances(net.merits(s.evidence)))[1] - s.blue)
            for s in shown
            if s.take in left and (abs(s.blue) > _WRONG) == cast
        ]
        yield (
            f"{name}: median error {np.median(off):.3f} stops of blue, "
            f"{100 * np.mean(np.array(off) > _WRONG):.1f} % off by more than {_WRONG}"
        )


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, fit, and print or write the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=429, help="takes to draw")
    parser.add_argument("--keep", type=Path, help="folder for what was measured")
    parser.add_argument("--check", action="store_true", help="fit to a part of it")
    parser.add_argument("--write", action="store_true", help="write the table")
    given = parser.parse_args(arguments)
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    shown = draw(given.count, given.keep)
    if given.check:
        print("\n".join(check(shown)))
        return 0
    table = smallnet.table(LAMP_FEATURES, fit(shown))
    if given.write:
        write("brightlamps", table)
    else:
        print(table)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
