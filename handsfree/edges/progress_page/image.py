"""Progress as one PNG: each behaviour's name, verdict and picture, one below the other, and cautions. By resvg."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from html import escape

from handsfree.core.errors import UserError
from handsfree.core.progress import BehaviourProgress, DogProgress
from handsfree.edges.progress_page import picture, words

MARGIN, LINE, ZOOM = 30, 22, 2.0
COLUMNS = 105
"""Characters of a line of text at 15 px, about."""
FONTS = "Arial, Helvetica, 'Segoe UI', 'DejaVu Sans', 'Liberation Sans', 'Noto Sans', sans-serif"
"""The first that is there: resvg takes `sans-serif` alone for Arial, which many a Linux does not have."""
_COLOURS = {"rate": "#0072b2", "alarm": "#b34700", "paper": "#ffffff"}
_STYLE = "svg text.title { font-size: 26px; font-weight: 700; } svg text.name { font-size: 20px; font-weight: 700; }"
_STYLE += " svg text.said { font-size: 15px; }"


def png(progress: DogProgress, only: BehaviourProgress | None = None) -> bytes:
    """The image: every behaviour, or one. Raises UserError where resvg or every font is missing."""
    try:
        import resvg_py
    except ImportError:
        raise UserError(
            "--png needs the package resvg-py: python -m pip install resvg-py; or write --html instead"
        ) from None
    style = _coloured(picture.STYLE) + _STYLE
    if not _writes(resvg_py.svg_to_bytes):
        raise UserError("--png found no font to write with; install one (fonts-dejavu, say), or write --html instead")
    return bytes(resvg_py.svg_to_bytes(svg_string=_drawing(progress, only), style_sheet=style, zoom=ZOOM))


def _drawing(progress: DogProgress, only: BehaviourProgress | None) -> str:
    title = f"{progress.history.dog}: {only.name if only else 'progress'}"
    y: float = MARGIN + 20
    parts = [_text("title", y, title), _text("said", y + LINE + 4, words.span(progress))]
    y += 2 * LINE
    shown = [only] if only else list(progress.behaviours)
    for behaviour in shown:
        sign, sentence = words.verdict(behaviour)
        y += 2 * LINE
        parts.append(_text("name", y, f"{behaviour.name}  {words.standing(behaviour)}"))
        said = [f"{sign}{'' if sign.isupper() else ':'} {sentence}", *words.beneath(behaviour)]
        y = _write(parts, y, said)
        drawn = picture.picture(behaviour, behaviour.unit())
        height = int(re.match(r'<svg viewBox="0 0 \d+ (\d+)"', drawn)[1])  # type: ignore[index]
        y += 8
        place = f'<svg x="{MARGIN}" y="{y}" width="{picture.WIDTH}" height="{height}" '
        parts.append(drawn.replace("<svg ", place, 1))
        y += height
    y = _write(parts, y + LINE, words.notes(progress))
    if words.cautions(shown):
        y += 2 * LINE
        parts.append(_text("name", y, "Caution"))
        y = _write(parts, y, [words.CAUTION])
    size = f'width="{picture.WIDTH + 2 * MARGIN}" height="{y + MARGIN}"'
    paper = f'<rect width="100%" height="100%" fill="{_COLOURS["paper"]}"/>'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} color="#1a1a1a" font-family="{FONTS}">'
    return head + paper + "".join(parts) + "</svg>"


def _write(parts: list[str], y: float, sentences: Iterable[str]) -> float:
    """Add them below `y`, folded to the width of the image; where the last line stands."""
    for line in (line for one in sentences for line in textwrap.wrap(one, COLUMNS)):
        y += LINE
        parts.append(_text("said", y, line))
    return y


def _text(kind: str, y: float, said: str) -> str:
    return f'<text class="{kind}" x="{MARGIN}" y="{y}">{escape(said)}</text>'


def _coloured(style: str) -> str:
    """Colours in place of the page's variables, which resvg does not know."""
    return re.sub(r"var\(--(\w+)\)", lambda found: _COLOURS[found[1]], style)


def _writes(render: object) -> bool:
    """Whether there is a font: without one resvg leaves all text out and says nothing."""
    box = f'<svg xmlns="http://www.w3.org/2000/svg" width="40" height="40" font-family="{FONTS}">{{}}</svg>'
    empty, letter = (
        bytes(render(svg_string=box.format(inside)))  # type: ignore[operator]
        for inside in ("", '<text x="5" y="30" font-size="30">M</text>')
    )
    return empty != letter
