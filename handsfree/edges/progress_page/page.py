"""Progress as one HTML page that needs nothing else: no script, no request; pictures inline; light, dark, printed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from handsfree.core.progress import BehaviourProgress, DogProgress, Unit
from handsfree.edges.progress_page import words
from handsfree.edges.progress_page.picture import LEFT, STYLE, WIDTH, picture, scale

_STYLE = """
:root { color-scheme: light dark; --rate: #0072b2; --alarm: #b34700; --paper: #fff; --ink: #1a1a1a; }
@media (prefers-color-scheme: dark) { :root { --rate: #56b4e9; --alarm: #f0a030; --paper: #16181c; --ink: #e8e8e8; } }
body { font: 16px/1.5 system-ui, sans-serif; max-width: 54rem; margin: 2rem auto; padding: 0 1rem;
  background: var(--paper); color: var(--ink); }
h1 { margin-bottom: 0; } h2 { margin: 2.5rem 0 0; } h2 small { font-weight: 400; } p { margin: .3rem 0; }
.verdict { font-size: 1.15rem; } .alarm strong { color: var(--alarm); }
.alarm strong::before { content: "\\25BC\\00A0"; } .flat strong::before { content: "=\\00A0"; }
svg { width: 100%; min-width: 38rem; height: auto; margin: .5rem 0; }
table { border-collapse: collapse; margin: .5rem 0; } th, td { padding: .1rem 1rem .1rem 0; text-align: right; }
th:first-child, td:first-child, td:last-child, th:last-child { text-align: left; }
td { font-variant-numeric: tabular-nums; } tbody tr { border-top: 1px solid #8884; }
.wide { overflow-x: auto; }
.newest { direction: rtl; } .newest svg { direction: ltr; }  /* where it does not fit, the latest days show first */
.plot { position: relative; } svg.scale { display: none; position: absolute; left: 0; top: 0; pointer-events: none; }
@media screen and (max-width: 40rem) { svg.scale { display: block; min-width: 0; width: SCALE; } }
.caution { border: 2px solid currentColor; padding: .5rem 1rem; margin-top: 2rem; }
footer { opacity: .75; margin: 2rem 0; font-size: .9rem; } summary { cursor: pointer; }
@media print { :root { --rate: #0072b2; --alarm: #b34700; --paper: #fff; --ink: #000; color-scheme: light; }
  body { margin: 0; max-width: none; font-size: 12px; } section { break-inside: avoid; } h2 { margin-top: 1.2rem; }
  details:not([open]) { display: none; } svg { max-height: 7.5cm; min-width: 0; } }
""".replace("SCALE", f"calc(38rem * {LEFT} / {WIDTH})")  # as wide as the left edge of a picture that does not fit


def html(progress: DogProgress, only: BehaviourProgress | None = None) -> str:
    """The page: every behaviour, or one."""
    shown = [only] if only else list(progress.behaviours)
    title = f"{progress.history.dog}: {only.name if only else 'progress'}"
    body = [f"<h1>{escape(title)}</h1>", _p(words.span(progress))]
    body += [_section(behaviour, is_open=only is not None) for behaviour in shown]
    if progress.untrained and not only:
        body.append(_p(f"No reps yet: {', '.join(progress.untrained)}."))
    body += [_p(note) for note in words.notes(progress)]
    if words.cautions(shown):
        body.append(f'<p class="caution"><strong>Caution.</strong> {escape(words.CAUTION)}</p>')
    body.append(f"<footer>{escape(words.FOOTNOTE)}</footer>")
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}{STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(body)
        + "\n</main>\n</body>\n</html>\n"
    )


def _section(behaviour: BehaviourProgress, is_open: bool) -> str:
    unit = behaviour.unit()
    sign, sentence = words.verdict(behaviour)
    kind = "alarm" if behaviour.relapse else "flat" if behaviour.plateau else ""
    colon = "" if sign.isupper() else ":"
    parts = [
        f"<h2>{escape(behaviour.name)} <small>{escape(words.standing(behaviour))}</small></h2>",
        f'<p class="verdict {kind}"><strong>{escape(sign.capitalize())}</strong>{colon} {escape(sentence)}</p>',
        *(_p(line) for line in words.beneath(behaviour)),
        f'<div class="plot"><div class="wide newest" tabindex="0">{picture(behaviour, unit)}</div>'
        f"{scale(behaviour, unit)}</div>",
        _p(f"{words.lately(behaviour)}."),
        f"<details{' open' if is_open else ''}><summary>Figures by {unit}</summary>{_table(behaviour, unit)}</details>",
    ]
    return "<section>\n" + "\n".join(parts) + "\n</section>"


def _table(behaviour: BehaviourProgress, unit: Unit) -> str:
    periods = behaviour.periods(unit)
    marks = words.marks(behaviour, periods)
    rows = []
    for period in periods:
        low, high = period.interval or (0.0, 0.0)
        to_marker, rewards = period.cue_to_marker_s, period.rewards_per_minute
        rows.append(
            (
                words.period_name(period, unit),
                f"{period.correct} of {period.reps}",
                f"{100 * (period.rate or 0):.0f} %",
                f"{100 * low:.0f} to {100 * high:.0f} %",
                "" if to_marker is None else f"{to_marker:.1f} s",
                words.steps_of(period, " → "),
                "" if rewards is None else f"{rewards:.1f}",
                marks.get(period.first, ""),
            )
        )
    heads = (unit.value, "correct", "rate", "95 % interval", "cue-to-marker", "step", "treats a minute", "")
    return f'<div class="wide" tabindex="0">{_rows(heads, rows)}</div>'


def _rows(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(name)}</th>' if name else "<td></td>" for name in heads)
    body = "\n".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n</table>"


def _p(text: str) -> str:
    return f"<p>{escape(text)}</p>"
