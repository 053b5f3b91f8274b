"""README and DEVELOPERS tell the truth: options, measures, files, commands."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from qc import kernels
from qc.cli import _parser
from qc.measures import measures_table, rule_labels

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_developers_find_every_column_as_declared() -> None:
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    listed = told.split("<!-- measures -->")[1].split("<!-- /measures -->")[0]
    assert listed.strip() == measures_table().strip()


def test_readme_explains_every_rule_by_its_name_in_the_report() -> None:
    listed = README.split("<!-- rules -->")[1].split("<!-- /rules -->")[0]
    rows = re.findall(r"^\| ([^|]+) \| `([a-z_.]+)` \| [^|]{10,} \|$", listed, re.M)
    assert {rule: label for label, rule in rows} == rule_labels()
    assert len(rows) == len(listed.strip().splitlines()) - 2


def _options(command: str) -> set[str]:
    parser = _parser()
    (commands,) = [a for a in parser._actions if hasattr(a, "choices") and a.choices]
    chosen = commands.choices[command]  # type: ignore[index, call-overload]
    return {o for a in chosen._actions for o in a.option_strings if o.startswith("--")}


@pytest.mark.parametrize(
    "option", sorted((_options("take") | _options("day")) - {"--help"})
)
def test_readme_explains_every_option(option: str) -> None:
    assert f"`{option}" in README


def test_readme_names_every_file_of_a_report() -> None:
    for name in (
        "report.html",
        "result.json",
        "readings.npz",
        "findings.csv",
        "markers.otio",
        "markers.vtt",
        "day.html",
        "day.json",
        "day.csv",
        "day.otio",
        "selects.otio",
    ):
        assert f"`{name}`" in README


def test_the_two_set_up_commands_are_one_line_each() -> None:
    for mark in ("main-command", "test-command"):
        block = README.split(f"<!-- {mark} -->")[1].split("```")[1]
        assert len(block.removeprefix("bash").strip().splitlines()) == 1


def test_readme_tells_of_the_installed_kernels_wherever_one_stands(
    tmp_path: Path,
) -> None:
    (command,) = re.findall(
        r"`(\.venv/bin/python [^`]*kernels\.compiled[^`]*)`", README
    )
    _, *arguments = shlex.split(command)
    # A source folder, in which nothing was compiled, must not be looked at.
    (tmp_path / "qc").mkdir()
    (tmp_path / "qc/__init__.py").write_text("")
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout == f"{kernels.compiled}\n"


def test_names_in_developers_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for name in re.findall(r"`((?:qc|tests|sample_media|\.ci)/[\w./-]+)`", text):
        # NAME stands for whatever a new measure is called.
        assert "NAME" in name or (ROOT / name).exists(), name
