"""Phrases, roles and standing alone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.core.events import OTHER_SPEECH, Breath, Ignored, Instruction, Reason, Role, SessionEvent
from handsfree.core.plan import Behaviour, Ear
from handsfree.core.vocabulary import Memory, Vocabulary, sure_in_talk
from tests.helpers import INSTRUCTIONS, heard, small_plan, talk


@pytest.fixture
def vocabulary() -> Vocabulary:
    return Vocabulary(small_plan(), INSTRUCTIONS)


def breath(*words, settled_s=0.0):
    return Breath(words, settled_s)


def understand(vocabulary, *words, memory=None):
    return vocabulary.understand(memory or Memory(), breath(*words))[1]


def reasons(results):
    return [result.reason if isinstance(result, Ignored) else "counts" for result in results]


def test_each_role_is_told_apart(vocabulary):
    results = understand(
        vocabulary,
        *(heard(text, at) for at, text in enumerate(["sit", "yes", "oops", "all done", "growling"])),
    )
    assert [result.role for result in results] == [Role.CUE, Role.MARKER, Role.ERROR, Role.RELEASE, Role.SAFETY]
    assert results[0].behaviour == "sit"


def test_every_cue_phrase_means_its_behaviour(vocabulary):
    (result,) = understand(vocabulary, heard("park it", 1.0))
    assert isinstance(result, SessionEvent)
    assert result.behaviour == "sit"


def test_words_that_make_a_phrase_are_one_word_with_the_lowest_confidence(vocabulary):
    (result,) = understand(vocabulary, heard("leave", 1.0, 0.3, 0.9), heard("it", 1.35, 0.2, 0.7))
    assert (result.word.text, result.word.start_s, result.word.confidence) == ("leave it", 1.0, 0.7)
    assert result.word.end_s == pytest.approx(1.55)


def test_the_longest_phrase_wins():
    plan = small_plan(behaviours=(Behaviour("go", ("go",)), Behaviour("fetch", ("go get it",))))
    results = understand(Vocabulary(plan, {}), heard("go", 1.0, 0.2), heard("get", 1.2, 0.2), heard("it", 1.4, 0.2))
    assert [(result.word.text, result.behaviour) for result in results] == [("go get it", "fetch")]


def test_a_piece_of_a_phrase_alone_is_ignored_by_name(vocabulary):
    assert reasons(understand(vocabulary, heard("leave", 1.0))) == [Reason.PART_OF_PHRASE]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ([("bram", 0.0), ("sit", 0.5)], [Reason.NAME, "counts"]),
        ([("yes", 0.0), ("good girl", 0.5)], ["counts", Reason.PRAISE]),
        ([("yes", 0.0), ("good girl", 0.5), ("sit", 1.0)], ["counts", Reason.PRAISE, "counts"]),
        ([(None, 0.0), ("sit", 0.5)], [Reason.IN_A_SENTENCE]),
        ([("sit", 0.0), (None, 0.5)], [Reason.IN_A_SENTENCE]),
        # praise does not make a bridge out of a sentence
        ([(None, 0.0), ("good girl", 0.5), ("yes", 1.0)], [Reason.PRAISE, Reason.IN_A_SENTENCE]),
        ([("sit", 0.0), ("good girl", 0.5), (None, 1.0)], [Reason.IN_A_SENTENCE, Reason.PRAISE]),
        ([(None, 0.0), ("sit", 1.0), (None, 2.0)], ["counts"]),
        # a pause within the breath ends the run that talk has spoiled
        ([(None, 0.0), ("sit", 0.5), ("yes", 2.0)], [Reason.IN_A_SENTENCE, "counts"]),
        ([("sit", 0.0), ("yes", 2.0), (None, 2.45)], ["counts", Reason.IN_A_SENTENCE]),
        ([("leave", 0.0), ("sit", 0.5)], [Reason.PART_OF_PHRASE, Reason.IN_A_SENTENCE]),
    ],
)
def test_a_word_counts_only_when_it_stands_alone(vocabulary, words, expected):
    results = understand(vocabulary, *(heard(text, at) if text else talk(at) for text, at in words))
    assert reasons(results) == expected


def test_talk_at_the_end_of_one_breath_spoils_a_word_that_follows_at_once_in_the_next(vocabulary):
    memory, _ = vocabulary.understand(Memory(), breath(talk(0.0, 1.0)))
    assert reasons(understand(vocabulary, heard("sit", 1.35), memory=memory)) == [Reason.IN_A_SENTENCE]
    assert reasons(understand(vocabulary, heard("sit", 1.45), memory=memory)) == ["counts"]
    memory, _ = vocabulary.understand(memory, breath())
    assert reasons(understand(vocabulary, heard("sit", 1.25), memory=memory)) == [Reason.IN_A_SENTENCE]


@pytest.mark.parametrize(
    ("before", "sit", "expected"),
    [
        ([(1.0, 0.4)], (1.55, 0.97), "counts"),  # "Pops, sit": a name that the plan lacks
        ([(1.0, 0.4)], (1.45, 0.97), Reason.IN_A_SENTENCE),  # no pause
        ([(1.0, 0.4)], (1.55, 0.93), Reason.IN_A_SENTENCE),  # not sure
        ([(1.0, 0.6)], (1.75, 0.97), Reason.IN_A_SENTENCE),  # too long for a call
        ([(0.2, 0.4), (1.0, 0.4)], (1.55, 0.97), Reason.IN_A_SENTENCE),  # talk before it
        ([(0.0, 0.4), (1.0, 0.4)], (1.55, 0.97), "counts"),  # talk, quiet, call
    ],
)
def test_after_a_call_out_of_quiet_a_sure_word_needs_a_short_pause_only(vocabulary, before, sit, expected):
    word = heard("sit", sit[0], confidence=sit[1])
    assert reasons(understand(vocabulary, *(talk(*one) for one in before), word)) == [expected]
    memory, _ = vocabulary.understand(Memory(), breath(*(talk(*one) for one in before)))
    assert reasons(understand(vocabulary, word, memory=memory)) == [expected]


@pytest.mark.parametrize(
    ("edge", "sit", "expected"),
    [
        ((1.0, 0.2, 0.7), (1.2, 0.9), "counts"),  # its first sound, or a breath
        ((1.6, 0.2, 0.7), (1.2, 0.9), "counts"),  # its last one
        ((1.0, 0.2, 0.7), (1.2, 0.7), Reason.IN_A_SENTENCE),  # the word is not sure
        ((1.0, 0.2, 0.9), (1.2, 0.9), Reason.IN_A_SENTENCE),  # the other speech is
        ((1.0, 0.2, 0.78), (1.2, 0.98), Reason.IN_A_SENTENCE),  # it is nearly so: "her collar"
        ((0.9, 0.3, 0.7), (1.2, 0.9), Reason.IN_A_SENTENCE),  # long enough to be a word
        ((0.9, 0.2, 0.7), (1.2, 0.9), Reason.IN_A_SENTENCE),  # does not touch it
    ],
)
def test_other_speech_that_is_an_edge_of_a_sure_word_is_no_talk(vocabulary, edge, sit, expected):
    words = sorted((heard(OTHER_SPEECH, *edge), heard("sit", sit[0], confidence=sit[1])), key=lambda w: w.start_s)
    assert reasons(understand(vocabulary, *words)) == [expected]


def test_while_somebody_talks_a_word_must_be_surer(vocabulary):
    unsure = heard("sit", 3.0, confidence=0.45)
    assert reasons(understand(vocabulary, unsure)) == ["counts"]
    assert reasons(understand(vocabulary, talk(1.0, 1.0), unsure)) == [Reason.UNSURE]
    assert reasons(understand(vocabulary, talk(1.0, 1.0), heard("sit", 3.0, confidence=0.75))) == ["counts"]
    assert reasons(understand(vocabulary, talk(1.0, 0.2), unsure)) == ["counts"]
    safety = heard("growling", 3.0, confidence=0.45)
    assert reasons(understand(vocabulary, talk(1.0, 1.0), safety)) == ["counts"]


# log-odds: -1.73 of 0.15, 3.5 more for each second from 0.3 s on
@pytest.mark.parametrize(("spoken_s", "asked"), [(0.3, 0.15), (0.6, 0.335), (0.8, 0.504), (1.1, 0.743), (1.9, 0.8)])
def test_the_longer_somebody_talked_the_surer_a_word_must_be(vocabulary, spoken_s, asked):
    for confidence, reason in ((asked - 0.01, Reason.UNSURE), (asked + 0.01, "counts")):
        word = heard("sit", 3.0, confidence=confidence)
        assert reasons(understand(vocabulary, talk(0.5, spoken_s), word)) == [reason]
        halves = talk(0.1, spoken_s / 2), talk(1.2, spoken_s / 2)
        assert reasons(understand(vocabulary, *halves, word)) == [reason]


@pytest.mark.parametrize(
    ("ear", "asked"),
    [
        # core/confidence: 0.78 at 0, 0.15 at 0.5, 0.01 at 1; the log-odds of 0.8 less 3 are those of 0.166
        (Ear(sensitivity=0), 0.8),
        (Ear(sensitivity=0.5), 0.8),
        (Ear(sensitivity=1), 0.166),
        (Ear(confidence=0.95), 0.95),
        (Ear(confidence=0.4), 0.8),
        (Ear(confidence=0.4, sensitivity=1), 0.8),
    ],
)
def test_how_sure_a_word_must_be_in_talk_goes_with_the_dial(ear, asked):
    vocabulary = Vocabulary(small_plan(ear=ear), INSTRUCTIONS)
    for confidence, reason in ((asked - 0.01, Reason.UNSURE), (asked + 0.01, "counts")):
        assert reasons(understand(vocabulary, talk(0.5, 2.0), heard("sit", 3.0, confidence=confidence))) == [reason]


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 3), st.floats(0, 3))
def test_more_talk_never_makes_a_word_easier_and_more_sensitivity_never_harder(one, other, talked_s, spoken_s):
    lower, higher = sorted((one, other))
    shorter_s, longer_s = sorted((talked_s, spoken_s))
    ear = Ear(sensitivity=lower)
    assert ear.least_confidence <= sure_in_talk(ear, shorter_s) <= sure_in_talk(ear, longer_s)
    assert sure_in_talk(ear, spoken_s) >= sure_in_talk(Ear(sensitivity=higher), spoken_s) - 1e-9


def test_talk_of_earlier_breaths_is_remembered_for_three_seconds(vocabulary):
    memory, _ = vocabulary.understand(Memory(), breath(talk(0.0, 1.0), settled_s=1.5))
    memory, _ = vocabulary.understand(memory, breath(settled_s=2.0))
    assert reasons(understand(vocabulary, heard("sit", 3.0, confidence=0.45), memory=memory)) == [Reason.UNSURE]
    assert reasons(understand(vocabulary, heard("sit", 3.8, confidence=0.45), memory=memory)) == ["counts"]


def test_three_different_words_in_one_run_are_a_sentence(vocabulary):
    run = [heard("sit", 0.0), heard("yes", 0.5), heard("oops", 1.0)]
    assert reasons(understand(vocabulary, *run)) == [Reason.IN_A_SENTENCE] * 3
    assert reasons(understand(vocabulary, run[0], run[1], heard("oops", 1.35))) == ["counts"] * 3
    assert reasons(understand(vocabulary, heard("yes", 0.0), heard("yes", 0.5), heard("sit", 1.0))) == ["counts"] * 3
    warned = [heard("sit", 0.0), heard("oops", 0.5), heard("growling", 1.0)]
    assert reasons(understand(vocabulary, *warned)) == [Reason.IN_A_SENTENCE, Reason.IN_A_SENTENCE, "counts"]
    praised = [heard("bram", 0.0), heard("sit", 0.5), heard("yes", 1.0), heard("good girl", 1.5)]
    assert reasons(understand(vocabulary, *praised)) == [Reason.NAME, "counts", "counts", Reason.PRAISE]


def test_a_short_blip_is_not_talk(vocabulary):
    assert reasons(understand(vocabulary, talk(0.0, 0.08), heard("sit", 0.15))) == ["counts"]


@pytest.mark.parametrize(("doubtful", "reason"), [(0.02, Reason.UNSURE), (0.99, Reason.TOO_SHORT)])
def test_a_word_is_not_the_rest_of_one_that_did_not_count(vocabulary, doubtful, reason):
    """A click before "off" that the ear took for a faint "off", say."""
    length_s = 0.03 if reason is Reason.TOO_SHORT else 0.1
    found = understand(vocabulary, heard("yes", 0.0, length_s, doubtful), heard("yes", 0.12, 0.3))
    assert reasons(found) == [reason, "counts"]


def test_a_stretched_word_counts_once_and_repeated_ones_each(vocabulary):
    stretched = understand(vocabulary, *(heard("yes", at, 0.3) for at in (0.0, 0.3, 0.6)))
    assert reasons(stretched) == ["counts", Reason.STRETCHED, Reason.STRETCHED]
    repeated = understand(vocabulary, heard("yes", 0.0, 0.3), heard("yes", 0.6, 0.3))
    assert reasons(repeated) == ["counts", "counts"]


def test_stretching_is_seen_across_breaths(vocabulary):
    memory, _ = vocabulary.understand(Memory(), breath(heard("yes", 0.0, 0.2)))
    assert reasons(understand(vocabulary, heard("yes", 0.3), memory=memory)) == [Reason.STRETCHED]


def test_unsure_and_too_short_words_are_ignored_with_that_reason(vocabulary):
    assert reasons(understand(vocabulary, heard("sit", 0.0, confidence=0.1))) == [Reason.UNSURE]
    assert reasons(understand(vocabulary, heard("sit", 0.0, length_s=0.02))) == [Reason.TOO_SHORT]


def test_a_word_made_out_after_the_past_was_settled_is_too_late(vocabulary):
    memory, _ = vocabulary.understand(Memory(), breath(settled_s=3.0))
    assert reasons(understand(vocabulary, heard("sit", 2.9), memory=memory)) == [Reason.TOO_LATE]
    assert reasons(understand(vocabulary, heard("sit", 3.0), memory=memory)) == ["counts"]
    memory, _ = vocabulary.understand(memory, breath(settled_s=2.0))  # what is settled stays so
    assert reasons(understand(vocabulary, heard("sit", 2.9), memory=memory)) == [Reason.TOO_LATE]


def test_instructions_open_with_the_address_word(vocabulary):
    (undo,) = understand(vocabulary, heard("notebook undo that", 0.0, 1.0))
    assert (undo.role, undo.instruction) == (Role.INSTRUCTION, Instruction.UNDO)
    (now,) = understand(vocabulary, heard("notebook now leave it", 0.0, 1.2))
    assert (now.instruction, now.behaviour) == (Instruction.NOW, "leave it")
    assert reasons(understand(vocabulary, heard("notebook", 0.0))) == [Reason.PART_OF_PHRASE]


def test_a_cue_inside_an_instruction_is_not_a_cue(vocabulary):
    words = [heard(text, at * 0.4, 0.4) for at, text in enumerate(["notebook", "now", "sit"])]
    (result,) = understand(vocabulary, *words)
    assert result.role is Role.INSTRUCTION


def test_every_phrase_is_listened_for_once(vocabulary):
    assert len(set(vocabulary.phrases)) == len(vocabulary.phrases)
    assert {"sit", "park it", "yes", "bram", "good girl", "notebook now stay"} <= set(vocabulary.phrases)
