"""`handsfree backup`: the log in one file, for safety or for another machine."""

from __future__ import annotations

from pathlib import Path

import click

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Write over a backup made before.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to copy. [default: the log sessions write to]")
def backup(file: Path, replace: bool, log: Path | None) -> None:
    """Write the log to one file, checked.

    A session may be running. In it: every session with its words, reps, decisions, corrections and the text of its
    plan. Not in it: kept sound, spoken notes, plan files and what was learnt of your voice. `restore` puts it back,
    `merge` adds it to the log of another machine. Whoever has the file can read it.

    \b
    Example:
      handsfree backup /media/stick/handsfree-2026-11-25.db
    """
    from handsfree import places
    from handsfree.edges.report.dogs import contents
    from handsfree.edges.report.words import many
    from handsfree.edges.store import Store

    with Store.open(log or places.default_log(), read_only=True) as store:
        found = store.backup(file, replace)
    click.echo(f"{file} written and checked, {file.stat().st_size / 1e6:.1f} MB: {contents(found)}.")
    if unfinished := sum(one.unfinished for one in found):
        click.echo(f"{many(unfinished, 'session')} without an end: as far as written down by now.")
    click.echo("Not in it: kept sound, spoken notes, plan files, what was learnt of your voice.")
