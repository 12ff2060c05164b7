"""From a plan to an open ear: instructions, pronunciations, decoding graph and recogniser put together."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from handsfree import places
from handsfree.core.confidence import Weighing, Weights
from handsfree.core.errors import UserError
from handsfree.core.events import AudioBlock, Breath
from handsfree.core.phones import PAUSE, Phones
from handsfree.core.plan import Plan
from handsfree.core.voice import OwnVoice, eased
from handsfree.edges import graph, voicefolder
from handsfree.edges.promptbook import PromptBook, load_prompts
from handsfree.edges.pronounce import Pronouncer, Pronunciation
from handsfree.edges.recogniser import Recogniser
from handsfree.edges.weights import read_weights
from handsfree.looking import TwiceHeard

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from handsfree.edges.likeness import Examples
    from handsfree.edges.second_look import SecondLook

OWN_MODEL, SECOND_MODEL = "en", "second"

ONSET_LATE_S = 0.03
"""Our own ears call a word a frame late: by 0.04 s (median, of 550 words of people not heard before; and of 775 of
others, where the error is 50 ms as they call it and 20 ms with this)."""


PATIENT = 60
"""Frames of 10 ms that the ear takes at once where nobody waits for the words; in sessions it takes fewer."""


@dataclass(frozen=True)
class OpenEar:
    """A model that is ready for the plan's phrases."""

    model_dir: Path
    phrases: tuple[str, ...]
    own: bool
    name: str
    weights: Weights | None = None
    pronunciations: Mapping[str, Sequence[Phones]] = field(default_factory=dict)
    """Of each phrase."""
    eases: Mapping[str, float] = field(default_factory=dict)
    """Of phrases that her own voice makes easier or harder to count (see core/voice.py)."""
    least: float = 0.0
    """The confidence from which on a word counts, where nobody talks."""
    look: SecondLook | None = None
    examples: Examples | None = None
    """Her own takes, with which words are compared."""
    note: str = ""
    """What a person should know: words are not looked at a second time, and why."""

    @property
    def sha256(self) -> str:
        """Of the acoustic model."""
        return sha256_of(self.model_dir)

    def recogniser(self) -> Recogniser | TwiceHeard | Calibrated:
        """A fresh recogniser, its clock at 0. The model is loaded once a process."""
        first = Recogniser(self.model_dir, self.phrases, own=self.own)
        recogniser = first if self.look is None else TwiceHeard(first, self.look, self.pronunciations, self.examples)
        if not self.own and not self.eases:
            return recogniser
        said = self.pronunciations.items()
        counts = {text: min(sum(one != PAUSE for one in phones) for phones in ways) for text, ways in said}
        weighing = None if self.weights is None else Weighing(self.weights, counts)
        return Calibrated(recogniser, weighing, self.eases, self.least, ONSET_LATE_S if self.own else 0.0)


class Calibrated:
    """A recogniser whose confidence is how likely a word was said, and by her, and whose words begin on time.

    least   the confidence from which on they count
    late_s  by how much the recogniser calls them late
    """

    def __init__(
        self,
        recogniser: Recogniser | TwiceHeard,
        weighing: Weighing | None,
        eases: Mapping[str, float],
        least: float,
        late_s: float = 0.0,
    ) -> None:
        self._recogniser, self._weighing, self._eases = recogniser, weighing, eases
        self._least, self._late_s = least, late_s
        self.usual_lag_s = recogniser.usual_lag_s

    def feed(self, block: AudioBlock) -> list[Breath]:
        return list(map(self._weigh, self._recogniser.feed(block)))

    def close(self) -> list[Breath]:
        return list(map(self._weigh, self._recogniser.close()))

    def _weigh(self, breath: Breath) -> Breath:
        weighed = breath if self._weighing is None else self._weighing.weigh(breath)
        return eased(earlier(weighed, self._late_s), self._eases, self._least)


def earlier(breath: Breath, by_s: float) -> Breath:
    """Its words begin so much earlier, but none before the word that it follows has ended, nor before the session."""
    ends_s = (0.0, *(word.end_s for word in breath.words))
    starts_s = (
        max(word.start_s - by_s, min(end_s, word.start_s)) for word, end_s in zip(breath.words, ends_s, strict=False)
    )
    words = zip(breath.words, starts_s, strict=True)
    return replace(breath, words=tuple(replace(word, start_s=round(start_s, 3)) for word, start_s in words))


def prompt_book(language: str) -> PromptBook:
    """The sentences and spoken instructions that ship for a language. Raises UserError where there are none."""
    return load_prompts(language, places.shipped("prompts"))


def pronouncer(plan: Plan) -> Pronouncer:
    """How the words of the plan are said."""
    dictionary = places.shipped("models") / OWN_MODEL / "cmudict.txt.gz"
    return Pronouncer(plan.pronunciations, plan.prompts.language, dictionary)


@dataclass(frozen=True)
class Learnt:
    """What was learnt of her voice, and the ear that learnt it (None: only pronunciations and how sure to be).

    takes  phrase -> those with which heard words are compared
    """

    voice: OwnVoice
    model_dir: Path | None
    takes: Mapping[str, Sequence[npt.NDArray[np.int16]]] = field(default_factory=dict)

    def ways(self, phrase: str, said: Pronunciation) -> tuple[Phones, ...]:
        """How she says it. What the plan itself spells, it may have spelled since; then that holds."""
        hers = self.voice.ways(phrase, said.phones)
        return said.phones if said.source == "plan" and not set(hers) <= set(said.phones) else hers


def own_voice(plan_path: Path, plan: Plan, tell: Callable[[str], None]) -> Learnt | None:
    """What was learnt beside this plan file; None, told why, where it cannot be used. Raises UserError if damaged."""
    folder = voicefolder.folder_of(plan_path)
    voice = voicefolder.read_voice(folder)
    if voice is None:
        return None
    if plan.ear.model:
        tell(f"{folder.name} is not used: the plan names a model of its own")
        return None
    if voice.base_sha256 != sha256_of(shipped_model()):
        tell(f"{folder.name} is not used: it was learnt with another ear; `handsfree words {plan_path} --again`")
        return None
    tell(f"listening for your own voice ({folder.name}, {voice.learnt_at[:10]}, {len(voice.words)} words)")
    takes = voicefolder.read_takes(folder) if voice.compared else {}
    return Learnt(voice, folder / voicefolder.MODEL if voice.adapted else None, takes)


def shipped_model() -> Path:
    """Directory of the ear that ships."""
    return places.shipped("models") / OWN_MODEL


def sha256_of(model_dir: Path) -> str:
    """Of the acoustic model."""
    return hashlib.sha256((model_dir / "am" / "final.mdl").read_bytes()).hexdigest()


def open_ear(
    plan: Plan,
    phrases: tuple[str, ...],
    model: Path | None = None,
    learnt: Learnt | None = None,
    cache: Path | None = None,
    base: Path | None = None,
    frames_per_chunk: int | None = None,
) -> OpenEar:
    """The ear of the plan, or the model in the directory `model`: a stock Vosk model, or one laid out as our own, which
    its phones.json shows. Raises UserError.

    learnt  of her voice; its own ear is used unless `model` names another
    cache   for graphs that are of no use later
    base    the model that `model` was learnt from: its weights of confidence hold, of which a learnt one keeps a copy,
            perhaps from before the program was brought up to date
    frames_per_chunk  PATIENT where nobody waits for the words: see graph.build
    """
    chosen = model or (Path(plan.ear.model).expanduser() if plan.ear.model else None)
    name = (chosen or shipped_model()).name
    if chosen is None:
        base = shipped_model()
        chosen = (learnt and learnt.model_dir) or base
    elif not (chosen / "phones.json").is_file():
        return OpenEar(chosen, phrases, False, name)
    how_said = pronouncer(plan)
    said = {phrase: how_said.phrase(phrase) for phrase in phrases}
    spoken = {phrase: learnt.ways(phrase, one) if learnt else one.phones for phrase, one in said.items()}
    made = graph.build(spoken, chosen, cache or places.cache_dir(), frames_per_chunk)
    look, note = _second_look()
    name, eases = (f"{name}, own voice", learnt.voice.eases) if learnt else (name, {})
    least = plan.ear.least_confidence
    compared = _examples(look, learnt.takes) if look and learnt and learnt.takes else None
    weights = read_weights(base or chosen)
    return OpenEar(made, phrases, True, name, weights, spoken, eases, least, look, compared, note)


def _second_look() -> tuple[SecondLook | None, str]:
    """The second look; or none, and what to tell a person. Without it the ear is as good as it is alone."""
    try:
        return _second_look_in(places.shipped("models") / SECOND_MODEL), ""
    except UserError as error:
        return None, f"words are not looked at a second time: {error}"


def _examples(look: SecondLook, takes: Mapping[str, Sequence[npt.NDArray[np.int16]]]) -> Examples | None:
    from handsfree.comparing import examples  # numpy takes longer to import than most commands run

    return examples(look, takes)


@lru_cache(maxsize=2)
def _second_look_in(folder: Path) -> SecondLook:
    from handsfree.edges.second_look import SecondLook

    return SecondLook(folder)
