"""The dogs of a log as a table, and what a log holds in a sentence."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from handsfree.core.log import DogTotals
from handsfree.edges.report.words import many


def show(dogs: Sequence[DogTotals], console: Console) -> None:
    """Print one line a dog."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("dog")
    for title in ("sessions", "reps"):
        table.add_column(title, justify="right")
    table.add_column("last trained", no_wrap=True)
    table.add_column("with", overflow="fold")
    if any(one.archived_at for one in dogs):
        table.add_column("archived", no_wrap=True)
    for one in dogs:
        archived = f"{one.archived_at:%d %b %Y}" if one.archived_at else ""
        cells = (
            one.name,
            str(one.sessions),
            str(one.reps),
            f"{one.last:%d %b %Y}",
            ", ".join(one.handlers),
            archived,
        )
        table.add_row(*map(Text, cells[: len(table.columns)]), style="dim" if archived else "")
    console.print(table)


def contents(dogs: Sequence[DogTotals]) -> str:
    """ "42 sessions of Bruno and Luna, 812 reps, 03 Mar 2026 to 24 Nov 2026" """
    if not dogs:
        return "no sessions yet"
    sessions, reps = sum(one.sessions for one in dogs), sum(one.reps for one in dogs)
    return f"{many(sessions, 'session')} of {names(dogs)}, {many(reps, 'rep')}, {days(dogs)}"


def days(dogs: Sequence[DogTotals]) -> str:
    """From the first session to the last."""
    first, last = min(one.first for one in dogs), max(one.last for one in dogs)
    return f"{first:%d %b %Y}" if first.date() == last.date() else f"{first:%d %b %Y} to {last:%d %b %Y}"


def names(dogs: Sequence[DogTotals]) -> str:
    """ "Bruno, Luna and Tarn"; a number where they are many."""
    known = [one.name for one in dogs]
    if len(known) > 5:
        return many(len(known), "dog")
    return " and ".join([", ".join(known[:-1]), known[-1]]) if len(known) > 1 else known[0]
