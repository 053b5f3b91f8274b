"""The house as the design draws it: one direction of imports, one file a measure."""

from __future__ import annotations

import ast
import subprocess
import sys
import time
from functools import cache
from pathlib import Path

import pytest

import qc
from qc.measures import all_measures, rule_labels

ROOT = Path(qc.__file__).parent
# Each room may look only at rooms further down this list.
FLOORS = [
    ("__main__",),
    ("cli",),
    ("console", "arguments"),
    ("daybars",),
    ("day", "spot"),
    ("report",),
    ("pipeline", "__init__"),
    ("judge", "rows", "patchsize"),
    ("measures", "media"),
    ("views", "store"),
    ("daybook",),
    ("records", "limits", "spans"),
    ("take", "colour", "spotted", "limitkinds"),
    ("signal", "timecode", "errors", "ended", "output", "kernels"),
]
# The report fetches stills again, and shows limits and measures: it stands over them.
# The pipeline ends before the report; the command joins the two.


@cache
def _modules() -> list[Path]:
    return sorted(ROOT.rglob("*.py"))


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _room(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return parts[0]


def _imports(path: Path) -> set[str]:
    """Rooms of qc that a module imports, anywhere in it, typing-only ones aside."""
    tree = _tree(path)
    skipped = {
        child
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for child in ast.walk(node)
    }
    names: set[str] = set()
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names |= {f"{node.module}.{a.name}" for a in node.names}
    rooms = {n.split(".")[1] for n in names if n.startswith("qc.")}
    existing = {_room(p) for p in _modules()}
    return rooms & existing


def _floor(room: str) -> int:
    return next(i for i, rooms in enumerate(FLOORS) if room in rooms)


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_go_one_way(path: Path) -> None:
    room = _room(path)
    for other in _imports(path) - {room}:
        assert _floor(other) > _floor(room), f"{room} imports {other}"


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_only_media_imports_av(path: Path) -> None:
    tree = _tree(path)
    found = {
        name.split(".")[0]
        for node in ast.walk(tree)
        for name in (
            [a.name for a in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom) and node.level == 0
            else []
        )
    }
    assert ("av" not in found) or _room(path) == "media"


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_no_module_is_longer_than_five_hundred_lines(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 500


def test_every_measure_has_a_file_and_a_test_of_its_own() -> None:
    tests = Path(__file__).parent / "measures"
    for measure in all_measures():
        assert (ROOT / "measures" / f"{measure.name}.py").is_file()
        assert (tests / f"test_{measure.name}.py").is_file()


def test_every_measure_declares_what_it_needs() -> None:
    for measure in all_measures():
        assert measure.method
        assert measure.source
        names = [c.name for c in measure.columns + measure.derived]
        assert len(names) == len(set(names))
        for option in measure.options:
            assert option.section == measure.name
        for rule in measure.rules:
            assert measure.column(rule.column)
            for key in (rule.note, rule.review, rule.reject):
                assert key is None or key in {o.key for o in measure.options}
        for chart in measure.charts:
            for column in chart.columns:
                assert column in names


# The ids that the design promises; a rule may not invent one of its own.
DESIGN_RULES = {
    f"{family}.{name}"
    for family, names in (
        ("highlights", "relevant channel"),
        ("exposure", "dark drift"),
        ("focus", "soft hunting"),
        ("white", "cast drift"),
        ("picture", "black frozen repeated shake noise blemish combing"),
        ("light", "flicker banding flash"),
        (
            "sound",
            "peak clipped quiet loud silent dead_channel phase same hum dropout"
            " interference noise rumble swapped",
        ),
        ("file", "damaged gap length rate"),
        ("day", "gap overlap duplicate odd_format blemish"),
    )
    for name in names.split()
}


def test_rule_ids_are_the_designs() -> None:
    assert set(rule_labels()) <= DESIGN_RULES


def test_help_answers_at_once() -> None:
    best = min(_seconds_of_help() for _ in range(3))
    # The design asks for well under half a second.
    assert best < 0.5


def _seconds_of_help() -> float:
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "qc", "--help"], check=True, capture_output=True
    )
    return time.perf_counter() - began
