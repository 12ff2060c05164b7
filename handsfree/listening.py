"""From a plan to an open ear: instructions, pronunciations, decoding graph and recogniser put together."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from handsfree import places
from handsfree.core.confidence import Weighing, Weights
from handsfree.core.events import AudioBlock, Breath
from handsfree.core.phones import PAUSE
from handsfree.core.plan import Plan
from handsfree.edges import graph
from handsfree.edges.promptbook import PromptBook, load_prompts
from handsfree.edges.pronounce import Pronouncer
from handsfree.edges.recogniser import Recogniser
from handsfree.edges.weights import read_weights

OWN_MODEL = "en"


@dataclass(frozen=True)
class OpenEar:
    """A model that is ready for the plan's phrases."""

    model_dir: Path
    phrases: tuple[str, ...]
    own: bool
    name: str
    weights: Weights | None = None
    phones: Mapping[str, int] = field(default_factory=dict)
    """Of each phrase: how many, in its shortest pronunciation."""

    @property
    def sha256(self) -> str:
        """Of the acoustic model."""
        return hashlib.sha256((self.model_dir / "am" / "final.mdl").read_bytes()).hexdigest()

    def recogniser(self) -> Recogniser | Calibrated:
        """A fresh recogniser, its clock at 0. The model is loaded once a process."""
        recogniser = Recogniser(self.model_dir, self.phrases, own=self.own)
        return recogniser if self.weights is None else Calibrated(recogniser, Weighing(self.weights, self.phones))


class Calibrated:
    """A recogniser whose confidence is how likely a word was said."""

    def __init__(self, recogniser: Recogniser, weighing: Weighing) -> None:
        self._recogniser, self._weighing = recogniser, weighing
        self.usual_lag_s = recogniser.usual_lag_s

    def feed(self, block: AudioBlock) -> list[Breath]:
        return [self._weighing.weigh(breath) for breath in self._recogniser.feed(block)]

    def close(self) -> list[Breath]:
        return [self._weighing.weigh(breath) for breath in self._recogniser.close()]


def prompt_book(language: str) -> PromptBook:
    """The sentences and spoken instructions that ship for a language. Raises UserError where there are none."""
    return load_prompts(language, places.shipped("prompts"))


def pronouncer(plan: Plan) -> Pronouncer:
    """How the words of the plan are said."""
    dictionary = places.shipped("models") / OWN_MODEL / "cmudict.txt.gz"
    return Pronouncer(plan.pronunciations, plan.prompts.language, dictionary)


def open_ear(plan: Plan, phrases: tuple[str, ...], model: Path | None = None) -> OpenEar:
    """The ear of the plan, or the model in the directory `model`: a stock Vosk model, or one laid out as our own, which
    its phones.json shows. Raises UserError."""
    shipped = places.shipped("models") / OWN_MODEL
    chosen = model or (Path(plan.ear.model).expanduser() if plan.ear.model else shipped)
    if chosen != shipped and not (chosen / "phones.json").is_file():
        return OpenEar(chosen, phrases, False, chosen.name)
    how_said = pronouncer(plan)
    spoken = {phrase: how_said.phrase(phrase).phones for phrase in phrases}
    made = graph.build(spoken, chosen, places.cache_dir())
    counts = {text: min(sum(one != PAUSE for one in phones) for phones in ways) for text, ways in spoken.items()}
    return OpenEar(made, phrases, True, chosen.name, read_weights(chosen), counts)
