"""What is said, and when: the whole pure session."""

from __future__ import annotations

from dataclasses import replace

from handsfree.core.events import (
    OTHER_SPEECH,
    Because,
    Breath,
    Choice,
    EndReason,
    HeardWord,
    KeepNote,
    Say,
    Tone,
)
from handsfree.core.plan import Limits, Sound
from tests.helpers import decisions, reps, say, sitting, small_plan, wait

PLENTY = Limits(time_s=3600, handling_time_s=3600, reps_per_behaviour=500)


def all_due(session) -> list[Say]:
    out = []
    while (one := session.due()) is not None:
        out.append(one)
    return out


def rounds(session, cue, outcomes, start_s=0.0, every_s=6.0):
    """A rep each `every_s`: y marked, n error word."""
    effects = []
    for number, outcome in enumerate(outcomes):
        at = start_s + number * every_s
        effects += say(session, (cue, at), ("yes" if outcome == "y" else "oops", at + 1.5))
    return effects


def test_a_lapse_lowers_and_says_so_between_reps():
    session = sitting(small_plan(limits=PLENTY))
    rounds(session, "sit", "nn")
    assert all_due(session) == [Say("lower", (("behaviour", "sit"), ("step", 1)))]
    assert session.step == 1


def test_a_prompt_waits_until_the_open_rep_is_closed():
    session = sitting(small_plan(limits=PLENTY))
    rounds(session, "sit", "nn")
    say(session, ("sit", 20.0))
    assert session.due() is None
    say(session, ("yes", 21.0))
    assert session.due().key == "lower"


def test_the_safety_line_does_not_wait():
    session = sitting()
    say(session, ("sit", 1.0), ("growling", 2.0))
    assert session.due() == Say("safety", urgent=True)


def test_a_safety_word_that_is_too_unsure_is_asked_for_again_at_once():
    session = sitting()
    say(session, ("sit", 1.0))
    effects = session.hear(Breath((HeardWord("growling", 2.0, 2.5, 0.05),), 2.6))
    assert session.due() == Say("safety_unsure", urgent=True)
    assert not decisions(effects)
    say(session, ("growling", 4.0))
    assert session.due() == Say("safety", urgent=True)


def test_talk_of_growling_asks_nothing():
    session = sitting()
    before, after = HeardWord(OTHER_SPEECH, 1.0, 1.9), HeardWord(OTHER_SPEECH, 2.5, 3.0)
    session.hear(Breath((before, HeardWord("growling", 2.0, 2.5, 0.05), after), 3.5))
    assert session.due() is None


def test_no_raise_is_said_in_a_session_with_a_safety_flag():
    session = sitting(small_plan(limits=PLENTY))
    say(session, ("growling", 0.5))
    effects = rounds(session, "sit", "yyyyyyyyyy", start_s=5.0)
    assert Choice.RAISE not in [d.choice for d in decisions(effects)]
    assert [one.key for one in all_due(session)] == ["safety"]


def test_a_limit_is_announced_once_and_the_session_closes_after_the_easy_one():
    session = sitting(small_plan(limits=Limits(time_s=30.0)))
    effects = wait(session, 31.0)
    assert [d.because for d in decisions(effects)] == [Because.TIME]
    assert [one.key for one in all_due(session)] == ["end"]
    assert not decisions(wait(session, 33.0))
    rounds(session, "sit", "y", start_s=34.0)
    wait(session, 40.0)
    assert session.finished(40.0) is None
    assert session.finished(46.0) is EndReason.TIME


def test_who_goes_on_after_the_end_is_still_counted():
    session = sitting(small_plan(limits=Limits(time_s=30.0, reps_per_behaviour=100)))
    wait(session, 31.0)
    effects = rounds(session, "sit", "yyyy", start_s=34.0)
    assert len(reps(effects)) == 4
    assert session.finished(60.0) is None


def test_a_session_left_alone_after_the_end_closes_itself():
    session = sitting(small_plan(limits=Limits(time_s=30.0)))
    wait(session, 31.0)
    assert session.finished(50.0) is None
    assert session.finished(62.0) is EndReason.TIME


def test_a_second_opt_out_says_stop_now():
    session = sitting(small_plan(limits=PLENTY))
    rounds(session, "brush", "yn")
    assert [one.key for one in all_due(session)] == ["rest"]
    rounds(session, "brush", "n", start_s=20.0)
    assert [one.key for one in all_due(session)] == ["stop_now"]


def test_being_at_the_top_is_said_once():
    session = sitting(small_plan(limits=PLENTY), sit=3)
    said = []
    for number in range(20):
        rounds(session, "sit", "y", start_s=number * 6.0)
        said += all_due(session)
    assert [one.key for one in said] == ["top_step"]


def test_answers_to_instructions():
    session = sitting(small_plan(limits=PLENTY))
    rounds(session, "sit", "yyn")
    say(session, ("notebook how are we doing", 30.0))
    say(session, ("notebook how long", 35.0), ("notebook next step", 40.0), ("notebook next step", 45.0))
    say(session, ("notebook now stay", 50.0))
    assert all_due(session) == [
        Say("score", (("correct", 2), ("count", 3))),
        Say("minutes_left", (("minutes", 59),)),
        Say("step", (("behaviour", "sit"), ("step", 3))),
        Say("no_step"),
        Say("now", (("behaviour", "stay"),)),
    ]


def test_a_behaviour_can_be_spoken_of_by_another_name():
    first = replace(small_plan().behaviours[0], say="seat")
    session = sitting(small_plan(limits=PLENTY, behaviours=(first,)))
    rounds(session, "sit", "nn")
    assert all_due(session)[0].fields[0] == ("behaviour", "seat")


def test_a_chosen_step_is_a_decision_of_its_own():
    session = sitting()
    say(session, ("sit", 1.0), ("yes", 2.0))
    (decision,) = decisions(say(session, ("notebook step back", 5.0)))
    assert (decision.choice, decision.because, decision.new_step) == (Choice.LOWER, Because.ASKED, 1)


def test_notes_are_kept_only_when_the_plan_allows_it():
    assert not [e for e in say(sitting(), ("notebook take a note", 1.0)) if isinstance(e, KeepNote)]
    allowed = sitting(small_plan(sound=Sound(notes=True)))
    assert [e for e in say(allowed, ("notebook take a note", 1.0)) if isinstance(e, KeepNote)] == [KeepNote(1.4)]


def test_end_session_is_obeyed():
    session = sitting()
    say(session, ("notebook end session", 1.0))
    assert session.finished(1.5) is EndReason.ASKED


def test_the_counted_tone_follows_the_saved_rep():
    plan = small_plan()
    session = sitting(replace(plan, prompts=replace(plan.prompts, counted_tone=True)))
    effects = say(session, ("sit", 1.0), ("yes", 2.0))
    kinds = [type(effect).__name__ for effect in effects]
    assert Tone("counted") in effects
    assert kinds.index("SaveRep") < kinds.index("Tone")


def test_steps_reached_before_are_taken_up_and_impossible_ones_are_not():
    assert sitting(sit=3).trial.steps["sit"] == 3
    assert sitting(sit=9).trial.steps["sit"] == 2
    assert "gone" not in sitting(gone=1).trial.steps


def test_the_rep_that_spends_the_last_treat_is_not_the_easy_one_after_the_end():
    session = sitting(small_plan(limits=Limits(time_s=600.0, reps_per_behaviour=99, treats=1)))
    rounds(session, "sit", "y", start_s=1.0)
    assert session.finished(20.0) is None
    assert session.finished(33.0) is EndReason.TREATS


def test_a_rep_under_way_when_time_is_up_is_not_the_easy_one():
    session = sitting(small_plan(limits=Limits(time_s=30.0)))
    say(session, ("sit", 29.0))
    wait(session, 30.5)
    say(session, ("yes", 31.0))
    assert session.finished(45.0) is None
    say(session, ("sit", 45.5), ("yes", 46.5))
    assert session.finished(50.0) is None
    assert session.finished(57.0) is EndReason.TIME


def test_what_waited_to_be_said_is_dropped_at_the_safety_word():
    session = sitting(small_plan(limits=PLENTY))
    effects = rounds(session, "sit", "yyyyy")
    assert [d.choice for d in decisions(effects)] == [Choice.RAISE]
    say(session, ("growling", 90.0))
    assert [one.key for one in all_due(session)] == ["safety"]


def test_the_time_of_handling_stops_with_the_handling():
    session = sitting()
    say(session, ("brush", 1.0), ("yes", 2.0), ("sit", 10.0), ("yes", 11.0))
    assert not decisions(wait(session, 100.0))


def test_a_cue_after_a_window_that_ran_out_is_given_at_the_step_decided_then():
    """Whether or not silence was reported in between."""
    session = sitting(small_plan(limits=PLENTY))
    effects = say(session, ("sit", 1.0), ("oops", 2.0), ("sit", 6.0), ("sit", 12.0), ("yes", 13.0))
    assert [(rep.step, rep.outcome) for rep in reps(effects)] == [(2, "incorrect"), (2, "no_response"), (1, "correct")]


def test_a_session_does_not_close_while_a_rep_is_open():
    session = sitting(small_plan(limits=Limits(time_s=30.0)))
    wait(session, 31.0)
    say(session, ("stay", 33.0))
    wait(session, 80.0)
    assert session.finished(80.0) is None


def test_nothing_is_raised_aloud_once_the_end_was_announced():
    session = sitting(small_plan(limits=Limits(time_s=30.0, reps_per_behaviour=100)))
    wait(session, 31.0)
    effects = rounds(session, "sit", "yyyyy", start_s=34.0)
    assert Choice.RAISE in [d.choice for d in decisions(effects)]
    assert [one.key for one in all_due(session)] == ["end"]


def test_a_question_asked_twice_before_the_answer_is_answered_once():
    session = sitting(small_plan(limits=PLENTY))
    say(session, ("notebook how are we doing", 1.0), ("notebook how are we doing", 3.0))
    assert all_due(session) == [Say("no_score")]
