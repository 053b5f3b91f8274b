"""The bench of the spot check runs, and holds the promises against what was put in."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.bench import spotcheck


@pytest.mark.slow
def test_a_trial_is_counted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # So short that all of the take is read: then nothing can be missed.
    monkeypatch.setattr(spotcheck, "LONGEST", 3)
    spotcheck.main(
        ["--trials", "1", "--within", "60", "--minutes", "1", "--size", "96x64"]
    )
    told = capsys.readouterr().out
    faults = re.search(r"(\d) of (\d) faults found, 0 promises broken", told)
    assert faults
    assert 1 <= int(faults[1]) == int(faults[2])
    assert "promises broken: 0 of" in told


def test_a_promise_that_breaks_is_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of a take is black, and a report finds nothing and promises a lot."""
    bound = {"share_percent": 20.0, "sure_s": 600.0}
    report = {
        "take": {"bytes": 100},
        "coverage": {
            "spot": {
                "bytes_read": 10,
                "by_chance": 7,
                "bounds": [{"rule": r} | bound for r in spotcheck.RULES.values()],
            }
        },
        "findings": [],
    }
    folder = tmp_path / "take-spot"
    folder.mkdir()
    (folder / "result.json").write_text(spotcheck.json.dumps(report))
    monkeypatch.setattr(spotcheck.subprocess, "run", lambda *_, **__: None)

    def broken(black: int) -> int:
        order = ["black"] * black + ["clean"] * (100 - black)
        return spotcheck.trial(tmp_path / "take.mov", order, 20.0, tmp_path).broken

    # More than the share promised; longer than what cannot have been missed.
    assert [broken(n) for n in (0, 15, 21, 61)] == [0, 0, 1, 1]
    bound["sure_s"] = 100.0
    report["coverage"]["spot"]["bounds"] = [  # type: ignore[index]
        {"rule": r} | bound for r in spotcheck.RULES.values()
    ]
    (folder / "result.json").write_text(spotcheck.json.dumps(report))
    assert broken(15) == 1
