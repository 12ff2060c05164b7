"""Which file may import which: the layers of the map in DEVELOPERS.md."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "handsfree"
FILES = sorted(PACKAGE.rglob("*.py"))


def imported(path: Path, top_level_only: bool = False) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = tree.body if top_level_only else ast.walk(tree)
    names: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def layer(path: Path) -> tuple[str, ...]:
    return path.relative_to(PACKAGE).with_suffix("").parts


@pytest.mark.parametrize("path", [f for f in FILES if layer(f)[0] == "core"], ids=lambda f: f.stem)
def test_the_core_imports_the_standard_library_and_itself_only(path):
    impure = {"threading", "subprocess", "sqlite3", "time", "socket", "asyncio", "multiprocessing", "random"}
    for name in imported(path):
        root = name.split(".")[0]
        if root == "handsfree":
            assert name.startswith("handsfree.core"), name
        else:
            assert root in sys.stdlib_module_names, name
            assert root not in impure, name


@pytest.mark.parametrize("path", [f for f in FILES if layer(f)[0] == "edges"], ids=lambda f: "/".join(layer(f)[1:]))
def test_an_edge_imports_the_core_and_itself_but_no_other_edge(path):
    own = f"handsfree.edges.{layer(path)[1]}"
    for name in imported(path):
        if name.startswith("handsfree"):
            assert name.startswith(("handsfree.core", own, "handsfree.quiet", "handsfree.__version__")), name


def test_nothing_imports_the_command_line():
    for path in FILES:
        if layer(path)[0] not in ("cli", "commands", "__main__"):
            assert not any(name.startswith(("handsfree.cli", "handsfree.commands")) for name in imported(path)), path


HEAVY = ["vosk", "sounddevice", "soundfile", "numpy", "pyttsx3", "rich", "sqlite_utils", "tomlkit", "pandas", "soxr"]


def test_help_imports_nothing_heavy():
    code = "import sys; from handsfree import cli; print(*sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not set(HEAVY) & set(done.stdout.split())


def test_kaldifst_is_never_imported_by_the_program():
    # it cannot share a process with vosk: both carry OpenFst
    assert not [path for path in FILES if any(name.startswith("kaldifst") for name in imported(path))]


def test_writing_to_the_log_does_not_load_pandas(tmp_path):
    pytest.importorskip("pandas")
    code = (
        "import sys; from pathlib import Path; from handsfree.edges.store import Store; "
        f"Store.open(Path({str(tmp_path / 'log.db')!r})).close(); print('pandas' in sys.modules); import pandas"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
