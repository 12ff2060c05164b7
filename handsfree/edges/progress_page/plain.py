"""Progress in a terminal, from 80 columns on; reads the same in black and white."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from handsfree.core.progress import BehaviourProgress, DogProgress, Period
from handsfree.edges.progress_page import words

BARS = "▁▂▃▄▅▆▇█"
FIXED_COLUMNS = 51
"""Width of a table of days without its plot and its last column."""


def show(progress: DogProgress, console: Console, only: BehaviourProgress | None = None) -> None:
    """Print how a dog gets on; or one behaviour, period by period."""
    console.print(Text.assemble((progress.history.dog, "bold"), f"  {words.span(progress)}"))
    shown = [only] if only else list(progress.behaviours)
    for behaviour in shown:
        console.print()
        _show_behaviour(behaviour, console)
        if only:
            console.print()
            _show_periods(behaviour, console)
        else:
            _say(console, _trend(behaviour, console))
    console.print()
    if progress.untrained and not only:
        console.print(Text(f"no reps yet: {', '.join(progress.untrained)}"))
    for note in words.notes(progress):
        console.print(Text(note))
    if words.cautions(shown):
        console.print(Text.assemble(("CAUTION", "bold"), f"  {words.CAUTION}"))
    console.print(Text(words.FOOTNOTE, "dim"))


def _show_behaviour(behaviour: BehaviourProgress, console: Console) -> None:
    console.print(Text.assemble((behaviour.name, "bold"), f"  {words.standing(behaviour)}"))
    sign, sentence = words.verdict(behaviour)
    _say(console, (sign, "bold" if sign.isupper() else ""), f" {sentence}" if sign.isupper() else f": {sentence}")
    for line in words.beneath(behaviour):
        _say(console, line)
    _say(console, words.lately(behaviour))


def _trend(behaviour: BehaviourProgress, console: Console) -> str:
    unit = behaviour.unit()
    periods = behaviour.periods(unit)
    rates = [period.rate or 0.0 for period in periods]
    if console.options.ascii_only:
        line = " ".join(f"{10 * rate:.0f}" for rate in rates)
        return f"tenths correct by {unit}, {words.period_name(periods[0], unit)} on:  {line}"
    line = "".join(BARS[min(7, int(8 * rate))] for rate in rates)
    first, last = (words.period_name(periods[at], unit) for at in (0, -1))
    return f"rate by {unit}:  {first} {line} {last}"


def _show_periods(behaviour: BehaviourProgress, console: Console) -> None:
    unit = behaviour.unit()
    periods = behaviour.periods(unit)
    marks = words.marks(behaviour, periods)
    ascii_only = console.options.ascii_only
    wide = max(11, min(41, console.width - FIXED_COLUMNS - max((len(mark) for mark in marks.values()), default=0)))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column(f"\n{unit}", no_wrap=True)
    for title in ("\ncorrect", "\nrate"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("\n" + "0 %".ljust(wide - 5) + "100 %", no_wrap=True)
    table.add_column("cue to\nmarker", justify="right", no_wrap=True)
    table.add_column("\nstep", no_wrap=True)
    table.add_column("treats\na min", justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    for period in periods:
        to_marker, rewards = period.cue_to_marker_s, period.rewards_per_minute
        table.add_row(
            Text(words.period_name(period, unit)),
            f"{period.correct}/{period.reps}",
            f"{100 * (period.rate or 0):.0f} %",
            Text(_plot(period, wide, ascii_only)),
            "" if to_marker is None else f"{to_marker:.1f} s",
            words.steps_of(period, ">" if ascii_only else "→"),
            "" if rewards is None else f"{rewards:.1f}",
            Text(marks.get(period.first, ""), "bold"),
        )
    console.print(table)


def _plot(period: Period, wide: int, ascii_only: bool) -> str:
    """The rate and its interval on a line of `wide` characters."""
    assert period.rate is not None
    assert period.interval is not None
    dot, bar, empty = ("o", "-", " ") if ascii_only else ("●", "─", "·")
    low, at, high = (round(share * (wide - 1)) for share in (period.interval[0], period.rate, period.interval[1]))
    return "".join(dot if x == at else bar if low <= x <= high else empty for x in range(wide))


def _say(console: Console, *parts: str | tuple[str, str]) -> None:
    console.print(Padding(Text.assemble(*parts), (0, 0, 0, 2)))
