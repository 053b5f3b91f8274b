"""Decode: the only folder that imports av."""

from qc.media.container import bears, marks
from qc.media.probe import probe
from qc.media.reader import TakeReader
from qc.media.sampler import stills_at

__all__ = ["TakeReader", "bears", "marks", "probe", "stills_at"]
