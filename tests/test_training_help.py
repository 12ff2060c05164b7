"""Every command of the training pipeline says what it does, and makes nothing, when it is asked for help."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "models" / "training"
SCRIPTS = sorted(path for path in FOLDER.rglob("*.py") if "__main__" in path.read_text(encoding="utf-8"))


def wants_torch(script: Path) -> bool:
    """By what it, or what it imports beside it, imports at once."""
    names = {
        alias.name if isinstance(node, ast.Import) else node.module
        for node in ast.parse(script.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    return "torch" in names or any(wants_torch(path) for path in FOLDER.rglob("*.py") if path.stem in names)


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_help_shows_the_command_and_writes_no_file(script: Path, tmp_path: Path) -> None:
    if wants_torch(script):
        pytest.importorskip("torch")
    done = subprocess.run([sys.executable, script, "--help"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert f"python {script.relative_to(FOLDER.parents[1]).as_posix()}" in done.stdout
    assert not list(tmp_path.iterdir())
