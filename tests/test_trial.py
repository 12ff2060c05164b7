"""The rep machine, each row of the issue of a rep as a short conversation."""

from __future__ import annotations

import pytest

from handsfree.core import trial
from handsfree.core.events import Breath, EndReason, Ignored, Outcome, OweReward, Reason, SessionEvent
from handsfree.core.trial import TABLE, Happening, Phase
from tests.helpers import heard, logged, reps, say, sitting, small_plan, wait

C, I, N = Outcome.CORRECT, Outcome.INCORRECT, Outcome.NO_RESPONSE  # noqa: E741


def outcomes(effects):
    return [(rep.behaviour, rep.outcome) for rep in reps(effects)]


def fates(effects):
    return [one.reason if isinstance(one, Ignored) else "counts" for one in logged(effects)]


def test_cue_then_marker_is_correct():
    (rep,) = reps(say(sitting(), ("sit", 1.0), ("yes", 2.0)))
    assert (rep.number, rep.behaviour, rep.step, rep.outcome) == (1, "sit", 2, C)
    assert (rep.start_s, rep.end_s) == (1.0, 2.4)
    assert rep.cue_to_marker_s == pytest.approx(0.6)


def test_cue_then_error_word_is_incorrect():
    (rep,) = reps(say(sitting(), ("sit", 1.0), ("oops", 2.0)))
    assert rep.outcome is I
    assert rep.cue_to_marker_s is None


def test_nothing_within_the_window_is_no_response():
    session = sitting()
    assert not reps(say(session, ("sit", 1.0)))
    assert not reps(wait(session, 4.4))  # the window of 3 s begins at the cue's end, 1.4
    (rep,) = reps(wait(session, 4.5))
    assert (rep.outcome, rep.start_s, rep.end_s, rep.recue) == (N, 1.0, 4.4, False)


def test_a_marker_that_starts_inside_the_window_counts_even_when_it_is_reported_later():
    session = sitting()
    assert outcomes(say(session, ("sit", 1.0), ("yes", 4.3))) == [("sit", C)]


def test_the_same_cue_again_closes_the_rep_as_recue():
    effects = say(sitting(), ("sit", 1.0), ("sit", 2.5), ("yes", 3.5))
    first, second = reps(effects)
    assert (first.outcome, first.recue, first.end_s) == (N, True, 2.5)
    assert (second.outcome, second.start_s) == (C, 2.5)


def test_another_cue_phrase_of_the_same_behaviour_is_a_recue_too():
    first, _ = reps(say(sitting(), ("sit", 1.0), ("park it", 2.5), ("yes", 3.5)))
    assert first.recue


def test_another_behaviours_cue_closes_and_opens():
    first, second = reps(say(sitting(), ("sit", 1.0), ("leave it", 2.5), ("yes", 3.5)))
    assert (first.behaviour, first.outcome, first.recue) == ("sit", N, False)
    assert (second.behaviour, second.outcome) == ("leave it", C)


def test_a_marker_without_a_cue_is_an_uncued_correct_rep_of_the_current_behaviour():
    _, second = reps(say(sitting(), ("sit", 1.0), ("yes", 2.0), ("yes", 6.0)))
    assert (second.behaviour, second.outcome, second.cue, second.cue_to_marker_s) == ("sit", C, None, None)
    assert second.start_s == 2.4  # where the first one ended


def test_a_marker_before_any_behaviour_is_ignored_by_name():
    effects = say(sitting(), ("yes", 1.0))
    assert fates(effects) == [Reason.NO_BEHAVIOUR]
    assert not reps(effects)


def test_with_one_behaviour_in_the_plan_it_is_current_from_the_start():
    plan = small_plan(behaviours=small_plan().behaviours[:1])
    assert outcomes(say(sitting(plan), ("yes", 1.0))) == [("sit", C)]


def test_two_markers_in_one_rep_are_one_rep_and_two_rewards():
    effects = say(sitting(), ("sit", 1.0), ("yes", 2.0), ("yes", 2.6))
    assert len(reps(effects)) == 1
    assert [effect.rep_number for effect in effects if isinstance(effect, OweReward)] == [1, 1]


def test_duration_is_marked_after_the_hold_and_a_broken_position_is_an_error():
    held, broken = reps(say(sitting(), ("stay", 1.0), ("yes", 31.0), ("stay", 40.0), ("oops", 45.0)))
    assert (held.outcome, held.cue_to_marker_s) == (C, pytest.approx(29.6))
    assert broken.outcome is I


def test_the_release_word_ends_an_unmarked_hold_as_correct_without_a_reward():
    effects = say(sitting(), ("stay", 1.0), ("all done", 11.0))
    (rep,) = reps(effects)
    assert (rep.outcome, rep.released, rep.outcome_word) == (C, True, None)
    assert not [effect for effect in effects if isinstance(effect, OweReward)]


def test_a_release_word_elsewhere_ends_nothing():
    effects = say(sitting(), ("sit", 1.0), ("all done", 2.0), ("yes", 3.0))
    assert fates(effects) == ["counts", Reason.NO_OPEN_REP, "counts"]
    assert outcomes(effects) == [("sit", C)]


def test_an_error_word_without_a_cue_is_an_opt_out_while_handling_only():
    effects = say(sitting(), ("brush", 1.0), ("yes", 2.0), ("oops", 6.0))
    assert outcomes(effects) == [("brush", C), ("brush", I)]
    effects = say(sitting(), ("sit", 1.0), ("yes", 2.0), ("oops", 6.0))
    assert fates(effects)[-1] is Reason.NO_OPEN_REP


def test_words_during_a_prompt_are_ignored_but_the_safety_word_is_not():
    session = sitting()
    session.prompt_played(1.0, 2.5)
    effects = say(session, ("sit", 1.2), ("growling", 2.2), ("sit", 3.0))
    assert fates(effects) == [Reason.DURING_PROMPT, "counts", "counts"]


def test_a_session_that_ends_in_mid_rep_does_not_invent_an_outcome():
    session = sitting()
    say(session, ("sit", 1.0))
    assert not reps(session.end(2.0, EndReason.ASKED))


def test_a_window_that_is_over_before_the_end_closes_the_rep():
    session = sitting()
    say(session, ("sit", 1.0))
    assert outcomes(session.end(60.0, EndReason.ASKED)) == [("sit", N)]


def test_words_after_the_end_are_ignored_by_name():
    session = sitting()
    session.end(2.0, EndReason.ASKED)
    assert fates(say(session, ("sit", 3.0), ("growling", 4.0))) == [Reason.SESSION_OVER] * 2


@pytest.mark.parametrize("said", ["how are we doing", "how long", "that was wrong", "undo that", "take a note"])
def test_an_instruction_in_mid_rep_does_not_spoil_the_rep(said):
    effects = say(sitting(), ("sit", 1.0), ("yes", 2.0), ("sit", 5.0), (f"notebook {said}", 6.0), ("yes", 7.0))
    assert outcomes(effects) == [("sit", C), ("sit", C)]


def test_a_step_changed_in_mid_rep_holds_from_the_next_rep():
    effects = say(sitting(), ("sit", 1.0), ("notebook next step", 2.0), ("yes", 3.0), ("sit", 6.0), ("yes", 7.0))
    assert [rep.step for rep in reps(effects)] == [2, 3]


def test_a_behaviour_named_in_mid_rep_holds_from_the_next_rep():
    effects = say(sitting(), ("sit", 1.0), ("notebook now stay", 2.0), ("yes", 3.5), ("yes", 9.0))
    assert outcomes(effects) == [("sit", C), ("stay", C)]


def test_pause_and_resume():
    session = sitting()
    effects = say(session, ("sit", 1.0), ("yes", 2.0), ("notebook take a break", 4.0), ("sit", 6.0), ("yes", 7.0))
    assert fates(effects)[-2:] == [Reason.PAUSED] * 2
    effects = say(session, ("notebook carry on", 20.0), ("yes", 25.0))
    (rep,) = reps(effects)
    assert rep.start_s == 20.4  # the pause is no part of an uncued rep


def test_pause_in_mid_rep_waits_for_the_outcome():
    session = sitting()
    effects = say(session, ("sit", 1.0), ("notebook take a break", 2.0), ("yes", 3.0), ("sit", 5.0))
    assert outcomes(effects) == [("sit", C)]
    assert fates(effects)[-1] is Reason.PAUSED


def test_pause_in_mid_rep_without_an_outcome_is_no_rep():
    session = sitting()
    say(session, ("sit", 1.0), ("notebook take a break", 2.0))
    assert not reps(wait(session, 60.0))
    assert session.trial.phase is Phase.PAUSED


def test_corrections_by_voice_go_back_rep_by_rep():
    session = sitting()
    say(session, ("sit", 1.0), ("yes", 2.0), ("sit", 5.0), ("oops", 6.0))
    say(session, ("notebook undo that", 8.0), ("notebook that was wrong", 10.0))
    assert session.trial.verdicts == (I, None)
    effects = say(session, ("notebook undo that", 12.0), ("notebook undo that", 14.0))
    assert fates(effects) == ["counts", Reason.NOTHING_TO_CORRECT]


def test_the_table_has_an_answer_for_everything_that_can_happen():
    never = {
        # a second marker is told apart only after a rep; windows and repeats belong to an open rep
        Happening.MARKER_AGAIN: {Phase.NO_BEHAVIOUR, Phase.OPEN, Phase.PAUSED},
        Happening.WINDOW_OVER: set(Phase) - {Phase.OPEN},
        Happening.SAME_CUE: {Phase.NO_BEHAVIOUR, Phase.READY, Phase.PAUSED},
        Happening.CUE: {Phase.OPEN},
    }
    for phase in Phase:
        for happening in Happening:
            assert (happening in TABLE[phase]) != (phase in never.get(happening, ())), (phase, happening)


def test_an_event_never_changes_the_state_it_was_given():
    state = trial.start(small_plan().behaviours)
    before = repr(state)
    trial.step(state, SessionEvent(heard("sit", 1.0), trial.Role.CUE, "sit"))
    assert repr(state) == before


@pytest.mark.parametrize("cue", ["sit", "stay"])
def test_after_a_pause_in_mid_rep_only_that_reps_outcome_counts(cue):
    session = sitting()
    effects = say(session, ("sit", 1.0), ("notebook take a break", 2.0), (cue, 2.8), ("yes", 3.6), ("yes", 9.0))
    assert fates(effects)[2:] == [Reason.PAUSED, "counts", Reason.PAUSED]
    assert outcomes(effects) == [("sit", C)]
    assert session.trial.phase is Phase.PAUSED


def test_a_behaviour_named_before_a_pause_in_the_same_rep_is_the_one_after_it():
    session = sitting()
    say(session, ("sit", 1.0), ("notebook now stay", 2.0), ("notebook take a break", 3.0))
    wait(session, 60.0)
    effects = say(session, ("notebook carry on", 61.0), ("yes", 70.0), ("yes", 80.0))
    assert outcomes(effects) == [("stay", C), ("stay", C)]


def test_a_pause_taken_back_in_mid_rep_does_not_come():
    effects = say(
        sitting(), ("sit", 1.0), ("notebook take a break", 2.0), ("notebook carry on", 2.5), ("yes", 3.0), ("sit", 5.0)
    )
    assert fates(effects)[-1] == "counts"


def test_a_rep_lasts_until_its_last_marker():
    effects = say(sitting(), ("sit", 1.0), ("yes", 2.0), ("yes", 3.0), ("yes", 8.0))
    assert [rep.start_s for rep in reps(effects)] == [1.0, 3.4]


def test_a_marker_soon_after_another_rep_ended_wrong_is_no_second_reward():
    effects = say(sitting(), ("sit", 1.0), ("yes", 2.0), ("sit", 2.5), ("oops", 2.9), ("yes", 3.3))
    assert outcomes(effects) == [("sit", C), ("sit", I), ("sit", C)]


def test_a_cue_that_begins_before_the_marker_has_ended_does_not_make_reps_overlap():
    words = tuple(heard(text, at) for text, at in (("sit", 1.0), ("yes", 2.0), ("sit", 2.3), ("yes", 3.5)))
    first, second = reps(sitting().hear(Breath(words, 4.0)))
    assert second.start_s == first.end_s == 2.4


def test_an_error_word_that_follows_a_handling_rep_at_once_is_about_that_rep():
    effects = say(sitting(), ("brush", 1.0), ("yes", 2.0), ("oops", 3.0), ("oops", 6.0))
    assert fates(effects)[2:] == [Reason.NO_OPEN_REP, "counts"]
    assert outcomes(effects) == [("brush", C), ("brush", I)]


def test_a_word_reported_after_a_further_prompt_is_still_known_to_lie_in_the_first():
    session = sitting()
    session.prompt_played(10.0, 11.0)
    session.prompt_played(12.0, 13.0)
    assert fates(say(session, ("sit", 10.5), ("sit", 11.5))) == [Reason.DURING_PROMPT, "counts"]
