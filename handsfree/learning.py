"""Her takes in, an ear for her voice out: which pronunciations fit, what the ear must learn, and whether it wins.

Nothing is adopted that does not win on takes held back from it: the ear learns from every other take of a word and is
tried on the rest, and the other way round. What it hears in other people's talk must not grow. An ear that already
learnt her voice gives way only to one that is no worse on the takes that are new to both.
"""

from __future__ import annotations

import contextlib
import tempfile
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from handsfree import listening
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock, Ignored, Reason, Role, SessionEvent
from handsfree.core.phones import SOUNDS_ALIKE, Phones, distance
from handsfree.core.plan import Plan, spoken
from handsfree.core.trial_of_voice import Heard, Tally, Trial, no_worse, wins
from handsfree.core.vocabulary import Memory, Vocabulary
from handsfree.core.voice import OwnVoice, WordVoice
from handsfree.edges.adaptation import Learner, Stopped, Take, read_other_sound, write_model
from handsfree.listening import Learnt
from handsfree.risks import Risks

Samples = npt.NDArray[np.int16]
Takes = Mapping[str, Sequence[Samples]]
HeardTakes = dict[str, list[Heard]]
HeardOthers = list[tuple[str, Heard]]
Value = TypeVar("Value")

QUIET_S = 0.6
"""Put before and after a take when the ear is tried on it, as faint noise (HISS, in steps of 16-bit sound)."""
HISS = 3.0
BLOCK = SAMPLE_RATE // 5
LEARNT_FROM = 2
"""Every other piece of other sound is learnt with; the rest is kept for the trial."""
HALVES = (slice(0, None, 2), slice(1, None, 2))
"""Of the takes of a word: every other one, the rest. An ear learns from each and is tried on the other."""
AT_ONCE = 2
"""So many ears learn and are tried at a time, in threads: numpy and Vosk let go of Python while they work."""
HOLDS = (0.05, 0.2, 0.8)
"""How firmly other sound is held, loosely first, since so more is learnt; firmer until other talk sets off no more."""
POOR_FIT, WORTH_A_WAY = -6.0, 4.0
"""Where takes fit worse, what the ear heard in them is tried as a pronunciation; it must fit so much better."""


@dataclass(frozen=True)
class Result:
    """`voice` is what to keep, `write` puts the ear that goes with it into a folder (None: the usual one stays).

    before, after  the usual ear, and the one that learnt, on takes held back from it
    new            only on takes new to both: the ear that sessions use now, and the one that learnt
    """

    voice: OwnVoice
    write: Callable[[Path], None] | None
    before: Tally
    after: Tally
    new: tuple[Tally, Tally] | None = None

    @property
    def won(self) -> bool:
        return wins(self.before, self.after) and (self.new is None or no_worse(*self.new))


@dataclass(frozen=True)
class Tried:
    """An ear that was tried: whether it learnt, and whether what it hears is compared with her takes."""

    trial: Trial
    adapted: bool
    compared: bool


@dataclass(frozen=True)
class InUse:
    """The ear that sessions use now, and the takes that it learnt from: the first ones of those to learn from now."""

    learnt: Learnt
    takes: Takes

    def new(self, takes: Mapping[str, Sequence[Value]]) -> dict[str, Sequence[Value]]:
        """Of the takes, or of what was made of them, those that are new to it."""
        return {phrase: some[len(self.takes.get(phrase, ())) :] for phrase, some in takes.items()}


class Teacher:
    """Learns the words of one plan from takes of them."""

    def __init__(self, plan: Plan, model: Path | None = None, tell: Callable[[str], None] = lambda line: None) -> None:
        """`model`: another ear laid out as our own. `tell` gets a line whenever something slow begins."""
        self.vocabulary = Vocabulary(plan, listening.prompt_book(plan.prompts.language).instructions)
        self._plan, self._tell, self._base = plan, tell, model or listening.shipped_model()
        self.learner = Learner(self._base)
        self._pronouncer = listening.pronouncer(plan)
        self._others = read_other_sound(listening.shipped_model())
        meanings = self.vocabulary.meanings
        self.urgent = frozenset(phrase for phrase in meanings if meanings[phrase].role is Role.SAFETY)

    def phrases(self, only: Sequence[str]) -> list[str]:
        """What is worth learning, in the order of the plan check: all that counts by itself but spoken instructions.

        Raises UserError where one of `only` is none of them.
        """
        roles: list[Role] = [role for role in Role if role not in (Role.PRAISE, Role.NAME, Role.INSTRUCTION)]
        meanings = self.vocabulary.meanings
        known = sorted((p for p in meanings if meanings[p].role in roles), key=lambda p: roles.index(meanings[p].role))
        if unknown := [one for one in only if spoken(one) not in known]:
            raise UserError(
                f'--only: "{unknown[0]}" is no word of the plan that is learnt; there are: {", ".join(known)}'
            )
        return [phrase for phrase in known if not only or phrase in map(spoken, only)]

    def usual_ways(self, phrase: str) -> tuple[Phones, ...]:
        """How the plan and the dictionaries say it."""
        return self._pronouncer.phrase(phrase).phones

    def learn(self, takes: Takes, learnt_at: str, mistaken: Takes | None = None, in_use: InUse | None = None) -> Result:
        """`takes`: phrase -> its takes, LEAST_TAKES or more each; `mistaken`: other sound that was heard as it.

        Takes about half a second a take on two cores.
        """
        mistaken = {phrase: some for phrase, some in (mistaken or {}).items() if phrase in takes}
        words = {phrase: WordVoice(len(some), self._fitting_ways(phrase, some)) for phrase, some in takes.items()}
        voice = OwnVoice(listening.sha256_of(self._base), learnt_at, words)
        least = self._plan.ear.least_confidence
        with contextlib.ExitStack() as stack:
            scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="handsfree-")))
            pool = stack.enter_context(ThreadPoolExecutor(AT_ONCE))
            stopped = threading.Event()
            stack.callback(pool.shutdown, wait=False, cancel_futures=True)
            stack.callback(stopped.set)

            def begin(hold: float) -> tuple[Future[tuple[Path, HeardOthers]], list[Future[HeardTakes]]]:
                given = voice, takes, hold, stopped.is_set
                whole = pool.submit(self._learn_all, scratch, *given)
                return whole, [pool.submit(self._learn_half, i, scratch, *given) for i in range(len(HALVES))]

            self._tell("learning from your takes, and listening to them with the ear as it is")
            whole, halves = begin(HOLDS[0])
            before = self._try(None, scratch, takes, mistaken)
            now = self._try(in_use.learnt, scratch, in_use.new(takes), {}) if in_use else None
            self._tell("listening to other people with the ear that learnt")
            for hold in HOLDS:
                if hold != HOLDS[0]:
                    for half in halves:
                        half.cancel()  # unless it is at it
                    whole, halves = begin(hold)
                folder, others = whole.result()
                if self._false(others) <= self._false(before.others):
                    break
                uncompared = self.hear_others(Learnt(voice, folder), scratch, self._kept_back())
                if self._false(uncompared) <= self._false(before.others):
                    break  # it comes of comparing, which no firmer hold mends; the trial will tell
            self._tell("listening to half of your takes with the ear that learnt from the rest")
            held_back = _in_order(takes, [half.result() for half in halves])
            wrongly = self.hear_takes(Learnt(voice, folder, takes), scratch, mistaken)
            tried = [Tried(Trial(held_back, others, wrongly, self.urgent), adapted=True, compared=True)]
            if not wins(before.tally(least), tried[0].trial.eased_by_the_rest(least).tally(least)):
                self._tell("no better; comparing your takes with each other, with the ear as it is")
                plain = replace(voice, words={})
                heard = [self._try_on_the_other(i, Learnt(plain, None, takes), scratch) for i in range(len(HALVES))]
                others = self.hear_others(Learnt(plain, None, takes), scratch, self._kept_back())
                wrongly = self.hear_takes(Learnt(plain, None, takes), scratch, mistaken)
                compared = Trial(_in_order(takes, heard), others, wrongly, self.urgent)
                tried.append(Tried(compared, adapted=False, compared=True))
            model = (folder / "am" / "final.mdl").read_bytes()
        return self._adopt_what_wins(voice, takes, before, tried, (in_use, now) if in_use and now else None, model)

    def _learn_all(
        self, scratch: Path, voice: OwnVoice, takes: Takes, hold: float, stopped: Callable[[], bool]
    ) -> tuple[Path, HeardOthers]:
        """An ear that learnt from all takes, and what it hears in other people's talk."""
        folder = self._adapt(scratch / f"all-{hold}", voice, takes, hold, stopped)
        return folder, self.hear_others(Learnt(voice, folder, takes), scratch, self._kept_back(), stopped)

    def _learn_half(
        self, half: int, scratch: Path, voice: OwnVoice, takes: Takes, hold: float, stopped: Callable[[], bool]
    ) -> HeardTakes:
        """What the other half of the takes gives to an ear that learnt from this one."""
        folder = self._adapt(scratch / f"{half}-{hold}", voice, _part(takes, HALVES[half]), hold, stopped)
        return self._try_on_the_other(half, Learnt(voice, folder, takes), scratch, stopped)

    def _try_on_the_other(
        self, half: int, learnt: Learnt, scratch: Path, stopped: Callable[[], bool] = lambda: False
    ) -> HeardTakes:
        """What the other half of the takes gives, compared with this one alone."""
        knows = replace(learnt, takes=_part(learnt.takes, HALVES[half]))
        return self.hear_takes(knows, scratch, _part(learnt.takes, HALVES[1 - half]), stopped)

    def _false(self, others: Sequence[tuple[str, Heard]]) -> int:
        return len(Trial({}, others).false(self._plan.ear.least_confidence))

    def _try(self, learnt: Learnt | None, scratch: Path, takes: Takes, mistaken: Takes) -> Trial:
        heard, wrongly = (self.hear_takes(learnt, scratch, some) for some in (takes, mistaken))
        return Trial(heard, self.hear_others(learnt, scratch, self._kept_back()), wrongly, self.urgent)

    def _adopt_what_wins(
        self,
        voice: OwnVoice,
        takes: Takes,
        before: Trial,
        ears: Sequence[Tried],
        in_use: tuple[InUse, Trial] | None,
        model: bytes,
    ) -> Result:
        """The first of the ears that wins; else the usual one with words made easier or harder, if that wins."""
        least = self._plan.ear.least_confidence
        as_it_is = before.tally(least)
        for ear in (*ears, Tried(before, adapted=False, compared=False)):
            eases, tried, new = ear.trial.eases(least), ear.trial.eased_by_the_rest(least), None
            if in_use is not None:
                now, of_new = in_use[1], replace(tried, takes=in_use[0].new(tried.takes), mistaken={})
                new = now.tally(least), of_new.tally(least)
            result = Result(voice, None, as_it_is, tried.tally(least), new)
            if result.won:
                break
        adapted, compared = result.won and ear.adapted, result.won and ear.compared
        self._tell("looking for words that may be mixed up")
        said = {phrase: self.usual_ways(phrase) for phrase in self.vocabulary.phrases}
        said |= {phrase: word.ways for phrase, word in voice.words.items()}
        looking = Risks(self.vocabulary, self._pronouncer, self.learner, said)
        found = {phrase: looking.of(phrase, some, tried, least) for phrase, some in takes.items()}
        words = {
            phrase: replace(
                word,
                ways=word.ways if adapted else (),
                ease=eases.get(phrase, 0.0),
                before=before.right(phrase, least),
                after=tried.right(phrase, least),
                risk=found[phrase].why,
                better=found[phrase].better,
            )
            for phrase, word in voice.words.items()
        }
        write = (lambda folder: write_model(self._base, model, folder)) if adapted else None
        return replace(result, voice=replace(voice, words=words, adapted=adapted, compared=compared), write=write)

    def _adapt(self, folder: Path, voice: OwnVoice, takes: Takes, hold: float, stopped: Callable[[], bool]) -> Path:
        """A model directory of an ear that learnt from these takes."""
        chosen = [Take(one, voice.words[phrase].ways) for phrase, some in takes.items() for one in some]
        others = self._others[::LEARNT_FROM]
        said = {phrase: word.ways for phrase, word in voice.words.items()}
        rehearsed = [
            Take(one.samples, said.get(one.words) or self.usual_ways(one.words)) for one in others if one.whole
        ]
        talk = [one.samples for one in others if not one.whole]
        model = self.learner.adapt(chosen, rehearsed, talk, hold, stopped)
        try:
            write_model(self._base, model, folder)
        except OSError as error:
            why = error.strerror or error
            raise UserError(
                f"{folder.parent} cannot be written ({why}); make room there, or set TMPDIR to a folder that has some"
            ) from error
        return folder

    def _fitting_ways(self, phrase: str, takes: Sequence[Samples]) -> tuple[Phones, ...]:
        """The usual ones that fit at least one take best; where none of a guessed word's fits, what the ear heard."""
        usual = list(self.usual_ways(phrase))
        scores = [self.learner.scores(one) for one in takes]
        fits = np.array([[self.learner.fit(s, [way]) for way in usual] for s in scores])
        ways = [usual[i] for i in dict.fromkeys(fits.argmax(1).tolist())]
        guessed = self._pronouncer.phrase(phrase).source == "letters"
        if guessed and np.median(fits.max(1)) < POOR_FIT:
            heard = {way for s in scores if (way := self.learner.heard(s)) and self._is_near(phrase, way, usual)}
            rated = [(sum(self.learner.fit(s, [way]) for s in scores), way) for way in sorted(heard)]
            best, way = max(rated, default=(-np.inf, ()))
            if best > fits.max(1).sum() + WORTH_A_WAY * len(takes):
                ways.append(way)
        return tuple(ways)

    def _is_near(self, phrase: str, way: Phones, usual: Sequence[Phones]) -> bool:
        """Near enough to how the word is said to be that word, and not near to any other of the plan."""
        others = (one for other in self.vocabulary.phrases if other != phrase for one in self.usual_ways(other))
        near = min(distance(way, one) for one in usual) < 2 * SOUNDS_ALIKE
        return near and all(distance(way, one) >= SOUNDS_ALIKE for one in others)

    def hear_takes(
        self, learnt: Learnt | None, scratch: Path, takes: Takes, stopped: Callable[[], bool] = lambda: False
    ) -> HeardTakes:
        """What each take gives, with the usual ear or with one that learnt. `scratch`: a folder for its graph.

        Once `stopped`, it ends with Stopped.
        """
        ear = self._open(learnt, scratch)
        return {phrase: [self._hear(ear, one, stopped) for one in some] for phrase, some in takes.items()}

    def hear_others(
        self,
        learnt: Learnt | None,
        scratch: Path,
        sounds: Sequence[tuple[str, Samples]],
        stopped: Callable[[], bool] = lambda: False,
    ) -> HeardOthers:
        """The same for other sounds, each with the words said in it."""
        ear = self._open(learnt, scratch)
        return [(words, self._hear(ear, samples, stopped)) for words, samples in sounds]

    def _kept_back(self) -> list[tuple[str, Samples]]:
        """The pieces of other sound that nothing is learnt from."""
        return [(piece.words, piece.samples) for i, piece in enumerate(self._others) if i % LEARNT_FROM]

    def _open(self, learnt: Learnt | None, scratch: Path) -> listening.OpenEar:
        model = self._base if learnt is None or learnt.model_dir is None else learnt.model_dir
        return listening.open_ear(
            self._plan, self.vocabulary.phrases, model, learnt, scratch, self._base, listening.PATIENT
        )

    def _hear(self, ear: listening.OpenEar, samples: Samples, stopped: Callable[[], bool]) -> Heard:
        if stopped():
            raise Stopped
        recogniser, memory, found = ear.recogniser(), Memory(), []
        samples, breaths = _in_quiet(samples), []
        for at in range(0, len(samples), BLOCK):
            breaths += recogniser.feed(AudioBlock(at / SAMPLE_RATE, samples[at : at + BLOCK].tobytes()))
        for breath in [*breaths, *recogniser.close()]:
            memory, results = self.vocabulary.understand(memory, breath)
            for one in results:
                unsure = isinstance(one, Ignored) and one.reason is Reason.UNSURE
                if isinstance(one, SessionEvent) or unsure:
                    found.append((one.word.text, one.word.confidence))
        return Heard(tuple(found))


def _part(takes: Takes, part: slice) -> dict[str, Sequence[Samples]]:
    return {phrase: some[part] for phrase, some in takes.items()}


def _in_order(takes: Takes, heard: Sequence[HeardTakes]) -> HeardTakes:
    """What the takes gave, in their order: of each half, in the order of HALVES, what the other half gave."""
    together = {phrase: [Heard(())] * len(some) for phrase, some in takes.items()}
    for part, gave in zip(reversed(HALVES), heard, strict=True):
        for phrase, some in gave.items():
            together[phrase][part] = some
    return together


def _in_quiet(samples: Samples) -> Samples:
    """A sound with faint noise before and after it, the same each time."""
    rng = np.random.default_rng(0)
    before, after = (rng.normal(0, HISS, round(QUIET_S * SAMPLE_RATE)) for _ in range(2))
    together: Samples = np.concatenate([before, samples, after]).round().astype(np.int16)
    return together
