"""Old sessions again: from the log under other rules, or from a recording through another ear."""

from __future__ import annotations

import random
from collections.abc import Collection, Iterable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from handsfree import listening
from handsfree.core.agreement import Agreement, TrueRep, match
from handsfree.core.events import AudioBlock, Effect, EndReason, Rep
from handsfree.core.log import SessionLog
from handsfree.core.operating import Characteristics, TooManyStates, characteristics, estimated
from handsfree.core.plan import Plan, Rule
from handsfree.core.replay import Counted, Rules, counted, differences, replay, steps_at_start
from handsfree.core.sitting import Sitting
from handsfree.edges.planfile import recall

SEED = 7
"""For rules whose operating characteristics have to be played out: the same figures every time."""


def plan_of(log: SessionLog) -> Plan:
    """The plan that a session ran with. Raises UserError where its text was not stored or has faults."""
    return _recalled(log.session.plan_text, log.session.id)


@lru_cache(maxsize=256)
def _recalled(text: str, session_id: str) -> Plan:
    return recall(text, session_id)


def replayed(log: SessionLog, rules: Rules | None = None) -> Counted:
    """Its stored words under its own plan, or as `rules` would have decided. Raises UserError."""
    return replay(log, plan_of(log), rules)


def verify(log: SessionLog) -> list[str]:
    """Where a replay of the session does not give, to the byte, what is stored: one line each. Raises UserError."""
    return differences(log, replayed(log))


def operating(rule: Rule, p: float) -> Characteristics:
    """Exact where that is possible, else from 2,000 runs with a fixed seed."""
    try:
        return characteristics(rule, p)
    except TooManyStates:
        return estimated(rule, p, random.Random(f"{SEED}/{rule}/{p}").random)


def heard_again(
    log: SessionLog,
    sound: Iterable[AudioBlock],
    model: Path | None = None,
    confidence: float | None = None,
) -> Counted:
    """The session counted anew from its sound, in session time.

    Its plan, what was known when it began and what was spoken in her ear are as stored; the ear is the plan's, or
    `model`, and words count from `confidence` on, if that is given. Raises UserError.
    """
    plan = plan_of(log)
    if confidence is not None:
        plan = replace(plan, ear=replace(plan.ear, confidence=confidence))
    prompts = [(said.start_s, said.end_s or 0.0) for said in log.prompts]
    return count_sound(plan, sound, model, steps_at_start(log), log.session.raised_today, prompts)


def count_sound(
    plan: Plan,
    sound: Iterable[AudioBlock],
    model: Path | None = None,
    steps: dict[str, int] | None = None,
    raised_today: Collection[str] = (),
    prompts: Iterable[tuple[float, float]] = (),
) -> Counted:
    """Sound as a session, to its end; nothing is spoken or stored. `prompts`: when the tool was heard in it."""
    from handsfree.hearing import Hearing, Measured

    sitting = Sitting(plan, listening.prompt_book(plan.prompts.language).instructions, steps, raised_today)
    for start_s, end_s in prompts:
        if end_s > start_s:
            sitting.prompt_played(start_s, end_s)
    blocks = Measured(sound)
    effects: list[Effect] = []
    for breath in Hearing(plan, model).breaths(blocks):
        effects += sitting.hear(breath)
    return counted([*effects, *sitting.end(blocks.length_s, EndReason.SOUND_ENDED)])


def unlike(before: Iterable[Rep], after: Iterable[Rep]) -> Agreement:
    """Reps paired by the time of their words: `missed` were there only before, `invented` only after."""
    known = [
        TrueRep(
            behaviour=rep.behaviour,
            outcome=rep.outcome,
            cue_s=rep.cue.start_s if rep.cue else None,
            cue_end_s=rep.cue.end_s if rep.cue else None,
            outcome_s=rep.outcome_word.start_s if rep.outcome_word else None,
        )
        for rep in before
    ]
    return match(known, list(after))
