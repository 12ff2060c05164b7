"""The packages that training needs are named in the extra `train`, each in one version for each Python."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest
from packaging.requirements import Requirement

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
TRAIN = [Requirement(line) for line in PROJECT["optional-dependencies"]["train"]]
SCRIPTS = sorted((ROOT / "models" / "training").rglob("*.py"))
COMES_WITH_TORCH = "triton"


@pytest.mark.parametrize("python", ["3.10", "3.11", "3.12"])
def test_every_package_has_one_version_for_each_python(python: str) -> None:
    chosen = [one for one in TRAIN if one.marker is None or one.marker.evaluate({"python_version": python})]
    assert sorted({one.name for one in TRAIN}) == sorted(one.name for one in chosen)
    assert all([part.operator for part in one.specifier] == ["=="] for one in chosen)


def test_whatever_training_imports_is_named() -> None:
    named = {one.name for one in TRAIN} | {Requirement(line).name for line in PROJECT["dependencies"]}
    own = {path.stem for path in SCRIPTS} | {"handsfree", "tests", "demo", COMES_WITH_TORCH}
    for path in SCRIPTS:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module] if isinstance(node, ast.ImportFrom) and node.module else []
            for root in (name.split(".")[0] for name in names):
                assert root in named | own or root in sys.stdlib_module_names, f"{path.name} imports {root}"
