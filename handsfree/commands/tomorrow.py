"""`handsfree tomorrow`: a day of short sessions, proposed from the log."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--on", type=click.DateTime(["%Y-%m-%d"]), help="Which day, as 2026-03-30. [default: tomorrow]")
@click.option("--log", type=click.Path(path_type=Path), help="The log to read. [default: the log sessions write to]")
def tomorrow(plan: Path, on: datetime | None, log: Path | None) -> None:
    """Propose short sessions for tomorrow.

    What to train, at which step, how many reps, in which order, each with its reason from the log; what should rest,
    what was not kept up; and how many treats the day may come to. PLAN is the dog's plan; its [day] and [food] say how
    many sessions there are, when she is fed and what treats may be. A proposal: you decide.

    \b
    Example:
      handsfree tomorrow bruno.toml
      handsfree tomorrow bruno.toml --on 2026-03-30
    """
    from datetime import timedelta

    from rich.console import Console

    from handsfree import places
    from handsfree.core.progress import progress
    from handsfree.core.tomorrow import propose
    from handsfree.edges import planfile, tomorrow_page
    from handsfree.edges.promptbook import load_prompts
    from handsfree.edges.store import Store

    loaded = planfile.load(plan)
    day = on.date() if on else (datetime.now().astimezone() + timedelta(days=1)).date()
    with Store.open(log or places.default_log(), read_only=True) as store:
        found = progress(store.history(loaded.dog))
        archived = loaded.dog.lower() in map(str.lower, store.archived())
    if archived:
        click.echo(f"{loaded.dog} is archived; `handsfree dogs --bring-back '{loaded.dog}'` undoes it", err=True)
    book = load_prompts(loaded.prompts.language, places.shipped("prompts"))
    console = Console(highlight=False)
    console.width = min(console.width, 100)
    tomorrow_page.show(propose(loaded, found, day), console, book.instructions)
