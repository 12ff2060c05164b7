"""`handsfree restore`: put back what a backup holds."""

from __future__ import annotations

from pathlib import Path

import click

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--backup-first", type=click.Path(path_type=Path), help="Write what the log holds now to this file first."
)
@click.option("--log", type=click.Path(path_type=Path), help="The log to fill. [default: the log sessions write to]")
def restore(file: Path, backup_first: Path | None, log: Path | None) -> None:
    """Put back what a backup holds.

    The log then holds what FILE holds, and nothing else; to add to what is there, use `merge`. FILE is checked first
    and stays as it is. A log with sessions in it is only written over if they are backed up first.

    \b
    Example:
      handsfree restore /media/stick/handsfree-2026-11-25.db
      handsfree restore old.db --backup-first now.db
    """
    from handsfree import places
    from handsfree.edges.report.dogs import contents
    from handsfree.edges.store import Store, copies

    log = log or places.default_log()
    held = copies.restore(log, file, backup_first)
    with Store.open(log, read_only=True) as store:
        click.echo(f"{log} restored from {file}: {contents(store.dogs())}.")
    if held:
        click.echo(f"What it held before is in {backup_first}.")
