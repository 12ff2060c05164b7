"""Progress over days: as text for a terminal, as one HTML page with pictures, and as one PNG."""

from __future__ import annotations

from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.progress import BehaviourProgress, DogProgress


def write(path: Path, progress: DogProgress, only: BehaviourProgress | None = None) -> None:
    """Write the page, over an older one if there is one. Raises UserError when it cannot be written."""
    from handsfree.edges.progress_page.page import html

    _put(path, html(progress, only).encode())


def write_image(path: Path, progress: DogProgress, only: BehaviourProgress | None = None) -> None:
    """Write the PNG, likewise."""
    from handsfree.edges.progress_page.image import png

    _put(path, png(progress, only))


def _put(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise UserError(f"{path} cannot be written: {error.strerror or error}; name another file") from None
