"""Progress over days: as text for a terminal, and as one HTML page with pictures."""

from __future__ import annotations

from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.progress import BehaviourProgress, DogProgress


def write(path: Path, progress: DogProgress, only: BehaviourProgress | None = None) -> None:
    """Write the page, over an older one if there is one. Raises UserError when it cannot be written."""
    from handsfree.edges.progress_page.page import html

    try:
        path.write_text(html(progress, only), encoding="utf-8")
    except OSError as error:
        raise UserError(f"{path} cannot be written: {error.strerror or error}; name another file") from None
