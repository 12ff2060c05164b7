"""`handsfree summary`: one session in figures, or the list of sessions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console

    from handsfree.core.log import SessionTotals
    from handsfree.core.summary import SessionSummary

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.argument("session", default="last", metavar="[SESSION]")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--list", "list_all", is_flag=True, help="List the sessions, newest first, one a line.")
@click.option("--dog", help="This dog's last session, or with --list only its sessions.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to read. [default: the log sessions write to]")
def summary(session: str, as_json: bool, list_all: bool, dog: str | None, log: Path | None) -> None:
    """What happened in a session.

    Reps, rates, decisions and why, treats owed. SESSION is the start of a session's id, as --list shows it; without one
    it is the last session, of a dog that is not archived.

    \b
    Example:
      handsfree summary
      handsfree summary --list
      handsfree summary --dog Bruno
      handsfree summary 3f0c --json
    """
    from handsfree import places
    from handsfree.core.errors import UserError
    from handsfree.core.summary import summarise
    from handsfree.edges.store import Store

    if dog is not None and session != "last":
        raise UserError("--dog: a SESSION is of one dog already; leave one of the two out")
    with Store.open(log or places.default_log(), read_only=True) as store:
        if list_all:
            archived = [] if dog is not None or as_json else store.archived()
            _print_list(store.sessions(dog, archived=False), dog, as_json)
            if archived:
                click.echo(f"left out, as archived: {', '.join(archived)}; --dog NAME lists one")
        else:
            _print_one(summarise(store.session_log(store.session(session, dog).id)), as_json)


def _print_one(figures: SessionSummary, as_json: bool) -> None:
    if as_json:
        from handsfree.edges.report import keys

        click.echo(keys.as_json(figures).encode())  # RFC 8259: UTF-8
    else:
        from handsfree.edges.report import page

        page.show(figures, _console())


def _print_list(totals: Sequence[SessionTotals], dog: str | None, as_json: bool) -> None:
    if as_json:
        from handsfree.edges.report import keys

        click.echo(keys.list_as_json(totals).encode())
    elif not totals:
        click.echo(f"no sessions of {dog} yet" if dog else "no sessions yet")
    else:
        from handsfree.edges.report import page

        page.show_list(totals, _console())


def _console() -> Console:
    """Standard output, no wider than reads well."""
    from rich.console import Console

    console = Console(highlight=False)
    console.width = min(console.width, 80)
    return console
