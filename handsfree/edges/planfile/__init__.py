"""The plan file (TOML): read it, find every fault in it, show what it sets, write a new one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.plan import Plan
from handsfree.edges.planfile.clashes import PromptBookFor, find_clashes, find_spoken, prompt_book
from handsfree.edges.planfile.copy import copied_text
from handsfree.edges.planfile.faults import BadPlan, Fault, Findings, Severity, printable
from handsfree.edges.planfile.kinds import find_untagged
from handsfree.edges.planfile.questions import Answers, Question, Wanted, questions
from handsfree.edges.planfile.reader import Use, read_plan
from handsfree.edges.planfile.rules import load_rules, recall
from handsfree.edges.planfile.settings import settings
from handsfree.edges.planfile.sounds import PronouncerFor, find_sound_faults
from handsfree.edges.planfile.source import parse_toml, read_text
from handsfree.edges.planfile.writer import create, new_text, ready

__all__ = [
    "Answers",
    "BadPlan",
    "Fault",
    "Question",
    "Severity",
    "Wanted",
    "check",
    "copy",
    "draft",
    "load",
    "load_rules",
    "new",
    "parse",
    "questions",
    "read_text",
    "ready",
    "recall",
    "settings",
]


def load(path: Path) -> Plan:
    """The plan in a file. Raises BadPlan (a UserError) naming the first error and how many more there are."""
    return parse(read_text(path), path)


def parse(text: str, path: Path) -> Plan:
    """The plan in a text that was read from `path`. Raises BadPlan."""
    plan, _, found = _read(text, path)
    errors = [fault for fault in found.in_order() if fault.severity is Severity.ERROR]
    if errors:
        raise BadPlan(errors)
    return plan


def check(
    path: Path, pronouncer_for: PronouncerFor | None = None, prompts_for: PromptBookFor | None = None
) -> list[Fault]:
    """Every fault of a plan file, by line; never raises for what is in the file.

    `pronouncer_for` a plan and `prompts_for` a language are needed to judge how words sound and whether the program
    would say them itself; without them that is not looked at.
    """
    try:
        return _check_text(read_text(path), path, pronouncer_for, prompts_for)
    except BadPlan as bad:
        return bad.faults


def new(
    path: Path, answers: Answers, pronouncer_for: PronouncerFor | None = None, prompts_for: PromptBookFor | None = None
) -> list[Fault]:
    """Write a new plan; return what the check warns of in it.

    Raises UserError, with nothing written, when there is such a file already, when it cannot be written, or when the
    answers do not make a plan without errors.
    """
    ready(path)
    text, warnings = draft(path, answers, pronouncer_for, prompts_for)
    create(path, text)
    return warnings


def draft(
    path: Path, answers: Answers, pronouncer_for: PronouncerFor | None = None, prompts_for: PromptBookFor | None = None
) -> tuple[str, list[Fault]]:
    """The text of a new plan and what the check warns of. Raises UserError where the check finds errors."""
    pronouncer = pronouncer_for(Plan(dog=answers.dog, behaviours=())) if pronouncer_for else None
    text = new_text(answers, pronouncer)
    faults = _check_text(text, path, pronouncer_for, prompts_for)
    errors = [fault.message for fault in faults if fault.severity is Severity.ERROR]
    if errors:
        raise UserError("; ".join(errors))
    return text, faults


def copy(
    path: Path,
    source: Path,
    changes: Mapping[str, str],
    steps: Mapping[str, int],
    pronouncer_for: PronouncerFor | None = None,
    prompts_for: PromptBookFor | None = None,
) -> list[Fault]:
    """Write a new plan made of the one in `source`, see copied_text; return what the check warns of in it.

    Raises UserError, with nothing written, when there is such a file already, when it cannot be written, or when what
    comes out is no plan without errors.
    """
    ready(path)
    old = read_text(source)
    text = copied_text(old, parse(old, source), source.parent, changes, steps)
    faults = _check_text(text, path, pronouncer_for, prompts_for)
    errors = [fault for fault in faults if fault.severity is Severity.ERROR]
    if errors:
        raise BadPlan(errors)
    create(path, text)
    return faults


def _check_text(
    text: str, path: Path, pronouncer_for: PronouncerFor | None, prompts_for: PromptBookFor | None
) -> list[Fault]:
    """Raises BadPlan where the text is no TOML."""
    plan, uses, found = _read(text, path)
    book = prompt_book(plan, prompts_for, found) if prompts_for else None
    if book is not None:
        find_spoken(plan, uses, book, found)
    if plan.ear.model and plan.pronunciations:
        found.warning(("pronunciations",), "they have no effect with a model of your own", "remove them")
    elif pronouncer_for and not plan.ear.model and (book or not prompts_for):
        find_sound_faults(plan, uses, pronouncer_for(plan), found)
    return found.in_order()


def _read(text: str, path: Path) -> tuple[Plan, list[Use], Findings]:
    document, lines = parse_toml(text, path)
    found = Findings(printable(str(path)), lines)
    plan, uses = read_plan(document, found, path)
    find_clashes(plan, uses, found)
    find_untagged(plan, found)
    return plan, uses, found
