"""sqlite-utils, without what it drags in."""

from __future__ import annotations

import sys
from typing import Any


def sqlite_utils() -> Any:
    """The module sqlite_utils.

    It imports pandas where that is installed, only to know its types: 70 MB and 0.3 s in every session, for nothing.
    So pandas is hidden from it while it loads.
    """
    hidden = "pandas" not in sys.modules
    if hidden:
        sys.modules["pandas"] = None  # type: ignore[assignment]
    try:
        import sqlite_utils
    finally:
        if hidden:
            del sys.modules["pandas"]
    return sqlite_utils
