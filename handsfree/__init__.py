"""handsfree: a voice-driven, hands-free session clicker and rep counter for dog trainers.

`import handsfree` gives the names in __all__; each is loaded when it is first used.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from handsfree.api import (
        Log,
        count,
        decide,
        hear,
        load_plan,
        load_rules,
        open_log,
        operating_characteristics,
        replay,
    )
    from handsfree.core.errors import UserError
    from handsfree.core.events import (
        Because,
        Choice,
        Correction,
        Decision,
        EndReason,
        HeardWord,
        Ignored,
        Instruction,
        LogWord,
        Outcome,
        OweReward,
        Reason,
        Rep,
        Role,
        SessionEvent,
    )
    from handsfree.core.log import JudgedRep, MadeCorrection, Session, SessionLog
    from handsfree.core.operating import Characteristics
    from handsfree.core.plan import PRESETS, Behaviour, Plan, SequentialRule, Tag, WindowRule
    from handsfree.core.replay import Counted, Rules

__version__ = "0.1.0"

__all__ = [
    "PRESETS",
    "Because",
    "Behaviour",
    "Characteristics",
    "Choice",
    "Correction",
    "Counted",
    "Decision",
    "EndReason",
    "HeardWord",
    "Ignored",
    "Instruction",
    "JudgedRep",
    "Log",
    "LogWord",
    "MadeCorrection",
    "Outcome",
    "OweReward",
    "Plan",
    "Reason",
    "Rep",
    "Role",
    "Rules",
    "SequentialRule",
    "Session",
    "SessionEvent",
    "SessionLog",
    "Tag",
    "UserError",
    "WindowRule",
    "count",
    "decide",
    "hear",
    "load_plan",
    "load_rules",
    "open_log",
    "operating_characteristics",
    "replay",
]
"""Names that stay from one version to the next."""

_HOMES = {
    "handsfree.core.errors": ("UserError",),
    "handsfree.core.log": ("JudgedRep", "MadeCorrection", "Session", "SessionLog"),
    "handsfree.core.operating": ("Characteristics",),
    "handsfree.core.plan": ("PRESETS", "Behaviour", "Plan", "SequentialRule", "Tag", "WindowRule"),
    "handsfree.core.replay": ("Counted", "Rules"),
    "handsfree.api": (
        *("Log", "count", "decide", "hear", "load_plan", "load_rules", "open_log", "operating_characteristics"),
        "replay",
    ),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME.get(name, "handsfree.core.events")), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
