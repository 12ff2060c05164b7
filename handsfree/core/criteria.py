"""Recent reps -> raise, hold, lower or end. Pure: the caller brings reps and the session's time.

A Standing is what the rules know of one behaviour in this session; Progress is what they know of the session. Nothing
from earlier sessions enters but the step, and what was raised earlier that day: a decision is about the dog as it works
today.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from handsfree.core.events import Because, Choice, Correction, Decision, Outcome, Rep
from handsfree.core.plan import Behaviour, Plan, SequentialRule, Tag, WindowRule


@dataclass(frozen=True, slots=True)
class Verdict:
    """A rep as the rules see it: corrections are folded in."""

    number: int
    outcome: Outcome

    @property
    def correct(self) -> bool:
        return self.outcome is Outcome.CORRECT


@dataclass(frozen=True, slots=True)
class Standing:
    """One behaviour, this session. `recent` holds the reps since the current step began, oldest first.

    lowered    lowered in this session and not yet recovered (no full window that raises or holds since)
    opt_outs   error words while handling, in this session
    total      reps of the behaviour in this session
    raised     the rules have raised it today, in this session or an earlier one
    moved      step -> `total` when the dog was last moved to it, so that no move is told twice in quick succession
    """

    step: int
    recent: tuple[Verdict, ...] = ()
    lowered: bool = False
    opt_outs: int = 0
    total: int = 0
    raised: bool = False
    moved: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Progress:
    """The session so far. `ending` is the first decision to end it; only safety takes its place."""

    standings: Mapping[str, Standing]
    behaviour_of: Mapping[int, str] = field(default_factory=dict)
    treats: int = 0
    safety: bool = False
    ending: Decision | None = None
    handling_since_s: float | None = None


def start(plan: Plan, steps: Mapping[str, int] | None = None, raised_today: Collection[str] = ()) -> Progress:
    """Before the first rep; `steps` are those reached in earlier sessions, some of them raised in one of that day."""
    reached = dict(steps or {})
    return Progress(
        {b.name: Standing(reached.get(b.name, b.start_step), raised=b.name in raised_today) for b in plan.behaviours}
    )


def judge(behaviour: Behaviour, standing: Standing) -> tuple[Choice, Because, tuple[Verdict, ...]] | None:
    """What the behaviour's rule says of its recent reps, and which reps it looked at. None: too few to say.

    The rule alone: whether there is a step to go to is `_decide`'s business.
    """
    recent, rule = standing.recent, behaviour.rule
    if behaviour.tag is Tag.HANDLING and recent and recent[-1].outcome is Outcome.INCORRECT:
        because = Because.OPT_OUT if standing.opt_outs < 2 else Because.SECOND_OPT_OUT
        return (Choice.LOWER if standing.opt_outs < 2 else Choice.END), because, recent[-1:]
    run = rule.misses_in_a_row
    if run and len(recent) >= run and not any(verdict.correct for verdict in recent[-run:]):
        return Choice.LOWER, Because.MISSES_IN_A_ROW, recent[-run:]
    if isinstance(rule, SequentialRule):
        return sequential(rule, recent)
    return window(rule, recent)


def window(rule: WindowRule, recent: tuple[Verdict, ...]) -> tuple[Choice, Because, tuple[Verdict, ...]] | None:
    """The last `rule.window` reps; None until there are so many."""
    if len(recent) < rule.window:
        return None
    last = recent[-rule.window :]
    correct = sum(verdict.correct for verdict in last)
    if correct >= rule.raise_at:
        return Choice.RAISE, Because.WINDOW, last
    if correct <= rule.lower_at:
        return Choice.LOWER, Because.WINDOW, last
    return Choice.HOLD, Because.WINDOW, last


def sequential(rule: SequentialRule, recent: tuple[Verdict, ...]) -> tuple[Choice, Because, tuple[Verdict, ...]] | None:
    """Wald's test at the first rep that decides; HOLD while undecided, None before the first rep."""
    if not recent:
        return None
    hit, miss, lower, upper = wald(rule)
    ratio = 0.0
    for verdict in recent:
        ratio += hit if verdict.correct else miss
        if ratio >= upper:
            return Choice.RAISE, Because.SEQUENTIAL, recent
        if ratio <= lower:
            return Choice.LOWER, Because.SEQUENTIAL, recent
    return Choice.HOLD, Because.SEQUENTIAL, recent


def wald(rule: SequentialRule) -> tuple[float, float, float, float]:
    """(log likelihood ratio of a correct rep, of a miss; lower bound, upper bound).

    Wald 1945, Annals of Mathematical Statistics 16:117-186. Upper bound ln((1-beta)/alpha), lower ln(beta/(1-alpha)).
    """
    hit, miss = math.log(rule.high / rule.low), math.log((1 - rule.high) / (1 - rule.low))
    lower = math.log(rule.false_lower / (1 - rule.false_raise))
    return hit, miss, lower, math.log((1 - rule.false_lower) / rule.false_raise)


def after_rep(progress: Progress, plan: Plan, rep: Rep) -> tuple[Progress, list[Decision]]:
    """Fold in a closed rep; return the decisions it calls for: at most one about the behaviour, one about a limit."""
    behaviour = plan.behaviour(rep.behaviour)
    standing = progress.standings[rep.behaviour]
    opted_out = behaviour.tag is Tag.HANDLING and rep.outcome is Outcome.INCORRECT
    at_this_step = rep.step == standing.step  # not so when the step was changed in mid-rep
    standing = replace(
        standing,
        recent=(*standing.recent, Verdict(rep.number, rep.outcome)) if at_this_step else standing.recent,
        total=standing.total + 1,
        opt_outs=standing.opt_outs + opted_out,
    )
    since = None
    if behaviour.tag is Tag.HANDLING:
        since = rep.start_s if progress.handling_since_s is None else progress.handling_since_s
    progress = replace(
        progress,
        behaviour_of={**progress.behaviour_of, rep.number: rep.behaviour},
        handling_since_s=since,
    )
    progress = _with(progress, rep.behaviour, standing)
    decisions: list[Decision] = []
    if at_this_step:
        progress, decision = _decide(progress, plan, behaviour, rep.end_s)
        if decision is not None:
            decisions.append(decision)
    if standing.total >= plan.limits.reps_per_behaviour:
        progress, ending = _end(progress, Because.REPS, rep.end_s, rep.behaviour)
        decisions += ending
    return progress, decisions


def after_reward(progress: Progress, plan: Plan, at_s: float) -> tuple[Progress, list[Decision]]:
    """One more treat owed."""
    progress = replace(progress, treats=progress.treats + 1)
    if plan.limits.treats is not None and progress.treats >= plan.limits.treats:
        return _end(progress, Because.TREATS, at_s)
    return progress, []


def at_time(progress: Progress, plan: Plan, at_s: float) -> tuple[Progress, list[Decision]]:
    """Session time has come to `at_s`."""
    return _end(progress, Because.TIME, at_s) if at_s >= time_is_up_s(progress, plan) else (progress, [])


def time_is_up_s(progress: Progress, plan: Plan) -> float:
    """When a time limit will end the session, as things stand. Infinite once an end was announced."""
    if progress.ending is not None:
        return math.inf
    since = progress.handling_since_s
    return min(plan.limits.time_s, math.inf if since is None else since + plan.limits.handling_time_s)


def after_safety(progress: Progress, at_s: float) -> tuple[Progress, list[Decision]]:
    """The safety word was said: the session ends, and nothing is raised any more."""
    return _end(replace(progress, safety=True), Because.SAFETY, at_s)


def after_correction(progress: Progress, plan: Plan, correction: Correction) -> Progress:
    """Change or remove a rep among the recent ones; decisions already made stand."""
    name = progress.behaviour_of.get(correction.rep_number)
    if name is None:
        return progress
    standing = progress.standings[name]
    recent: list[Verdict] = []
    for verdict in standing.recent:
        if verdict.number != correction.rep_number:
            recent.append(verdict)
        elif correction.after is not None:
            recent.append(Verdict(verdict.number, correction.after))
    total = standing.total + (correction.before is None) - (correction.after is None)
    opt_outs = standing.opt_outs
    if plan.behaviour(name).tag is Tag.HANDLING:
        opt_outs += (correction.after is Outcome.INCORRECT) - (correction.before is Outcome.INCORRECT)
    return _with(progress, name, replace(standing, recent=tuple(recent), total=total, opt_outs=opt_outs))


def at_step(progress: Progress, behaviour: str, step: int) -> Progress:
    """The trainer chose a step herself: the window starts afresh."""
    return _with(progress, behaviour, replace(progress.standings[behaviour], step=step, recent=()))


def score(progress: Progress, plan: Plan, behaviour: str) -> tuple[int, int]:
    """Correct and all reps of the rule's window (of all at this step, for the sequential rule)."""
    rule = plan.behaviour(behaviour).rule
    recent = progress.standings[behaviour].recent
    if isinstance(rule, WindowRule):
        recent = recent[-rule.window :]
    return sum(verdict.correct for verdict in recent), len(recent)


def _with(progress: Progress, behaviour: str, standing: Standing) -> Progress:
    return replace(progress, standings={**progress.standings, behaviour: standing})


def _decide(progress: Progress, plan: Plan, behaviour: Behaviour, at_s: float) -> tuple[Progress, Decision | None]:
    """Turn the rule's verdict into a decision that can be carried out, and carry it out on the standing."""
    standing = progress.standings[behaviour.name]
    judged = judge(behaviour, standing)
    if judged is None:
        return progress, None
    choice, because, looked_at = judged
    step = new_step = standing.step
    if choice is Choice.RAISE:
        if progress.safety:
            choice, because = Choice.HOLD, Because.SAFETY
        elif step >= len(behaviour.steps):
            choice, because = Choice.HOLD, Because.TOP_STEP
        elif behaviour.tag is Tag.HANDLING and standing.raised:
            choice, because = Choice.HOLD, Because.NO_HASTE
        else:
            new_step = step + 1
        standing = replace(standing, lowered=False)
    elif choice is Choice.HOLD and because is Because.WINDOW:
        standing = replace(standing, lowered=False)
    elif choice is Choice.LOWER:
        if step <= 1:
            choice, because = Choice.END, Because.FIRST_STEP
        elif standing.lowered:
            choice, because = Choice.END, Because.SECOND_LOWER
        else:
            new_step = step - 1
    if new_step != step:
        last_moved = standing.moved.get(new_step)
        if last_moved is not None and standing.total - last_moved < plan.prompts.quiet_reps:
            choice, because, new_step = Choice.HOLD, Because.JUST_MOVED, step
        else:
            moved = {**standing.moved, new_step: standing.total}
            lowered = choice is Choice.LOWER
            raised = standing.raised or choice is Choice.RAISE
            standing = replace(standing, step=new_step, recent=(), moved=moved, lowered=lowered, raised=raised)
    if judged[1] is Because.SEQUENTIAL and judged[0] is not Choice.HOLD:
        standing = replace(standing, recent=())  # the test has given its verdict: the next rep begins a new one
    progress = _with(progress, behaviour.name, standing)
    decision = Decision(
        choice=choice,
        because=because,
        at_s=at_s,
        behaviour=behaviour.name,
        step=step,
        new_step=new_step,
        reps=tuple(verdict.number for verdict in looked_at),
        correct=sum(verdict.correct for verdict in looked_at),
        rule=behaviour.rule.name,
    )
    if choice is Choice.END:
        if progress.ending is not None:
            return progress, None
        progress = replace(progress, ending=decision)
    return progress, decision


def _end(
    progress: Progress, because: Because, at_s: float, behaviour: str | None = None
) -> tuple[Progress, list[Decision]]:
    """End the session, once. Safety speaks even when another end was already announced."""
    safety_is_news = because is Because.SAFETY and (progress.ending is None or progress.ending.because != because)
    if progress.ending is not None and not safety_is_news:
        return progress, []
    ending = Decision(Choice.END, because, at_s, behaviour)
    return replace(progress, ending=ending), [ending]
