"""An open ear: its words begin on time."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.core.events import OTHER_SPEECH, AudioBlock, Breath, HeardWord, SessionEvent
from handsfree.edges import planfile
from handsfree.edges.audio import read_file
from handsfree.hearing import Hearing
from handsfree.listening import ONSET_LATE_S, PATIENT, Calibrated, earlier

SESSIONS = Path(__file__).parent / "data" / "sessions"


class Late:
    """Tells one breath when it is fed and another when it is closed."""

    usual_lag_s = 0.5

    def __init__(self, *breaths: Breath) -> None:
        self.breaths = breaths

    def feed(self, block: AudioBlock) -> list[Breath]:
        return [self.breaths[0]]

    def close(self) -> list[Breath]:
        return [self.breaths[1]]


def test_words_begin_earlier_than_the_network_calls_them() -> None:
    first = Breath((HeardWord("sit", 1.0, 1.3, 0.9), HeardWord("yes", 1.31, 1.6, 0.9)), 1.7)
    last = Breath((HeardWord("stay", 2.0, 2.4, 0.9),), 2.5)
    ear = Calibrated(Late(first, last), None, {}, 0.15, ONSET_LATE_S)  # type: ignore[arg-type]
    (fed,), (closed,) = ear.feed(AudioBlock(0.0, b"")), ear.close()
    assert [(word.start_s, word.end_s) for word in fed.words] == [(0.97, 1.3), (1.3, 1.6)]
    assert [word.start_s for word in closed.words] == [1.97]
    assert (fed.settled_s, closed.settled_s) == (1.7, 2.5)
    (as_it_came,) = Calibrated(Late(first, last), None, {}, 0.15).feed(AudioBlock(0.0, b""))  # type: ignore[arg-type]
    assert as_it_came == first


@given(st.lists(st.floats(0, 1), max_size=8), st.floats(0, 0.5))
def test_words_keep_their_order_and_none_overlaps_another(lengths: list[float], by_s: float) -> None:
    """Word, pause, word, ... of these lengths."""
    words, at = [], 0.0
    for number, length in enumerate(lengths):
        if number % 2 == 0:
            words.append(HeardWord(OTHER_SPEECH, round(at, 3), round(at + length, 3), 1.0))
        at += length
    found = earlier(Breath(tuple(words), at), by_s).words
    for before, after in zip(found, found[1:], strict=False):
        assert before.end_s <= after.start_s
    for was, word in zip(words, found, strict=True):
        assert 0 <= word.start_s <= was.start_s
        assert was.start_s - word.start_s <= by_s + 0.001
        assert word.end_s == was.end_s


@pytest.mark.ear
def test_an_ear_that_takes_more_at_once_counts_the_same_words() -> None:
    """With the usual chunks words are said to come sooner; to judge later ones by that would call them late."""
    plan = planfile.load(SESSIONS / "plan.toml")
    heard = []
    for frames_per_chunk in (None, PATIENT):
        sound = itertools.takewhile(lambda block: block.start_s < 80, read_file(SESSIONS / "18f8afd5.ogg"))
        words = Hearing(plan, frames_per_chunk=frames_per_chunk).words(sound)
        heard.append([(one.word.text, one.word.start_s) for one in words if isinstance(one, SessionEvent)])
    usual, patient = heard
    assert len(usual) > 20
    assert [text for text, _ in patient] == [text for text, _ in usual]
    assert [start_s for _, start_s in patient] == pytest.approx([start_s for _, start_s in usual], abs=0.05)
