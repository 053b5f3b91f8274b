"""A verdict in bounded time: a small part of a take, and what follows for the rest."""

from qc.spot.run import spot_take

__all__ = ["spot_take"]
