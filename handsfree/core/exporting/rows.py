"""Fields of the log -> rows of the exported tables, one session at a time."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from operator import itemgetter
from typing import Any

from handsfree.core.events import Outcome, Role
from handsfree.core.exporting.blind import Codes, folded
from handsfree.core.exporting.cells import JSON, Clock, Form
from handsfree.core.exporting.tables import NO_REP, Layout, Values
from handsfree.core.log import MICROPHONE, VOICE

Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Selection:
    """Which sessions: one (its whole id), or those of a dog and of a span of days, or all.

    `first` and `last` are days by the wall clock where the session was held, both included.
    """

    session: str | None = None
    dog: str | None = None
    first: date | None = None
    last: date | None = None


@dataclass(frozen=True, slots=True)
class Chosen:
    """A session that will be exported: what is needed of it before its rows are read."""

    id: str
    dog: str
    handler: str
    started_at: datetime
    tool_version: str
    model: str
    model_sha256: str
    plan_sha256: str

    @property
    def month(self) -> str:
        return self.started_at.isoformat()[:7]


@dataclass(frozen=True, slots=True)
class Context:
    """What the rows of a session are made with. `dog` is the name or code to write; `hide` puts codes into texts."""

    chosen: Chosen
    dog: str
    values: Values = Values.BOTH
    codes: Codes | None = None
    hide: Callable[[str], str] = str
    form: Form = JSON

    @property
    def wall(self) -> Clock:
        """Makes cells of wall times of this session."""
        return self.form.clock(self.chosen.started_at)

    def name(self, kind: str, name: str) -> str:
        return self.codes.code(kind, name) if self.codes else name


def contexts(chosen: Sequence[Chosen], values: Values, codes: Codes | None = None, form: Form = JSON) -> list[Context]:
    """The sessions in the order of the export: by dog, then by start, then by id.

    A dog whose name was typed in several ways (case, Unicode form) is one dog, spelled as in its newest session.
    """
    spelled = {folded(one.dog): one.dog for one in sorted(chosen, key=lambda one: (one.started_at, one.id))}
    found = []
    for one in chosen:
        name = spelled[folded(one.dog)]
        dog = codes.code("dog", name) if codes else name
        found.append(Context(one, dog, values, codes, codes.hider(one.dog, one.handler) if codes else str, form))
    return sorted(found, key=lambda one: (one.dog, one.chosen.started_at, one.chosen.id))


def rows(layout: Layout, context: Context, found: Iterable[Row]) -> Iterator[Row]:
    """Rows of one session with the columns of the layout; `found` are the table's fields as the store read them.

    Times stay exactly as they were logged; lengths are rounded to the microsecond, for below it is arithmetic only.
    """
    whole = _MAKERS[layout.table.name](context, found)
    if len(layout.places) == len(layout.table.columns):
        return whole
    return map(itemgetter(*layout.places), whole)


def _outcome(text: str | None) -> str:
    return NO_REP if text is None else text


def _sessions(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    for handler, place, _, ended_s, end_reason, source, version, model, model_sha256, plan_sha256 in found:
        started_at = context.chosen.started_at
        offset = started_at.utcoffset() or timedelta()
        live = source == MICROPHONE
        yield (
            context.chosen.id,
            context.dog,
            context.name("handler", handler) or None,
            context.name("place", place) or None,
            context.form.moment(started_at),
            offset // timedelta(minutes=1),
            ended_s,
            end_reason,
            "microphone" if live else "recording",
            None if live else source,
            version,
            model,
            model_sha256 or None,
            context.name("plan", plan_sha256),
        )


def _steps(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    truth = context.form.truth
    for name, tag, start_step, steps in found:
        for step, criterion in enumerate(_criteria(steps), start=1):
            yield context.chosen.id, context.dog, context.hide(name), tag, step, criterion, truth[step == start_step]


@lru_cache(maxsize=256)  # a dog's plan is the same in most of its sessions
def _criteria(array: str) -> tuple[str, ...]:
    return tuple(json.loads(array))


def _reps(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    session, dog, hide, wall = context.chosen.id, context.dog, context.hide, context.wall
    correct, truth = Outcome.CORRECT.value, context.form.truth
    corrected_only = context.values is Values.CORRECTED
    for (
        number, behaviour, step, outcome, said, judged, start_s, end_s, cue, cue_start_s, cue_end_s, cue_confidence,
        word, word_start_s, word_end_s, word_confidence, recue, released,
    ) in found:  # fmt: skip
        if judged is None and corrected_only:
            continue
        cued, decided = cue is not None, word is not None
        marked = cued and decided and said == correct
        yield (
            session,
            dog,
            number,
            hide(behaviour),
            step,
            outcome,
            judged or NO_REP,
            start_s,
            round((end_s - start_s) * 1e6) / 1e6,
            wall(start_s),
            hide(cue) if cued else None,
            cue_start_s,
            cue_end_s,
            cue_confidence,
            hide(word) if decided else None,
            word_start_s,
            word_end_s,
            word_confidence,
            round((word_start_s - cue_end_s) * 1e6) / 1e6 if marked else None,
            truth[recue],
            truth[released],
        )


def _words(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    session, dog, hide, wall = context.chosen.id, context.dog, context.hide, context.wall
    truth = context.form.truth
    name_role = Role.NAME.value if context.codes else None
    for number, text, start_s, end_s, confidence, role, behaviour, instruction, accepted, reason, rep in found:
        yield (
            session,
            dog,
            number,
            dog if role is not None and role == name_role else hide(text),
            start_s,
            round((end_s - start_s) * 1e6) / 1e6,
            wall(start_s),
            confidence,
            role,
            hide(behaviour) if behaviour else None,
            instruction,
            truth[accepted],
            reason,
            rep,
        )


def _rewards(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    wall = context.wall
    for number, rep, at_s in found:
        yield context.chosen.id, context.dog, number, rep, at_s, wall(at_s)


def _decisions(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    wall = context.wall
    for number, at_s, choice, because, rule, behaviour, step, new_step, reps, correct in found:
        yield (
            context.chosen.id,
            context.dog,
            number,
            at_s,
            wall(at_s),
            choice,
            because,
            rule or None,
            context.hide(behaviour) if behaviour else None,
            step,
            new_step,
            context.form.integers(reps),
            correct,
        )


def _prompts(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    wall = context.wall
    for number, key, text, start_s, end_s, why, behaviour in found:
        yield (
            context.chosen.id,
            context.dog,
            number,
            key,
            text,
            start_s,
            None if end_s is None else round((end_s - start_s) * 1e6) / 1e6,
            wall(start_s),
            why or None,
            behaviour,
        )


def _corrections(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    for number, rep, before, after, why, at_s, who, made_at, part_of, undoes in found:
        yield (
            context.chosen.id,
            context.dog,
            number,
            rep,
            _outcome(before),
            _outcome(after),
            why or None,
            at_s,
            who if who == VOICE else context.name("person", who),
            context.form.moment(datetime.fromisoformat(made_at)),
            part_of,
            undoes,
        )


def _notes(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    wall = context.wall
    for number, at_s, seconds, wav in found:
        yield context.chosen.id, context.dog, number, at_s, seconds, wall(at_s), wav


def _gaps(context: Context, found: Iterable[Row]) -> Iterator[Row]:
    wall = context.wall
    for number, at_s, lost_s in found:
        yield context.chosen.id, context.dog, number, at_s, lost_s, wall(at_s)


_MAKERS: dict[str, Callable[[Context, Iterable[Row]], Iterator[Row]]] = {
    "sessions": _sessions,
    "steps": _steps,
    "reps": _reps,
    "words": _words,
    "rewards": _rewards,
    "decisions": _decisions,
    "prompts": _prompts,
    "corrections": _corrections,
    "notes": _notes,
    "gaps": _gaps,
}
