"""From a plan to an open ear: pronunciations, decoding graph and recogniser put together."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
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
    """A recogniser that is ready, and what it hears with. `sha256` is that of the acoustic model."""

    recogniser: Recogniser
    model: str
    sha256: str


def pronouncer(plan: Plan) -> Pronouncer:
    """How the words of the plan are said."""
    dictionary = places.shipped("models") / OWN_MODEL / "cmudict.txt.gz"
    return Pronouncer(plan.pronunciations, plan.prompts.language, dictionary)


def open_ear(plan: Plan, phrases: Iterable[str], model: Path | None = None) -> OpenEar:
    """The ear of the plan, or the stock Vosk model in the directory `model`. Raises UserError."""
    chosen = model or (Path(plan.ear.model).expanduser() if plan.ear.model else None)
    if chosen is not None:
        return OpenEar(Recogniser(chosen, phrases, own=False), chosen.name, _sha256(chosen / "am" / "final.mdl"))
    own = places.shipped("models") / OWN_MODEL
    how_said = pronouncer(plan)
    spoken = {phrase: how_said.phrase(phrase).phones for phrase in phrases}
    made = graph.build(spoken, own, places.cache_dir())
    return OpenEar(Recogniser(made, phrases, own=True), OWN_MODEL, _sha256(own / "am" / "final.mdl"))


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
