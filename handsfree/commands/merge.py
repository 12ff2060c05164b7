"""`handsfree merge`: bring the sessions of another log into this one."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from handsfree.edges.store.merging import Merged, Namesake

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--same", metavar="NAME", multiple=True, help="The dog of this name is the same in both logs.")
@click.option("--rename", metavar="THEIRS=HERE", multiple=True, help="What a dog of that log is to be called here.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to add to. [default: the log sessions write to]")
def merge(file: Path, same: Sequence[str], rename: Sequence[str], log: Path | None) -> None:
    """Add the sessions of another log.

    FILE is a backup or a log of another machine; it stays as it is. What is here already is not added again, so it may
    be merged as often as you like. If both logs know a dog of one name you are asked whether it is the same. Where a
    session was corrected in both, all corrections are kept and the later one counts. Sound does not come along.

    \b
    Example:
      handsfree merge laptop.db
      handsfree merge ida.db --same Bruno --rename "Luna=Ida's Luna"
    """
    from handsfree import places
    from handsfree.core.errors import UserError
    from handsfree.edges.store import Store, copies

    log = log or places.default_log()
    if copies.same(file, log):
        raise UserError(f"{file}: this is the log itself; name another one")
    names = {name: name for name in same}
    for text in rename:
        theirs, _, here = (part.strip() for part in text.partition("="))
        if not theirs or not here:
            raise UserError(f"--rename {text!r}: write THEIRS=HERE, such as 'Luna=Ida's Luna'")
        names[theirs] = here
    with copies.copy_of(file, log) as copy, Store.open(log) as store:
        for namesake in store.namesakes(copy):
            if namesake.there.name.lower() not in map(str.lower, names) and sys.stdin.isatty():
                names[namesake.there.name] = _ask(namesake)
        merged = store.merge(copy, names)
    _tell(merged, file)


def _ask(namesake: Namesake) -> str:
    """What their dog is called here."""
    from handsfree.edges.report.dogs import days
    from handsfree.edges.report.words import many

    here, there = namesake.here, namesake.there
    click.echo(f"Both logs know a dog called {here.name}:")
    for where, one in (("here", here), ("there", there)):
        people = f" with {', '.join(one.handlers)}" if one.handlers else ""
        click.echo(f"  {where}: {many(one.sessions, 'session')}, {days([one])}{people}")
    if click.confirm("Is it the same dog?"):
        return here.name
    other: str = click.prompt(
        "What is the other one to be called here?",
        prompt_suffix=" ",
        value_proc=lambda text: _new_name(text, here.name),
    )
    return other


def _new_name(text: str, taken: str) -> str:
    if not text.strip() or text.strip().lower() == taken.lower():
        raise click.BadParameter(f"give it a name other than {taken}")
    return text.strip()


def _tell(merged: Merged, file: Path) -> None:
    from handsfree.edges.report.words import many

    for dog, (sessions, reps) in merged.new.items():
        click.echo(f"{dog}: {many(sessions, 'session')} with {many(reps, 'rep')} added.")
    if merged.changed:
        which = ", ".join(one.id[:8] for one in merged.changed[:5]) + (" ..." if len(merged.changed) > 5 else "")
        click.echo(f"Here before, with more known of them now: {many(len(merged.changed), 'session')}, {which}.")
    for session, disputed in merged.both:
        click.echo(f"Session {session.id[:8]} of {session.dog} was corrected in both logs: all corrections are kept.")
        if disputed:
            reps_are = f"rep{'' if len(disputed) == 1 else 's'} {', '.join(map(str, disputed))}"
            click.echo(f"  They disagree on {reps_are}: the later correction counts.")
        click.echo(f"  Look at it with `handsfree review {session.id[:8]}`.")
    if merged.known and (merged.new or merged.changed):
        click.echo(f"Here before, nothing to add: {many(merged.known, 'session')}.")
    if merged.left_out:
        click.echo(
            f"Left out, as still running there: {many(merged.left_out, 'session')}. Merge again when it is over."
        )
    if not merged.new and not merged.changed:
        click.echo(f"Nothing new in {file}: {many(merged.known, 'session')}, all here already.")
