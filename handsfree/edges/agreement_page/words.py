"""The same words and figures for text and page. What is not defined is n/a."""

from __future__ import annotations

from collections.abc import Iterator

from handsfree.core.observers import Comparison, Disagreement, Kappa, Scored, Share

NOT_DEFINED = "n/a"

FOOTNOTE = (
    "Percentages ignore chance; kappa does not, but falls low where one label is rare: read both. Counts can agree "
    "while the events do not. 80 % is a convention of the trade, not science."
)


def percent(share: Share) -> str:
    return NOT_DEFINED if share.percent is None else f"{share.percent:.1f} %"


def clock(at_s: float) -> str:
    """m:ss.t, a minus before what lies before 0."""
    tenths = round(abs(at_s) * 10)
    return f"{'-' if at_s < 0 and tenths else ''}{tenths // 600}:{tenths % 600 / 10:04.1f}"


def seconds(value: float | None) -> str:
    """With its sign, to the millisecond."""
    return NOT_DEFINED if value is None else f"{value:+.3f} s"


def measures(result: Comparison) -> Iterator[tuple[str, str, str]]:
    """(name, percent, what it is made of) of each measure, in the order they are shown."""
    intervals = f"{result.intervals} intervals of {result.interval_s:g} s"
    compared = " and ".join(result.labels)
    yield "total count", percent(result.total_count), f"{result.total_count.agreed:g} of {result.total_count.of:g}"
    yield "mean count per interval", percent(result.mean_count), f"over {intervals}"
    yield "exact count per interval", percent(result.exact_count), _of(result.exact_count, intervals)
    yield "interval by interval", percent(result.interval_by_interval), _of(result.interval_by_interval, intervals)
    yield "scored intervals", percent(result.scored), _of(result.scored, "that either scored")
    yield "unscored intervals", percent(result.unscored), _of(result.unscored, "that either left empty")
    what = f"events matched, {compared} alike" if compared else "events matched; no labels in both to compare"
    yield "trial by trial", percent(result.trials), f"{result.trials.agreed:g} of {result.trials.of:g} {what}"


def kappas(result: Comparison) -> Iterator[tuple[str, str, str]]:
    """(of what, kappa and its interval, percent agreement and of how many) of each kappa."""
    for name, kappa in result.kappas.items():
        things = "intervals" if name == "interval" else "matched events"
        what = f"{percent(kappa.agreed)} alike of {kappa.agreed.of:g} {things}"
        yield f"kappa of {'intervals' if name == 'interval' else name}", _kappa(kappa), what


def times(result: Comparison) -> str:
    apart = result.times
    if apart.bias is None:
        return f"times, B minus A: {NOT_DEFINED} (no event matched)"
    low, high = apart.limits or (None, None)
    limits = f"{seconds(low)} to {seconds(high)}" if apart.limits else NOT_DEFINED
    return f"times, B minus A: mean {seconds(apart.bias)}, limits of agreement {limits} ({apart.count} matched)"


def matched(result: Comparison) -> str:
    pairs = len(result.pairs)
    only_a, only_b = result.a_count - pairs, result.b_count - pairs
    return f"{pairs} matched within {result.within_s:g} s, {only_a} only in A, {only_b} only in B"


def disagreement(one: Disagreement) -> tuple[str, str, str, str]:
    """When, what, what A has, what B has."""
    what = " and ".join(one.what) or ("only in A" if one.b is None else "only in B")
    return clock(one.at_s), what, event(one.a), event(one.b)


def event(scored: Scored | None) -> str:
    if scored is None:
        return ""
    text = " ".join(filter(None, (scored.behaviour, scored.outcome))).replace("_", " ")
    return "".join(letter if letter.isprintable() else " " for letter in text) or "an event"


def _of(share: Share, what: str) -> str:
    return f"{share.agreed:g} of {what}" if what[0].isdigit() else f"{share.agreed:g} of {share.of:g} {what}"


def _kappa(kappa: Kappa) -> str:
    if kappa.kappa is None:
        return f"{NOT_DEFINED} (one label only)" if kappa.agreed.of else NOT_DEFINED
    interval = f"95 % {kappa.interval[0]:.2f} to {kappa.interval[1]:.2f}" if kappa.interval else "no interval"
    return f"{kappa.kappa:.3f} ({interval})"
