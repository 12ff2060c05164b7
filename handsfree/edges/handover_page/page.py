"""The hand-over as one page: for a screen (light and dark), for paper, and for WeasyPrint, which makes a PDF of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

from handsfree.core.handover import Handed, Score, Today
from handsfree.edges.handover_page import words

_STYLE = """
:root { color-scheme: light dark; }
@page { size: A4; margin: 18mm 16mm 20mm;
  @bottom-center { content: counter(page) " / " counter(pages); font: 9pt "DejaVu Sans", sans-serif; } }
body { font: 16px/1.45 "DejaVu Sans", "Liberation Sans", system-ui, sans-serif; max-width: 48rem; margin: 2rem auto;
  padding: 0 1rem; }
h1 { margin: 0; font-size: 1.9rem; } h2 { margin: 1.6rem 0 .3rem; font-size: 1.3rem; break-after: avoid; }
h3 { margin: 0; font-size: 1.15rem; } p { margin: .25rem 0; } ul { margin: .25rem 0; padding-left: 1.2rem; }
section { border-top: 2px solid #888; padding: .6rem 0; break-inside: avoid; }
table { border-collapse: collapse; } td, th { padding: .1rem 1rem .1rem 0; text-align: left; vertical-align: top; }
th { font-weight: 600; white-space: nowrap; } .say { font-size: 1.1rem; } .note { border-left: 4px solid #b34700;
  padding-left: .6rem; } .small { font-size: .85rem; opacity: .8; } .two td { width: 50%; }
.bar { position: relative; height: .8rem; width: 12rem; border: 1px solid #888; margin: .3rem 0 .5rem; }
.bar i { position: absolute; top: 0; bottom: 0; background: #56b4e9; }
.bar b { position: absolute; top: -3px; bottom: -3px; width: 3px; background: #004a75; }
.caution { border: 2px solid #888; padding: .4rem .8rem; break-inside: avoid; margin-top: 1rem; }
@media (prefers-color-scheme: dark) { body { background: #16181c; color: #e8e8e8; } .bar i { background: #2b6f9c; }
  .bar b { background: #d7efff; } .note { border-color: #f0a030; } }
@media (max-width: 30rem) { body { font-size: 14px; } td, th { padding-right: .5rem; } th { white-space: normal; } }
@media print { body { font-size: 10.5pt; margin: 0; padding: 0; max-width: none; background: #fff; color: #000; }
  .small { opacity: 1; } }
"""


def html(handed: Handed) -> str:
    """The page."""
    plan, progress = handed.plan, handed.progress
    title = f"Living and training with {plan.dog}"
    body = [f"<h1>{escape(title)}</h1>", _p(_subtitle(handed))]
    if warned := words.warned(handed):
        body.append(f'<p class="caution"><strong>A warning sign.</strong> {escape(warned)}</p>')
    body += ["<h2>The words to use</h2>", _words(handed)]
    body += [f"<h2>What {escape(plan.dog)} does today</h2>", *(_behaviour(one) for one in handed.behaviours)]
    own = plan.handover
    body += _list("The rules of the house", own.house_rules)
    body += _two(own.do, own.dont, heading=True)
    body.append('<div class="caution"><h3>Caution</h3>' + _items(words.CAUTIONS) + "</div>")
    body += _list("Whom to ask", own.ask) or [
        "<h2>Whom to ask</h2>",
        _p("Your vet, and the trainer who gave you this."),
    ]
    if progress.history.sessions:
        body.append(f'<p class="small">{escape(words.ABOUT)}</p>')
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(body)
        + "\n</main>\n</body>\n</html>\n"
    )


def _subtitle(handed: Handed) -> str:
    sessions, plan = handed.progress.history.sessions, handed.plan
    handlers = list(dict.fromkeys(session.handler for session in sessions if session.handler))
    by = f" with {' and '.join(handlers)}" if handlers else f" by {plan.handler}" if plan.handler else ""
    if not sessions:
        return f"Planned{by}; not trained yet."
    first, last = handed.progress.first_day, handed.progress.last_day
    count = f"{len(sessions)} short session{'' if len(sessions) == 1 else 's'}"
    return f"{count}{by}, {words.day(first)} to {words.day(last)}."


def _words(handed: Handed) -> str:
    rows = [(said, meaning) for said, meaning in words.spoken(handed.plan)]
    body = "".join(f"<tr><th>{escape(said)}</th><td>{escape(meaning)}</td></tr>" for said, meaning in rows)
    return f"<table>{body}</table>"


def _behaviour(one: Today) -> str:
    behaviour = one.behaviour
    signal = f" Hand signal: {behaviour.hand_signal}." if behaviour.hand_signal else ""
    parts = [
        f"<h3>{escape(behaviour.name)}</h3>",
        f'<p class="say">Say {escape(words.quoted(behaviour.cues))}.{escape(signal)}</p>',
        _p(words.today(one)),
    ]
    if not one.all.few:
        parts.append(_bar(one.all))
    if relapse := words.relapse(one):
        parts.append(f'<p class="note">{escape(relapse)}</p>')
    parts += _by({"where": one.places, "with whom": one.handlers})
    parts += [_p(words.compared(pair)) for pair in one.compared]
    if tag := words.tag(one):
        parts.append(f'<p class="note">{escape(tag)}</p>')
    parts.append(_p(words.following(one)))
    parts += _two(behaviour.do, behaviour.dont)
    return "<section>" + "\n".join(parts) + "</section>"


def _bar(score: Score) -> str:
    """The interval as a band from 0 to 100 %, the rate as a line across it."""
    assert score.interval is not None
    assert score.rate is not None
    low, high = (100 * share for share in score.interval)
    label = escape(words.score(score), quote=True)
    return (
        f'<div class="bar" role="img" aria-label="{label}"><i style="left:{low:.0f}%;width:{high - low:.0f}%"></i>'
        f'<b style="left:{min(99.0, 100 * score.rate):.0f}%"></b></div>'
    )


def _by(groups: Mapping[str, Sequence[Score]]) -> list[str]:
    """One table for places and handlers, with its heading at the first of each."""
    rows = ""
    for title, scores in groups.items():
        head = f'<th rowspan="{len(scores)}">{title}</th>'
        for one in scores:
            cells = (escape(one.name), f"{one.correct} of {one.reps}", escape(words.rate(one)))
            rows += f"<tr>{head}{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>"
            head = ""
    return [f"<table>{rows}</table>"] if rows else []


def _two(do: Sequence[str], dont: Sequence[str], heading: bool = False) -> list[str]:
    """Do and don't, side by side."""
    if not do and not dont:
        return []
    cells = [f"<td><strong>{name}</strong>{_items(some)}</td>" for name, some in (("Do", do), ("Don’t", dont)) if some]
    title = ["<h2>Do and don’t</h2>"] if heading else []
    return [*title, f'<table class="two"><tr>{"".join(cells)}</tr></table>']


def _list(title: str, some: Sequence[str]) -> list[str]:
    return [f"<h2>{escape(title)}</h2>", _items(some)] if some else []


def _items(some: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(one)}</li>" for one in some) + "</ul>"


def _p(text: str) -> str:
    return f"<p>{escape(text)}</p>"
