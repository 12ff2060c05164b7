"""One session, pure: breaths go in, effects come out in the order they must be carried out.

It joins vocabulary, rep machine and criteria, and decides what is said and when it may be said. The same breaths give
the same effects, so a stored session can be replayed. Store first, speak second: what is said waits in a queue that the
caller asks (`due`) after carrying out the effects.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from handsfree.core import criteria, expecting, trial
from handsfree.core.events import (
    Because,
    Breath,
    Choice,
    CorrectRep,
    Decided,
    Decision,
    Effect,
    EndReason,
    Ignored,
    Instruction,
    KeepNote,
    LogWord,
    Obey,
    OweReward,
    Reason,
    Role,
    SaveRep,
    Say,
    SessionEvent,
    Tone,
)
from handsfree.core.plan import Plan, Tag
from handsfree.core.vocabulary import Memory, Vocabulary

LINGER_S = 10.0
"""After the end was announced and the easy one done, wait so long for another cue before the session closes itself."""

END_REASONS = {
    Because.TIME: EndReason.TIME,
    Because.REPS: EndReason.REPS,
    Because.TREATS: EndReason.TREATS,
    Because.SAFETY: EndReason.SAFETY,
}


class Sitting:
    """The state of one session. `steps` are those reached in earlier ones; of that day's, some `raised_today`."""

    def __init__(
        self,
        plan: Plan,
        instructions: Mapping[Instruction, str],
        steps: Mapping[str, int] | None = None,
        raised_today: Collection[str] = (),
    ):
        self.plan = plan
        self.vocabulary = Vocabulary(plan, instructions)
        known = {name: step for name, step in (steps or {}).items() if self._has_step(name, step)}
        self.trial = trial.start(plan.behaviours, known)
        self.progress = criteria.start(plan, known, raised_today)
        self.settled_s = 0.0
        self.ended: EndReason | None = None
        self._memory = Memory()
        self._doubtful = expecting.DoubtfulCues()
        self._pending: list[Say] = []
        self._said_at: dict[Say, int] = {}
        self._reps = 0
        self._last_rep_begun_s = self._last_rep_end_s = 0.0
        self._end_asked = False

    def hear(self, breath: Breath) -> list[Effect]:
        """Take in what the ear made of the sound up to `breath.settled_s`."""
        effects: list[Effect] = []
        for one in self._understand(breath):
            effects += self.settle(one.word.start_s)
            if cue := self._doubtful.before(one, self.trial):
                effects += self.take(cue)
            effects += self.take(one)
        return effects + self.wait(breath.settled_s)

    def _understand(self, breath: Breath) -> list[SessionEvent | Ignored]:
        """What counts of a breath and what does not; cues that would count if an outcome word came next are noted."""
        before, meanings = self._memory, self.vocabulary.meanings
        read = expecting.in_light_of(self.trial, breath, meanings, outcome_next=False)
        self._memory, heard = self.vocabulary.understand(before, read)
        read = expecting.in_light_of(self.trial, breath, meanings, outcome_next=True)
        self._doubtful.note(heard, self.vocabulary.understand(before, read)[1])
        return heard

    def take(self, heard: SessionEvent | Ignored) -> list[Effect]:
        """Take in one word that is understood already, as a log holds it."""
        # A window that ran out before the word is judged first: the word may be a cue, given at the step that follows.
        return [*self.settle(heard.word.start_s), *self._advance(heard)]

    def settle(self, at_s: float) -> list[Effect]:
        """Close a response window that has run out by `at_s`; limits are left aside."""
        return self._advance(trial.Settled(at_s))

    def wait(self, settled_s: float) -> list[Effect]:
        """Time has come to `settled_s`, and no earlier word can still come."""
        self.settled_s = max(self.settled_s, settled_s)
        effects = self._advance(trial.Settled(self.settled_s))
        return effects + self._limits(self.settled_s)

    def prompt_played(self, start_s: float, end_s: float) -> None:
        """The tool's own voice was, or will be, in the air between these times."""
        self._advance(trial.PromptPlayed(start_s, end_s))

    def due(self, urgent_only: bool = False) -> Say | None:
        """The next sentence that may start now, taken off the queue. None while a rep is open, unless it is urgent."""
        waiting = urgent_only or self.trial.phase is trial.Phase.OPEN
        for say in self._pending:
            if say.urgent or not waiting:
                self._pending.remove(say)
                return say
        return None

    def finished(self, now_s: float) -> EndReason | None:
        """Why the session should close by itself now, or None."""
        if self._end_asked:
            return EndReason.ASKED
        ending = self.progress.ending
        if ending is None or self.trial.phase is trial.Phase.OPEN:
            return None
        easy_one_done = self._last_rep_begun_s > ending.at_s
        quiet_since = max(self._last_rep_end_s, ending.at_s)
        if now_s - quiet_since < (LINGER_S if easy_one_done else 3 * LINGER_S):
            return None
        return END_REASONS.get(ending.because, EndReason.MISSES)

    def end(self, at_s: float, reason: EndReason) -> list[Effect]:
        """Close the session; a rep still open is no rep."""
        self.settled_s = max(self.settled_s, at_s)
        effects = self._advance(trial.End(at_s))
        self.ended = reason
        return effects

    @property
    def behaviour(self) -> str | None:
        return self.trial.behaviour

    @property
    def step(self) -> int | None:
        return self.trial.steps.get(self.behaviour) if self.behaviour else None

    def time_left_s(self, now_s: float) -> float:
        return max(0.0, self.plan.limits.time_s - now_s)

    def _has_step(self, name: str, step: int) -> bool:
        return any(b.name == name and 1 <= step <= len(b.steps) for b in self.plan.behaviours)

    def _advance(self, event: trial.Event) -> list[Effect]:
        self.trial, raw = trial.step(self.trial, event)
        effects: list[Effect] = []
        for effect in raw:
            effects.append(effect)
            effects += self._follow(effect)
        return effects

    def _follow(self, effect: Effect) -> list[Effect]:
        """What an effect of the rep machine leads to."""
        if isinstance(effect, SaveRep):
            self._reps += 1
            word = effect.rep.cue or effect.rep.outcome_word
            self._last_rep_begun_s = word.start_s if word else effect.rep.start_s
            self._last_rep_end_s = effect.rep.end_s
            self.progress, decisions = criteria.after_rep(self.progress, self.plan, effect.rep)
            tone: list[Effect] = [Tone("counted")] if self.plan.prompts.counted_tone else []
            return [*tone, *self._announce(decisions)]
        if isinstance(effect, OweReward):
            self.progress, decisions = criteria.after_reward(self.progress, self.plan, effect.at_s)
            return self._announce(decisions)
        if isinstance(effect, CorrectRep):
            self.progress = criteria.after_correction(self.progress, self.plan, effect.correction)
        if isinstance(effect, LogWord) and isinstance(effect.heard, Ignored):
            if effect.heard.reason is Reason.NOTHING_TO_CORRECT:
                self._queue(Say("nothing_to_undo"))
            if effect.heard.reason is Reason.UNSURE:
                if effect.heard.role is Role.SAFETY:
                    self._queue(Say("safety_unsure", urgent=True))  # silence would be taken for "heard"
                if self.plan.prompts.unsure_tone:
                    return [Tone("unsure")]
        if isinstance(effect, Obey):
            return self._obey(effect.event)
        return []

    def _limits(self, at_s: float) -> list[Effect]:
        self.progress, decisions = criteria.at_time(self.progress, self.plan, at_s)
        return self._announce(decisions)

    def _announce(self, decisions: list[Decision]) -> list[Effect]:
        effects: list[Effect] = []
        for decision in decisions:
            effects.append(Decided(decision))
            if decision.behaviour and decision.new_step not in (None, decision.step):
                self._set_step(decision.behaviour, decision.new_step or 1)
            say = self._sentence(decision)
            if say is not None and not self._nags(say):
                self._queue(say)
        return effects

    def _sentence(self, decision: Decision) -> Say | None:
        """What is said of a decision; nothing once the end was announced, or of a plain hold."""
        if decision.choice is Choice.END:
            self._pending = [say for say in self._pending if say.urgent]  # the end outdates what waited
            if decision.because is Because.SAFETY:
                return Say("safety", urgent=True)
            handling = decision.behaviour and self.plan.behaviour(decision.behaviour).tag is Tag.HANDLING
            stop_now = decision.because in (Because.SECOND_OPT_OUT, Because.FIRST_STEP) and handling
            return Say("stop_now" if stop_now else "end")
        if self.progress.ending is not None or decision.behaviour is None:
            return None
        fields = self._fields(decision.behaviour)
        if decision.because is Because.TOP_STEP:
            return Say("top_step", fields)
        step = (("step", decision.new_step or 1),)
        if decision.choice is Choice.RAISE:
            return Say("raise", fields + step)
        if decision.choice is Choice.LOWER:
            return Say("rest" if decision.because is Because.OPT_OUT else "lower", fields + step)
        return None

    def _fields(self, behaviour: str) -> tuple[tuple[str, str | int], ...]:
        named = self.plan.behaviour(behaviour)
        return (("behaviour", named.say or named.name),)

    def _queue(self, say: Say) -> None:
        self._said_at[say] = self._reps
        if say not in self._pending:
            self._pending.append(say)

    def _nags(self, say: Say) -> bool:
        """The same sentence was said a few reps ago; "at the top" is news only once."""
        said_at = self._said_at.get(say)
        if said_at is None:
            return False
        return say.key == "top_step" or self._reps - said_at < self.plan.prompts.quiet_reps

    def _set_step(self, behaviour: str, step: int) -> None:
        self.trial, _ = trial.step(self.trial, trial.StepSet(behaviour, step))

    def _obey(self, event: SessionEvent) -> list[Effect]:
        if event.role is Role.SAFETY:
            self.progress, decisions = criteria.after_safety(self.progress, event.word.start_s)
            return self._announce(decisions)
        instruction = event.instruction
        if instruction is Instruction.NOTE:
            keep = self.plan.sound.notes
            self._queue(Say("note_kept" if keep else "notes_off"))
            return [KeepNote(event.word.end_s)] if keep else []
        if instruction is Instruction.END:
            self._end_asked = True
            return []
        if instruction in (Instruction.NEXT_STEP, Instruction.STEP_BACK):
            return self._change_step(1 if instruction is Instruction.NEXT_STEP else -1, event)
        self._queue(self._answer(event))
        return []

    def _answer(self, event: SessionEvent) -> Say:
        match event.instruction:
            case Instruction.NOW:
                assert event.behaviour is not None
                return Say("now", self._fields(event.behaviour))
            case Instruction.SCORE:
                return self._score()
            case Instruction.TIME:
                minutes, seconds = divmod(round(self.time_left_s(event.word.end_s)), 60)
                return (
                    Say("minutes_left", (("minutes", minutes),))
                    if minutes
                    else Say("seconds_left", (("seconds", max(5, seconds // 5 * 5)),))
                )
            case _:
                return Say(f"confirm_{event.instruction}")

    def _score(self) -> Say:
        if self.behaviour is None:
            return Say("no_score")
        correct, count = criteria.score(self.progress, self.plan, self.behaviour)
        return Say("score", (("correct", correct), ("count", count))) if count else Say("no_score")

    def _change_step(self, change: int, event: SessionEvent) -> list[Effect]:
        name, step = self.behaviour, self.step
        if name is None or step is None or not self._has_step(name, step + change):
            self._queue(Say("no_step"))
            return []
        self.progress = criteria.at_step(self.progress, name, step + change)
        self._set_step(name, step + change)
        self._queue(Say("step", (*self._fields(name), ("step", step + change))))
        choice = Choice.RAISE if change > 0 else Choice.LOWER
        at_s = event.word.start_s
        return [Decided(Decision(choice, Because.ASKED, at_s, name, step, step + change))]
