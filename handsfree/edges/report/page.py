"""A session summary for people: text that fits 80 columns, and reads in black and white."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from handsfree.core.clock import clock
from handsfree.core.corrections import standing
from handsfree.core.events import Choice, Decision, Outcome
from handsfree.core.log import MadeCorrection, SessionTotals
from handsfree.core.summary import BehaviourSummary, SessionSummary
from handsfree.edges.report.words import (
    ENDS,
    FOOTNOTE,
    IGNORED,
    OUTCOMES,
    STILL_OPEN,
    cautions,
    many,
    spell,
    why,
)

_DOTS: dict[Outcome | None, str] = {Outcome.CORRECT: "●", Outcome.INCORRECT: "○", Outcome.NO_RESPONSE: "·", None: "x"}

_LETTERS: dict[Outcome | None, str] = {
    Outcome.CORRECT: "+",
    Outcome.INCORRECT: "-",
    Outcome.NO_RESPONSE: ".",
    None: "x",
}


def show(summary: SessionSummary, console: Console) -> None:
    """Print the summary for people."""
    session = summary.session
    place = f", {session.place}" if session.place else ""
    console.print(Text.assemble((session.dog, "bold"), f"  {session.started_at:%a %d %b %Y, %H:%M}{place}"))
    ended = f"ended {ENDS[session.end_reason]}" if session.end_reason else STILL_OPEN
    console.print(Text(f"session {session.id[:8]}, {spell(summary.duration_s)}, {ended}"))
    if summary.paused_s:
        console.print(Text(f"paused for {spell(summary.paused_s)}"))
    if summary.lost_s:
        console.print(Text(f"{summary.lost_s:.1f} s of sound lost: what was said then is not counted"))
    for behaviour in summary.behaviours:
        if behaviour.outcomes or behaviour.decisions:
            console.print()
            _show_behaviour(behaviour, console)
    console.print()
    if idle := [one.name for one in summary.behaviours if not one.outcomes and not one.decisions]:
        console.print(Text(f"no reps: {', '.join(idle)}"))
    console.print(Text(f"in all: {_treats(summary.rewards, summary.rewards_per_minute)}"))
    for decision in summary.decisions:
        console.print(Text(f"{clock(decision.at_s)}  end called for: {why(decision)}"))
    _show_corrections(summary.corrections, console)
    if summary.ignored:
        reasons = ", ".join(f"{IGNORED[reason]} {count}" for reason, count in summary.ignored.items())
        console.print(Text(f"heard but not counted: {reasons}"))
    if summary.notes:
        console.print(Text(f"{many(summary.notes, 'spoken note')} kept"))
    for caution in cautions(summary):
        console.print()
        console.print(Text.assemble(("CAUTION", "bold"), f"  {caution}"))
    if summary.reps:
        console.print()
        console.print(Text(f"{_legend(_marks(console))}\n{FOOTNOTE}", "dim"))


def show_list(totals: Sequence[SessionTotals], console: Console) -> None:
    """Print one line a session."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for title in ("session", "started", "dog"):
        table.add_column(title, no_wrap=title != "dog")
    table.add_column("reps", justify="right")
    table.add_column("correct", justify="right")
    table.add_column("length", justify="right", no_wrap=True)
    table.add_column("end")
    for one in totals:
        session = one.session
        table.add_row(
            Text(session.id[:8]),
            Text(f"{session.started_at:%Y-%m-%d %H:%M}"),
            Text(session.dog),
            str(one.reps),
            f"{100 * one.correct / one.reps:.0f} %" if one.reps else "",
            clock(round(session.ended_s)) if session.ended_s is not None else "",
            Text(session.end_reason.value.replace("_", " ") if session.end_reason else "not ended"),
        )
    console.print(table)


def _show_behaviour(behaviour: BehaviourSummary, console: Console) -> None:
    step = ""
    if behaviour.last_step is not None:
        moved = f"{behaviour.first_step} to " if behaviour.first_step != behaviour.last_step else ""
        step = f"  step {moved}{behaviour.last_step}"
        if behaviour.last_step <= len(behaviour.steps):
            step += f": {behaviour.steps[behaviour.last_step - 1]}"
    console.print(Text.assemble((behaviour.name, "bold"), step))
    if behaviour.outcomes:
        marks = _marks(console)
        console.print(Text("  " + " ".join(marks[outcome] for outcome in behaviour.outcomes)))
    for text in _figures(behaviour):
        console.print(Text(f"  {text}"))
    holds = Counter(why(one) for one in behaviour.decisions if one.choice is Choice.HOLD)
    for decision in behaviour.decisions:
        if decision.choice is not Choice.HOLD:
            console.print(Text(f"  {clock(decision.at_s)}  {_choice(decision)}: {why(decision)}"))
    for reason, count in holds.items():
        console.print(Text(f"  held{f' {count} times' if count > 1 else ''}: {reason}"))


def _marks(console: Console) -> dict[Outcome | None, str]:
    return _LETTERS if console.options.ascii_only else _DOTS


def _legend(marks: dict[Outcome | None, str]) -> str:
    return "   ".join(f"{mark} {OUTCOMES[outcome] if outcome else 'undone'}" for outcome, mark in marks.items())


def _figures(behaviour: BehaviourSummary) -> list[str]:
    if behaviour.rate is None or behaviour.interval is None:
        lines = ["no reps" + (f" ({behaviour.undone} undone)" if behaviour.undone else "")]
    else:
        low, high = (f"{100 * share:.0f}" for share in behaviour.interval)
        score = f"{behaviour.correct} of {behaviour.reps} correct: {100 * behaviour.rate:.0f} %"
        lines = [f"{score} (95 % interval {low} to {high} %)"]
    misses = []
    if incorrect := behaviour.count(Outcome.INCORRECT):
        misses.append(f"{incorrect} incorrect")
    if silent := behaviour.count(Outcome.NO_RESPONSE):
        misses.append(f"{silent} no response" + (f" ({behaviour.recued} cued again)" if behaviour.recued else ""))
    if behaviour.undone and behaviour.reps:
        misses.append(f"{behaviour.undone} undone")
    if misses:
        lines.append(", ".join(misses))
    if behaviour.cue_to_marker_s is not None:
        lines.append(f"cue-to-marker {behaviour.cue_to_marker_s:.1f} s (median of {behaviour.cue_to_marker_n})")
    if behaviour.rewards:
        lines.append(_treats(behaviour.rewards, behaviour.rewards_per_minute))
    return lines


def _choice(decision: Decision) -> str:
    if decision.choice is Choice.END:
        return "end called for"
    return f"{'raised' if decision.choice is Choice.RAISE else 'lowered'} to step {decision.new_step}"


def _show_corrections(corrections: Sequence[MadeCorrection], console: Console) -> None:
    for made in standing(corrections):
        change = made.correction
        before = OUTCOMES[change.before] if change.before else "no rep"
        after = OUTCOMES[change.after] if change.after else "no rep"
        reason = f" ({change.why})" if change.why else ""
        what = f"{before}, corrected to {after}" if change.before is not change.after else f"{after}, corrected"
        of = f"; {change.rep.behaviour} from {clock(change.rep.start_s)}" if change.rep else ""
        console.print(Text(f"{clock(change.at_s)}  rep {change.rep_number}: {what}{of}{reason}"))
    if undone := sum(made.undoes is not None and made.part_of is None for made in corrections):
        console.print(Text(f"{many(undone, 'correction')} made and taken back"))


def _treats(rewards: int, rate: float | None) -> str:
    owed = f"{many(rewards, 'treat')} owed"
    return f"{owed}; rate of reinforcement {rate:.1f} a minute" if rewards and rate is not None else owed
