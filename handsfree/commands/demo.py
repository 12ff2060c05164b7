"""`handsfree demo`: a made-up session through the real program, and what it should have counted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from handsfree.core.agreement import Agreement, TrueRep
    from handsfree.core.events import Rep


@click.command()
@click.option("--log", type=click.Path(path_type=Path), help="Keep the session in this new database.")
def demo(log: Path | None) -> None:
    """Watch a made-up training session being heard, counted and answered.

    Three and a half minutes of sound go through the real ear, rules and log, faster than real time. Then comes what was
    said in truth beside what was counted, and the summary of the session. Nothing is spoken, and nothing is kept unless
    you name a --log.

    \b
    Example:
      handsfree demo
      handsfree demo --log demo.db
    """
    import tempfile

    from handsfree.core.errors import UserError

    if log is not None and log.exists():
        raise UserError(f"{log} exists: the demo starts with an empty log; name a new file for --log")
    with tempfile.TemporaryDirectory(prefix="handsfree-demo-") as folder:
        _run(log or Path(folder) / "demo.db")
    if log is not None:
        click.echo(f"\nThe session is kept: handsfree summary --log {log}")


def _run(log: Path) -> None:
    import time
    from datetime import datetime

    from rich.console import Console

    from handsfree import places
    from handsfree.core.agreement import match, match_decisions, read_due, read_truth
    from handsfree.core.summary import summarise
    from handsfree.edges import planfile
    from handsfree.edges.report import page
    from handsfree.edges.store import Store
    from handsfree.running import run_session
    from handsfree.watching.lines import Lines

    folder = places.shipped("demo")
    text = planfile.read_text(folder / "plan.toml")
    plan = planfile.parse(text, folder / "plan.toml")
    truth = (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    console = Console(highlight=False)
    console.width = min(console.width, 80)
    console.print(f"{plan.handler} trains {plan.dog}. All invented; both voices are synthetic.\n", style="dim")
    began_s = time.perf_counter()
    finished = run_session(
        plan,
        plan_text=text,
        log_path=log,
        watcher=Lines(click.echo),
        started_at=datetime.now().astimezone(),
        recording=folder / "session.ogg",
        fast=True,
        silent=True,
        tell=lambda line: click.echo(f"handsfree: {line}", err=True),
    )
    took_s = time.perf_counter() - began_s
    with Store.open(log, read_only=True) as store:
        session = store.session_log(finished.session_id)
    agreement = match(read_truth(truth), [judged.rep for judged in session.reps])
    due = read_due(truth)
    missing, extra = match_decisions(due, session.decisions)
    console.print()
    console.print(_table(agreement))
    reps = len(agreement.matched) + len(agreement.missed)
    console.print(
        f"{agreement.right} of {reps} reps right, {len(agreement.missed)} missed, {len(agreement.invented)} invented."
    )
    not_due = f", {len(extra)} not due" if extra else ""
    console.print(f"{len(due) - len(missing)} of {len(due)} decisions as the rules demand{not_due}.")
    console.print(f"Heard in {took_s:.1f} s, {session.session.ended_s or 0:.0f} s of sound.\n")
    page.show(summarise(session), console)


def _table(agreement: Agreement) -> Table:
    """Truth beside counted, in order of time. Outcomes are those of the moment, before spoken corrections."""
    from rich import box
    from rich.table import Table

    from handsfree.core.clock import clock

    pairs: list[tuple[TrueRep | None, Rep | None]] = [*agreement.matched]
    pairs += [(true, None) for true in agreement.missed] + [(None, counted) for counted in agreement.invented]
    table = Table(box=box.SIMPLE, title="Truth against counted", title_justify="left")
    table.add_column("at", justify="right")
    for heading in ("behaviour", "truth", "counted", "cue to marker, s\ntruth / counted", ""):
        table.add_column(heading)
    for true, counted in sorted(pairs, key=_start_s):
        table.add_row(clock(_start_s((true, counted))), *_cells(true, counted))
    return table


def _start_s(pair: tuple[TrueRep | None, Rep | None]) -> float:
    true, counted = pair
    if true is not None and true.cue_s is not None:
        return true.cue_s
    return counted.start_s if counted is not None else 0.0


def _cells(true: TrueRep | None, counted: Rep | None) -> Sequence[str]:
    from handsfree.core.agreement import is_right
    from handsfree.edges.report.words import OUTCOMES

    said = OUTCOMES[true.outcome] if true else "no rep"
    heard = OUTCOMES[counted.outcome] if counted else "missed"
    behaviours = dict.fromkeys(rep.behaviour for rep in (true, counted) if rep)
    times = [rep.cue_to_marker_s if rep else None for rep in (true, counted)]
    shown = " / ".join("none" if seconds is None else f"{seconds:.1f}" for seconds in times) if any(times) else ""
    right = true is not None and counted is not None and is_right(true, counted)
    return " / ".join(behaviours), said, heard, shown, "[green]right[/]" if right else "[red]wrong[/]"
