"""Measuring a day's takes on a Dask scheduler's workers, on other machines too."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from typing import Any

from qc.errors import UsageError

__all__ = ["cluster_executor"]

_PATIENCE_S = 5
# A take whose worker is lost is given to another one; if that is lost too, the take is
# what kills them.
_LOST_WORKERS = 1


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """Connect to a Dask scheduler and give an executor on its workers.

    Parameters
    ----------
    address : str
        Of the scheduler, e.g. ``"tcp://127.0.0.1:8786"``.

    Raises
    ------
    UsageError
        The extra is not installed, or nobody answers there.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            "--cluster: needs the extra 'cluster'; install it in the project's folder "
            "with pip install '.[cluster]'"
        ) from error

    class OurClient(Client):  # type: ignore[misc, unused-ignore]
        """A client that never connected has nothing to take leave of."""

        def __del__(self) -> None:
            # It would wait for 20 s, and then complain on the terminal.
            if getattr(self, "status", "") == "running":
                super().__del__()

    try:
        client = OurClient(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"--cluster {address}: no Dask scheduler answers there; "
            "start one with 'dask scheduler' and check the address"
        ) from error
    with client:
        client.run_on_scheduler(_allow_losses)
        # Not pure: a take is measured again even if it was asked for before.
        with client.get_executor(pure=False) as executor:
            yield executor


def _allow_losses(dask_scheduler: Any) -> None:
    dask_scheduler.allowed_failures = _LOST_WORKERS
