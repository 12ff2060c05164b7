"""Calibrated confidence: what goes into it, where its weights lie, and what sensitivity makes of it."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from handsfree.core.confidence import (
    FEATURES,
    LEAST_FOUND,
    LEAST_VOICE,
    LOOKED_AT,
    NO_VOICE,
    Evidence,
    Took,
    Weighing,
    Weights,
    least_confidence,
    log_odds,
    probability,
)
from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH, Breath, HeardWord, Ignored, Reason
from handsfree.core.plan import Ear
from handsfree.core.vocabulary import Memory, Vocabulary
from handsfree.edges.weights import NAME, read_weights, write_weights
from tests.helpers import INSTRUCTIONS, heard, small_plan, talk

SURE = Evidence(posterior=0.99, seconds=0.3, phones=3, before_s=1.0)
NONE = dict.fromkeys(FEATURES, 0.0)


def weights(second: dict[str, float] | None = None, **of: float) -> Weights:
    return Weights(NONE | of, None if second is None else dict.fromkeys(LOOKED_AT, 0.0) | second)


def test_log_odds_and_probability_are_each_others_inverse():
    # logit(0.5) = 0, logit(0.9) = ln 9 (Berkson 1944, JASA 39, 357)
    assert log_odds(0.5) == 0
    assert log_odds(0.9) == pytest.approx(math.log(9))
    assert probability(math.log(9)) == pytest.approx(0.9)
    assert math.isfinite(log_odds(0.0))
    assert math.isfinite(log_odds(1.0))


def test_weights_add_up_log_odds():
    found = weights(bias=1.0, posterior=0.5).confidence(replace(SURE, posterior=0.9))
    assert log_odds(found) == pytest.approx(1.0 + 0.5 * math.log(9))


def test_too_short_and_too_long_are_told_apart():
    short, long = replace(SURE, seconds=0.15), replace(SURE, seconds=0.6)
    assert short.features["short"] == pytest.approx(math.log(0.5))
    assert short.features["long"] == 0
    assert long.features["long"] == pytest.approx(math.log(2))
    assert long.features["short"] == 0


def test_a_second_look_has_weights_of_its_own():
    seen = replace(SURE, second=0.9)
    assert weights(posterior=1.0).confidence(seen) == weights(posterior=1.0).confidence(SURE)
    assert log_odds(weights({"second_look": 2.0}, posterior=1.0).confidence(seen)) == pytest.approx(2 * math.log(9))


def test_where_hardly_anybody_speaks_a_word_is_unlikely():
    told = weights({"second_look": 2.0})
    seen = replace(SURE, second=0.9)
    assert told.confidence(replace(seen, voice=LEAST_VOICE)) == told.confidence(seen)
    lacking = log_odds(told.confidence(seen)) - log_odds(told.confidence(replace(seen, voice=LEAST_VOICE - 2)))
    assert lacking == pytest.approx(2 * NO_VOICE)
    word = HeardWord("sit", 1.0, 1.4, 0.9, {"sit": 0.9}, voice=-2.0)
    (after,) = Weighing(told, {"sit": 3}).weigh(Breath((word,), 2.0)).words
    assert after.confidence == pytest.approx(told.confidence(replace(seen, voice=-2.0)))


def test_what_the_ear_took_for_something_else_speaks_against_a_word():
    taken = {took: replace(SURE, posterior=0.9, second=0.5, took=took).features for took in Took}
    assert (taken[Took.IT]["posterior"], taken[Took.IT]["against"]) == (pytest.approx(math.log(9)), 0)
    for took, other in ((Took.ANOTHER, Took.NONE), (Took.NONE, Took.ANOTHER)):
        assert (taken[took]["posterior"], taken[took]["against"]) == (0, pytest.approx(math.log(9)))
        assert (taken[took][f"taken_for_{took}"], taken[took][f"taken_for_{other}"]) == (1, 0)


def test_a_pause_reaches_back_into_earlier_breaths():
    weighing = Weighing(weights(), {"sit": 3})
    list(weighing.evidence(Breath((talk(0.0, 0.5),), 0.5)))
    ((_, first),) = weighing.evidence(Breath((heard("sit", 0.8),), 1.3))
    assert first["sit"].before_s == pytest.approx(0.3)
    (_, none), (_, second) = weighing.evidence(Breath((talk(2.0, 0.4), heard("sit", 2.4)), 3.0))
    assert none == {}
    assert second["sit"].before_s == 0


TOLD = weights({"second_look": 1.0, "posterior": 1.0, "against": -1.0})


@pytest.mark.parametrize(
    ("text", "posterior", "shares", "named"),
    [
        ("sit", 0.9, {"sit": 0.6, "stay": 0.2}, "sit"),
        ("sit", 0.6, {"sit": 0.4, "stay": 0.55}, "sit"),  # odds 1.5 * 0.67 against 1.22 / 1.5
        ("sit", 0.6, {"sit": 0.05, "stay": 0.9}, "stay"),
        (OTHER_SPEECH, 0.6, {"sit": 0.05, "stay": 0.9}, "stay"),
        (OTHER_SPEECH, 0.9, {"sit": 0.05, "stay": 0.85}, OTHER_SPEECH),  # odds 5.7 / 9: below LEAST_FOUND
    ],
)
def test_a_second_look_may_name_the_word(text, posterior, shares, named):
    word = HeardWord(text, 1.0, 1.4, posterior, shares)
    (after,) = Weighing(TOLD, {"sit": 3, "stay": 3}).weigh(Breath((word,), 2.0)).words
    assert after.text == named
    assert (after.start_s, after.end_s) == (1.0, 1.4)
    if named != text:
        against = log_odds(shares[named]) - log_odds(posterior)
        assert log_odds(after.confidence) == pytest.approx(against)
        assert after.confidence >= LEAST_FOUND


def test_without_weights_for_it_a_second_look_names_nothing():
    words = (
        HeardWord("sit", 1.0, 1.4, 0.6, {"stay": 0.99, "sit": 0.0}),
        HeardWord(OTHER_SPEECH, 2.0, 2.4, 0.6, {"sit": 0.99}),
    )
    after = Weighing(weights(), {"sit": 3, "stay": 3}).weigh(Breath(words, 3.0))
    assert [word.text for word in after.words] == ["sit", OTHER_SPEECH]


def test_other_speech_and_times_stay_as_they_are():
    before = Breath((talk(0.0), heard("sit", 1.0, confidence=0.2)), 2.0)
    after = Weighing(weights(bias=2.0), {"sit": 3}).weigh(before)
    assert after.words[0] == before.words[0]
    assert after.settled_s == before.settled_s
    assert after.words[1] == replace(before.words[1], confidence=probability(2.0))


def test_the_dial_is_as_its_docstring_says():
    assert [round(least_confidence(dial), 2) for dial in (0.0, 0.5, 1.0)] == [0.78, 0.15, 0.01]


@pytest.mark.parametrize(("lower", "higher"), [(0.0, 0.1), (0.4, 0.5), (0.5, 0.6), (0.9, 1.0)])
def test_more_sensitivity_asks_for_less_confidence(lower, higher):
    assert 0 < least_confidence(higher) < least_confidence(lower) < 1
    assert Ear(sensitivity=lower).least_confidence == least_confidence(lower)


def test_a_confidence_in_the_plan_is_taken_as_it_is():
    assert Ear(sensitivity=0.9, confidence=0.95).least_confidence == 0.95


def test_sensitivity_decides_what_counts():
    word = HeardWord("sit", 1.0, 1.4, least_confidence(0.5))
    for sensitivity, counts in ((0.4, False), (0.5, True), (0.6, True)):
        vocabulary = Vocabulary(small_plan(ear=Ear(sensitivity=sensitivity)), INSTRUCTIONS)
        (result,) = vocabulary.understand(Memory(), Breath((word,), 2.0))[1]
        assert isinstance(result, Ignored) is not counts
        assert counts or result.reason is Reason.UNSURE


def test_weights_are_read_as_they_were_written(tmp_path):
    assert read_weights(tmp_path) is None
    written = weights({"second_look": 1.5}, posterior=0.8)
    write_weights(tmp_path, written, {"words": 7})
    assert read_weights(tmp_path) == written
    write_weights(tmp_path, weights(bias=0.5), {})
    assert read_weights(tmp_path) == weights(bias=0.5)


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"ear": {}, "second_look": null}', json.dumps({"ear": NONE, "second_look": {}})]
    + [json.dumps({"ear": NONE | {"bias": bad}, "second_look": None}) for bad in (None, "much", float("nan"))],
)
def test_broken_weights_are_refused_in_one_line(tmp_path, text):
    (tmp_path / NAME).write_text(text)
    with pytest.raises(UserError, match="weights of the ear's confidence cannot be read; install handsfree again") as e:
        read_weights(tmp_path)
    assert "\n" not in str(e.value)
