"""Behaviours that by their name are handling and are not marked so: they would be trained without its stop signal."""

from __future__ import annotations

from handsfree.core.plan import Plan, Tag, spoken
from handsfree.edges.planfile.faults import Findings

HANDLED = {
    *("nail", "nails", "claw", "claws", "clippers", "brush", "brushing", "comb", "combing"),
    *("teeth", "tooth", "toothbrush", "groom", "grooming", "syringe"),
}
"""English words for what is done to a dog with a tool; the trade's common practice, no source."""


def find_untagged(plan: Plan, found: Findings) -> None:
    """Warn of them. A guarding tag is the stricter one and is left alone."""
    for at, behaviour in enumerate(plan.behaviours):
        named = [word for text in (behaviour.name, *behaviour.cues) for word in spoken(text).split() if word in HANDLED]
        if named and behaviour.tag not in (Tag.HANDLING, Tag.GUARDING):
            found.warning(
                ("behaviour", at, "tag"),
                f'"{behaviour.name}" may be handling ("{named[0]}"), and without the tag one opt-out is no stop signal',
                'write tag = "handling", if it is',
            )
