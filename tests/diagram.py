"""Draws the rep machine from its table: `python -m tests.diagram` rewrites its part of DEVELOPERS.md."""

from __future__ import annotations

import itertools
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

from handsfree.core import trial
from handsfree.core.events import Instruction, Outcome, Role, SessionEvent
from handsfree.core.trial import TABLE, Happening, Phase, TrialState
from tests.helpers import heard, small_plan

PAGE = Path(__file__).parent.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- rep machine: drawn by python -m tests.diagram -->", "<!-- end of rep machine -->"


def state(phase: Phase, behaviour: str, pausing: bool) -> TrialState:
    """An example of each phase, long after the last rep."""
    fresh = trial.start(small_plan().behaviours)
    return replace(
        fresh,
        phase=phase,
        behaviour=None if phase is Phase.NO_BEHAVIOUR else behaviour,
        cue=heard(behaviour, 10.0) if phase is Phase.OPEN else None,
        pausing=pausing and phase is Phase.OPEN,
        verdicts=(Outcome.CORRECT,),
        boundary_s=5.0,
    )


def next_phases(phase: Phase, happening: Happening) -> set[Phase]:
    """Where the action of the table leads, over behaviours of every tag, with and without a pause asked for."""
    reached = set()
    for behaviour, pausing in itertools.product(("sit", "stay", "brush"), (False, True)):
        event = SessionEvent(heard("x", 11.0), Role.INSTRUCTION, "sit", Instruction.UNDO)
        after, _ = TABLE[phase][happening](state(phase, behaviour, pausing), event)
        reached.add(after.phase)
    return reached


def name(action) -> str:  # type: ignore[no-untyped-def]
    return action.__name__.replace("_", " ")


def mermaid() -> str:
    labels: dict[tuple[Phase, Phase], list[str]] = defaultdict(list)
    for phase, row in TABLE.items():
        for happening in (h for h in Happening if h in row):
            if phase is Phase.OVER or row[happening].__name__.startswith("ignore"):
                continue
            for reached in sorted(next_phases(phase, happening)):
                if reached is not phase or happening not in (
                    Happening.OTHER_INSTRUCTION,
                    Happening.REJUDGE,
                    Happening.SAFETY,
                ):
                    labels[phase, reached].append(str(happening))
    lines = ["stateDiagram-v2", f"    [*] --> {_id(Phase.NO_BEHAVIOUR)}"]
    lines += [f"    {_id(phase)}: {phase}" for phase in Phase]
    lines += [f"    {_id(a)} --> {_id(b)}: {', '.join(what)}" for (a, b), what in labels.items()]
    return "\n".join(lines)


def _id(phase: Phase) -> str:
    return phase.replace(" ", "_")


def table() -> str:
    lines = ["| what happens | " + " | ".join(Phase) + " |", "|---" * (len(Phase) + 1) + "|"]
    for happening in Happening:
        cells = [name(TABLE[phase][happening]) if happening in TABLE[phase] else "" for phase in Phase]
        lines.append(f"| {happening} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def section() -> str:
    return f"{BEGIN}\n\n```mermaid\n{mermaid()}\n```\n\n{table()}\n\n{END}"


def rewritten(page: str) -> str:
    before, _, rest = page.partition(BEGIN)
    _, _, after = rest.partition(END)
    return before + section() + after


if __name__ == "__main__":
    PAGE.write_text(rewritten(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
