"""Writing exports: whole or not at all, in the formats that other programs read."""

from handsfree.edges.export.write import FORMATS, Job, write

__all__ = ["FORMATS", "Job", "write"]
