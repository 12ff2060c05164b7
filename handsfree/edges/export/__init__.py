"""Writing exports: whole or not at all, in the formats that other programs read."""

from handsfree.edges.export.job import FORMATS, Job
from handsfree.edges.export.write import write

__all__ = ["FORMATS", "Job", "write"]
