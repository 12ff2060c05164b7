"""The log: one SQLite database for all sessions, through sqlite-utils."""

from handsfree.edges.store.log import Store

__all__ = ["Store"]
