"""Values of the core <-> rows of the log. Nothing here touches the database."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from handsfree.core.events import (
    Because,
    Choice,
    Correction,
    Decision,
    EndReason,
    HeardWord,
    Ignored,
    Instruction,
    LogWord,
    Outcome,
    OweReward,
    Reason,
    Rep,
    Role,
    SessionEvent,
)
from handsfree.core.log import Gap, JudgedRep, MadeCorrection, Note, SaidPrompt, Session, SessionLog, TrainedBehaviour
from handsfree.core.plan import Tag

Row = sqlite3.Row


def time_text(moment: datetime) -> str:
    """RFC 3339 date-time with milliseconds and offset. Raises ValueError without an offset."""
    if moment.utcoffset() is None:
        raise ValueError("wall times in the log carry their UTC offset")
    return moment.isoformat(timespec="milliseconds")


def word_row(entry: LogWord) -> dict[str, Any]:
    heard = entry.heard
    counted = isinstance(heard, SessionEvent)
    return {
        "text": heard.word.text,
        "start_s": heard.word.start_s,
        "end_s": heard.word.end_s,
        "confidence": heard.word.confidence,
        "role": _text(heard.role),
        "behaviour": heard.behaviour,
        "instruction": _text(heard.instruction) if isinstance(heard, SessionEvent) else None,
        "accepted": int(counted),
        "reason": heard.reason.value if isinstance(heard, Ignored) else None,
        "rep_number": entry.rep_number,
    }


def word_from(row: Row) -> LogWord:
    word = HeardWord(row["text"], row["start_s"], row["end_s"], row["confidence"])
    role = Role(row["role"]) if row["role"] else None
    if not row["accepted"]:
        return LogWord(Ignored(word, role, Reason(row["reason"]), row["behaviour"]), row["rep_number"])
    instruction = Instruction(row["instruction"]) if row["instruction"] else None
    return LogWord(SessionEvent(word, Role(row["role"]), row["behaviour"], instruction), row["rep_number"])


def rep_row(rep: Rep, added: bool = False) -> dict[str, Any]:
    return {
        "number": rep.number,
        "behaviour": rep.behaviour,
        "step": rep.step,
        "outcome": rep.outcome.value,
        "start_s": rep.start_s,
        "end_s": rep.end_s,
        **_word_columns("cue", rep.cue),
        **_word_columns("outcome", rep.outcome_word),
        "recue": int(rep.recue),
        "released": int(rep.released),
        "added": int(added),
    }


def counted_rep_from(row: Row) -> Rep:
    """A rep as it was counted live."""
    return _rep(row, row["number"], row["outcome"])


def rep_from(row: Row) -> JudgedRep:
    """A rep after corrections. What it was before, where that is not the same, is not in the row."""
    rep = _rep(row, row["number"], row["said"])
    return JudgedRep(rep, _outcome(row["judged"]), added=bool(row["added"]))


def _rep(row: Row, number: int, outcome: str) -> Rep:
    return Rep(
        number=number,
        behaviour=row["behaviour"],
        step=row["step"],
        outcome=Outcome(outcome),
        start_s=row["start_s"],
        end_s=row["end_s"],
        cue=_word_of("cue", row),
        outcome_word=_word_of("outcome", row),
        recue=bool(row["recue"]),
        released=bool(row["released"]),
    )


def reward_row(reward: OweReward) -> dict[str, Any]:
    return {"rep_number": reward.rep_number, "at_s": reward.at_s}


def reward_from(row: Row) -> OweReward:
    return OweReward(row["rep_number"], row["at_s"])


def decision_row(decision: Decision) -> dict[str, Any]:
    return {
        "at_s": decision.at_s,
        "choice": decision.choice.value,
        "because": decision.because.value,
        "rule": decision.rule,
        "behaviour": decision.behaviour,
        "step": decision.step,
        "new_step": decision.new_step,
        "reps": json.dumps(decision.reps),
        "correct": decision.correct,
    }


def decision_from(row: Row) -> Decision:
    return Decision(
        choice=Choice(row["choice"]),
        because=Because(row["because"]),
        at_s=row["at_s"],
        behaviour=row["behaviour"],
        step=row["step"],
        new_step=row["new_step"],
        reps=tuple(json.loads(row["reps"])),
        correct=row["correct"],
        rule=row["rule"],
    )


def prompt_row(prompt: SaidPrompt) -> dict[str, Any]:
    return {
        "key": prompt.key,
        "text": prompt.text,
        "start_s": prompt.start_s,
        "end_s": prompt.end_s,
        "why": prompt.why,
        "behaviour": prompt.behaviour,
    }


def prompt_from(row: Row) -> SaidPrompt:
    return SaidPrompt(row["key"], row["text"], row["start_s"], row["end_s"], row["why"], row["behaviour"])


def correction_row(made: MadeCorrection) -> dict[str, Any]:
    correction = made.correction
    changed = rep_row(correction.rep) if correction.rep else dict.fromkeys(_REP)
    changed = {name: value for name, value in changed.items() if name not in ("number", "added")}
    return {
        "rep_number": correction.rep_number,
        "before": _text(correction.before),
        "after": _text(correction.after),
        "why": correction.why,
        "at_s": correction.at_s,
        "who": made.who,
        "made_at": time_text(made.made_at),
        "part_of": made.part_of,
        "undoes": made.undoes,
        **changed,
    }


def correction_from(row: Row) -> MadeCorrection:
    number = row["rep_number"]
    rep = None if row["behaviour"] is None else _rep(row, number, row["outcome"])
    before, after = _outcome(row["before"]), _outcome(row["after"])
    correction = Correction(number, before, after, row["why"], row["at_s"], rep)
    return MadeCorrection(correction, row["who"], datetime.fromisoformat(row["made_at"]), row["part_of"], row["undoes"])


def note_row(note: Note) -> dict[str, Any]:
    return {"at_s": note.at_s, "seconds": note.seconds, "wav": note.wav}


def note_from(row: Row) -> Note:
    return Note(row["at_s"], row["seconds"], row["wav"])


def gap_row(gap: Gap) -> dict[str, Any]:
    return {"at_s": gap.at_s, "lost_s": gap.lost_s}


def gap_from(row: Row) -> Gap:
    return Gap(row["at_s"], row["lost_s"])


def session_row(session: Session) -> dict[str, Any]:
    ended_at = None if session.ended_s is None else time_text(session.wall_time(session.ended_s))
    return {
        "id": session.id,
        "dog": session.dog,
        "handler": session.handler,
        "place": session.place,
        "started_at": time_text(session.started_at),
        "plan_text": session.plan_text,
        "plan_sha256": session.plan_sha256,
        "tool_version": session.tool_version,
        "model": session.model,
        "model_sha256": session.model_sha256,
        "source": session.source,
        "ended_s": session.ended_s,
        "ended_at": ended_at,
        "end_reason": session.end_reason and session.end_reason.value,
    }


def behaviour_rows(session: Session) -> list[dict[str, Any]]:
    return [
        {
            "session_id": session.id,
            "number": number,
            "name": behaviour.name,
            "tag": behaviour.tag.value,
            "start_step": behaviour.start_step,
            "steps": json.dumps(behaviour.steps, ensure_ascii=False),
            "step": behaviour.step,
            "raised_today": int(behaviour.raised_today),
        }
        for number, behaviour in enumerate(session.behaviours, start=1)
    ]


def whole(log: SessionLog) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Every table a session is written to, in an order that keeps references whole, with its rows."""
    yield "sessions", [session_row(log.session)]
    yield "behaviours", behaviour_rows(log.session)
    lists: tuple[tuple[str, Iterable[dict[str, Any]]], ...] = (
        ("words", map(word_row, log.words)),
        ("reps", (rep_row(judged.live or judged.rep, judged.added) for judged in log.reps)),
        ("rewards", map(reward_row, log.rewards)),
        ("decisions", map(decision_row, log.decisions)),
        ("prompts", map(prompt_row, log.prompts)),
        ("corrections", map(correction_row, log.corrections)),
        ("notes", map(note_row, log.notes)),
        ("gaps", map(gap_row, log.gaps)),
    )
    for table, new in lists:
        # a rep brings its own number
        yield table, [{"session_id": log.session.id, "number": at, **row} for at, row in enumerate(new, start=1)]


def behaviour_from(row: Row) -> TrainedBehaviour:
    return TrainedBehaviour(
        name=row["name"],
        tag=Tag(row["tag"]),
        start_step=row["start_step"],
        steps=tuple(json.loads(row["steps"])),
        step=row["step"],
        raised_today=bool(row["raised_today"]),
    )


def session_from(row: Row, behaviours: tuple[TrainedBehaviour, ...]) -> Session:
    return Session(
        id=row["id"],
        dog=row["dog"],
        handler=row["handler"],
        place=row["place"],
        started_at=datetime.fromisoformat(row["started_at"]),
        plan_text=row["plan_text"],
        plan_sha256=row["plan_sha256"],
        tool_version=row["tool_version"],
        model=row["model"],
        model_sha256=row["model_sha256"],
        source=row["source"],
        behaviours=behaviours,
        ended_s=row["ended_s"],
        end_reason=EndReason(row["end_reason"]) if row["end_reason"] else None,
    )


def _text(label: Role | Instruction | Outcome | None) -> str | None:
    return None if label is None else label.value


def _outcome(text: str | None) -> Outcome | None:
    return None if text is None else Outcome(text)


def _word_columns(prefix: str, word: HeardWord | None) -> dict[str, Any]:
    """The four columns of a word inside a rep; all NULL when there was none."""
    return {
        f"{prefix}_text": word and word.text,
        f"{prefix}_start_s": word and word.start_s,
        f"{prefix}_end_s": word and word.end_s,
        f"{prefix}_confidence": word and word.confidence,
    }


def _word_of(prefix: str, row: Row) -> HeardWord | None:
    if row[f"{prefix}_text"] is None:
        return None
    return HeardWord(*(row[f"{prefix}_{part}"] for part in ("text", "start_s", "end_s", "confidence")))


_REP = tuple(rep_row(Rep(1, "", 1, Outcome.CORRECT, 0.0, 0.0)))
"""Columns of a rep."""
