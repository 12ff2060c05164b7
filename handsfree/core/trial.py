"""The rep state machine, as a table: step(state, event) -> (state, effects).

Rules of this file: all knowledge of when a rep begins and ends lives here; TABLE has a row for every phase and
happening, and the diagram in DEVELOPERS.md is drawn from it. Every word given to it leaves as exactly one LogWord. The
caller owns time: words come in order of their start (a cue that was in doubt may come late), and Settled says up to
when no earlier word can still come.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from handsfree.core.events import (
    Correction,
    CorrectRep,
    Effect,
    HeardWord,
    Ignored,
    Instruction,
    Label,
    LogWord,
    Obey,
    Outcome,
    OweReward,
    Reason,
    Rep,
    Role,
    SaveRep,
    SessionEvent,
)
from handsfree.core.plan import Behaviour, Tag

SAME_REP_S = 1.5
"""A second marker so soon after the first is a second reward for the same rep, not a new uncued rep: at the fastest
rates of reinforcement that trainers recommend (20-30 a minute) reps are 2 s apart (common practice, no source)."""


class Phase(Label):
    NO_BEHAVIOUR = "no behaviour"  # nothing named yet
    READY = "ready"  # a behaviour is current, no rep open
    OPEN = "open"  # a cue was given, its outcome is awaited
    PAUSED = "paused"
    OVER = "over"


class Happening(Label):
    """What an event means to the machine; the columns of TABLE."""

    CUE = "cue"
    SAME_CUE = "same cue again"
    OTHER_CUE = "cue of another behaviour"
    MARKER = "marker"
    MARKER_AGAIN = "second marker"
    ERROR = "error word"
    RELEASE = "release word"
    WINDOW_OVER = "window over"
    NOW = "now"
    PAUSE = "pause"
    RESUME = "resume"
    REJUDGE = "undo, wrong, right"
    OTHER_INSTRUCTION = "other instruction"
    SAFETY = "safety word"
    END = "end"


@dataclass(frozen=True, slots=True)
class Settled:
    """No word that starts before `at_s` will come any more."""

    at_s: float


@dataclass(frozen=True, slots=True)
class PromptPlayed:
    """The tool spoke from `start_s` to `end_s`: words that overlap it are not trusted."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class StepSet:
    """The behaviour is now trained at this step."""

    behaviour: str
    step: int


@dataclass(frozen=True, slots=True)
class End:
    """The session ends; a rep still open is no rep, since its outcome is not known."""

    at_s: float


Event = SessionEvent | Ignored | Settled | PromptPlayed | StepSet | End


@dataclass(frozen=True, slots=True)
class TrialState:
    """Everything the machine knows.

    boundary_s   where the next uncued rep starts: the end of the last rep, pause or naming
    verdicts     effective outcome of each closed rep, corrections folded in; None means it was no rep
    pausing      a pause asked for in mid-rep, kept until the rep is closed; until then only its outcome counts
    next_named   a behaviour named in mid-rep, kept likewise
    """

    behaviours: Mapping[str, Behaviour]
    steps: Mapping[str, int]
    phase: Phase = Phase.NO_BEHAVIOUR
    behaviour: str | None = None
    cue: HeardWord | None = None
    cued_step: int = 1
    boundary_s: float = 0.0
    last_marker_s: float = float("-inf")
    verdicts: tuple[Outcome | None, ...] = ()
    pausing: bool = False
    next_named: str | None = None
    deaf: tuple[PromptPlayed, ...] = field(default=())

    @property
    def open_rep_number(self) -> int:
        return len(self.verdicts) + 1

    @property
    def tag(self) -> Tag:
        return self.behaviours[self.behaviour].tag if self.behaviour else Tag.PLAIN

    @property
    def window_end_s(self) -> float:
        """Until when an outcome still belongs to the open cue; infinite while none is open."""
        if self.cue is None or self.behaviour is None:
            return float("inf")
        return self.cue.end_s + self.behaviours[self.behaviour].response_window_s


def start(behaviours: tuple[Behaviour, ...], steps: Mapping[str, int] | None = None) -> TrialState:
    """The state before the first word. `steps` are those reached earlier; the plan's start_step where none is given."""
    reached = {behaviour.name: behaviour.start_step for behaviour in behaviours} | dict(steps or {})
    only = behaviours[0].name if len(behaviours) == 1 else None
    return TrialState(
        behaviours={behaviour.name: behaviour for behaviour in behaviours},
        steps=reached,
        phase=Phase.READY if only else Phase.NO_BEHAVIOUR,
        behaviour=only,
    )


def step(state: TrialState, event: Event) -> tuple[TrialState, list[Effect]]:
    """Advance the machine by one event."""
    if isinstance(event, PromptPlayed):
        recent = tuple(prompt for prompt in state.deaf if prompt.end_s > event.start_s - 60)
        return replace(state, deaf=(*recent, event)), []
    if isinstance(event, StepSet):
        return replace(state, steps={**state.steps, event.behaviour: event.step}), []
    at_s = event.at_s if isinstance(event, (Settled, End)) else event.word.start_s
    effects: list[Effect] = []
    if at_s > state.window_end_s:
        state, effects = _happen(state, Happening.WINDOW_OVER, None)
    if isinstance(event, Settled):
        return state, effects
    if isinstance(event, Ignored):
        return state, [*effects, LogWord(event)]
    if isinstance(event, SessionEvent) and event.role is not Role.SAFETY and _during_prompt(state, event.word):
        return state, [*effects, _ignore(event, Reason.DURING_PROMPT)]
    state, more = _happen(state, happening(state, event), event if isinstance(event, SessionEvent) else None)
    return state, effects + more


def happening(state: TrialState, event: SessionEvent | End) -> Happening:
    """What an event means to the machine as it is."""
    if isinstance(event, End):
        return Happening.END
    role = event.role
    if role is Role.CUE:
        if event.behaviour == state.behaviour:
            return Happening.SAME_CUE if state.phase is Phase.OPEN else Happening.CUE
        return Happening.OTHER_CUE
    if role is Role.MARKER:
        again = state.phase is Phase.READY and event.word.start_s - state.last_marker_s <= SAME_REP_S
        return Happening.MARKER_AGAIN if again else Happening.MARKER
    if role is Role.INSTRUCTION:
        return _INSTRUCTIONS.get(event.instruction or Instruction.TIME, Happening.OTHER_INSTRUCTION)
    return {Role.ERROR: Happening.ERROR, Role.RELEASE: Happening.RELEASE, Role.SAFETY: Happening.SAFETY}[role]


OUTCOME_LACKS_CUE = (Phase.NO_BEHAVIOUR, Phase.READY)


def lacks_cue(state: TrialState, event: SessionEvent) -> bool:
    """Whether it is an outcome word, not a further reward, that no open cue comes before."""
    return state.phase in OUTCOME_LACKS_CUE and happening(state, event) in (Happening.MARKER, Happening.ERROR)


_INSTRUCTIONS = {
    Instruction.NOW: Happening.NOW,
    Instruction.PAUSE: Happening.PAUSE,
    Instruction.RESUME: Happening.RESUME,
    Instruction.UNDO: Happening.REJUDGE,
    Instruction.WRONG: Happening.REJUDGE,
    Instruction.RIGHT: Happening.REJUDGE,
}


def _during_prompt(state: TrialState, word: HeardWord) -> bool:
    return any(word.start_s < prompt.end_s and word.end_s > prompt.start_s for prompt in state.deaf)


def _ignore(event: SessionEvent, reason: Reason) -> LogWord:
    return LogWord(Ignored(event.word, event.role, reason, event.behaviour))


# Actions: (state, event) -> (state, effects). Their names are the labels of the diagram's arrows.


def _close(
    state: TrialState, outcome: Outcome, end_s: float, word: HeardWord | None = None, **flags: bool
) -> tuple[TrialState, SaveRep]:
    """Close the open rep, or an uncued one, at `end_s`."""
    assert state.behaviour is not None
    start_s = max(state.boundary_s, state.cue.start_s) if state.cue else state.boundary_s
    end_s = max(start_s, end_s)
    rep = Rep(
        number=state.open_rep_number,
        behaviour=state.behaviour,
        step=state.cued_step if state.cue else state.steps[state.behaviour],
        outcome=outcome,
        start_s=start_s,
        end_s=end_s,
        cue=state.cue,
        outcome_word=word,
        **flags,
    )
    state = replace(
        state,
        cue=None,
        boundary_s=end_s,
        verdicts=(*state.verdicts, outcome),
        behaviour=state.next_named or state.behaviour,
        next_named=None,
        phase=Phase.PAUSED if state.pausing else Phase.READY,
        pausing=False,
    )
    return state, SaveRep(rep)


def open_rep(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    number = state.open_rep_number
    assert event.behaviour is not None
    state = replace(
        state,
        phase=Phase.OPEN,
        behaviour=event.behaviour,
        cue=event.word,
        cued_step=state.steps[event.behaviour],
        last_marker_s=float("-inf"),
    )
    return state, [LogWord(event, number)]


def recue(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    if state.pausing:
        return state, [_ignore(event, Reason.PAUSED)]
    state, saved = _close(state, Outcome.NO_RESPONSE, event.word.start_s, recue=True)
    state, effects = open_rep(state, event)
    return state, [saved, *effects]


def close_and_open(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    if state.pausing:
        return state, [_ignore(event, Reason.PAUSED)]
    state, saved = _close(state, Outcome.NO_RESPONSE, event.word.start_s)
    state, effects = open_rep(state, event)
    return state, [saved, *effects]


def correct(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    state, saved = _close(state, Outcome.CORRECT, event.word.end_s, event.word)
    state = replace(state, last_marker_s=event.word.start_s)
    number = saved.rep.number
    return state, [LogWord(event, number), saved, OweReward(number, event.word.start_s)]


def reward_again(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    number = len(state.verdicts)
    # The rep lasts until its last marker, so that a next uncued rep does not overlap it.
    state = replace(state, boundary_s=event.word.end_s)
    return state, [LogWord(event, number), OweReward(number, event.word.start_s)]


def incorrect(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    state, saved = _close(state, Outcome.INCORRECT, event.word.end_s, event.word)
    return state, [LogWord(event, saved.rep.number), saved]


def opt_out(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    """An error word without a cue: while handling, the dog said no; elsewhere there is nothing to judge."""
    if state.tag is Tag.HANDLING and event.word.start_s - state.boundary_s > SAME_REP_S:
        return incorrect(state, event)
    return state, [_ignore(event, Reason.NO_OPEN_REP)]


def release(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    """The release word ends a hold that was kept but not marked: correct, no reward owed."""
    if state.tag is not Tag.DURATION:
        return state, [_ignore(event, Reason.NO_OPEN_REP)]
    state, saved = _close(state, Outcome.CORRECT, event.word.end_s, released=True)
    return state, [LogWord(event, saved.rep.number), saved]


def no_response(state: TrialState, event: SessionEvent | None) -> tuple[TrialState, list[Effect]]:
    if state.pausing:  # she stopped to do something else: no opportunity, no rep
        return (
            replace(
                state,
                phase=Phase.PAUSED,
                pausing=False,
                cue=None,
                boundary_s=state.window_end_s,
                behaviour=state.next_named or state.behaviour,
                next_named=None,
            ),
            [],
        )
    state, saved = _close(state, Outcome.NO_RESPONSE, state.window_end_s)
    return state, [saved]


def name_behaviour(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    state = replace(state, phase=Phase.READY, behaviour=event.behaviour, boundary_s=_after(state, event))
    return state, [LogWord(event), Obey(event)]


def name_later(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    return replace(state, next_named=event.behaviour), [LogWord(event), Obey(event)]


def pause(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    return replace(state, phase=Phase.PAUSED), [LogWord(event), Obey(event)]


def pause_later(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    return replace(state, pausing=True), [LogWord(event), Obey(event)]


def resume(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    phase = Phase.READY if state.behaviour else Phase.NO_BEHAVIOUR
    return replace(state, phase=phase, boundary_s=_after(state, event)), [LogWord(event), Obey(event)]


def unpause(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    return replace(state, pausing=False), [LogWord(event), Obey(event)]


def rejudge(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    """Undo, wrong or right: about the last rep that still is one."""
    number = next((n for n in range(len(state.verdicts), 0, -1) if state.verdicts[n - 1] is not None), 0)
    if not number:
        return state, [_ignore(event, Reason.NOTHING_TO_CORRECT)]
    before = state.verdicts[number - 1]
    after = {Instruction.WRONG: Outcome.INCORRECT, Instruction.RIGHT: Outcome.CORRECT}.get(
        event.instruction or Instruction.UNDO
    )
    verdicts = (*state.verdicts[: number - 1], after, *state.verdicts[number:])
    why = str(event.instruction)
    correction = CorrectRep(Correction(number, before, after, why, event.word.start_s))
    return replace(state, verdicts=verdicts), [LogWord(event, number), correction, Obey(event)]


def let_go(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    """The release word after a marked hold: heard, and nothing left to end."""
    return state, [LogWord(event)]


def obey(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
    return state, [LogWord(event), Obey(event)]


def end(state: TrialState, event: SessionEvent | None) -> tuple[TrialState, list[Effect]]:
    return replace(state, phase=Phase.OVER, cue=None), []


def nothing(state: TrialState, event: SessionEvent | None) -> tuple[TrialState, list[Effect]]:
    return state, []


def ignore(reason: Reason) -> Callable[[TrialState, SessionEvent], tuple[TrialState, list[Effect]]]:
    def action(state: TrialState, event: SessionEvent) -> tuple[TrialState, list[Effect]]:
        return state, [_ignore(event, reason)]

    action.__name__ = f"ignore: {reason}"
    return action


def _after(state: TrialState, event: SessionEvent) -> float:
    return max(state.boundary_s, event.word.end_s)


_NO_BEHAVIOUR = ignore(Reason.NO_BEHAVIOUR)

_PAUSED = ignore(Reason.PAUSED)
_OVER = ignore(Reason.SESSION_OVER)
_TALK = {Happening.OTHER_INSTRUCTION: obey, Happening.SAFETY: obey, Happening.REJUDGE: rejudge, Happening.END: end}

TABLE: Mapping[Phase, Mapping[Happening, Callable]] = {
    Phase.NO_BEHAVIOUR: {
        **_TALK,
        Happening.CUE: open_rep,
        Happening.OTHER_CUE: open_rep,
        Happening.MARKER: _NO_BEHAVIOUR,
        Happening.ERROR: _NO_BEHAVIOUR,
        Happening.RELEASE: _NO_BEHAVIOUR,
        Happening.NOW: name_behaviour,
        Happening.PAUSE: pause,
        Happening.RESUME: obey,
    },
    Phase.READY: {
        **_TALK,
        Happening.CUE: open_rep,
        Happening.OTHER_CUE: open_rep,
        Happening.MARKER: correct,
        Happening.MARKER_AGAIN: reward_again,
        Happening.ERROR: opt_out,
        Happening.RELEASE: let_go,
        Happening.NOW: name_behaviour,
        Happening.PAUSE: pause,
        Happening.RESUME: obey,
    },
    Phase.OPEN: {
        **_TALK,
        Happening.SAME_CUE: recue,
        Happening.OTHER_CUE: close_and_open,
        Happening.MARKER: correct,
        Happening.ERROR: incorrect,
        Happening.RELEASE: release,
        Happening.WINDOW_OVER: no_response,
        Happening.NOW: name_later,
        Happening.PAUSE: pause_later,
        Happening.RESUME: unpause,
    },
    Phase.PAUSED: {
        **_TALK,
        **dict.fromkeys((Happening.CUE, Happening.OTHER_CUE, Happening.MARKER), _PAUSED),
        **dict.fromkeys((Happening.ERROR, Happening.RELEASE), _PAUSED),
        Happening.NOW: name_behaviour,
        Happening.PAUSE: obey,
        Happening.RESUME: resume,
    },
    Phase.OVER: {
        **dict.fromkeys(set(Happening) - {Happening.END, Happening.WINDOW_OVER}, _OVER),
        Happening.END: nothing,
    },
}


def _happen(state: TrialState, what: Happening, event: SessionEvent | None) -> tuple[TrialState, list[Effect]]:
    return TABLE[state.phase][what](state, event)
