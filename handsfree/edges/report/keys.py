"""A session summary for programs: JSON.

Keys; times are seconds of session time, shares are 0-1, what cannot be known is null:

    format             "handsfree summary 1"; the number grows when a key changes its meaning or goes
    session            id, dog, handler, place, started_at (RFC 3339), duration_s, paused_s, lost_s, end_reason (null:
                       not ended), source, tool_version, model, model_sha256, plan_sha256
    behaviours[]       name, tag, reps, correct, incorrect, no_response, recued (of the no_response), undone, rate,
                       rate_low, rate_high (95 % Wilson interval), cue_to_marker_s (median), cue_to_marker_n, rewards,
                       rewards_per_minute, first_step, last_step, outcomes[] (null: undone)
    decisions[]        at_s, choice, because, behaviour, step, new_step, reps[], correct, rule, words (the reason in
                       plain words); by time
    corrections[]      rep, before, after (null: no rep), why, behaviour (null: unchanged, as are times and words),
                       at_s, who, made_at
    ignored            reason -> number of heard words
    rewards, rewards_per_minute, notes
    safety_at_s        when the safety word was first heard
    cautions[]         sentences
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from handsfree.core.events import Decision, Outcome
from handsfree.core.log import MadeCorrection, SessionTotals
from handsfree.core.summary import BehaviourSummary, SessionSummary
from handsfree.edges.report.words import cautions, why

FORMAT = "handsfree summary 1"


def as_json(summary: SessionSummary) -> str:
    """The summary as JSON text, keys as in the head of this file."""
    session = summary.session
    everything = [*summary.decisions, *(one for behaviour in summary.behaviours for one in behaviour.decisions)]
    document = {
        "format": FORMAT,
        "session": {
            "id": session.id,
            "dog": session.dog,
            "handler": session.handler,
            "place": session.place,
            "started_at": session.started_at.isoformat(timespec="milliseconds"),
            "duration_s": _round(summary.duration_s),
            "paused_s": _round(summary.paused_s),
            "lost_s": _round(summary.lost_s),
            "end_reason": session.end_reason,
            "source": session.source,
            "tool_version": session.tool_version,
            "model": session.model,
            "model_sha256": session.model_sha256,
            "plan_sha256": session.plan_sha256,
        },
        "behaviours": [_behaviour_keys(behaviour) for behaviour in summary.behaviours],
        "decisions": [
            {**decision_keys(one), "words": why(one)} for one in sorted(everything, key=lambda one: one.at_s)
        ],
        "corrections": [_correction_keys(made) for made in summary.corrections],
        "ignored": summary.ignored,
        "rewards": summary.rewards,
        "rewards_per_minute": _round(summary.rewards_per_minute),
        "notes": summary.notes,
        "safety_at_s": _round(summary.safety_at_s),
        "cautions": cautions(summary),
    }
    return json.dumps(document, ensure_ascii=False, indent=2)


def list_as_json(totals: Sequence[SessionTotals]) -> str:
    """Sessions as a JSON array: id, dog, place, started_at, duration_s, end_reason, source, reps, correct."""
    return json.dumps(
        [
            {
                "id": one.session.id,
                "dog": one.session.dog,
                "place": one.session.place,
                "started_at": one.session.started_at.isoformat(timespec="milliseconds"),
                "duration_s": _round(one.session.ended_s),
                "end_reason": one.session.end_reason,
                "source": one.session.source,
                "reps": one.reps,
                "correct": one.correct,
            }
            for one in totals
        ],
        ensure_ascii=False,
        indent=2,
    )


def _behaviour_keys(behaviour: BehaviourSummary) -> dict[str, Any]:
    low, high = behaviour.interval or (None, None)
    return {
        "name": behaviour.name,
        "tag": behaviour.tag,
        "reps": behaviour.reps,
        "correct": behaviour.correct,
        "incorrect": behaviour.count(Outcome.INCORRECT),
        "no_response": behaviour.count(Outcome.NO_RESPONSE),
        "recued": behaviour.recued,
        "undone": behaviour.undone,
        "rate": _round(behaviour.rate),
        "rate_low": _round(low),
        "rate_high": _round(high),
        "cue_to_marker_s": _round(behaviour.cue_to_marker_s),
        "cue_to_marker_n": behaviour.cue_to_marker_n,
        "rewards": behaviour.rewards,
        "rewards_per_minute": _round(behaviour.rewards_per_minute),
        "first_step": behaviour.first_step,
        "last_step": behaviour.last_step,
        "outcomes": behaviour.outcomes,
    }


def decision_keys(decision: Decision) -> dict[str, Any]:
    return {
        "at_s": _round(decision.at_s),
        "choice": decision.choice,
        "because": decision.because,
        "behaviour": decision.behaviour,
        "step": decision.step,
        "new_step": decision.new_step,
        "reps": decision.reps,
        "correct": decision.correct,
        "rule": decision.rule,
    }


def _correction_keys(made: MadeCorrection) -> dict[str, Any]:
    change = made.correction
    return {
        "rep": change.rep_number,
        "before": change.before,
        "after": change.after,
        "why": change.why,
        "behaviour": change.rep and change.rep.behaviour,
        "at_s": _round(change.at_s),
        "who": made.who,
        "made_at": made.made_at.isoformat(timespec="milliseconds"),
    }


def _round(number: float | None) -> float | None:
    """Three decimals: a millisecond, a tenth of a per cent."""
    return None if number is None else round(number, 3)
