"""Agreement as text (rich) and as JSON."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from handsfree.core.observers import Comparison, Kappa, Scored, Share
from handsfree.edges.agreement_page import words

if TYPE_CHECKING:
    from rich.console import Console

MOST_LISTED = 100
"""Disagreements that the text lists."""


def show(result: Comparison, name_a: str, name_b: str, console: Console) -> None:
    """Print it for people."""
    from rich.table import Table
    from rich.text import Text

    for letter, name, count in (("A", name_a, result.a_count), ("B", name_b, result.b_count)):
        console.print(Text.assemble((letter, "bold"), f"  {name}: {count} event{'' if count == 1 else 's'}"))
    console.print(Text(words.matched(result)))
    console.print()
    figures = Table.grid(padding=(0, 2))
    figures.add_column(no_wrap=True)
    figures.add_column(no_wrap=True, justify="right")
    figures.add_column(style="dim")
    for row in words.measures(result):
        figures.add_row(*map(Text, row))
    console.print(figures)
    console.print()
    chance = Table.grid(padding=(0, 2))
    for row in words.kappas(result):
        chance.add_row(*map(Text, row))
    console.print(chance)
    console.print()
    console.print(Text(words.times(result)))
    console.print()
    if result.disagreements:
        listed = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        listed.add_column("at", justify="right", no_wrap=True)
        for heading in ("disagree on", "A", "B"):
            listed.add_column(heading)
        for one in result.disagreements[:MOST_LISTED]:
            listed.add_row(*map(Text, words.disagreement(one)))
        console.print(listed)
        if len(result.disagreements) > MOST_LISTED:
            console.print(
                Text(f"... and {len(result.disagreements) - MOST_LISTED} more; --json and --html have them all")
            )
    else:
        console.print(Text("no disagreements"))
    console.print()
    console.print(Text(words.FOOTNOTE, style="dim"))


def as_json(result: Comparison, name_a: str, name_b: str) -> str:
    """One JSON object. Times in seconds; a measure has its percent (null: not defined), what agreed and of how many."""
    apart = result.times
    return json.dumps(
        {
            "a": {"name": name_a, "events": result.a_count},
            "b": {"name": name_b, "events": result.b_count},
            "within_s": result.within_s,
            "matched": len(result.pairs),
            "only_a": result.a_count - len(result.pairs),
            "only_b": result.b_count - len(result.pairs),
            "interval_s": result.interval_s,
            "intervals": result.intervals,
            "labels_compared": list(result.labels),
            "total_count": _share(result.total_count),
            "mean_count_per_interval": _share(result.mean_count),
            "exact_count_per_interval": _share(result.exact_count),
            "interval_by_interval": _share(result.interval_by_interval),
            "scored_interval": _share(result.scored),
            "unscored_interval": _share(result.unscored),
            "trial_by_trial": _share(result.trials),
            "kappa": {name: _kappa(kappa) for name, kappa in result.kappas.items()},
            "times_b_minus_a": {
                "count": apart.count,
                "bias_s": apart.bias,
                "sd_s": apart.sd,
                "limits_s": list(apart.limits) if apart.limits else None,
            },
            "disagreements": [
                {"at_s": one.at_s, "differ_in": list(one.what), "a": _event(one.a), "b": _event(one.b)}
                for one in result.disagreements
            ],
        },
        ensure_ascii=False,
        indent=2,
    )


def _share(share: Share) -> dict[str, Any]:
    return {"percent": share.percent, "agreed": share.agreed, "of": share.of}


def _kappa(kappa: Kappa) -> dict[str, Any]:
    return {
        "kappa": kappa.kappa,
        "interval_95": list(kappa.interval) if kappa.interval else None,
        "percent_agreement": kappa.agreed.percent,
        "labels": list(kappa.labels),
        "table_rows_a_columns_b": [list(row) for row in kappa.table],
    }


def _event(event: Scored | None) -> dict[str, Any] | None:
    if event is None:
        return None
    return {
        "onset_s": event.onset_s,
        "duration_s": event.duration_s,
        "behaviour": event.behaviour,
        "outcome": event.outcome,
        "line": event.line,
    }
