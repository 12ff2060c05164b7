"""A log as a BIDS behavioural dataset: https://bids-specification.readthedocs.io, "Behavioral experiments", "Events".

One participant is one dog, one session one sitting; all that happened in it is one events file in `beh/`.
HED tags are of the HED standard schema (https://www.hedtags.org).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from handsfree.core.events import Choice, Outcome, Role, SessionEvent
from handsfree.core.exporting.blind import Codes
from handsfree.core.exporting.metadata import TOOL, Provenance
from handsfree.core.exporting.rows import Context
from handsfree.core.exporting.tables import CLOCK, CORRECTED_OUTCOMES, NO_REP, OUTCOMES, Values
from handsfree.core.log import SessionLog

SPECIES = "canis lupus familiaris"
BIDS_VERSION = "1.10.0"
HED_VERSION = "8.3.0"
TASK = "training"
_FIRST = ("onset", "duration", "trial_type", "value", "behaviour", "step", "rep")
_LAST = ("cue_to_marker_s", "confidence", "counted")
_KINDS = {
    "rep": "one rep (opportunity), from its cue (without one, from the word that decided it) to what closed it",
    "cue": "the trainer gave a cue",
    "marker": "the trainer marked the dog's behaviour",
    "error": "the trainer said an error word",
    "release": "the trainer released the dog",
    "safety": "the trainer said the safety word",
    "instruction": "the trainer told the program something",
    "praise": "the trainer praised the dog",
    "name": "the trainer said the dog's name",
    "other_word": "another word of the plan, not counted",
    "decision": "the criteria rules decided what follows",
    "prompt": "the program spoke in the trainer's ear",
    "gap": "sound was lost: nothing was heard",
}
_SPOKEN = "Sensory-event, Auditory-presentation"
_KIND_TAGS = dict.fromkeys(_KINDS, _SPOKEN) | {
    "rep": "Experiment-structure, Experimental-trial",
    "cue": f"{_SPOKEN}, Cue",
    "marker": f"{_SPOKEN}, Feedback",
    "error": f"{_SPOKEN}, Feedback",
    "instruction": "Experiment-control",
    "decision": "Experiment-control",
    "prompt": f"{_SPOKEN}, Instructional",
    "gap": "Data-feature",
}
_OUTCOME_TAGS = {
    Outcome.CORRECT.value: "Correct-action",
    Outcome.INCORRECT.value: "Incorrect-action",
    Outcome.NO_RESPONSE.value: "Omitted-action",
}


@dataclass(frozen=True, slots=True)
class Place:
    """Where the files of a session go: labels are letters and digits only."""

    participant: str
    session: str

    @property
    def folder(self) -> str:
        return f"{self.participant}/{self.session}/beh"

    @property
    def stem(self) -> str:
        return f"{self.participant}_{self.session}_task-{TASK}_events"


def place(context: Context) -> Place:
    """A name of ASCII letters and digits is its own label; any other gets a code, the same at every export."""
    label = context.dog
    if not re.fullmatch(r"[A-Za-z0-9]+", label):
        label = Codes(b"label").code("dog", label)
    started_at = context.chosen.started_at
    return Place(f"sub-{label}", f"ses-{started_at:%Y%m%dT%H%M%S}x{context.chosen.id[:6]}")


def columns(values: Values) -> tuple[str, ...]:
    outcomes = {
        Values.RAW: ("outcome_raw",),
        Values.CORRECTED: ("outcome_corrected",),
        Values.BOTH: ("outcome_raw", "outcome_corrected"),
    }[values]
    return _FIRST + outcomes + _LAST


def events(log: SessionLog, context: Context) -> list[dict[str, Any]]:
    """Rows of events.tsv by onset, as column -> value; a column that is missing is n/a."""
    hide = context.hide
    found = [*_reps(log, context.values, hide), *_words(log, context), *_others(log, hide)]
    return sorted(found, key=lambda row: (row["onset"], -(row["duration"] or 0)))


def _row(start_s: float, end_s: float | None, kind: str, **more: Any) -> dict[str, Any]:
    duration = None if end_s is None else round(end_s - start_s, 6)
    return {"onset": round(start_s, 6), "duration": duration, "trial_type": kind, **more}


def _reps(log: SessionLog, values: Values, hide: Callable[[str], str]) -> Iterable[dict[str, Any]]:
    for judged in log.reps:
        live, rep = judged.live, judged.rep
        if values is Values.RAW:
            if live is None:
                continue
            rep = live
        if judged.outcome is None and values is Values.CORRECTED:
            continue
        to_marker = rep.cue_to_marker_s
        yield _row(
            rep.seen_s,
            max(rep.seen_s, rep.end_s),
            "rep",
            behaviour=hide(rep.behaviour),
            step=rep.step,
            rep=rep.number,
            outcome_raw=live and live.outcome.value,
            outcome_corrected=judged.outcome.value if judged.outcome else NO_REP,
            cue_to_marker_s=None if to_marker is None else round(to_marker, 6),
        )


def _words(log: SessionLog, context: Context) -> Iterable[dict[str, Any]]:
    for entry in log.words:
        heard, word = entry.heard, entry.heard.word
        blind_name = context.codes is not None and heard.role is Role.NAME
        yield _row(
            word.start_s,
            word.end_s,
            heard.role.value if heard.role else "other_word",
            value=context.dog if blind_name else context.hide(word.text),
            behaviour=context.hide(heard.behaviour) if heard.behaviour else None,
            rep=entry.rep_number,
            confidence=word.confidence,
            counted="true" if isinstance(heard, SessionEvent) else "false",
        )


def _others(log: SessionLog, hide: Callable[[str], str]) -> Iterable[dict[str, Any]]:
    for decision in log.decisions:
        about = hide(decision.behaviour) if decision.behaviour else None
        step = decision.new_step if decision.choice is not Choice.END else decision.step
        yield _row(decision.at_s, decision.at_s, "decision", value=decision.choice.value, behaviour=about, step=step)
    for prompt in log.prompts:
        yield _row(prompt.start_s, prompt.end_s, "prompt", value=prompt.key)
    for gap in log.gaps:
        yield _row(gap.at_s, gap.at_s + gap.lost_s, "gap")


def cell(value: Any) -> str:
    """A cell of a BIDS table: no tab or line break may stand in it, and n/a is what is missing."""
    if value is None or value == "":
        return "n/a"
    return " ".join(value.split()) if isinstance(value, str) else str(value)


def events_sidecar(values: Values) -> dict[str, Any]:
    """task-training_events.json, for all sessions: what the columns mean."""
    described: dict[str, Any] = {
        "TaskName": TASK,
        "TaskDescription": "A dog is trained by its handler; words of a plan are heard, reps counted, criteria judged.",
        "onset": {"Description": f"Session time. {CLOCK}", "Units": "s"},
        "duration": {"Description": "Length of the event; 0 where it has none.", "Units": "s"},
        "trial_type": {"Description": "What happened.", "Levels": _KINDS, "HED": _KIND_TAGS},
        "value": {"Description": "The word as heard, the choice of a decision, or the key of a prompt."},
        "behaviour": {"Description": "The behaviour it concerns, as the plan names it."},
        "step": {"Description": "Criteria step of the plan, 1 is the easiest; of a decision, the step that follows."},
        "rep": {"Description": "Number of the rep in its session that it is, began, ended or rewarded."},
        "outcome_raw": {"Description": "Outcome as counted live.", "Levels": OUTCOMES, "HED": _OUTCOME_TAGS},
        "outcome_corrected": {
            "Description": "Outcome after corrections.",
            "Levels": CORRECTED_OUTCOMES,
            "HED": _OUTCOME_TAGS | {NO_REP: "Indeterminate-action"},
        },
        "cue_to_marker_s": {
            "Description": "Start of the marker minus end of the cue: dog's latency plus trainer's reaction.",
            "Units": "s",
        },
        "confidence": {
            "Description": "The recogniser's confidence in a word.",
            "Units": "1",
            "Minimum": 0,
            "Maximum": 1,
        },
        "counted": {"Description": "Whether a word counted.", "Levels": {"true": "counted", "false": "did not"}},
    }
    if values is Values.BOTH:  # or every outcome would be tagged twice
        del described["outcome_raw"]["HED"]
    kept = {"TaskName", "TaskDescription", *columns(values)}
    return {name: said for name, said in described.items() if name in kept}


def session_sidecar(context: Context, made: Provenance) -> dict[str, Any]:
    """The .json beside one events.tsv: where that session comes from."""
    return {TOOL: {"session_id": context.chosen.id, **made.as_dict()}}


def dataset_description(made: Provenance) -> dict[str, Any]:
    return {
        "Name": "Dog training sessions",
        "BIDSVersion": BIDS_VERSION,
        "HEDVersion": HED_VERSION,
        "DatasetType": "raw",
        "GeneratedBy": [{"Name": TOOL, "Version": made.version, "Description": made.as_dict()["values"]}],
        TOOL: made.as_dict(),
    }


README = """# Dog training sessions

Written by handsfree, which listens to a trainer's own cue and marker words and counts the reps of a dog.

Each participant is a dog (species: canis lupus familiaris), each session one sitting. The events files hold every rep,
heard word, decision and prompt; `task-training_events.json` says what the columns mean, the file beside each events
file which plan and recogniser it was counted with.

Nobody but the program has looked at these numbers unless a correction says so.
"""


def participants(sessions: Iterable[Context], blind: bool) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Header and rows of participants.tsv."""
    named = {place(one).participant: one.dog for one in sessions}
    if blind:
        return ("participant_id", "species"), [(who, SPECIES) for who in named]
    return ("participant_id", "species", "name"), [(who, SPECIES, cell(dog)) for who, dog in named.items()]


PARTICIPANTS_SIDECAR = {
    "species": {"Description": "Binomial species name; dogs, never the default homo sapiens."},
    "name": {"Description": "The dog's name as in the log."},
}
SESSIONS_HEADER = ("session_id", "acq_time")
