"""Phrases and their roles; heard words become session events or Ignored(reason).

Rules of this file: phrases match as wholes, the longest first; a plan word counts only when it stands alone, that is,
when nothing but pauses, other plan words, praise and names lie beside it (alone.py). The longer somebody talked just
before, the surer a word must be; and three different words in one run are a sentence. No word is dropped without a
reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import compress

from handsfree.core.alone import Spans, stand_alone, without_edges
from handsfree.core.confidence import AT_HALF, log_odds, probability
from handsfree.core.events import (
    OTHER_SPEECH,
    Breath,
    HeardWord,
    Ignored,
    Instruction,
    Reason,
    Role,
    SessionEvent,
)
from handsfree.core.plan import Ear, Plan, spoken

TALKING_S, TALK_S = 3.0, 0.3
"""Somebody talks: so much other speech in the seconds before a word."""
HARDER, SURE_IN_TALK = 3.5, 0.8
"""By how much the log-odds asked of a word rise with each second of it beyond that, and up to which confidence. An ear
that knew none of the people hears 15 false words in 3.8 h of talk, 8 of them across a room (14 and 7 since a word needs
a voice); with 0.5 after any talk 22 and 13, and as many words. Chosen on 2.9 h of other talk and on sessions, where
words after 0.3-0.6 s of talk gain: the ear before this heard 55 of 62, not 49. Those after 1.4 s or more, which the
sessions lack, pay: of single words 88 % reach what is asked then, 93 % reach 0.5. Up to 0.9 it would be 82 %, and one
false word less."""
SENTENCE_WORDS = 3


@dataclass(frozen=True, slots=True)
class Meaning:
    role: Role
    behaviour: str | None = None
    instruction: Instruction | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """What the previous breaths leave behind: up to when the past is settled, where each phrase was last heard, and
    where other talk was (start, end): the last, and what else there was in the seconds before."""

    settled_s: float = float("-inf")
    last_start_s: Mapping[str, float] | None = None
    talk: Spans = ()


class Vocabulary:
    """The words of one plan.

    `instructions` maps each spoken instruction to the words said after the address word.
    """

    def __init__(self, plan: Plan, instructions: Mapping[Instruction, str]):
        self.ear: Ear = plan.ear
        self.meanings: dict[str, Meaning] = dict(_meanings(plan, instructions))
        self._longest = max((len(phrase.split()) for phrase in self.meanings), default=1)

    @property
    def phrases(self) -> tuple[str, ...]:
        """Everything to listen for, each phrase once."""
        return tuple(self.meanings)

    def understand(self, memory: Memory, breath: Breath) -> tuple[Memory, list[SessionEvent | Ignored]]:
        """Judge the words of one breath, in order. Every plan word comes back as an event or as Ignored."""
        items = self._join(without_edges([word for word in breath.words if not self._is_blip(word)]))
        is_talk = [self._is_talk(item) for item in items]
        alone = stand_alone(items, is_talk, memory.talk, self.ear)
        sentence = self._in_a_run_of_many(items)
        talk = [*memory.talk, *((item.start_s, item.end_s) for item in compress(items, is_talk))]
        seen = dict(memory.last_start_s or {})
        results: list[SessionEvent | Ignored] = []
        for word, stands_alone, among_many in zip(items, alone, sentence, strict=True):
            if word.text == OTHER_SPEECH:
                continue
            meaning = self.meanings.get(word.text)
            if meaning is None:
                results.append(Ignored(word, None, Reason.PART_OF_PHRASE))
                continue
            sure = self._least_confidence(word, meaning.role, talk)
            alone_in_run = stands_alone and (not among_many or meaning.role is Role.SAFETY)
            reason = self._reason_against(word, meaning.role, alone_in_run, sure, seen)
            if reason not in (Reason.UNSURE, Reason.TOO_SHORT):  # of such a word nothing later is the rest
                seen[word.text] = word.start_s
            if word.start_s < memory.settled_s and meaning.role is not Role.SAFETY:
                reason = Reason.TOO_LATE
            if reason is None:
                results.append(SessionEvent(word, meaning.role, meaning.behaviour, meaning.instruction))
            else:
                results.append(Ignored(word, meaning.role, reason, meaning.behaviour))
        settled_s = max(memory.settled_s, breath.settled_s)
        # more than TALKING_S is kept: a word may start before what is settled
        lately = [span for span in talk[:-1] if span[1] > settled_s - 2 * TALKING_S]
        return Memory(settled_s, seen, (*lately, *talk[-1:])), results

    def _join(self, words: list[HeardWord]) -> list[HeardWord]:
        """Neighbouring words that make a phrase become one word; the longest phrase wins."""
        joined: list[HeardWord] = []
        at = 0
        while at < len(words):
            for length in range(min(self._longest, len(words) - at), 0, -1):
                part = words[at : at + length]
                text = " ".join(word.text for word in part)
                if length == 1 or text in self.meanings:
                    confidence = min(word.confidence for word in part)
                    joined.append(HeardWord(text, part[0].start_s, part[-1].end_s, confidence))
                    at += length
                    break
        return joined

    def _in_a_run_of_many(self, items: list[HeardWord]) -> list[bool]:
        """For each item: does it belong to a run, without a pause, of SENTENCE_WORDS different words or more?

        Praise and names are not counted. A safety word among them still counts: a growl in the middle of it all matters
        more than a false end.
        """
        found = [False] * len(items)
        run: list[int] = []
        for at, item in enumerate(items):
            if run and item.start_s - items[run[-1]].end_s > self.ear.pause_before_s:
                run = []
            if self._is_talk(item):
                run = []
            elif self.meanings[item.text].role not in (Role.PRAISE, Role.NAME):
                run.append(at)
                if len({items[one].text for one in run}) >= SENTENCE_WORDS:
                    for one in run:
                        found[one] = True
        return found

    def _least_confidence(self, word: HeardWord, role: Role, talk: Spans) -> float:
        """What the plan asks for, and more while somebody talks; the safety word is never made harder to say."""
        if role is Role.SAFETY:
            return self.ear.least_confidence
        from_s = word.start_s - TALKING_S
        spoken_s = sum(max(0.0, min(end, word.start_s) - max(start, from_s)) for start, end in talk)
        return sure_in_talk(self.ear, spoken_s)

    def _reason_against(
        self, word: HeardWord, role: Role, stands_alone: bool, sure: float, seen: Mapping[str, float]
    ) -> Reason | None:
        if word.text in seen and word.start_s - seen[word.text] < self.ear.dead_time_s:
            return Reason.STRETCHED
        if role is Role.PRAISE:
            return Reason.PRAISE
        if role is Role.NAME:
            return Reason.NAME
        if not stands_alone:
            return Reason.IN_A_SENTENCE
        if word.end_s - word.start_s < self.ear.shortest_word_s:
            return Reason.TOO_SHORT
        if word.confidence < sure:
            return Reason.UNSURE
        return None

    def _is_talk(self, item: HeardWord) -> bool:
        """Other speech, or a stray piece of a phrase."""
        return item.text not in self.meanings

    def _is_blip(self, word: HeardWord) -> bool:
        """A speech-like sound too short to be talk: a breath, a click of the tongue, the edge of a bark."""
        return word.text == OTHER_SPEECH and word.end_s - word.start_s < self.ear.shortest_talk_s


def sure_in_talk(ear: Ear, spoken_s: float) -> float:
    """Least confidence, 0-1, of a word before which somebody talked for so many of TALKING_S seconds.

    Who turns `sensitivity` above 0.5 wants nothing missed, in talk either: there the log-odds fall with the dial, to a
    confidence of 0.17 at 1 after long talk, where an ear that knew none of the people hears 31 false words in 3.8 h of
    talk, and 14 at 0.5. A plan's own `confidence` moves nothing, and holds where it asks for more.
    """
    quiet = AT_HALF if ear.confidence is not None else ear.least_confidence
    harder = min(HARDER * max(0.0, spoken_s - TALK_S), log_odds(SURE_IN_TALK) - log_odds(AT_HALF))
    return max(ear.least_confidence, min(probability(log_odds(quiet) + harder), SURE_IN_TALK))


def _meanings(plan: Plan, instructions: Mapping[Instruction, str]) -> Iterable[tuple[str, Meaning]]:
    """Phrase -> meaning. Later ones win, so what must never be lost (cues, markers, safety) comes last."""
    words = plan.words
    for phrase in (*words.names, spoken(plan.dog)):
        yield phrase, Meaning(Role.NAME)
    for phrase in words.praise:
        yield phrase, Meaning(Role.PRAISE)
    for instruction, said in instructions.items():
        if instruction is Instruction.NOW:
            for behaviour in plan.behaviours:
                for cue in behaviour.cues:
                    yield f"{words.address} {said} {cue}", Meaning(Role.INSTRUCTION, behaviour.name, instruction)
        else:
            yield f"{words.address} {said}", Meaning(Role.INSTRUCTION, None, instruction)
    for behaviour in plan.behaviours:
        for cue in behaviour.cues:
            yield cue, Meaning(Role.CUE, behaviour.name)
    for role, phrases in (
        (Role.RELEASE, words.release),
        (Role.ERROR, words.error),
        (Role.MARKER, words.marker),
        (Role.SAFETY, words.safety),
    ):
        for phrase in phrases:
            yield phrase, Meaning(role)
