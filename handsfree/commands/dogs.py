"""`handsfree dogs`: list the dogs, archive one, bring one back."""

from __future__ import annotations

from pathlib import Path

import click

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.option("--archive", metavar="NAME", help="Leave this dog out where none is named; its sessions stay.")
@click.option("--bring-back", metavar="NAME", help="Take a dog out of the archive.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to use. [default: the log sessions write to]")
def dogs(archive: str | None, bring_back: str | None, log: Path | None) -> None:
    """List the dogs, or archive one.

    Where no dog is named, summary, review and progress take the one that was trained last. An archived dog is passed
    over and left out of lists until it is trained again or brought back; by its name (--dog) it is found as before.

    \b
    Example:
      handsfree dogs
      handsfree dogs --archive Bruno
      handsfree dogs --bring-back Bruno
    """
    from rich.console import Console

    from handsfree import places
    from handsfree.core.errors import UserError
    from handsfree.edges.report import dogs as page
    from handsfree.edges.report.words import many
    from handsfree.edges.store import Store

    name = bring_back if archive is None else archive
    if archive is not None and bring_back is not None:
        raise UserError("--archive and --bring-back: one at a time")
    log = log or places.default_log()
    if name is None:
        with Store.open(log, read_only=True) as store:
            found = store.dogs()
        if not found:
            click.echo("no sessions yet")
            return
        console = Console(highlight=False)
        console.width = min(console.width, 100)
        page.show(found, console)
        return
    Store.open(log, read_only=True).close()  # a log that is not there is not made
    with Store.open(log) as store:
        changed = store.archive(name, archive is not None)
    if changed is None:
        click.echo(f"{name} is {'not archived' if archive is None else 'archived already'}.")
    elif archive is not None:
        count = many(changed.sessions, "session")
        click.echo(f"{changed.name} is archived, with {count}.")
        click.echo(f"To undo it: handsfree dogs --bring-back '{changed.name}'")
    else:
        click.echo(f"{changed.name} is back.")
