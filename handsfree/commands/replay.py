"""`handsfree replay`: what other rules, or another ear, would have made of old sessions."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console

    from handsfree.core.log import SessionLog
    from handsfree.core.plan import Rule
    from handsfree.core.replay import Rules
    from handsfree.edges.report.replayed import Operating

RATES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
"""Success rates at which rules are compared."""


@click.command()
@click.argument("sessions", nargs=-1, metavar="[SESSION]...")
@click.option("--all", "all_sessions", is_flag=True, help="All sessions of the log, oldest first.")
@click.option("--rules", type=click.Path(path_type=Path), help="Rules to try: a TOML file.")
@click.option("--compare", type=click.Path(path_type=Path), help="With --rules: a second file, side by side.")
@click.option("--sound", type=click.Path(path_type=Path), help="A recording of the one session, or `kept`.")
@click.option("--model", type=click.Path(path_type=Path), help="With --sound: a stock Vosk model directory as the ear.")
@click.option("--confidence", type=click.FloatRange(0, 1), help="With --sound: words below it do not count.")
@click.option(
    "--verify", is_flag=True, help="Replay under the stored plan and compare to the byte with what is stored."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to read. [default: the log sessions write to]")
def replay(
    sessions: tuple[str, ...],
    all_sessions: bool,
    rules: Path | None,
    compare: Path | None,
    sound: Path | None,
    model: Path | None,
    confidence: float | None,
    verify: bool,
    as_json: bool,
    log: Path | None,
) -> None:
    """What other rules or another ear would have decided.

    A rules file holds what may also stand in a plan: rule = "..." or rule = { ... } for every behaviour, [limits], and
    [[behaviour]] with name and rule for one. What it leaves out stays as the session's plan had it. SESSION is the
    start of a session's id, as `handsfree summary --list` shows it; without one it is the last session.

    --sound counts the one session anew from a recording that begins when it began or, with the word kept, from what was
    kept of it: where that is the sound around its reps, nothing else is heard again.

    --verify exits with code 1 when a session is not what its own words make of it.

    \b
    Example:
      handsfree replay 3f0c --rules stricter.toml
      handsfree replay --all --rules stricter.toml --compare wald.toml
      handsfree replay 3f0c --sound kept --confidence 0.8
      handsfree replay --all --verify
    """
    from handsfree import places
    from handsfree.core.errors import UserError
    from handsfree.edges.store import Store

    if [rules is not None, sound is not None, verify].count(True) != 1:
        raise UserError("say what to try: one of --rules FILE, --sound FILE or --verify")
    if compare is not None and rules is None:
        raise UserError("--compare: name the first file of rules with --rules")
    if sound is None and (model is not None or confidence is not None):
        raise UserError("--model and --confidence: only for hearing a recording; add --sound FILE")
    if all_sessions and sessions:
        raise UserError("--all takes every session: leave the session's id out")
    if sound is not None and (all_sessions or len(sessions) > 1):
        raise UserError("--sound: a recording is of one session; name that one")
    with Store.open(log or places.default_log(), read_only=True) as store:
        chosen = [totals.session.id for totals in reversed(store.sessions())] if all_sessions else sessions or ("last",)
        logs = (store.session_log(reference) for reference in chosen)
        if verify:
            _verify(logs, as_json)
        elif sound is not None:
            _hear(next(iter(logs)), sound, model, confidence, as_json)
        else:
            _try(list(logs), [path for path in (rules, compare) if path], as_json)


def _verify(logs: Iterable[SessionLog], as_json: bool) -> None:
    import json

    from handsfree import replaying

    checked = reps = 0
    wrong: dict[str, list[str]] = {}
    for log in logs:
        checked, reps = checked + 1, reps + len(log.live_reps)
        found = replaying.verify(log)
        if found:
            wrong[log.session.id] = found
            if not as_json:
                click.echo(f"session {log.session.id[:8]} (counted by version {log.session.tool_version}):")
                click.echo("".join(f"  {line}\n" for line in found), nl=False)
    if as_json:
        click.echo(json.dumps({"sessions": checked, "reps": reps, "differences": wrong}, ensure_ascii=False, indent=2))
    else:
        which = f"{len(wrong)} not as stored" if wrong else "all as stored, to the byte"
        click.echo(f"sessions {checked}, reps {reps}: {which}")
    if wrong:
        sys.exit(1)


def _hear(log: SessionLog, sound: Path, model: Path | None, confidence: float | None, as_json: bool) -> None:
    from handsfree import keeping, replaying
    from handsfree.edges.report import replayed

    blocks = keeping.sound_of(log.session.id, sound, lambda line: click.echo(f"handsfree: {line}", err=True))
    again = replaying.heard_again(log, blocks, model, confidence)
    found = replaying.unlike(log.live_reps, again.reps)
    if as_json:
        click.echo(replayed.unlike_as_json(log.session, found))
    else:
        replayed.show_unlike(log.session, found, _console())


def _try(logs: list[SessionLog], paths: list[Path], as_json: bool) -> None:
    from handsfree import replaying
    from handsfree.edges import planfile
    from handsfree.edges.report import replayed

    known = {behaviour.name for log in logs for behaviour in log.session.behaviours}
    trials = [planfile.load_rules(path, known) for path in paths]
    names = [path.name for path in paths]
    if len(set(names)) < len(names):
        names = [str(path) for path in paths]
    compared = []
    for log in logs:
        sides = {replayed.MADE: log.decisions}
        for name, rules in zip(names, trials, strict=True):
            sides[name] = replaying.replayed(log, rules).decisions
        compared.append(replayed.Compared(log.session, log.live_reps, sides))
    operating = _operating(logs, trials) if len(trials) == 2 else []
    if as_json:
        click.echo(replayed.as_json(compared, operating))
        return
    console = _console()
    for one in compared:
        replayed.show_compared(one, console)
    console.print(f"{replayed.CAVEAT}\n", style="dim")
    for pair in operating:
        replayed.show_operating(pair, console)


def _operating(logs: list[SessionLog], trials: list[Rules]) -> list[Operating]:
    """Each pair of differing rules once, with the behaviours that it rules."""
    from handsfree import replaying
    from handsfree.edges.report.replayed import Operating

    ruled: dict[tuple[Rule, Rule, int], dict[str, None]] = {}
    for log in logs:
        plan = replaying.plan_of(log)
        first, second = (rules.applied_to(plan) for rules in trials)
        for one, other in zip(first.behaviours, second.behaviours, strict=True):
            if one.rule != other.rule:
                key = (one.rule, other.rule, first.limits.reps_per_behaviour)
                ruled.setdefault(key, {})[one.name] = None
    return [
        Operating(
            behaviours=tuple(behaviours),
            names=(first_rule.name, second_rule.name),
            limit=limit,
            points=tuple((replaying.operating(first_rule, p), replaying.operating(second_rule, p)) for p in RATES),
        )
        for (first_rule, second_rule, limit), behaviours in ruled.items()
    ]


def _console() -> Console:
    """Standard output, no wider than reads well."""
    from rich.console import Console

    console = Console(highlight=False)
    console.width = min(console.width, 110)
    return console
