"""Reading what a program shows on a pseudo-terminal."""

from __future__ import annotations

import os


def read_to_end(terminal: int) -> bytes:
    """All that comes until the other end is closed; then the terminal is closed too."""
    shown = b""
    try:
        while more := os.read(terminal, 65536):
            shown += more
    except OSError:  # Linux says so when the other end is closed
        pass
    os.close(terminal)
    return shown
