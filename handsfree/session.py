"""The session loop: blocks of sound in; words, reps and decisions into the log; sentences into her ear.

It owns no outside thing: sound, ear, log, voice and watcher are handed in. Store first, speak second: effects are
carried out in order, and only then is the voice asked.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

from handsfree.core.errors import UserError
from handsfree.core.events import (
    SAMPLE_RATE,
    AudioBlock,
    Breath,
    Correction,
    CorrectRep,
    Decided,
    Decision,
    Effect,
    EndReason,
    KeepNote,
    LogWord,
    OweReward,
    Rep,
    SaveRep,
    Say,
    Tone,
)
from handsfree.core.log import Gap, Note, SaidPrompt
from handsfree.core.sitting import Sitting

NOTE_S = 5.0
KEPT_S = NOTE_S + 3.0
"""Sound held in memory: a note begins where the instruction ended, which is known only after the breath."""
SPEECH_UNDERWAY_S = 0.5
"""Further behind the sound than usual by so much, the ear has speech in hand: no prompt starts then."""


class Ear(Protocol):
    usual_lag_s: float

    def feed(self, block: AudioBlock) -> list[Breath]: ...
    def close(self) -> list[Breath]: ...


class Log(Protocol):
    def add_word(self, entry: LogWord) -> None: ...
    def add_rep(self, rep: Rep) -> None: ...
    def add_reward(self, reward: OweReward) -> None: ...
    def add_decision(self, decision: Decision) -> None: ...
    def add_prompt(self, prompt: SaidPrompt) -> None: ...
    def add_correction(self, correction: Correction) -> None: ...
    def add_note(self, note: Note) -> None: ...
    def add_gap(self, gap: Gap) -> None: ...


class Voice(Protocol):
    @property
    def busy(self) -> bool: ...
    def say(self, say: Say) -> tuple[str, float]:
        """Start saying it; return the text and how many seconds it will be in the air (0: not audible)."""

    def tone(self, name: str) -> None: ...


class Watcher(Protocol):
    """Looks on: a screen, a test, a bench. `ready` comes once, when a microphone of that name is heard."""

    def ready(self, microphone: str) -> None: ...
    def block(self, block: AudioBlock, sitting: Sitting) -> None: ...
    def effect(self, effect: Effect, sitting: Sitting) -> None: ...
    def said(self, text: str) -> None: ...


@dataclass
class Session:
    """Everything one session needs. `write_note` puts PCM into a file and returns its path relative to the log, or None
    where that cannot be."""

    sitting: Sitting
    ear: Ear
    log: Log
    voice: Voice
    watcher: Watcher
    write_note: Callable[[bytes], str | None] | None = None

    def run(
        self, blocks: Iterable[AudioBlock], *, closes_itself: bool, stop: Callable[[], bool] = lambda: False
    ) -> EndReason:
        """Run until the sound ends, `stop()` is true, or (if `closes_itself`) the plan's limits say so.

        The open breath is heard out and the end is effected in any case. A UserError from the sound (microphone lost)
        is raised again after that; one from the log (disk full) is raised at once: what was written stays.
        """
        self._now_s = 0.0
        self._kept: deque[AudioBlock] = deque()
        self._notes: list[float] = []
        reason, lost = self._listen(blocks, closes_itself, stop)
        for breath in self.ear.close():
            self._perform(self.sitting.hear(breath))
        self._write_notes(unfinished=True)
        self._perform(self.sitting.end(self._now_s, reason))
        self._say(Say("microphone_lost" if lost else "finished"))
        if lost is not None:
            raise lost
        return reason

    def _listen(
        self, blocks: Iterable[AudioBlock], closes_itself: bool, stop: Callable[[], bool]
    ) -> tuple[EndReason, UserError | None]:
        sound = iter(blocks)
        while True:
            try:
                block = next(sound, None)
            except UserError as error:
                return EndReason.MICROPHONE_LOST, error
            if block is None:
                return EndReason.SOUND_ENDED, None
            self._take(block)
            if stop():
                return EndReason.ASKED, None
            why = self.sitting.finished(self._now_s)
            if why is not None and (closes_itself or why is EndReason.ASKED) and not self.voice.busy:
                return why, None

    def _take(self, block: AudioBlock) -> None:
        if not self._kept:
            self._say(Say("listening"))
        if block.lost_s > 0:
            self.log.add_gap(Gap(block.start_s - block.lost_s, block.lost_s))
        self._now_s = block.start_s + block.duration_s
        self._kept.append(block)
        while self._kept and self._kept[0].start_s < self._now_s - KEPT_S:
            self._kept.popleft()
        for breath in self.ear.feed(block):
            self._perform(self.sitting.hear(breath))
        self._write_notes()
        self._speak()
        self.watcher.block(block, self.sitting)

    def _perform(self, effects: list[Effect]) -> None:
        for effect in effects:
            match effect:
                case LogWord():
                    self.log.add_word(effect)
                case SaveRep(rep):
                    self.log.add_rep(rep)
                case OweReward():
                    self.log.add_reward(effect)
                case CorrectRep(correction):
                    self.log.add_correction(correction)
                case Decided(decision):
                    self.log.add_decision(decision)
                case Tone(name):
                    self.voice.tone(name)
                case KeepNote(from_s):
                    self._notes.append(from_s)
            self.watcher.effect(effect, self.sitting)

    def _speak(self) -> None:
        """Start the next due sentence, unless one is in the air or somebody is speaking."""
        if self.voice.busy:
            return
        lag_s = self._now_s - self.sitting.settled_s
        underway = lag_s > self.ear.usual_lag_s + SPEECH_UNDERWAY_S
        say = self.sitting.due(urgent_only=underway)
        if say is not None:
            self._say(say)

    def _say(self, say: Say) -> None:
        text, seconds = self.voice.say(say)
        until_s = self._now_s + seconds
        if seconds:
            self.sitting.prompt_played(self._now_s, until_s)
        behaviour = next((str(value) for name, value in say.fields if name == "behaviour"), None)
        self.log.add_prompt(SaidPrompt(say.key, text, self._now_s, until_s, behaviour=behaviour))
        self.watcher.said(text)

    def _write_notes(self, unfinished: bool = False) -> None:
        for from_s in list(self._notes):
            until_s = from_s + NOTE_S
            if self._now_s < until_s and not unfinished:
                continue
            self._notes.remove(from_s)
            pcm = b"".join(b.pcm for b in self._kept if from_s - b.duration_s < b.start_s < until_s)
            wav = self.write_note(pcm) if self.write_note is not None and pcm else None
            if wav is not None:
                self.log.add_note(Note(from_s, len(pcm) / 2 / SAMPLE_RATE, wav))
