"""Every exported table and column, with its meaning, unit and levels: here and nowhere else.

A table says which fields of the log it needs (`source`, `fields`: what the store reads for one session, in order) and
which columns it has. The rows in between are made in rows.py. All sidecars are written from these columns.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from handsfree.core.events import Because, Choice, EndReason, Instruction, Label, Outcome, Reason, Role
from handsfree.core.plan import Tag

CLOCK = (
    "Columns ending in _s are seconds of session time: the sound heard since the session began, counted in samples, "
    "plus sound known to be lost (table gaps). They never jump with the wall clock. Columns ending in _at are wall "
    "times (RFC 3339): the computer's clock, read once when the session began, plus session time, in the UTC offset of "
    "that moment; a change of daylight saving time or a clock set during a session does not move them."
)


class Values(Label):
    """Which outcomes are written: as counted live, after corrections (reps undone are left out), or both."""

    RAW = "raw"
    CORRECTED = "corrected"
    BOTH = "both"


class Kind(Enum):
    """What a cell holds; None in any of them means: not known, or there is none."""

    TEXT = "text"
    INTEGER = "integer"
    NUMBER = "number"
    BOOLEAN = "boolean"
    MOMENT = "date-time"
    INTEGERS = "list of integers"


@dataclass(frozen=True, slots=True)
class Column:
    """`required`: never empty. `minimum`: no number is lower. `private`: left out when the export is blind.

    `only`: the column is written for this choice of Values (and for BOTH); None: always.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    levels: Mapping[str, str] = field(default_factory=dict)
    required: bool = True
    minimum: float | None = None
    private: bool = False
    only: Values | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """`key`: columns that name a row. `private`: the whole table is left out when the export is blind.

    `live`: the source instead of `source` for what was counted live, where that is another one.
    """

    name: str
    meaning: str
    source: str
    fields: tuple[str, ...]
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    private: bool = False
    live: str = ""


@dataclass(frozen=True, slots=True)
class Layout:
    """A table as it is written in one export: its source, the columns kept, and where they stand in a whole row."""

    table: Table
    source: str
    columns: tuple[Column, ...]
    places: tuple[int, ...]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)


def layouts(values: Values, blind: bool, wanted: Collection[str] = ()) -> tuple[Layout, ...]:
    """The tables of an export, in order: all, or sessions and those wanted."""
    chosen = [table for table in TABLES if not wanted or table.name in ("sessions", *wanted)]
    return tuple(_layout(table, values, blind) for table in chosen if not (blind and table.private))


def _layout(table: Table, values: Values, blind: bool) -> Layout:
    kept = [
        (place, column)
        for place, column in enumerate(table.columns)
        if not (blind and column.private)
        and column.only in (None, values if values is not Values.BOTH else column.only)
    ]
    source = table.live or table.source if values is Values.RAW else table.source
    return Layout(table, source, tuple(column for _, column in kept), tuple(place for place, _ in kept))


NO_REP = "no_rep"
OUTCOMES = {
    Outcome.CORRECT.value: "the trainer marked it",
    Outcome.INCORRECT.value: "the trainer said an error word",
    Outcome.NO_RESPONSE.value: "no marker within the response window, or the cue was given again",
}
CORRECTED_OUTCOMES = OUTCOMES | {NO_REP: "taken back: it was no rep at all"}


def _levels(labels: type[Label]) -> dict[str, str]:
    return {label.value: label.value.replace("_", " ") for label in labels}


def _text(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, Kind.TEXT, meaning, **more)


def _count(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, Kind.INTEGER, meaning, **({"minimum": 1} | more))


def _seconds(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, Kind.NUMBER, meaning, "s", **({"minimum": 0} | more))


def _share(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, Kind.NUMBER, meaning, "1", **({"minimum": 0} | more))


def _moment(name: str, meaning: str) -> Column:
    return Column(name, Kind.MOMENT, meaning)


_SESSION = _text("session_id", "the session, the same on every machine (random UUID, hex)")
_DOG = _text("dog", "the dog, spelled alike in all its sessions; a code when blinded")
_BEHAVIOUR = _text("behaviour", "the behaviour, as the plan names it")
_ABOUT = _text("behaviour", "the behaviour it concerns, as the plan names it", required=False)
_STEP = _count("step", "criteria step of the plan, 1 is the easiest")
_ONSET_AT = _moment("onset_at", "wall time of the onset")
_REP = _count("rep", "the rep of this session it began, ended or rewarded", required=False)


def _fields(names: str) -> tuple[str, ...]:
    return tuple(names.split())


def _number(of: str) -> Column:
    return _count("number", f"number of the {of} in its session, from 1, as written down")


TABLES: tuple[Table, ...] = (
    Table(
        "sessions",
        "One row a training session",
        "sessions",
        _fields("handler place started_at ended_s end_reason source tool_version model model_sha256 plan_sha256"),
        (
            _SESSION,
            _DOG,
            _text("handler", "who trains; a code when blinded", required=False),
            _text("place", "where; a code when blinded", required=False),
            _moment("started_at", "wall time at session time 0"),
            Column("utc_offset_min", Kind.INTEGER, "offset of the wall times of this session from UTC", "min"),
            _seconds("duration_s", "session time at its end; empty when it has not ended", required=False),
            _text("end_reason", "why it ended", levels=_levels(EndReason), required=False),
            _text("heard_from", "what was listened to", levels={"microphone": "live", "recording": "a sound file"}),
            _text("recording", "name of the sound file", required=False, private=True),
            _text("tool_version", "version of handsfree that counted the session"),
            _text("model", "name of the recogniser's model", private=True),
            _text("model_sha256", "SHA-256 of the recogniser's model, where known", required=False),
            _text("plan_sha256", "SHA-256 of the plan file in force; a code when blinded"),
        ),
        ("session_id",),
    ),
    Table(
        "steps",
        "One row a criteria step of each behaviour, as the plan stood when the session began",
        "behaviours",
        ("name", "tag", "start_step", "steps"),
        (
            _SESSION,
            _DOG,
            _BEHAVIOUR,
            _text("tag", "kind of behaviour", levels=_levels(Tag)),
            _STEP,
            _text("criterion", "the step in the trainer's own words", private=True),
            Column("is_start", Kind.BOOLEAN, "the step the session's plan began with"),
        ),
        ("session_id", "behaviour", "step"),
    ),
    Table(
        "reps",
        "One row a rep (opportunity), after corrections of its behaviour, times and words unless the export is raw",
        "judged_reps",
        _fields(
            "number behaviour step outcome said judged start_s end_s cue_text cue_start_s cue_end_s cue_confidence "
            "outcome_text outcome_start_s outcome_end_s outcome_confidence recue released"
        ),
        (
            _SESSION,
            _DOG,
            _count("rep", "number of the rep in its session, from 1, as counted live"),
            _BEHAVIOUR,
            _STEP,
            _text(
                "outcome_raw",
                "outcome as counted live; empty: not counted live, a reviewer made it by splitting another rep",
                levels=OUTCOMES,
                required=False,
                only=Values.RAW,
            ),
            _text(
                "outcome_corrected",
                "outcome after the corrections made by voice or afterwards; live outcome where there is none",
                levels=CORRECTED_OUTCOMES,
                only=Values.CORRECTED,
            ),
            _seconds("onset_s", "its cue; without a cue, where the rep before (or a pause, or the naming) ended"),
            _seconds("duration_s", "from onset to the end of the word or window that closed it"),
            _ONSET_AT,
            _text("cue", "the cue as heard", required=False),
            _seconds("cue_onset_s", "start of the cue", required=False),
            _seconds("cue_end_s", "end of the cue", required=False),
            _share("cue_confidence", "the recogniser's confidence in the cue, 0-1", required=False),
            _text("outcome_word", "the marker or error word that decided it", required=False),
            _seconds("outcome_word_onset_s", "start of that word", required=False),
            _seconds("outcome_word_end_s", "end of that word", required=False),
            _share("outcome_word_confidence", "the recogniser's confidence in that word, 0-1", required=False),
            _seconds(
                "cue_to_marker_s",
                "start of the marker minus end of the cue: the dog's latency plus the trainer's reaction; only for "
                "reps that were cued and marked. Negative when the marker came before the cue was over",
                required=False,
                minimum=None,
            ),
            Column("recue", Kind.BOOLEAN, "ended because the same cue was given again"),
            Column("released", Kind.BOOLEAN, "a held position ended by the release word, unmarked"),
        ),
        ("session_id", "rep"),
        live="counted_reps",
    ),
    Table(
        "words",
        "One row a heard word or phrase of the plan, counted or not",
        "words",
        _fields("number text start_s end_s confidence role behaviour instruction accepted reason rep_number"),
        (
            _SESSION,
            _DOG,
            _number("word"),
            _text("text", "what was heard; a name becomes the dog's code when blinded"),
            _seconds("onset_s", "start of the word"),
            _seconds("duration_s", "length of the word"),
            _ONSET_AT,
            _share("confidence", "the recogniser's confidence, 0-1"),
            _text("role", "what the phrase is for in the plan", levels=_levels(Role), required=False),
            _ABOUT,
            _text("instruction", "what was asked of the program", levels=_levels(Instruction), required=False),
            Column("counted", Kind.BOOLEAN, "whether it counted"),
            _text("reason", "why it did not count", levels=_levels(Reason), required=False),
            _REP,
        ),
        ("session_id", "number"),
    ),
    Table(
        "rewards",
        "One row a reward owed: one for each marker, undone or not",
        "rewards",
        ("number", "rep_number", "at_s"),
        (_SESSION, _DOG, _number("reward"), _REP, _seconds("onset_s", "when it became owed"), _ONSET_AT),
        ("session_id", "number"),
    ),
    Table(
        "decisions",
        "One row a decision of the criteria rules (or of a limit), with its evidence",
        "decisions",
        _fields("number at_s choice because rule behaviour step new_step reps correct"),
        (
            _SESSION,
            _DOG,
            _number("decision"),
            _seconds("onset_s", "when it was made"),
            _ONSET_AT,
            _text("choice", "what follows", levels=_levels(Choice)),
            _text("because", "the rule or limit that made it", levels=_levels(Because)),
            _text("rule", "name of the criteria rule in force", required=False),
            _ABOUT,
            _count("step", "step before", required=False),
            _count("new_step", "step that follows", required=False),
            Column("reps", Kind.INTEGERS, "numbers of the reps looked at, oldest first", required=False),
            _count("correct", "how many of those were correct when it was made", minimum=0),
        ),
        ("session_id", "number"),
    ),
    Table(
        "prompts",
        "One row a sentence spoken in the trainer's ear",
        "prompts",
        ("number", "key", "text", "start_s", "end_s", "why", "behaviour"),
        (
            _SESSION,
            _DOG,
            _number("prompt"),
            _text("key", "which sentence of the prompt book"),
            _text("text", "the sentence as spoken", private=True),
            _seconds("onset_s", "when it began"),
            _seconds("duration_s", "its length, where known", required=False),
            _ONSET_AT,
            _text("why", "what called for it, in a word", required=False, private=True),
            _text("behaviour", "the behaviour it concerns, as prompts name it", required=False, private=True),
        ),
        ("session_id", "number"),
    ),
    Table(
        "corrections",
        "One row a correction of a rep; nothing is ever overwritten, the newest counts",
        "corrections",
        _fields("number rep_number before after why at_s who made_at part_of undoes"),
        (
            _SESSION,
            _DOG,
            _number("correction"),
            _count("rep", "the rep it changes"),
            _text("before", "outcome until then", levels=CORRECTED_OUTCOMES),
            _text("after", "outcome from then on", levels=CORRECTED_OUTCOMES),
            _text("why", "the reason given", required=False, private=True),
            _seconds("onset_s", "session time it was made at, or of the rep when made afterwards"),
            _text("who", "who made it: voice, in the session; or a name (a code when blinded)"),
            _moment("made_at", "wall time it was made at"),
            _count("part_of", "number of the correction that it was made together with", required=False),
            _count("undoes", "number of the correction that it takes back", required=False),
        ),
        ("session_id", "number"),
    ),
    Table(
        "notes",
        "One row a spoken note; the sound itself stays beside the log",
        "notes",
        ("number", "at_s", "seconds", "wav"),
        (
            _SESSION,
            _DOG,
            _number("note"),
            _seconds("onset_s", "where the note begins"),
            _seconds("duration_s", "its length"),
            _ONSET_AT,
            _text("wav", "sound file, relative to the folder of the log"),
        ),
        ("session_id", "number"),
        private=True,
    ),
    Table(
        "gaps",
        "One row a stretch of sound that was lost: nothing was heard in it",
        "gaps",
        ("number", "at_s", "lost_s"),
        (
            _SESSION,
            _DOG,
            _number("gap"),
            _seconds("onset_s", "where the gap begins"),
            _seconds("duration_s", "how much sound was lost"),
            _ONSET_AT,
        ),
        ("session_id", "number"),
    ),
)
