"""Agreement as one HTML page that needs nothing else: no script, no request, the plot inline, the sound inside it."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape

from handsfree.core.observers import Comparison
from handsfree.core.wav import as_wav
from handsfree.edges.agreement_page import words

CLIP_BEFORE_S, CLIP_AFTER_S = 2.0, 3.0
"""Sound before and after a disagreement that its player holds."""

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 760, 320, 64, 140, 16, 44

_STYLE = """
:root { color-scheme: light dark; }
body { font: 16px/1.5 system-ui, sans-serif; max-width: 52rem; margin: 2rem auto; padding: 0 1rem; }
table { border-collapse: collapse; margin: 1rem 0; }
th, td { text-align: left; padding: .2rem 1rem .2rem 0; vertical-align: middle; }
th { font-weight: 600; } tbody tr { border-top: 1px solid #8884; } td.number { font-variant-numeric: tabular-nums; }
svg { width: 100%; height: auto; } svg text { font-size: 13px; fill: currentColor; }
svg .axis { stroke: currentColor; opacity: .4; } svg .line { stroke: currentColor; stroke-dasharray: 6 4; }
svg .bias { stroke-dasharray: none; } svg circle { fill: #2878c8; opacity: .7; }
audio { height: 2rem; width: 16rem; } footer { opacity: .75; margin: 2rem 0; }
"""


def html(result: Comparison, name_a: str, name_b: str, clips: Mapping[int, bytes]) -> str:
    """The page. `clips`: index of a disagreement -> 16 kHz mono int16 PCM around it."""
    listed = [
        (*words.disagreement(one), _player(clips[index]) if index in clips else "")
        for index, one in enumerate(result.disagreements)
    ]
    title = f"Agreement: {name_a} and {name_b}"
    body = [
        f"<h1>{escape(title)}</h1>",
        f"<p>A: {escape(name_a)}, {result.a_count} events. B: {escape(name_b)}, {result.b_count} events. "
        f"{escape(words.matched(result))}.</p>",
        "<h2>Counts, intervals, trials</h2>",
        _table(("measure", "agreement", "from"), words.measures(result)),
        "<h2>Beyond chance</h2>",
        _table(("kappa", "value", "percent agreement"), words.kappas(result)),
        "<h2>Times</h2>",
        f"<p>{escape(words.times(result))}</p>",
        _plot(result) if result.pairs else "",
        f"<h2>Disagreements ({len(listed)})</h2>",
        _table(("at", "disagree on", "A", "B", "sound"), listed, raw=4) if listed else "<p>None.</p>",
        f"<footer>{escape(words.FOOTNOTE)}</footer>",
    ]
    policy = "default-src 'none'; style-src 'unsafe-inline'; media-src data:"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        + "\n".join(filter(None, body))
        + "\n</body>\n</html>\n"
    )


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]], raw: int | None = None) -> str:
    """A table; the cells of column `raw` are markup already."""
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in heads)
    lines = [
        "<tr>" + "".join(f"<td>{cell if at == raw else escape(cell)}</td>" for at, cell in enumerate(row)) + "</tr>"
        for row in rows
    ]
    return f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n" + "\n".join(lines) + "\n</tbody>\n</table>"


def _player(pcm: bytes) -> str:
    data = base64.b64encode(as_wav(pcm)).decode("ascii")
    return f'<audio controls preload="none" src="data:audio/wav;base64,{data}"></audio>'


def _plot(result: Comparison) -> str:
    """Bland-Altman plot: difference of the onsets over their mean, with bias and limits of agreement."""
    points = [((a.onset_s + b.onset_s) / 2, b.onset_s - a.onset_s) for a, b in result.pairs]
    apart = result.times
    lines = [("mean", apart.bias, "line bias")] if apart.bias is not None else []
    if apart.limits:
        lines += [("upper limit", apart.limits[1], "line"), ("lower limit", apart.limits[0], "line")]
    across = _Scale([x for x, _ in points], LEFT, WIDTH - RIGHT)
    up = _Scale([y for _, y in points] + [y for _, y, _ in lines], HEIGHT - BOTTOM, TOP)
    parts = [
        f'<line class="axis" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{HEIGHT - BOTTOM}" y2="{HEIGHT - BOTTOM}"/>',
        f'<line class="axis" x1="{LEFT}" x2="{LEFT}" y1="{TOP}" y2="{HEIGHT - BOTTOM}"/>',
    ]
    for value in across.ticks:
        text = f"{value:g}"
        parts.append(f'<text x="{across(value):.1f}" y="{HEIGHT - BOTTOM + 18}" text-anchor="middle">{text}</text>')
    for value in up.ticks:
        parts.append(f'<text x="{LEFT - 8}" y="{up(value) + 4:.1f}" text-anchor="end">{value:g}</text>')
    middle = (LEFT + WIDTH - RIGHT) / 2
    parts.append(f'<text x="{middle:.0f}" y="{HEIGHT - 6}" text-anchor="middle">mean of both onsets, s</text>')
    parts.append(f'<text x="{LEFT + 6}" y="{TOP + 4}">B minus A, s</text>')
    for name, value, kind in lines:
        y = up(value)
        parts.append(f'<line class="{kind}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{WIDTH - RIGHT + 6}" y="{y + 4:.1f}">{name} {value:+.3f}</text>')
    parts += [f'<circle cx="{across(x):.1f}" cy="{up(y):.1f}" r="4"/>' for x, y in points]
    label = escape(words.times(result), quote=True)
    return f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">\n' + "\n".join(parts) + "\n</svg>"


class _Scale:
    """Values -> places between two edges, with some air; ticks at 1, 2 or 5 times a power of ten."""

    def __init__(self, values: Sequence[float], first: float, last: float) -> None:
        low, high = min(values), max(values)
        air = (high - low) * 0.08 or max(abs(high) * 0.1, 0.1)
        self._low, self._high, self._first, self._last = low - air, high + air, first, last
        rough = (self._high - self._low) / 5
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)
        count = math.floor(self._high / step) - math.ceil(self._low / step) + 1
        self.ticks = [round((math.ceil(self._low / step) + number) * step, 9) for number in range(count)]

    def __call__(self, value: float) -> float:
        return self._first + (value - self._low) / (self._high - self._low) * (self._last - self._first)
