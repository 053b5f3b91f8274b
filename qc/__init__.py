"""Rushes QC: measures every frame and sample of a recording and says what to change.

Public names: `check_take`, `measure_take`, `spot_take`, `write_report`, `Limits`, the
records, and ``__version__``. They are brought in when first used, so that the command
starts fast.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from qc.limits import Limits
    from qc.measures import default_limits
    from qc.pipeline import check_take, measure_take
    from qc.records import Finding, Grade, TakeFailure, TakeInfo, TakeResult
    from qc.report import write_report
    from qc.spot import spot_take

__version__ = "0.1.0"

__all__ = [
    "Finding",
    "Grade",
    "Limits",
    "TakeFailure",
    "TakeInfo",
    "TakeResult",
    "__version__",
    "check_take",
    "default_limits",
    "measure_take",
    "spot_take",
    "write_report",
]

_HOMES = {
    "Finding": "qc.records",
    "Grade": "qc.records",
    "Limits": "qc.limits",
    "TakeFailure": "qc.records",
    "TakeInfo": "qc.records",
    "TakeResult": "qc.records",
    "check_take": "qc.pipeline",
    "default_limits": "qc.measures",
    "measure_take": "qc.pipeline",
    "spot_take": "qc.spot",
    "write_report": "qc.report",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
