"""From a plan to an open ear: pronunciations, decoding graph and recogniser put together."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from handsfree import places
from handsfree.core.plan import Plan
from handsfree.edges import graph
from handsfree.edges.pronounce import Pronouncer
from handsfree.edges.recogniser import Recogniser

OWN_MODEL = "en"


@dataclass(frozen=True)
class OpenEar:
    """A model that is ready for the plan's phrases. `sha256` is that of the acoustic model."""

    model_dir: Path
    phrases: tuple[str, ...]
    own: bool
    name: str
    sha256: str

    def recogniser(self) -> Recogniser:
        """A fresh recogniser, its clock at 0. The model is loaded once a process."""
        return Recogniser(self.model_dir, self.phrases, own=self.own)


def pronouncer(plan: Plan) -> Pronouncer:
    """How the words of the plan are said."""
    dictionary = places.shipped("models") / OWN_MODEL / "cmudict.txt.gz"
    return Pronouncer(plan.pronunciations, plan.prompts.language, dictionary)


def open_ear(plan: Plan, phrases: tuple[str, ...], model: Path | None = None) -> OpenEar:
    """The ear of the plan, or the stock Vosk model in the directory `model`. Raises UserError."""
    chosen = model or (Path(plan.ear.model).expanduser() if plan.ear.model else None)
    if chosen is not None:
        final = chosen / "am" / "final.mdl"  # absent: the recogniser will say what is wrong with the directory
        return OpenEar(chosen, phrases, False, chosen.name, _sha256(final) if final.is_file() else "")
    own = places.shipped("models") / OWN_MODEL
    how_said = pronouncer(plan)
    spoken = {phrase: how_said.phrase(phrase).phones for phrase in phrases}
    made = graph.build(spoken, own, places.cache_dir())
    return OpenEar(made, phrases, True, OWN_MODEL, _sha256(own / "am" / "final.mdl"))


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
