"""Where things lie: what ships with the program, and the folders of the person who runs it."""

from __future__ import annotations

import os
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """The folder `models`, `prompts` or `demo`: inside an installed package, or beside it in a checkout."""
    inside = _PACKAGE / "shipped" / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def data_dir() -> Path:
    """Folder of the log. HANDSFREE_HOME overrides the platform's habit. Not created here."""
    return _own_folder("user_data_path", "data")


def cache_dir() -> Path:
    """Folder of things that can be made again: decoding graphs, rendered prompts. Not created here."""
    return _own_folder("user_cache_path", "cache")


def default_log() -> Path:
    """The database that sessions are written to unless `--log` names another."""
    return data_dir() / "handsfree.db"


def sound_dir() -> Path:
    """Folder of the sound kept with sessions, of all logs. Not created here."""
    return data_dir() / "sound"


def _own_folder(platform_call: str, name: str) -> Path:
    home = os.environ.get("HANDSFREE_HOME")
    if home:
        return Path(home) / name
    import platformdirs

    return Path(getattr(platformdirs, platform_call)("handsfree", appauthor=False))
