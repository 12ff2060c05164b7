"""All sessions of one dog, read together: a few queries over the whole log rather than many over each session."""

from __future__ import annotations

import gc
from collections import Counter, defaultdict
from datetime import datetime
from itertools import groupby
from operator import itemgetter
from typing import Any

from handsfree.core.events import Because, Choice, Instruction, Outcome, Role
from handsfree.core.history import History, PastRep, PastSession
from handsfree.core.log import TrainedBehaviour
from handsfree.core.stats import overlap_s
from handsfree.edges.store import rows
from handsfree.edges.store.database import LogFile

_OF_DOG = "FROM sessions AS s CROSS JOIN {table} AS r ON r.session_id = s.id WHERE s.dog = ? COLLATE NOCASE"
_REP = (
    "s.rowid, r.number, r.behaviour, r.step, {judged}, r.start_s, r.end_s, "
    "CASE WHEN {judged} = 'correct' THEN r.outcome_start_s - r.cue_end_s END"
)
_COUNTED = f"SELECT {_REP.format(judged='r.outcome')} {_OF_DOG.format(table='reps')}"
# The view judges each rep by its corrections, which takes time: only those that were corrected are asked of it.
_CORRECTED = (
    f"SELECT {_REP.format(judged='r.judged')} FROM sessions AS s CROSS JOIN corrections AS c ON c.session_id = s.id "
    "JOIN judged_reps AS r ON r.session_id = c.session_id AND r.number = c.rep_number WHERE s.dog = ? COLLATE NOCASE"
)
_REWARDS = f"SELECT s.rowid, r.rep_number {_OF_DOG.format(table='rewards')}"
_WORDS = (
    f"SELECT s.rowid, r.role, r.instruction, r.accepted, r.start_s, r.end_s {_OF_DOG.format(table='words')} "
    f"AND (r.role = '{Role.SAFETY}' OR r.instruction IN ('{Instruction.PAUSE}', '{Instruction.RESUME}'))"
)
_DECISIONS = (
    f"SELECT s.rowid, r.choice, r.because, r.at_s, r.behaviour, r.new_step {_OF_DOG.format(table='decisions')} "
    f"AND r.behaviour IS NOT NULL AND r.choice != '{Choice.HOLD}'"
)
_MISSES = {Because.FIRST_STEP, Because.SECOND_LOWER, Because.SECOND_OPT_OUT}
"""Reasons to end a session that lie in one behaviour."""

Row = tuple[Any, ...]


def history(file: LogFile, dog: str) -> History:
    """Everything about one dog (its name in any case); no sessions if there are none of it. Raises UserError."""
    with file.reading():
        query = "SELECT rowid, * FROM sessions WHERE dog = ? COLLATE NOCASE ORDER BY julianday(started_at), rowid"
        sessions = file.rows(query, (dog,))
        if not sessions:
            return History(dog, ())
        # Hundreds of thousands of rows that all stay: the garbage collector would look through them again and again.
        collecting = gc.isenabled()
        gc.disable()
        try:
            return _history(file, sessions, dog)
        except ValueError as error:
            raise file.damaged(f"sessions of {dog}") from error
        finally:
            if collecting:
                gc.enable()


def _history(file: LogFile, sessions: list[rows.Row], dog: str) -> History:
    behaviours: dict[str, list[TrainedBehaviour]] = defaultdict(list)
    for planned in file.rows(f"SELECT r.* {_OF_DOG.format(table='behaviours')} ORDER BY r.rowid", (dog,)):
        behaviours[planned["session_id"]].append(rows.behaviour_from(planned))
    counted = _grouped(file.tuples(_COUNTED, (dog,)))
    corrected = _grouped(file.tuples(_CORRECTED, (dog,)))
    rewards = Counter(file.tuples(_REWARDS, (dog,)))
    words = _grouped(file.tuples(_WORDS, (dog,)))
    decisions = _grouped(file.tuples(_DECISIONS, (dog,)))
    past = []
    for session in sessions:
        at = session["rowid"]
        judged = counted.get(at, [])
        if at in corrected:
            now = {row[1]: row for row in corrected[at]}
            judged = [now.get(row[1], row) for row in judged]
        judged = sorted(judged, key=itemgetter(5, 1))
        heard = sorted(words.get(at, ()), key=itemgetter(4))
        moves = decisions.get(at, ())
        past.append(
            PastSession(
                id=session["id"],
                started_at=datetime.fromisoformat(session["started_at"]),
                handler=session["handler"],
                place=session["place"],
                behaviours=tuple(behaviours.get(session["id"], ())),
                reps=_reps(judged, rewards, _pauses(heard)),
                steps=_steps(judged, moves),
                gave_up=frozenset(
                    behaviour
                    for _, choice, because, _, behaviour, _ in moves
                    if choice == Choice.END and Because(because) in _MISSES
                ),
                safety=any(role == Role.SAFETY for _, role, *_ in heard),
            )
        )
    written = [session["rowid"] for session in sessions]
    late = sum(later < earlier for earlier, later in zip(written, written[1:], strict=False))
    return History(sessions[-1]["dog"], tuple(past), late)


def _reps(judged: list[Row], rewards: Counter[Row], pauses: list[tuple[float, float]]) -> list[PastRep]:
    found, before_s = [], 0.0
    for at, number, behaviour, step, outcome, _, end_s, to_marker_s in judged:
        time_s = end_s - before_s
        if pauses:
            time_s -= overlap_s(before_s, end_s, pauses)
        before_s = end_s
        correct = None if outcome is None else outcome == Outcome.CORRECT
        found.append(PastRep(behaviour, step, correct, to_marker_s, time_s, rewards.get((at, number), 0)))
    return found


def _pauses(heard: list[Row]) -> list[tuple[float, float]]:
    """(start, end) of each pause, session seconds, from the words that count; one never resumed has no end."""
    pauses, since = [], None
    for _, _, instruction, accepted, start_s, end_s in heard:
        if not accepted:
            continue
        if instruction == Instruction.PAUSE and since is None:
            since = start_s
        elif instruction == Instruction.RESUME and since is not None:
            pauses.append((since, end_s))
            since = None
    return [*pauses, (since, float("inf"))] if since is not None else pauses


def _steps(judged: list[Row], moves: list[Row] | tuple[()]) -> dict[str, int]:
    """Behaviour -> the step of its last rep, or of the last move after it."""
    last = {behaviour: (start_s, step) for _, _, behaviour, step, _, start_s, _, _ in judged}
    for _, choice, _, at_s, behaviour, new_step in moves:
        if choice != Choice.END and new_step is not None and at_s >= last.get(behaviour, (0.0, 0))[0]:
            last[behaviour] = (at_s, new_step)
    return {behaviour: step for behaviour, (_, step) in last.items()}


def _grouped(found: list[Row]) -> dict[int, list[Row]]:
    """Session -> its rows, which stand together."""
    return {session: list(own) for session, own in groupby(found, key=itemgetter(0))}
