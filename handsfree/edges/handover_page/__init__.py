"""The hand-over as one HTML page and, of the same page, a PDF: WeasyPrint."""

from __future__ import annotations

from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.handover import Handed
from handsfree.edges.handover_page.page import html

__all__ = ["html", "write_html", "write_pdf"]

_REMEDY = "the page can be printed from a browser instead"


def write_html(path: Path, handed: Handed) -> None:
    """Write the page, over an older one if there is one. Raises UserError when it cannot be written."""
    try:
        path.write_text(html(handed), encoding="utf-8")
    except OSError as error:
        raise _unwritten(path, error) from None


def write_pdf(path: Path, handed: Handed) -> None:
    """Write the PDF. Raises UserError when it cannot be written, or WeasyPrint is not to be had."""
    import logging

    for name in ("fontTools", "weasyprint"):  # it warns of the rules for dark screens, which are none of its business
        logging.getLogger(name).setLevel(logging.ERROR)
    try:
        from weasyprint import HTML
    except ImportError:
        raise UserError(f'a PDF needs WeasyPrint: python -m pip install "handsfree[handover]"; {_REMEDY}') from None
    except OSError:  # its own libraries
        raise UserError(f"a PDF needs the library Pango (on Debian: apt install libpango-1.0-0); {_REMEDY}") from None
    try:
        HTML(string=html(handed), url_fetcher=_nothing).write_pdf(path)
    except OSError as error:
        raise _unwritten(path, error) from None


def _nothing(url: str, **_: object) -> dict[str, object]:
    """The page asks for nothing, and nothing is fetched."""
    raise ValueError(f"{url} was not to be fetched")


def _unwritten(path: Path, error: OSError) -> UserError:
    return UserError(f"{path} cannot be written: {error.strerror or error}; name another file")
