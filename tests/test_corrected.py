"""`handsfree words --from-corrections`: what corrected sessions tell of the words said, and what is learnt from it.

Sound is of real people (tests/data/sessions and clips; Speech Commands v0.02, Warden 2018, arXiv:1804.03209). What the
ear mishears, it mishears for real: of the "up" of one of them, no word of the plan here, it makes "off", of the "stop"
of another "up".
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree import places
from handsfree.core import corrections
from handsfree.core.corrections import Kind
from handsfree.core.events import EndReason, LogWord, Outcome, Rep, Role
from handsfree.core.log import JudgedRep, MadeCorrection, SessionLog, SessionStart, TrainedBehaviour
from handsfree.core.said import LATE_S, Said, said
from handsfree.core.trial_of_voice import Heard, Tally, Trial
from handsfree.core.voice import OwnVoice
from handsfree.corrected import MOST_TAKES, add_to
from handsfree.edges import planfile, voicefolder
from handsfree.edges.kept_sound import KeptSound
from handsfree.edges.store import Store
from handsfree.learning import Result
from handsfree.reviewing import desk
from handsfree.running import run_session
from handsfree.watching import Nobody
from tests.helpers import event, heard, small_plan
from tests.logs import STARTED
from tests.reviews import invented
from tests.test_words import clip, quiet, run

RATE = 16_000
SESSIONS = Path(__file__).parent / "data" / "sessions"
STOP_AS_UP, UP_AS_OFF = "94de6a6a", "d5b963aa"
PLAN = """
dog = "Bruno"
handler = "Ann"
[words]
marker = "right"
error = "no"
[[behaviour]]
name = "jump"
cues = "up"
response_window_s = 2
"""


# What the reps tell of her words


PLAN_OF_CORE = small_plan()


def log_of(*reps: Rep, words: tuple[LogWord, ...] = ()) -> SessionLog:
    plain = replace(invented(1), words=words, reps=tuple(JudgedRep(rep, rep.outcome) for rep in reps))
    behaviours = tuple(TrainedBehaviour(one.name, one.tag, 1, one.steps) for one in PLAN_OF_CORE.behaviours)
    session = replace(plain.session, ended_s=100.0, behaviours=behaviours)
    return replace(plain, session=session, decisions=(), rewards=())


def changed(log: SessionLog, change: corrections.Change) -> SessionLog:
    first = len(log.corrections) + 1
    made = tuple(
        MadeCorrection(one, change.who, STARTED, first if index else None, change.undoes)
        for index, one in enumerate(change.corrections)
    )
    reps = corrections.judged(log.reps, change.corrections)
    return replace(log, reps=reps, corrections=(*log.corrections, *made))


SIT, YES = heard("sit", 10), heard("yes", 12)
MARKED = Rep(1, "sit", 2, Outcome.CORRECT, 10, 12.4, SIT, YES)
UNANSWERED = Rep(1, "sit", 2, Outcome.NO_RESPONSE, 10, 15.4, SIT)
UNCUED = Rep(1, "sit", 2, Outcome.CORRECT, 10, 12.4, None, YES)


def told(log: SessionLog, change=None, *args, who="ann") -> list[Said]:
    if change is not None:
        log = changed(log, change(log, 1, *args, who))
    return list(said(log, PLAN_OF_CORE))


def test_reps_that_were_left_standing_tell_of_their_words():
    assert told(log_of(MARKED)) == [Said(1, ("sit",), 10, 10.4, "sit"), Said(1, ("yes",), 12, 12.4, "yes")]
    assert all(claim.stands for claim in told(log_of(MARKED)))
    assert told(log_of(UNANSWERED)) == [Said(1, ("sit",), 10, 10.4, "sit")]
    assert told(log_of(replace(MARKED, outcome_word=None, released=True)))[1:] == []


def test_a_missed_word_may_lie_anywhere_after_the_cue():
    claim = told(log_of(UNANSWERED), corrections.outcome, Kind.RIGHT)[1]
    assert claim == Said(1, ("yes",), 10.4, 15.4 + LATE_S)
    assert told(log_of(UNANSWERED), corrections.outcome, Kind.WRONG)[1].words == ("oops",)


def test_a_word_that_was_taken_for_another_lies_where_it_was_heard():
    wrong = told(log_of(MARKED), corrections.outcome, Kind.WRONG)[1]
    assert wrong == Said(1, ("oops",), 12, 12.4, "yes")
    assert not wrong.stands
    other = told(log_of(MARKED), corrections.behaviour, "leave it")
    assert other == [Said(1, ("leave it",), 10, 10.4, "sit"), Said(1, ("yes",), 12, 12.4, "yes")]
    missed = told(log_of(UNCUED), corrections.behaviour, "leave it")[0]
    assert missed == Said(1, ("leave it",), 10, 12)


def test_what_was_heard_without_being_said():
    assert told(log_of(MARKED), corrections.outcome, Kind.NO_RESPONSE)[1] == Said(1, (), 12, 12.4, "yes")
    assert told(log_of(UNANSWERED), corrections.outcome, Kind.NO_REP) == [Said(1, (), 10, 10.4, "sit")]
    assert told(log_of(UNCUED), corrections.outcome, Kind.NO_REP) == [Said(1, (), 12, 12.4, "yes")]


def test_of_reps_taken_out_for_another_reason_nothing_is_told():
    assert told(log_of(MARKED), corrections.outcome, Kind.NO_REP) == []  # she said both, but not to count
    assert told(log_of(UNANSWERED), corrections.outcome, Kind.NO_REP, who="voice") == []
    second = replace(UNCUED, number=2, start_s=12.4, end_s=14.4, outcome_word=heard("yes", 14))
    assert [one.from_s for one in told(log_of(MARKED, second), corrections.merge)] == [10, 14]


def test_a_split_tells_of_both_parts_and_taken_back_of_the_one():
    words = (LogWord(event(Role.CUE, "sit", 10, "sit"), 1), LogWord(event(Role.MARKER, "yes", 12), 1))
    log = log_of(MARKED, words=words)
    parts = changed(log, corrections.split(log, 1, 11.0, "ann"))
    assert [one.heard for one in said(parts, PLAN_OF_CORE)] == ["sit", "yes"]
    assert list(said(changed(parts, corrections.undo(parts, "ann")), PLAN_OF_CORE)) == told(log)


def test_of_a_behaviour_that_the_plan_no_longer_has_no_cue_is_told():
    renamed = replace(MARKED, behaviour="sit pretty")
    assert [one.heard for one in told(log_of(renamed))] == ["yes"]


# The trial


def test_a_threshold_is_tried_on_mistakes_that_did_not_set_it():
    takes = {"up": [Heard((("up", 0.6),))] * 3}
    once = Trial(takes, [], {"up": [Heard((("up", 0.4),))]})
    assert once.tally(0.25).mistaken == 1
    assert once.eased(once.eases(0.25), 0.25).tally(0.25).mistaken == 0
    assert once.eased_by_the_rest(0.25).tally(0.25).mistaken == 1  # nothing held back shows that it helps
    twice = replace(once, mistaken={"up": [Heard((("up", 0.4),)), Heard((("up", 0.38),))]})
    assert twice.eased_by_the_rest(0.25).tally(0.25).mistaken == 0
    assert twice.eased_by_the_rest(0.25).tally(0.25).right == 3
    mixed = replace(twice, mistaken={"up": [*twice.mistaken["up"], Heard((("up", 0.95),))]})
    # what is as sure as her takes does not hinder the rest
    assert mixed.eased_by_the_rest(0.25).tally(0.25).mistaken == 1
    surer = replace(twice, mistaken={"up": [Heard((("up", 0.95),))] * 2})
    assert surer.eased_by_the_rest(0.25).tally(0.25) == Tally(3, 3, 0, 0, 2)  # her takes come before


def test_an_ear_that_is_worse_on_new_takes_than_the_one_in_use_does_not_win():
    better = Result(OwnVoice("", ""), None, Tally(20, 10, 0, 1), Tally(20, 19, 0, 1))
    assert better.won
    assert not replace(better, new=(Tally(8, 8, 0, 0), Tally(8, 7, 0, 0))).won
    assert replace(better, new=(Tally(8, 7, 0, 0), Tally(8, 7, 0, 0))).won


def test_takes_that_were_kept_are_told_from_new_ones_and_the_newest_stay():
    one, two, three = (quiet(0.1, seed) for seed in range(3))
    older, new = add_to({"up": [one, two]}, {"up": [two, three], "down": [one]})
    assert [len(older["up"]), len(new["up"]), len(older["down"]), len(new["down"])] == [2, 1, 0, 1]
    assert new["up"][0] is three
    many = [quiet(0.01, seed) for seed in range(MOST_TAKES + 5)]
    older, new = add_to({"up": [one, two]}, {"up": many[: MOST_TAKES - 1]})
    assert [len(older["up"]), len(new["up"])] == [1, MOST_TAKES - 1]
    assert older["up"][0] is two
    older, new = add_to({"up": [one]}, {"up": many})
    assert [len(older["up"]), len(new["up"])] == [0, MOST_TAKES]
    assert new["up"][-1] is many[-1]


# With sound, from a session to what later sessions hear


@pytest.fixture
def plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path / "home"))
    path = tmp_path / "bruno.toml"
    path.write_text(PLAN)
    return path


def spoken(word: str, person: str = STOP_AS_UP) -> list[np.ndarray]:
    """Every time somebody says it in that session, with 0.1 s around."""
    with open(SESSIONS / f"{person}.jsonl", encoding="utf-8") as lines:
        rows = [row for row in map(json.loads, lines) if row.get("words") == word]
    return [_cut(person, row["start_s"] - 0.1, row["end_s"] + 0.1) for row in rows]


def _cut(person: str, start_s: float, end_s: float) -> np.ndarray:
    first, last = round(start_s * RATE), round(end_s * RATE)
    return soundfile.read(SESSIONS / f"{person}.ogg", dtype="int16", start=first, stop=last)[0]


def in_a_row(*sounds: np.ndarray, apart_s: float = 1.2) -> np.ndarray:
    pauses = [quiet(apart_s, seed) for seed in range(len(sounds))]
    return np.concatenate([quiet(1.0), *(part for pair in zip(sounds, pauses, strict=True) for part in pair), quiet(3)])


def train(plan: Path, sound: np.ndarray, name: str = "session.wav") -> str:
    """A session of this sound, with sound kept; its id."""
    from handsfree import listening

    recording = plan.parent / name
    soundfile.write(recording, sound, RATE)
    the_plan = planfile.load(plan)
    done = run_session(
        the_plan,
        plan_text=plan.read_text(),
        log_path=places.default_log(),
        watcher=Nobody(),
        started_at=datetime.now().astimezone(),
        recording=recording,
        fast=True,
        learnt=listening.own_voice(plan, the_plan, lambda line: None),
        sound_dir=places.sound_dir(),
    )
    recording.unlink()
    return done.session_id


def learnt(plan: Path) -> str:
    """What `words --from-corrections` prints."""
    code, output = run("words", plan, "--from-corrections")
    assert code == 0, output
    return output


def outcomes(session_id: str) -> list[Outcome | None]:
    with Store.open(places.default_log(), read_only=True) as store:
        return [one.outcome for one in store.reps(session_id)]


def correct(session_id: str, kind: Kind, *numbers: int) -> None:
    with Store.open(places.default_log()) as store:
        one = desk(store, session_id, "ann", None)
        for number in numbers:
            one.make(kind.value, number, len(one.log.corrections))


def pairs(cues: list[np.ndarray], markers: list[np.ndarray]) -> list[np.ndarray]:
    return [sound for pair in zip(cues, markers, strict=False) for sound in pair]


@pytest.mark.ear
def test_markers_that_were_missed_are_learnt_where_she_said_them(plan: Path) -> None:
    """The plan spells "left" as "weft", so half of the markers are missed; she puts these right, and they are heard."""
    plan.write_text(PLAN.replace("right", "left") + '[pronunciations]\nleft = "W EH F T"\n')
    lefts = [(gain * clip("left")).round().astype(np.int16) for gain in (0.4, 0.6, 0.8, 1.0)]
    sound = in_a_row(*pairs([clip("up")] * 4, lefts))
    session = train(plan, sound)
    missed = [Outcome.NO_RESPONSE, Outcome.NO_RESPONSE, Outcome.CORRECT, Outcome.CORRECT]
    assert outcomes(session) == missed
    correct(session, Kind.RIGHT, 1, 2)
    output = learnt(plan)
    assert "1 corrected session: 8 takes, 0 wrongly heard, 0 refused" in output
    assert "Adopted" in output
    kept = voicefolder.read_takes(voicefolder.folder_of(plan))
    assert {word: len(some) for word, some in kept.items()} == {"up": 4, "left": 4}
    assert outcomes(train(plan, sound)) == [Outcome.CORRECT] * 4
    assert run("words", plan, "--from-corrections") == (
        2,
        "all of it was learnt from before; correct another session first",
    )
    run("words", plan, "--forget")
    assert outcomes(train(plan, sound)) == missed


@pytest.mark.ear
def test_what_was_wrongly_heard_as_a_cue_is_not_heard_again(plan: Path) -> None:
    """Of each of her four "up" the ear makes the cue "off": reps that were none."""
    plan.write_text(PLAN.replace("up", "off"))
    said = pairs(spoken("off", UP_AS_OFF), spoken("right", UP_AS_OFF))
    # Her "up" come apart: within its window "off" would make an answer likely, and the next be taken for one.
    sound = in_a_row(*said, *(part for up in spoken("up", UP_AS_OFF) for part in (up, quiet(1.0))))
    session = train(plan, sound)
    heard = [Outcome.CORRECT] * 4 + [Outcome.NO_RESPONSE] * 4
    assert outcomes(session) == heard
    correct(session, Kind.NO_REP, 5, 6, 7, 8)
    output = learnt(plan)
    assert "8 takes, 4 wrongly heard, 0 refused" in output
    before, after = re.search(r"Words that sessions heard and you had not said: (\d) and (\d)\.", output).groups()
    assert int(before) > int(after)
    folder = voicefolder.folder_of(plan)
    assert len(voicefolder.read_takes(folder, voicefolder.MISTAKEN)["off"]) == 4
    now = outcomes(train(plan, sound))
    assert now[:4] == [Outcome.CORRECT] * 4
    assert len(now) < len(heard)
    run("words", plan, "--forget")
    assert outcomes(train(plan, sound)) == heard


@pytest.mark.ear
def test_mistakes_that_sound_too_much_like_the_word_change_nothing(plan: Path) -> None:
    """Her "stop" comes out as "up", as sure as her own "up": no threshold tells them apart, so nothing is adopted."""
    stops = [(gain * spoken("stop")[3]).round().astype(np.int16) for gain in (0.5, 0.7, 1.0)]
    session = train(plan, in_a_row(*pairs(spoken("up"), spoken("right")), *stops))
    assert outcomes(session) == [Outcome.CORRECT] * 3 + [Outcome.NO_RESPONSE] * 3
    correct(session, Kind.NO_REP, 4, 5, 6)
    output = learnt(plan)
    assert "6 takes, 3 wrongly heard, 0 refused" in output
    assert "Words that sessions heard and you had not said: 3 and 3." in output
    assert "Not adopted" in output
    assert not voicefolder.folder_of(plan).exists()


@pytest.mark.ear
def test_what_wins_nothing_is_not_adopted_and_the_dog_judged_anew_teaches_no_word(plan: Path) -> None:
    """All was heard rightly; she only judges one rep anew, and its marker does not sound like the error word."""
    session = train(plan, in_a_row(*pairs(spoken("up"), spoken("right"))))
    correct(session, Kind.WRONG, 3)
    output = learnt(plan)
    assert "1 refused: 1 that do sound like the word they were heard as" in output
    assert '"right": 2 takes, 3 are needed, so it stays as it was' in output
    assert "Not adopted: your held-back takes would be heard no better. Nothing was changed." in output
    assert not voicefolder.folder_of(plan).exists()


# Refused in one line, nothing changed


def refused(plan: Path, *args: str) -> str:
    code, output = run("words", plan, "--from-corrections", *args)
    assert code == 2
    assert len(output.splitlines()) == 1
    assert not voicefolder.folder_of(plan).exists()
    return output


def write_session(plan: Path, *reps: Rep, handler: str = "Ann", dog: str = "Bruno") -> str:
    the_plan = planfile.load(plan)
    with Store.open(places.default_log()) as store:
        begun = SessionStart(replace(the_plan, handler=handler, dog=dog), PLAN, STARTED, "0.1.0", "en")
        session = store.begin(begun)
        for rep in reps:
            store.add_rep(rep)
        store.end(session, EndReason.ASKED, 60.0)
    return session


JUMP = Rep(1, "jump", 1, Outcome.NO_RESPONSE, 10, 13, heard("up", 10))


def test_without_a_log_or_a_correction_there_is_nothing_to_learn_from(plan: Path) -> None:
    assert "no log there yet" in refused(plan)
    write_session(plan, JUMP)
    assert refused(plan) == "no session of Bruno with Ann was corrected yet; `handsfree review` goes through one"


def test_the_voice_of_another_handler_and_of_sessions_that_still_run_is_not_learnt(plan: Path) -> None:
    correct(write_session(plan, JUMP, handler="Ben"), Kind.RIGHT, 1)
    correct(write_session(plan, JUMP, dog="Mia"), Kind.RIGHT, 1)
    assert "no session of Bruno with Ann was corrected yet" in refused(plan)


def test_sound_that_was_forgotten_or_never_kept_is_no_take(plan: Path) -> None:
    session = write_session(plan, JUMP)
    correct(session, Kind.RIGHT, 1)
    assert "no sound is kept of the sessions of Bruno with Ann that were corrected" in refused(plan)
    keep(session, 1, 9.0, in_a_row(*pairs(spoken("up"), spoken("right"))))
    assert "no sound is kept" not in refused(plan)
    assert run("forget", "--all", "--yes")[0] == 0
    assert "no sound is kept of the sessions of Bruno with Ann that were corrected" in refused(plan)


def test_sound_in_which_nothing_is_like_the_word_is_no_take(plan: Path) -> None:
    session = write_session(plan, JUMP)
    correct(session, Kind.RIGHT, 1)
    keep(session, 1, 9.0, quiet(6.0))
    assert refused(plan) == (
        "nothing to learn from in 1 corrected session: 0 takes, 0 wrongly heard, 2 refused: "
        "1 that do not sound like their word, 1 where nothing sounds like the word"
    )


def test_sound_that_is_damaged_is_no_take(plan: Path) -> None:
    session = write_session(plan, JUMP)
    correct(session, Kind.RIGHT, 1)
    keep(session, 1, 9.0, quiet(6.0))
    path, _ = KeptSound(places.sound_dir()).rep(session, 1)
    path.write_bytes(b"OggS, or so it says")
    assert "no sound is kept" in refused(plan)


def test_too_few_takes_are_too_few(plan: Path) -> None:
    session = write_session(plan, JUMP)
    correct(session, Kind.RIGHT, 1)
    up, right = spoken("up")[1], spoken("right")[0]
    keep(session, 1, 10.0, np.concatenate([up[1600:], quiet(0.8), right, quiet(1.5)]))
    assert "no word has enough takes" in refused(plan)


def keep(session: str, number: int, start_s: float, sound: np.ndarray) -> None:
    file = KeptSound(places.sound_dir()).open_rep(session, 14, number, start_s)
    file.write(sound.tobytes())
    file.finish()
