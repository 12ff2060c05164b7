"""Whatever is said, and whenever: the books balance."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.core.events import (
    OTHER_SPEECH,
    Breath,
    CorrectRep,
    EndReason,
    HeardWord,
    LogWord,
    OweReward,
    Role,
    SaveRep,
    SessionEvent,
)
from handsfree.core.trial import Phase
from tests.helpers import INSTRUCTIONS, reps, sitting

SAYINGS = [
    *["sit", "park it", "leave it", "stay", "brush", "yes", "oops", "all done", "bram", "good girl", "growling"],
    *[OTHER_SPEECH, "leave", "notebook now sit", *(f"notebook {said}" for said in INSTRUCTIONS.values())],
]

said = st.tuples(
    st.sampled_from(SAYINGS),
    st.floats(0.0, 8.0),  # pause before it
    st.floats(0.02, 1.5),  # its length
    st.floats(0.0, 1.0),  # confidence
)


def breaths(script) -> list[Breath]:
    """Words in order of time; those less than 0.2 s apart share a breath."""
    groups: list[list[HeardWord]] = []
    now = 0.0
    for text, pause, length, confidence in script:
        if pause >= 0.2 or not groups:
            groups.append([])
        now += pause
        groups[-1].append(HeardWord(text, now, now + length, confidence))
        now += length
    return [Breath(tuple(group), group[-1].end_s) for group in groups]


def play(script, prompts=()):
    session = sitting()
    for start_s, length_s in prompts:
        session.prompt_played(start_s, start_s + length_s)
    effects = []
    for breath in breaths(script):
        effects += session.hear(breath)
    return session, effects + session.end(session.settled_s + 100, EndReason.SOUND_ENDED)


@settings(max_examples=300, deadline=None)
@given(st.lists(said, max_size=40), st.lists(st.tuples(st.floats(0, 60), st.floats(0.1, 3)), max_size=4))
def test_the_books_balance(script, prompts):
    session, effects = play(script, prompts)
    closed = reps(effects)
    words = [effect for effect in effects if isinstance(effect, LogWord)]
    rewards = [effect for effect in effects if isinstance(effect, OweReward)]

    # every word of the plan comes out once, as an event or with a reason (neighbours may have joined to one phrase)
    said_words = [text for text, *_ in script if text != OTHER_SPEECH]
    assert " ".join(effect.heard.word.text for effect in words) == " ".join(said_words)
    # reps are numbered as they close, and none is open at the end
    assert [rep.number for rep in closed] == list(range(1, len(closed) + 1))
    assert session.trial.cue is None
    # one accepted marker, one reward, owed to a rep that exists
    markers = [w for w in words if isinstance(w.heard, SessionEvent) and w.heard.role is Role.MARKER]
    assert len(markers) == len(rewards)
    assert {reward.rep_number for reward in rewards} <= {rep.number for rep in closed}
    # no two reps overlap
    for rep in closed:
        assert rep.start_s <= rep.end_s
    for earlier, later in zip(closed, closed[1:], strict=False):
        assert earlier.end_s <= later.start_s
    # corrections speak of reps that exist
    assert all(c.correction.rep_number <= len(closed) for c in effects if isinstance(c, CorrectRep))


@settings(max_examples=150, deadline=None)
@given(st.lists(said, max_size=40), st.lists(st.floats(0.0, 1.0), min_size=40, max_size=40))
def test_it_does_not_matter_when_the_machine_is_told_that_time_passes(script, shares):
    """Silence reported in other portions gives the same reps."""
    _, once = play(script)
    session = sitting()
    effects = []
    until = 0.0
    for breath, share in zip(breaths(script), shares, strict=False):
        effects += session.hear(Breath((), until + share * (breath.words[0].start_s - until)))
        effects += session.hear(breath)
        until = breath.settled_s
    effects += session.end(session.settled_s + 100, EndReason.SOUND_ENDED)
    assert reps(effects) == reps(once)


@settings(max_examples=150, deadline=None)
@given(st.lists(said, max_size=40))
def test_the_log_replayed_gives_the_same_reps(script):
    """What was logged, fed to a fresh machine word by word, gives the very same reps and rewards."""
    _, effects = play(script)
    logged = [effect.heard for effect in effects if isinstance(effect, LogWord)]
    again = sitting()
    replayed = []
    for one in logged:
        replayed += again.take(one)
    replayed += again.end(1e6, EndReason.SOUND_ENDED)
    count = [e for e in replayed if isinstance(e, (SaveRep, OweReward))]
    assert count == [e for e in effects if isinstance(e, (SaveRep, OweReward))]


@settings(max_examples=150, deadline=None)
@given(st.lists(said, max_size=40))
def test_nothing_is_said_between_a_cue_and_its_outcome_but_of_the_safety_word(script):
    session = sitting()
    for breath in breaths(script):
        session.hear(breath)
        while (say := session.due()) is not None:
            assert session.trial.phase is not Phase.OPEN or say.key in ("safety", "safety_unsure")
