"""From a plan to an open ear: instructions, pronunciations, decoding graph and recogniser put together."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from handsfree import places
from handsfree.core.plan import Plan
from handsfree.edges import graph
from handsfree.edges.promptbook import PromptBook, load_prompts
from handsfree.edges.pronounce import Pronouncer
from handsfree.edges.recogniser import Recogniser

OWN_MODEL = "en"


@dataclass(frozen=True)
class OpenEar:
    """A model that is ready for the plan's phrases."""

    model_dir: Path
    phrases: tuple[str, ...]
    own: bool
    name: str

    @property
    def sha256(self) -> str:
        """Of the acoustic model."""
        return hashlib.sha256((self.model_dir / "am" / "final.mdl").read_bytes()).hexdigest()

    def recogniser(self) -> Recogniser:
        """A fresh recogniser, its clock at 0. The model is loaded once a process."""
        return Recogniser(self.model_dir, self.phrases, own=self.own)


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
    return OpenEar(made, phrases, True, chosen.name)
