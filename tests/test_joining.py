"""Two logs of one session become one: the same whichever comes first, nothing lost, no rep twice.

What a merge must be is that of a join of a semilattice, as of replicated data types (Shapiro, Preguiça, Baquero and
Zawirski, "Conflict-free Replicated Data Types", SSS 2011): commutative and idempotent.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from handsfree.core import corrections
from handsfree.core.corrections import Change, Kind
from handsfree.core.errors import UserError
from handsfree.core.events import EndReason, LogWord, Outcome, Role, SessionEvent
from handsfree.core.joining import join
from handsfree.core.log import JudgedRep, MadeCorrection, Session, SessionLog, TrainedBehaviour
from handsfree.core.plan import Tag
from tests.logs import STARTED, marked_rep

REPS = 4
BEHAVIOURS = tuple(TrainedBehaviour(name, Tag.PLAIN, 1, ("one", "two", "three")) for name in ("sit", "down"))
SESSION = Session(
    "ab" * 16, "Bram", "Ana", "", STARTED, "", "", "0.1.0", "en", "", "microphone", BEHAVIOURS, 99.0, EndReason.ASKED
)


def fresh(reps: int = REPS) -> SessionLog:
    counted = [marked_rep(number) for number in range(1, reps + 1)]
    words = [LogWord(SessionEvent(rep.outcome_word, Role.MARKER), rep.number) for rep in counted]
    return SessionLog(SESSION, tuple(words), tuple(JudgedRep(rep, rep.outcome) for rep in counted))


def corrected(log: SessionLog, change: Change, minute: int) -> SessionLog:
    """As Store.add_change writes it down, so many minutes after the session."""
    first, made_at = len(log.corrections) + 1, STARTED + timedelta(minutes=minute)
    made = tuple(
        MadeCorrection(one, change.who, made_at, None if at == 0 else first, change.undoes)
        for at, one in enumerate(change.corrections)
    )
    reps = corrections.judged(log.reps, change.corrections)
    return replace(log, reps=reps, corrections=(*log.corrections, *made))


def reviewed(log: SessionLog, who: str, moves) -> SessionLog:
    """A log after (minute, kind, rep) moves of a reviewer; what is refused is left out."""
    for minute, kind, number in moves:
        try:
            match kind:
                case Kind.UNDO:
                    change = corrections.undo(log, who)
                case Kind.SPLIT:
                    change = corrections.split(log, number, None, who)
                case Kind.MERGE:
                    change = corrections.merge(log, number, who)
                case Kind.BEHAVIOUR:
                    change = corrections.behaviour(log, number, "down", who)
                case _:
                    change = corrections.outcome(log, number, kind, who)
        except UserError:
            continue
        log = corrected(log, change, minute)
    return log


def said(log: SessionLog) -> Counter:
    """The corrections without their places in the log."""
    return Counter(
        (one.who, one.made_at, one.correction.before, one.correction.after, one.correction.why, one.correction.at_s)
        for one in log.corrections
    )


def moves(most: int):
    one = st.tuples(st.integers(1, 50), st.sampled_from(Kind), st.integers(1, REPS + 1))
    return st.lists(one, max_size=most).map(lambda found: sorted(found, key=lambda move: move[0]))


@settings(max_examples=150, deadline=None)
@given(moves(3), moves(4), moves(4))
@example([], [(1, Kind.MERGE, 2)], [(1, Kind.MERGE, 1), (1, Kind.WRONG, 3)])
@example([], [(1, Kind.SPLIT, 1), (1, Kind.MERGE, 1), (1, Kind.SPLIT, 1)], [])
@example(
    [(1, Kind.MERGE, 2), (1, Kind.RIGHT, 3)],
    [(1, Kind.UNDO, 1), (1, Kind.MERGE, 2)],
    [(1, Kind.WRONG, 4), (1, Kind.SPLIT, 3)],
)
def test_the_same_whichever_comes_first_and_however_often(shared, here, there):
    both = reviewed(fresh(), "Ana", shared)
    later_here = [(50 + minute, kind, number) for minute, kind, number in here]
    later_there = [(50 + minute, kind, number) for minute, kind, number in there]
    a, b = reviewed(both, "Ana", later_here), reviewed(both, "Ida", later_there)
    joined = join(a, b).log
    assert joined == join(b, a).log
    for known in (a, b, joined):
        assert join(joined, known).log == joined
        assert join(known, joined).log == joined
    assert join(a, a).log == a
    assert not said(a) - said(joined)
    assert not said(b) - said(joined)
    assert len(joined.corrections) >= len(set(said(a) | said(b)))
    assert joined.reps == corrections.judged(fresh().reps, (one.correction for one in joined.corrections))
    for number, one in enumerate(joined.corrections, start=1):
        assert (one.part_of or 0) < number
        assert one.undoes is None or joined.corrections[one.undoes - 1].who in ("Ana", "Ida")


@settings(max_examples=300, deadline=None)
@given(moves(1), moves(1))
@example([(1, Kind.SPLIT, 4)], [(1, Kind.MERGE, 3)])
@example([(1, Kind.SPLIT, 4)], [(2, Kind.MERGE, 3)])
@example([(2, Kind.SPLIT, 4)], [(1, Kind.MERGE, 3)])
def test_no_stretch_of_the_session_is_counted_twice(here, there):
    joined = join(reviewed(fresh(), "Ana", here), reviewed(fresh(), "Ida", there)).log
    standing = [one.rep for one in joined.reps if one.outcome is not None]
    assert all(before.end_s <= after.start_s for before, after in pairwise(standing))


def standing(log: SessionLog):
    return [(one.rep.number, one.outcome) for one in log.reps if one.outcome is not None]


def test_the_later_correction_counts_and_both_are_kept():
    a = reviewed(fresh(), "Ana", [(10, Kind.WRONG, 2)])
    b = reviewed(fresh(), "Ida", [(5, Kind.NO_RESPONSE, 2), (6, Kind.NO_REP, 3)])
    joined = join(a, b)
    assert (joined.both, joined.disputed) == (True, (2,))
    assert standing(joined.log) == [(1, Outcome.CORRECT), (2, Outcome.INCORRECT), (4, Outcome.CORRECT)]
    assert [one.who for one in joined.log.corrections] == ["Ida", "Ida", "Ana"]


def test_a_rep_that_both_split_is_two_reps_not_three():
    a = reviewed(fresh(), "Ana", [(10, Kind.SPLIT, 2)])
    b = reviewed(fresh(), "Ida", [(5, Kind.SPLIT, 2)])
    joined = join(a, b).log
    assert len(standing(a)) == len(standing(joined)) == REPS + 1
    taken_back = joined.corrections[-1]
    assert (taken_back.who, taken_back.correction.after, taken_back.part_of) == ("Ana", None, 3)
    # Ana takes back her split: Ida's stands again
    again = reviewed(joined, "Ana", [(20, Kind.UNDO, 2)])
    assert len(standing(again)) == REPS + 1
    assert sum(one.rep.number > REPS for one in again.reps if one.outcome is not None) == 1


def test_reps_that_one_merged_and_the_other_split_later():
    a = reviewed(fresh(), "Ana", [(5, Kind.MERGE, 1)])
    b = reviewed(fresh(), "Ida", [(10, Kind.SPLIT, 1)])
    assert [number for number, _ in standing(join(a, b).log)] == [1, 5, 2, 3, 4]


def test_reps_split_off_by_both_get_numbers_of_their_own():
    a = reviewed(fresh(), "Ana", [(5, Kind.SPLIT, 1), (6, Kind.WRONG, 5)])
    b = reviewed(fresh(), "Ida", [(10, Kind.SPLIT, 3)])
    joined = join(a, b)
    assert sorted(number for number, _ in standing(joined.log)) == [1, 2, 3, 4, 5, 6]
    assert dict(standing(joined.log))[5] is Outcome.INCORRECT
    assert not joined.disputed


def test_a_session_cut_off_in_a_copy_is_completed_by_the_whole():
    whole = fresh()
    cut = replace(fresh(2), session=replace(SESSION, ended_s=22.0, end_reason=EndReason.INTERRUPTED))
    running = replace(fresh(2), session=replace(SESSION, ended_s=None, end_reason=None))
    cut = reviewed(cut, "Ida", [(5, Kind.SPLIT, 1)])
    assert cut.reps[1].rep.number == 3  # a number that the whole session has counted live
    joined = join(cut, whole).log
    assert joined.session == SESSION
    assert joined.words == whole.words
    assert [number for number, _ in standing(joined)] == [1, 5, 2, 3, 4]
    assert join(running, whole).log == join(whole, running).log == whole


@pytest.mark.parametrize(
    "changed",
    [
        replace(fresh(), words=fresh().words[1:]),
        replace(fresh(), session=replace(SESSION, handler="Ida")),
        replace(fresh(), reps=(JudgedRep(marked_rep(1, to_marker_s=2.0), Outcome.CORRECT), *fresh().reps[1:])),
    ],
)
def test_what_was_changed_by_hand_is_refused(changed):
    with pytest.raises(UserError, match="session abababab of Bram is not the same in both logs: its .* Nothing was"):
        join(fresh(), changed)


def test_the_dog_keeps_the_name_it_has_here():
    there = replace(reviewed(fresh(), "Ida", [(5, Kind.WRONG, 1)]), session=replace(SESSION, dog="Bram 2"))
    assert join(fresh(), there).log.session.dog == "Bram"
