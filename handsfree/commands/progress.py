"""`handsfree progress`: how a dog gets on over days."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from handsfree.core.progress import BehaviourProgress, DogProgress

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.argument("behaviour", required=False)
@click.option("--dog", help="Which dog. [default: of those not archived, the one trained last]")
@click.option(
    "--html", "page", type=click.Path(path_type=Path), help="Write a page with pictures, to look at or print."
)
@click.option("--png", "image", type=click.Path(path_type=Path), help="Write the pictures as one image.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to read. [default: the log sessions write to]")
def progress(behaviour: str | None, dog: str | None, page: Path | None, image: Path | None, log: Path | None) -> None:
    """How a dog gets on over days.

    Rates with their intervals, steps, cue-to-marker times, treats a minute; likely relapses, and plateaus with what
    changed when they began. With a BEHAVIOUR: that one, day by day.

    \b
    Example:
      handsfree progress
      handsfree progress "back up"
      handsfree progress --dog Bruno --html bruno.html --png bruno.png
    """
    from rich.console import Console

    from handsfree import places
    from handsfree.core.errors import UserError
    from handsfree.core.progress import progress as progress_of
    from handsfree.edges.progress_page import plain
    from handsfree.edges.store import Store

    with Store.open(log or places.default_log(), read_only=True) as store:
        found = progress_of(store.history(dog if dog is not None else store.session().dog))
    if not found.history.sessions:
        raise UserError(f"no session of {dog}; `handsfree summary --list` shows what there is")
    only = _behaviour(found, behaviour) if behaviour is not None else None
    if page or image:
        from handsfree.edges.progress_page import write, write_image

        for path, put in ((page, write), (image, write_image)):
            if path:
                put(path, found, only)
                click.echo(f"written to {path}")
        return
    console = Console(highlight=False)
    console.width = min(console.width, 120)
    plain.show(found, console, only)


def _behaviour(found: DogProgress, name: str) -> BehaviourProgress:
    """Raises UserError when there is none of that name, or no rep of it yet."""
    from handsfree.core.errors import UserError
    from handsfree.core.plan import spoken

    for one in found.behaviours:
        if one.name == spoken(name):
            return one
    if spoken(name) in found.untrained:
        raise UserError(f"{found.history.dog} has no reps of {name!r} yet; train it first")
    known = ", ".join(one.name for one in found.behaviours)
    there = f"there are: {known}" if known else "there are no reps yet"
    raise UserError(f"{found.history.dog} was never trained in {name!r}; {there}")
