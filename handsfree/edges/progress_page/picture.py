"""One behaviour as a picture: the rate with its interval over the days, and the step below. SVG, drawn by hand.

Colours come from the page (light, dark, print); each has a second sign: open squares are days of a relapse, filled dots
others; a relapse is a shaded spell with its name on it, a plateau a dashed line with its name on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from html import escape

from handsfree.core.progress import GOOD_RATE, BehaviourProgress, Period, Unit
from handsfree.edges.progress_page import words

WIDTH, LEFT, RIGHT = 820, 52, 14
TITLE = 200
"""Width of what is written above the axis, about."""
RATE_TOP, RATE_BOTTOM = 26, 206
STEP_TOP, STEP_ROW = 234, 15
MOST_STEP_ROWS = 8
STYLE = """
svg text { font-size: 13px; fill: currentColor; }
svg .axis { stroke: currentColor; opacity: .35; }
svg .good { stroke: currentColor; opacity: .5; stroke-dasharray: 2 4; }
svg .interval { stroke: var(--rate); opacity: .45; stroke-width: 3; }
svg .trend { stroke: var(--rate); fill: none; stroke-width: 2; }
svg .paper { fill: var(--paper); }
svg .dot { fill: var(--rate); stroke: var(--paper); stroke-width: 1.5; }
svg .bad { fill: var(--paper); stroke: var(--alarm); stroke-width: 2.5; }
svg .spell { fill: var(--alarm); opacity: .13; } svg .edge { stroke: var(--alarm); stroke-width: 2; }
svg .flatline { stroke: currentColor; stroke-width: 2; stroke-dasharray: 8 3; }
svg .label { font-weight: 600; } svg .alarming { fill: var(--alarm); }
svg .stairs { stroke: currentColor; fill: none; stroke-width: 2; }
"""
"""The page and the image bring the colours."""
_LENGTH = {Unit.DAY: 1, Unit.WEEK: 7, Unit.MONTH: 30}


def picture(behaviour: BehaviourProgress, unit: Unit) -> str:
    """The picture as an SVG element."""
    periods = behaviour.periods(unit)
    first, last = periods[0].first, max(behaviour.last_day, periods[-1].first)
    across = _Across(first, last + timedelta(days=_LENGTH[unit]))
    steps, height = _size(behaviour, periods)
    parts = [
        *_frame(across, periods, unit, height),
        *_scale(steps, height),
        *_turns(behaviour, across, last),
        *_rates(behaviour, across, periods),
    ]
    parts += _steps(across, periods, steps, height, unit)
    sign, sentence = words.verdict(behaviour)
    label = escape(f"{behaviour.name}. {sign}: {sentence} {words.lately(behaviour)}.", quote=True)
    return f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{label}">\n' + "\n".join(parts) + "\n</svg>"


def scale(behaviour: BehaviourProgress, unit: Unit) -> str:
    """The picture's left edge once more, to lie over it where it is scrolled."""
    steps, height = _size(behaviour, behaviour.periods(unit))
    paper = f'<rect class="paper" width="{LEFT}" height="{height}"/>'
    step = f'<text x="{LEFT - 8}" y="{STEP_TOP - 10}" text-anchor="end">step</text>'
    parts = [paper, step, *_scale(steps, height)]
    return f'<svg class="scale" viewBox="0 0 {LEFT} {height}" aria-hidden="true">\n' + "\n".join(parts) + "\n</svg>"


def _size(behaviour: BehaviourProgress, periods: Sequence[Period]) -> tuple[int, int]:
    """How many steps the picture has room for, and its height."""
    steps = max(len(behaviour.steps), max(period.hardest for period in periods))
    return steps, STEP_TOP + STEP_ROW * min(steps, MOST_STEP_ROWS) + 30


class _Across:
    """A day -> its place from left to right."""

    def __init__(self, first: date, end: date) -> None:
        self._first = first
        self._day = (WIDTH - LEFT - RIGHT) / max(1, (end - first).days)

    def start(self, day: date) -> float:
        return LEFT + (day - self._first).days * self._day

    def middle(self, day: date, unit: Unit) -> float:
        return self.start(day) + self._day * _LENGTH[unit] / 2


def _up(rate: float) -> float:
    return RATE_BOTTOM - rate * (RATE_BOTTOM - RATE_TOP)


def _step_up(step: int, steps: int, height: int) -> float:
    bottom = height - 28
    return bottom - (step - 1) * (bottom - STEP_TOP) / max(1, steps - 1)


def _scale(steps: int, height: int) -> list[str]:
    """What stands left of the axes."""
    marks = [(_up(rate), f"{100 * rate:.0f} %") for rate in (0, 0.5, GOOD_RATE, 1)]
    marks += [(_step_up(step, steps, height), str(step)) for step in sorted({1, steps})]
    return [f'<text x="{LEFT - 8}" y="{y + 4:.0f}" text-anchor="end">{text}</text>' for y, text in marks]


def _frame(across: _Across, periods: Sequence[Period], unit: Unit, height: int) -> list[str]:
    right = WIDTH - RIGHT
    parts = [
        f'<line class="axis" x1="{LEFT}" x2="{right}" y1="{_up(rate):.0f}" y2="{_up(rate):.0f}"/>' for rate in (0, 1)
    ]
    good = _up(GOOD_RATE)
    parts.append(f'<line class="good" x1="{LEFT}" x2="{right}" y1="{good:.0f}" y2="{good:.0f}"/>')
    parts.append(f'<text x="{LEFT}" y="14">correct, with 95 % interval</text>')
    every = -(-len(periods) // 9)
    shown = 0.0
    for period in periods[::every]:
        x = across.middle(period.first, unit)
        if x - shown >= 62:
            name = escape(words.period_name(period, unit))
            anchor, at = ("end", WIDTH) if x > WIDTH - 40 else ("middle", x)
            parts.append(f'<text x="{at:.0f}" y="{height - 6}" text-anchor="{anchor}">{name}</text>')
            shown = x
    return parts


def _turns(behaviour: BehaviourProgress, across: _Across, last: date) -> list[str]:
    """Relapses and the plateau, with their names."""
    parts = []
    for setback in behaviour.setbacks:
        left, right = across.start(setback.began), across.start((setback.recovered or last) + timedelta(days=1))
        name = f"likely relapse from {words.day(setback.began)}"
        parts.append(
            f'<rect class="spell" x="{left:.1f}" width="{right - left:.1f}" y="{RATE_TOP}" '
            f'height="{RATE_BOTTOM - RATE_TOP}"><title>{escape(name)}</title></rect>'
            f'<line class="edge" x1="{left:.1f}" x2="{left:.1f}" y1="{RATE_TOP}" y2="{RATE_BOTTOM}"/>'
        )
        if setback is behaviour.setbacks[-1]:
            parts.append(_name(name, left, "label alarming"))
    if plateau := behaviour.plateau:
        left, y = across.start(plateau.began), RATE_TOP - 5
        parts.append(f'<line class="flatline" x1="{left:.1f}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}"/>')
        parts.append(_name(f"no gain since {words.day(plateau.began)}", left, "label"))
    return parts


def _name(text: str, x: float, kind: str) -> str:
    """A name above the plot, beside what is written there; left of its place where there is no room to the right."""
    anchor = "end" if x > WIDTH - 240 else "start"
    x = max(x, LEFT + TITLE)
    return f'<text class="{kind}" x="{x:.0f}" y="14" text-anchor="{anchor}">{escape(text)}</text>'


def _rates(behaviour: BehaviourProgress, across: _Across, periods: Sequence[Period]) -> list[str]:
    unit = behaviour.unit()
    parts, points = [], []
    for period in periods:
        assert period.rate is not None
        assert period.interval is not None
        x, y = across.middle(period.first, unit), _up(period.rate)
        low, high = (_up(share) for share in period.interval)
        parts.append(f'<line class="interval" x1="{x:.1f}" x2="{x:.1f}" y1="{low:.1f}" y2="{high:.1f}"/>')
        points.append((x, y))
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    parts.append(f'<polyline class="trend" points="{line}"/>')
    for period, (x, y) in zip(periods, points, strict=True):
        what = escape(f"{words.period_name(period, unit)}: {words.score(period)}")
        relapsed = any(
            one.began <= period.first and (one.recovered is None or period.first <= one.recovered)
            for one in behaviour.setbacks
        )
        shape = (
            f'<rect class="bad" x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8">'
            if relapsed
            else f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="5">'
        )
        parts.append(f"{shape}<title>{what}</title>{'</rect>' if relapsed else '</circle>'}")
    return parts


def _steps(across: _Across, periods: Sequence[Period], steps: int, height: int, unit: Unit) -> list[str]:
    """A staircase of the step at the end of each period."""
    parts = [f'<text x="{LEFT}" y="{STEP_TOP - 10}">step</text>']
    for step in sorted({1, steps}):
        y = _step_up(step, steps, height)
        parts.append(f'<line class="axis" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
    path = ""
    for period in periods:
        x, y = across.middle(period.first, unit), _step_up(period.last_step, steps, height)
        path += f"H{x:.1f}V{y:.1f}" if path else f"M{x:.1f},{y:.1f}"
    parts.append(f'<path class="stairs" d="{path}H{WIDTH - RIGHT}"/>')
    return parts
