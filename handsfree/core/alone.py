"""Does a word stand alone? Nothing but pauses, other plan words, praise and names may lie beside it.

After a call out of quiet, which may be a name that the plan lacks, a short pause is enough for a sure word.
"""

from __future__ import annotations

from collections.abc import Sequence

from handsfree.core.events import OTHER_SPEECH, HeardWord
from handsfree.core.plan import Ear

CALL_S, QUIET_S, CALL_PAUSE_S, CALL_SURE = 0.5, 0.5, 0.1, 0.95
"""A call ("Pops, sit"): other speech no longer than the first, after at least so much quiet. So short a pause is enough
before a word that sure."""
EDGE_S, EDGE_GAP_S, EDGE_SURE, EDGE_UNSURE = 0.22, 0.035, 0.8, 0.75
"""Other speech no longer than the first that touches a word is one of its sounds or a breath, where the word is at
least that sure and it less than the last (at 0.8 "her" was an edge of "collar", for one of 982 words more). Numbers
chosen, with those of the call, on 656 words of people whom the ear never heard: 2 more count, and of 240 close together
97.1, not 96.7 %; in 2.1 h of talk nothing does. Other people, whose rejected words gave the idea, so it flatters a
little: of 982 words 93.3, not 93.1 %; close together 95.4, not 94.2 %; beside names and praise 94.0, not 89.3 %; in
3.8 h of talk as many false ones."""

Spans = Sequence[tuple[float, float]]
"""Where other talk was, in order: (start, end), seconds."""


def stand_alone(items: Sequence[HeardWord], is_talk: Sequence[bool], earlier: Spans, ear: Ear) -> list[bool]:
    """For each item: is there no other talk close before or after the run of plan words it belongs to?

    is_talk  for each item: other speech, or a stray piece of a phrase
    earlier  talk of earlier breaths
    """
    before: list[bool] = []
    talk, run_start, previous_end = list(earlier), 0.0, float("-inf")
    for item, talks in zip(items, is_talk, strict=True):
        talk_end = max((end for _, end in talk), default=float("-inf"))
        if talks:
            talk.append((item.start_s, item.end_s))
            before.append(False)
        else:
            if previous_end <= talk_end or item.start_s - previous_end > ear.pause_before_s:
                run_start = item.start_s
            called = item.confidence >= CALL_SURE and _is_call(talk)
            pause_s = min(CALL_PAUSE_S, ear.pause_before_s) if called else ear.pause_before_s
            before.append(run_start - talk_end >= pause_s)
        previous_end = item.end_s
    after: list[bool] = []
    talk_start, run_end, next_start = float("inf"), 0.0, float("inf")
    for item, talks in zip(reversed(items), reversed(is_talk), strict=True):
        if talks:
            talk_start = item.start_s
            after.append(False)
        else:
            if next_start >= talk_start or next_start - item.end_s > ear.pause_after_s:
                run_end = item.end_s
            after.append(talk_start - run_end >= ear.pause_after_s)
        next_start = item.start_s
    return [left and right for left, right in zip(before, reversed(after), strict=True)]


def without_edges(words: Sequence[HeardWord]) -> list[HeardWord]:
    """Without other speech that is an edge of a sure word."""

    def touches(one: HeardWord, other: HeardWord) -> bool:
        sure = other.text != OTHER_SPEECH and other.confidence >= EDGE_SURE
        return sure and min(abs(other.start_s - one.end_s), abs(one.start_s - other.end_s)) < EDGE_GAP_S

    def is_edge(at: int) -> bool:
        word, beside = words[at], (*words[max(0, at - 1) : at], *words[at + 1 : at + 2])
        short = word.text == OTHER_SPEECH and word.end_s - word.start_s <= EDGE_S
        return short and word.confidence < EDGE_UNSURE and any(touches(word, other) for other in beside)

    return [word for at, word in enumerate(words) if not is_edge(at)]


def _is_call(talk: Spans) -> bool:
    """Whether the last of it was short and came out of quiet."""
    if not talk:
        return False
    start_s, end_s = talk[-1]
    for earlier_start_s, earlier_end_s in reversed(talk[:-1]):
        if start_s - earlier_end_s >= QUIET_S:
            break
        start_s = earlier_start_s
    return end_s - start_s <= CALL_S
