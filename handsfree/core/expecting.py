"""What the rep machine expects to hear next, and what is heard in that light.

After a cue its outcome is likelier than another cue; while no cue is open there is nothing that an error word could
judge. And an outcome word that no cue comes before makes a cue likelier that was too unsure to count.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import replace

from handsfree.core.confidence import named
from handsfree.core.events import Breath, HeardWord, Ignored, Role, SessionEvent
from handsfree.core.plan import Tag
from handsfree.core.trial import OUTCOME_LACKS_CUE, Happening, Phase, Settled, TrialState, happening, lacks_cue, step
from handsfree.core.vocabulary import Meaning

EXPECTED_S = 5.0
"""How long after a cue its outcome is expected, seconds; a hold may last a minute, and be talked through."""

_CUE_NEXT = {Happening.CUE: 0.5, Happening.OTHER_CUE: 0.5, Happening.ERROR: -2.0}
LIKELIER: Mapping[Phase, Mapping[Happening, float]] = {
    Phase.NO_BEHAVIOUR: _CUE_NEXT,
    Phase.READY: _CUE_NEXT,
    Phase.OPEN: {Happening.MARKER: 2.5, Happening.ERROR: 2.5, Happening.RELEASE: 2.5, Happening.OTHER_CUE: -2.0},
}
"""By how much the log-odds rise of what may happen next. Chosen, with CUE_LACKING, on 1,665 reps in sessions put
together from 626 recordings of 42 people: 1,477 right and 49 invented without, 1,538 and 27 with it, 1,532 to 1,539 and
24 to 34 with one number changed by .5 or 1. Other people, 2,149 reps: 1,902 and 35 without, 1,969 and 14 with."""

CUE_LACKING = 3.0
"""By how much those of a cue rise when an outcome word follows that lacks one."""

KEPT_CUES = 8
"""Doubtful cues remembered: only the last can count, but some may begin after the outcome word does."""


def in_light_of(state: TrialState, breath: Breath, meanings: Mapping[str, Meaning], *, outcome_next: bool) -> Breath:
    """The breath, its words read as the machine before it makes likely; or as if an outcome word came next.

    Words without readings, of an ear whose confidence means something else, stay as they are; so do safety words.
    """
    return replace(breath, words=tuple(_read(state, word, meanings, outcome_next) for word in breath.words))


def _read(state: TrialState, word: HeardWord, meanings: Mapping[str, Meaning], outcome_next: bool) -> HeardWord:
    heard = meanings.get(word.text)
    if word.readings is None or (heard and heard.role is Role.SAFETY):
        return word
    state, _ = step(state, Settled(word.start_s))  # the window may have run out by then
    cue_lacking = CUE_LACKING if outcome_next and state.phase in OUTCOME_LACKS_CUE else 0.0
    likelier = {}
    for phrase in word.readings.keys() & meanings.keys():
        meaning = meanings[phrase]
        if meaning.role in (Role.NAME, Role.PRAISE):
            continue
        event = SessionEvent(word, meaning.role, meaning.behaviour, meaning.instruction)
        likelier[phrase] = _likelier(state, event) + (cue_lacking if meaning.role is Role.CUE else 0.0)
    return named(word, likelier)


def _likelier(state: TrialState, event: SessionEvent) -> float:
    what = happening(state, event)
    long_ago = state.cue is not None and event.word.start_s > state.cue.end_s + EXPECTED_S
    ends_nothing = what is Happening.RELEASE and state.tag is not Tag.DURATION
    opts_out = what is Happening.ERROR and state.phase is Phase.READY and state.tag is Tag.HANDLING
    return 0.0 if long_ago or ends_nothing or opts_out else LIKELIER.get(state.phase, {}).get(what, 0.0)


class DoubtfulCues:
    """The last cues of a session that are too unsure to count, unless an outcome word follows that lacks one."""

    def __init__(self) -> None:
        self._cues: deque[SessionEvent] = deque(maxlen=KEPT_CUES)

    def note(self, heard: Iterable[SessionEvent | Ignored], if_outcome: Iterable[SessionEvent | Ignored]) -> None:
        """Take in what counts of a breath, and what would if an outcome word came next."""
        counted_s = {one.word.start_s for one in heard if isinstance(one, SessionEvent)}
        self._cues.extend(
            one
            for one in if_outcome
            if isinstance(one, SessionEvent) and one.role is Role.CUE and one.word.start_s not in counted_s
        )

    def before(self, one: SessionEvent | Ignored, state: TrialState) -> SessionEvent | None:
        """The last of them, if `one` is an outcome word that lacks a cue and comes in time for it. None of those before
        a word that counts is heard of again."""
        if isinstance(one, Ignored):
            return None
        before = [cue for cue in self._cues if cue.word.end_s <= one.word.start_s]
        for cue in before:
            self._cues.remove(cue)
        if not before or not lacks_cue(state, one):
            return None
        cue = before[-1]
        assert cue.behaviour is not None
        window_s = min(EXPECTED_S, state.behaviours[cue.behaviour].response_window_s)
        in_time = cue.word.start_s >= state.boundary_s and one.word.start_s <= cue.word.end_s + window_s
        return cue if in_time else None
