"""What the rep machine makes likely: how words are read while a cue is open, while none is, and looking back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from handsfree.core import expecting, trial
from handsfree.core.confidence import LEAST_FOUND, log_odds, named
from handsfree.core.events import (
    OTHER_SPEECH,
    Breath,
    Decided,
    EndReason,
    HeardWord,
    Ignored,
    LogWord,
    Outcome,
    OweReward,
    Reason,
    Role,
    SaveRep,
    SessionEvent,
)
from handsfree.core.expecting import CUE_LACKING, EXPECTED_S, LIKELIER
from handsfree.core.replay import differences, replay
from handsfree.core.sitting import Sitting
from handsfree.core.trial import Happening, Phase
from handsfree.core.vocabulary import Vocabulary
from handsfree.edges.store import Store
from tests.helpers import INSTRUCTIONS, event, logged, reps, sitting, small_plan, wait
from tests.logs import start

PLAN = small_plan()
MEANINGS = Vocabulary(PLAN, INSTRUCTIONS).meanings


def may_be(start_s: float = 2.0, **readings: float) -> HeardWord:
    """A word of several readings, `_` for other speech and for a space, named with nothing expected."""
    told = {text.replace("_", " ") if text != "_" else OTHER_SPEECH: sure for text, sure in readings.items()}
    return named(HeardWord(OTHER_SPEECH, start_s, start_s + 0.4, 0.5, readings=told), {})


def machine(*events: SessionEvent) -> trial.TrialState:
    state = trial.start(PLAN.behaviours)
    for one in events:
        state, _ = trial.step(state, one)
    return state


def read(state: trial.TrialState, word: HeardWord, outcome_next: bool = False) -> HeardWord:
    breath = Breath((word,), word.end_s)
    return expecting.in_light_of(state, breath, MEANINGS, outcome_next=outcome_next).words[0]


SIT, STAY = event(Role.CUE, "sit", 1.0, "sit"), event(Role.CUE, "stay", 1.0, "stay")
BRUSH, YES = event(Role.CUE, "brush", 1.0, "brush"), event(Role.MARKER, "yes", 2.0)


@pytest.mark.parametrize(
    ("before", "word", "taken_for", "by"),
    [
        ([SIT], may_be(yes=0.3, sit=0.4), "yes", LIKELIER[Phase.OPEN][Happening.MARKER]),
        ([SIT], may_be(oops=0.3, leave_it=0.6), "oops", LIKELIER[Phase.OPEN][Happening.ERROR]),
        ([SIT], may_be(leave_it=0.6, sit=0.3), "sit", 0),
        ([SIT], may_be(leave_it=0.9, sit=0.1), "leave it", LIKELIER[Phase.OPEN][Happening.OTHER_CUE]),
        ([SIT], may_be(all_done=0.4), "all done", 0),
        ([STAY], may_be(all_done=0.4, stay=0.5), "all done", LIKELIER[Phase.OPEN][Happening.RELEASE]),
        ([SIT], may_be(bram=0.5), "bram", 0),
        ([SIT], may_be(growling=0.3, yes=0.25), "growling", 0),
        ([SIT, YES], may_be(3.0, sit=0.3, yes=0.35), "sit", LIKELIER[Phase.READY][Happening.CUE]),
        ([SIT, YES], may_be(3.0, leave_it=0.3, oops=0.6), "leave it", LIKELIER[Phase.READY][Happening.OTHER_CUE]),
        ([SIT, YES], may_be(3.0, yes=0.3), "yes", 0),
        ([], may_be(oops=0.9), "oops", LIKELIER[Phase.NO_BEHAVIOUR][Happening.ERROR]),
        ([BRUSH, YES], may_be(5.0, oops=0.5), "oops", 0),
        ([SIT], may_be(1.4 + 3.01, yes=0.3, sit=0.25), "sit", LIKELIER[Phase.READY][Happening.CUE]),
        ([STAY], may_be(1.4 + EXPECTED_S - 0.01, yes=0.3), "yes", LIKELIER[Phase.OPEN][Happening.MARKER]),
        ([STAY], may_be(1.4 + EXPECTED_S + 0.01, yes=0.3, leave_it=0.4), "leave it", 0),
    ],
)
def test_what_may_happen_next_is_likelier(before, word, taken_for, by):
    after = read(machine(*before), word)
    assert after.text == taken_for
    assert log_odds(after.confidence) - log_odds(word.readings[taken_for]) == pytest.approx(by)


def test_other_speech_becomes_a_word_only_where_that_is_likely_enough():
    open_rep, ready = machine(SIT), machine(SIT, YES)
    outcome = may_be(3.0, _=0.9, yes=LEAST_FOUND - 0.2)
    assert read(open_rep, outcome).text == "yes"
    assert (read(ready, outcome).text, read(ready, outcome).confidence) == (OTHER_SPEECH, 0.9)
    cue = may_be(3.0, _=0.6, leave_it=LEAST_FOUND + 0.1)
    assert cue.text == read(ready, cue).text == "leave it"
    assert (read(open_rep, cue).text, read(open_rep, cue).confidence) == (OTHER_SPEECH, 0.6)


def test_an_ear_without_calibrated_readings_is_taken_at_its_word():
    word = HeardWord("yes", 2.0, 2.4, 0.1)
    assert read(machine(SIT), word) is word


def test_an_outcome_next_makes_a_cue_likelier_where_none_is_open():
    word = may_be(3.0, sit=0.05)
    for state, by in ((machine(SIT, YES), LIKELIER[Phase.READY][Happening.CUE] + CUE_LACKING), (machine(SIT), 0)):
        after = read(state, word, outcome_next=True)
        assert log_odds(after.confidence) - log_odds(0.05) == pytest.approx(by)


def hear(session, *words: HeardWord):
    """Each word is a breath of its own; all that happened."""
    return [effect for word in words for effect in session.hear(Breath((word,), word.end_s))]


def test_a_doubtful_cue_counts_when_an_outcome_word_follows_that_lacks_one():
    session = sitting(PLAN)
    effects = hear(session, may_be(1.0, leave_it=0.05), may_be(2.0, yes=0.9))
    (rep,) = reps(effects)
    assert (rep.behaviour, rep.outcome, rep.cue.start_s) == ("leave it", Outcome.CORRECT, 1.0)
    doubted, cue, marker = logged(effects)
    assert isinstance(doubted, Ignored)
    assert doubted.reason is Reason.UNSURE
    assert isinstance(cue, SessionEvent)
    assert cue.word.start_s == doubted.word.start_s
    assert cue.word.confidence > doubted.word.confidence
    assert marker.role is Role.MARKER


def test_other_speech_may_have_been_the_cue():
    effects = hear(sitting(PLAN), may_be(1.0, _=0.9, sit=0.3), may_be(2.0, oops=0.97))
    assert [(rep.behaviour, rep.outcome) for rep in reps(effects)] == [("sit", Outcome.INCORRECT)]


@pytest.mark.parametrize(
    ("doubtful", "outcome"),
    [
        (may_be(1.0, sit=0.002), may_be(2.0, yes=0.9)),  # too unsure for that
        (may_be(1.0, sit=0.05), may_be(1.4 + 3.01, yes=0.9)),  # its window is over
        (may_be(1.0, stay=0.05), may_be(1.4 + EXPECTED_S + 0.01, yes=0.9)),
        (may_be(1.0, yes=0.05), may_be(2.0, yes=0.9)),  # no cue
        (may_be(1.0, sit=0.05), may_be(2.0, bram=0.9)),  # no outcome
        (may_be(1.0, sit=0.05), may_be(2.0, all_done=0.9)),
    ],
)
def test_what_stays_in_doubt(doubtful, outcome):
    effects = hear(sitting(PLAN), doubtful, outcome)
    assert reps(effects) == []
    assert not any(isinstance(one, SessionEvent) and one.role is Role.CUE for one in logged(effects))


def test_a_word_that_counts_leaves_no_cue_before_it_in_doubt():
    session = sitting(PLAN)
    hear(session, may_be(1.0, sit=0.9), may_be(2.0, leave_it=0.3), may_be(3.0, yes=0.9))
    (rep,) = reps(hear(session, may_be(5.0, yes=0.9)))
    assert (rep.behaviour, rep.cue) == ("sit", None)


def test_a_cue_from_before_the_last_rep_ended_is_not_counted_after_it():
    session = sitting(PLAN)
    closed = [*hear(session, may_be(1.0, sit=0.9), may_be(3.5, leave_it=0.3)), *wait(session, 4.5)]
    assert [rep.outcome for rep in reps(closed)] == [Outcome.NO_RESPONSE]
    (rep,) = reps(hear(session, may_be(6.0, yes=0.9)))
    assert (rep.behaviour, rep.cue) == ("sit", None)


def test_words_that_are_known_replay_as_they_were_counted():
    first, again = sitting(PLAN), sitting(PLAN)
    effects = hear(first, may_be(1.0, leave_it=0.05), may_be(2.0, yes=0.9), may_be(4.0, _=0.9, sit=0.6))
    repeated = [effect for one in logged(effects) for effect in again.take(one)]
    assert reps(repeated) == reps(effects)
    assert logged(repeated) == logged(effects)


def test_a_stored_session_with_a_cue_from_doubt_replays_to_the_byte(tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        begun = start()
        session_id = store.begin(begun)
        session = Sitting(begun.plan, INSTRUCTIONS)
        said = [may_be(1.0, leave_it=0.05), may_be(2.0, yes=0.9), may_be(4.0, _=0.9, sit=0.3), may_be(5.0, oops=0.97)]
        effects = [*hear(session, *said), *session.end(9.0, EndReason.ASKED)]
        for effect in effects:
            match effect:
                case LogWord():
                    store.add_word(effect)
                case SaveRep(rep):
                    store.add_rep(rep)
                case OweReward():
                    store.add_reward(effect)
                case Decided(decision):
                    store.add_decision(decision)
        store.end(session_id, EndReason.ASKED, 9.0)
        log = store.session_log(session_id)
    assert [one.rep.cue.start_s for one in log.reps] == [1.0, 4.0]
    assert differences(log, replay(log, begun.plan)) == []


def test_a_cue_in_doubt_during_a_prompt_is_not_counted():
    session = sitting(PLAN)
    session.prompt_played(0.9, 1.5)
    effects = hear(session, may_be(1.0, sit=0.05), may_be(2.0, yes=0.9))
    assert reps(effects) == []
    assert [one.reason for one in logged(effects) if isinstance(one, Ignored)][-2:] == [
        Reason.DURING_PROMPT,
        Reason.NO_BEHAVIOUR,
    ]


def test_readings_move_with_a_voice_of_her_own():
    from handsfree.core.voice import eased

    word = replace(may_be(yes=0.3, sit=0.2), text="yes")
    (after,) = eased(Breath((word,), 2.4), {"sit": 1.0}, 0.15).words
    assert log_odds(after.readings["sit"]) - log_odds(0.2) == pytest.approx(1.0)
    assert after.readings["yes"] == 0.3
