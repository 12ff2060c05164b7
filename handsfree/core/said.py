"""What was said, as far as a corrected session tells: which of the plan's words, and where its sound must lie."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from handsfree.core.corrections import Kind
from handsfree.core.events import HeardWord, Outcome
from handsfree.core.log import VOICE, JudgedRep, SessionLog
from handsfree.core.plan import Plan

LATE_S = 1.0
"""A word that was missed may have been said so long after its rep was over."""


@dataclass(frozen=True, slots=True)
class Said:
    """Between `from_s` and `to_s`, in session time, she said one of `words`; none: what was heard there was not said.

    heard  the word that the ear heard exactly there; None: it heard none, and the word may lie anywhere between
    """

    rep: int
    words: tuple[str, ...]
    from_s: float
    to_s: float
    heard: str | None = None

    @property
    def stands(self) -> bool:
        """What was heard is what was said."""
        return self.heard in self.words


def said(log: SessionLog, plan: Plan) -> tuple[Said, ...]:
    """By the reps as they stand after all corrections; those that nobody corrected tell of their words too.

    The words are those that `plan` has now. Nothing is said of a rep that is gone because it was merged into another or
    a split was taken back: its words belong to the other one. Nor of one taken out with two words in it, or by voice:
    an ear does not make up a cue and its answer, so she said them, but they were not to count.
    """
    return tuple(claim for one in log.reps for claim in (_of(one, plan) if one.outcome else _of_none(one, log)))


def _of(one: JudgedRep, plan: Plan) -> Iterator[Said]:
    rep, number = one.rep, one.rep.number
    cues = next((behaviour.cues for behaviour in plan.behaviours if behaviour.name == rep.behaviour), ())
    deciding: Sequence[str] = ()
    if one.outcome is Outcome.CORRECT:
        deciding = plan.words.marker
    elif one.outcome is Outcome.INCORRECT:
        deciding = plan.words.error
    if cues and rep.cue is not None:
        yield _at(rep.cue, number, cues)
    elif cues and one.counted is not None and one.counted.behaviour != rep.behaviour:
        to_s = rep.outcome_word.start_s if rep.outcome_word else rep.end_s
        yield Said(number, tuple(cues), rep.start_s, to_s)
    if rep.outcome_word is not None:
        yield _at(rep.outcome_word, number, deciding)
    elif deciding and not rep.released:
        yield Said(number, tuple(deciding), rep.cue.end_s if rep.cue else rep.start_s, rep.end_s + LATE_S)


def _of_none(one: JudgedRep, log: SessionLog) -> Iterator[Said]:
    made = [entry for entry in log.corrections if entry.correction.rep_number == one.rep.number]
    heard = [word for word in (one.rep.cue, one.rep.outcome_word) if word is not None]
    by_ear = not one.added and made and made[-1].who != VOICE and made[-1].correction.why != Kind.MERGE.value
    if by_ear and len(heard) == 1:
        yield _at(heard[0], one.rep.number, ())


def _at(word: HeardWord, number: int, words: Sequence[str]) -> Said:
    """Where a word was heard: that word, if it is one of `words`."""
    return Said(number, (word.text,) if word.text in words else tuple(words), word.start_s, word.end_s, word.text)
