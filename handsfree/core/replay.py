"""An old session again: its stored words, under its own plan or under other rules. Pure.

What a log holds is enough: the words in the order in which they were taken in (ignored ones with their reason), the
decisions, the plan, the step at which each behaviour began, and whether it had been raised earlier that day. Prompts
need no replaying, since words that fell into one are stored as ignored for it; silence needs none, since a response
window closes by its own length and not by when anybody noticed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from handsfree.core import criteria
from handsfree.core.criteria import Standing, Verdict
from handsfree.core.events import (
    Because,
    Choice,
    Correction,
    CorrectRep,
    Decided,
    Decision,
    Effect,
    EndReason,
    LogWord,
    OweReward,
    Rep,
    SaveRep,
)
from handsfree.core.log import JudgedRep, SessionLog
from handsfree.core.plan import Behaviour, Plan, Rule
from handsfree.core.sitting import Sitting


@dataclass(frozen=True, slots=True)
class Rules:
    """Rules to try on old sessions. What they leave open stays as the session's plan had it.

    name        how tables call them
    default     for every behaviour that is not named in `behaviours`
    limits      field of Limits -> value
    """

    name: str
    default: Rule | None = None
    behaviours: Mapping[str, Rule] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)

    def applied_to(self, plan: Plan) -> Plan:
        behaviours = tuple(
            replace(behaviour, rule=self.behaviours.get(behaviour.name, self.default or behaviour.rule))
            for behaviour in plan.behaviours
        )
        return replace(plan, behaviours=behaviours, limits=replace(plan.limits, **self.limits))


@dataclass(frozen=True, slots=True)
class Counted:
    """What came of the words of a session, each list in order."""

    words: tuple[LogWord, ...]
    reps: tuple[Rep, ...]
    rewards: tuple[OweReward, ...]
    corrections: tuple[Correction, ...]
    decisions: tuple[Decision, ...]


def counted(effects: Iterable[Effect]) -> Counted:
    """Sort the effects of a session by kind."""
    effects = list(effects)
    return Counted(
        words=tuple(effect for effect in effects if isinstance(effect, LogWord)),
        reps=tuple(effect.rep for effect in effects if isinstance(effect, SaveRep)),
        rewards=tuple(effect for effect in effects if isinstance(effect, OweReward)),
        corrections=tuple(effect.correction for effect in effects if isinstance(effect, CorrectRep)),
        decisions=tuple(effect.decision for effect in effects if isinstance(effect, Decided)),
    )


def replay(log: SessionLog, plan: Plan, rules: Rules | None = None) -> Counted:
    """The session once more. `plan` is the one it ran with; with `rules`, as they would have decided.

    Other rules move the dog to other steps from their first differing decision on. The words stay as they were said:
    what the dog would have done at another step, nobody knows.
    """
    other = rules.applied_to(plan) if rules else plan
    told_s = _time_told_s(log.decisions, rules is None) if other.limits == plan.limits else None
    sitting = Sitting(other, {}, steps_at_start(log), log.session.raised_today)
    effects: list[Effect] = []
    now_s = 0.0
    for entry in log.words:
        effects += _pass_time(sitting, now_s, entry.heard.word.start_s, told_s)
        effects += sitting.take(entry.heard)
        now_s = max(now_s, entry.heard.word.start_s)
    end_s, reason = log.session.ended_s, log.session.end_reason or EndReason.INTERRUPTED
    if end_s is None:
        end_s = _last_s(log)
    if reason is EndReason.INTERRUPTED:  # the last thing written may be a rep that silence closed at this very moment
        end_s = math.nextafter(end_s, math.inf)
    effects += _pass_time(sitting, now_s, end_s, told_s)
    return counted([*effects, *sitting.end(end_s, reason)])


def steps_at_start(log: SessionLog) -> dict[str, int]:
    """Behaviour -> its step when the session began.

    Sessions from before that was written down: the step of its first rep or decision, if there was one.
    """
    known = [(_step_taken_s(rep), rep.behaviour, rep.step) for rep in log.live_reps]
    known += [(d.at_s, d.behaviour, d.step) for d in log.decisions if d.behaviour is not None and d.step is not None]
    found = {behaviour: step for _, behaviour, step in sorted(known, reverse=True)}
    return found | {b.name: b.step for b in log.session.behaviours if b.step is not None}


def differences(log: SessionLog, again: Counted) -> list[str]:
    """Where a replay under the session's own plan is not, to the byte, what is stored: one line each, none if all is.

    A session that was cut off may lack what its last word had just brought about (a rep, a reward, two decisions), or
    hold these without that word.
    """
    cut_off = log.session.end_reason in (None, EndReason.INTERRUPTED)
    return [
        *_unlike("rep", log.live_reps, again.reps, cut_off),
        *_unlike("decision", log.decisions, again.decisions, cut_off),
        *_unlike("reward", log.rewards, again.rewards, cut_off),
    ]


def as_bytes(value: Rep | Decision | OweReward) -> bytes:
    """One way to write a value down: every field, floats to the last bit, 1 apart from 1.0."""
    return repr(value).encode()


def decide(reps: Iterable[Rep | JudgedRep], rule: Rule) -> tuple[Decision, ...]:
    """What a rule says after each rep, holds included, each behaviour by itself.

    The rule alone: it looks at the reps since the last raise or lower it called for, or since the recorded step
    changed. Whether there is a step to go to is the plan's business, so `new_step` is None. Of a JudgedRep the
    corrected outcome counts, and one that was undone is passed over.
    """
    decisions: list[Decision] = []
    standings: dict[str, Standing] = {}
    for one in reps:
        rep, outcome = (one.rep, one.outcome) if isinstance(one, JudgedRep) else (one, one.outcome)
        if outcome is None:
            continue
        standing = standings.get(rep.behaviour)
        if standing is None or standing.step != rep.step:
            standing = Standing(rep.step)
        standing = replace(standing, recent=(*standing.recent, Verdict(rep.number, outcome)))
        judged = criteria.judge(Behaviour(rep.behaviour, (), rule=rule), standing)
        if judged is not None:
            choice, because, looked_at = judged
            decisions.append(
                Decision(
                    choice=choice,
                    because=because,
                    at_s=rep.end_s,
                    behaviour=rep.behaviour,
                    step=rep.step,
                    reps=tuple(verdict.number for verdict in looked_at),
                    correct=sum(verdict.correct for verdict in looked_at),
                    rule=rule.name,
                )
            )
            if choice is not Choice.HOLD:
                standing = replace(standing, recent=())
        standings[rep.behaviour] = standing
    return tuple(decisions)


def _pass_time(sitting: Sitting, now_s: float, until_s: float, told_s: float | None) -> list[Effect]:
    """Let response windows close and time limits come, each at its moment.

    `told_s` is when a time limit was noticed in the session: a little after it was reached, since the ear lags behind.
    """
    effects: list[Effect] = []
    while True:
        window_s = math.nextafter(sitting.trial.window_end_s, math.inf)
        time_s = max(criteria.time_is_up_s(sitting.progress, sitting.plan), now_s, told_s or 0.0)
        if min(window_s, time_s) > until_s or window_s == time_s == math.inf:
            return effects
        if window_s <= time_s:
            effects += sitting.settle(window_s)
            now_s = max(now_s, window_s)
        else:
            effects += sitting.wait(time_s)


def _time_told_s(decisions: Iterable[Decision], same_rules: bool) -> float | None:
    """When the session's time was up: never, if it was not; None where only another end forestalled it."""
    ends = [decision for decision in decisions if decision.choice is Choice.END]
    never = None if ends and not same_rules else math.inf
    return next((end.at_s for end in ends if end.because is Because.TIME), never)


def _step_taken_s(rep: Rep) -> float:
    """When the step of a rep was read: at its cue, or at the word that closed it."""
    word = rep.cue or rep.outcome_word
    return word.start_s if word else rep.end_s


def _last_s(log: SessionLog) -> float:
    times = [entry.heard.word.end_s for entry in log.words] + [rep.end_s for rep in log.live_reps]
    return max(times, default=0.0)


def _unlike(
    kind: str,
    stored: Iterable[Rep | Decision | OweReward],
    again: Iterable[Rep | Decision | OweReward],
    cut_off: bool,
) -> list[str]:
    before, after = [as_bytes(one) for one in stored], [as_bytes(one) for one in again]
    found = [
        f"{kind} {number}: stored {old.decode()}, replayed {new.decode()}"
        for number, (old, new) in enumerate(zip(before, after, strict=False), start=1)
        if old != new
    ]
    if abs(len(after) - len(before)) > (2 if cut_off else 0):
        found.append(f"{len(before)} {kind}s stored, {len(after)} replayed")
    return found
