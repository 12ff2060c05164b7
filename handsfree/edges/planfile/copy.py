"""A plan made of another one: for a family that goes on with a dog, or a second dog. Comments stay where they are."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from handsfree.core.plan import Plan

AT_THE_TOP = ("dog", "handler")


def copied_text(text: str, plan: Plan, folder: Path, changes: Mapping[str, str], steps: Mapping[str, int]) -> str:
    """The text of another plan, `plan`, which lies in `folder`, with some answers changed.

    changes  key of Answers -> its new value: dog, handler, keep_sound, or one of the words
    steps    behaviour -> where it begins from now on; at the plan's last step at most
    """
    import tomlkit

    document: Any = tomlkit.parse(text)
    for key in AT_THE_TOP:
        if key in changes:
            document[key] = changes[key]
    for key, value in changes.items():
        if key in AT_THE_TOP:
            continue
        section = "sound" if key == "keep_sound" else "words"
        if section not in document:
            document[section] = tomlkit.table()
        document[section][key] = str(value)
    for table, behaviour in zip(document["behaviour"], plan.behaviours, strict=True):
        if behaviour.name in steps:
            table["start_step"] = max(1, min(steps[behaviour.name], len(behaviour.steps)))
    model = document.get("ear", {}).get("model")
    if model:  # it was given from the folder of the other plan
        document["ear"]["model"] = str((folder / os.path.expanduser(model)).resolve())
    return tomlkit.dumps(document)
