"""A rules file: rules to try on old sessions, in the grammar of the plan; and plans as an old session stored them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields, replace
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.plan import DEFAULT_RULE, PRESETS, Limits, Plan, Rule
from handsfree.core.replay import Rules
from handsfree.edges.planfile.faults import BadPlan, Fault, Findings, Severity, printable
from handsfree.edges.planfile.reader import read_limits, read_plan, read_rule
from handsfree.edges.planfile.source import parse_toml, read_text
from handsfree.edges.planfile.tables import Table

_FORM = 'a rules file is TOML with rule = "...", [limits], or [[behaviour]] with name and rule, as in a plan'
_ELSEWHERE = {
    **{field.name: "under [limits]" for field in fields(Limits)},
    "rule": "at the top of the file or under [[behaviour]]",
    "name": "under [[behaviour]]",
}


def load_rules(path: Path, behaviours: Collection[str] | None = None) -> Rules:
    """The rules in a file. `behaviours` are those there are to rule; None: any may be named.

    Raises UserError with a line for every fault: file, line, key, what is wrong and how to mend it.
    """
    try:
        text = read_text(path)
        document, lines = parse_toml(text, path)
    except BadPlan as bad:
        raise UserError("\n".join(str(replace(fault, remedy=_FORM)) for fault in bad.faults)) from None
    found = Findings(printable(str(path)), lines)
    top = Table(document, (), found)
    default = _rule(top)
    limits = top.inner("limits")
    given = limits.names
    values = read_limits(limits)
    by_name: dict[str, Rule] = {}
    for table in top.items("behaviour"):
        name = table.phrase("name")
        rule = _rule(table)
        if not table.has("name"):
            table.missing("name", 'write name = "..." as in the plan')
        elif behaviours is not None and name and name not in behaviours:
            known = ", ".join(sorted(behaviours))
            found.error(table.at("name"), f'no session has a behaviour "{name}"', f"there are: {known}")
        elif name in by_name:
            found.error(table.at("name"), f'"{name}" is given twice', "remove one of the two")
        if not table.has("rule"):
            table.missing("rule", "give the rule to try on this behaviour")
        table.finish(_ELSEWHERE)
        if rule is not None:
            by_name[name] = rule
    top.finish(_ELSEWHERE)
    if not document:
        found.error((), "there is no rule in it", _FORM)
    _raise(found.in_order())
    known_limits = {field.name for field in fields(Limits)} & set(given)
    return Rules(path.name, default, by_name, {name: getattr(values, name) for name in known_limits})


def recall(text: str, session_id: str) -> Plan:
    """The plan of an old session from its stored text. That its ear's model may be gone by now is no fault.

    Raises UserError.
    """
    name = Path(f"plan of session {session_id[:8]}")
    if not text.strip():
        raise UserError(f"session {session_id[:8]}: its plan was not stored, so it cannot be replayed")
    try:
        document, lines = parse_toml(text, name)
    except BadPlan as bad:
        raise UserError(str(bad.faults[0])) from None
    found = Findings(str(name), lines)
    plan, _ = read_plan(document, found, name)
    _raise([fault for fault in found.in_order() if fault.key != "ear.model"])
    return plan


def _rule(table: Table) -> Rule | None:
    rule = read_rule(table, PRESETS[DEFAULT_RULE])
    return rule if table.has("rule") else None


def _raise(faults: list[Fault]) -> None:
    errors = [str(fault) for fault in faults if fault.severity is Severity.ERROR]
    if errors:
        raise UserError("\n".join(errors))
