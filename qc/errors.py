"""The errors a user can meet; each carries one sentence that says what to do.

Bad arguments inside the library stay ``ValueError``: those are our mistakes.
"""

from __future__ import annotations

__all__ = ["DecodeError", "LimitsError", "QCError", "ReportError", "UsageError"]


class QCError(Exception):
    """Something the user can put right; its text is shown without a traceback."""


class UsageError(QCError):
    """The command line asks for something impossible."""


class LimitsError(QCError):
    """A limits file or option has an unknown key, a wrong type or a wrong value."""


class DecodeError(QCError):
    """A recording cannot be opened or decoded."""


class ReportError(QCError):
    """A report cannot be written where it was asked for."""
