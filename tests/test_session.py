"""The session loop with an ear of paper: a list of breaths, handed out when the sound has come so far."""

from __future__ import annotations

import pytest

from handsfree.core.errors import UserError
from handsfree.core.events import AudioBlock, Breath, EndReason, Say
from handsfree.core.plan import Limits, Sound
from handsfree.session import KEPT_S, Session
from handsfree.watching import Nobody
from tests.helpers import heard, sitting, small_plan

BLOCK_S = 0.1
LAG_S = 0.4


class PaperEar:
    """Reports each word LAG_S after its end."""

    usual_lag_s = 1.0

    def __init__(self, *words: tuple[str, float]):
        self._waiting = [heard(text, start_s) for text, start_s in words]

    def feed(self, block: AudioBlock) -> list[Breath]:
        now_s = block.start_s + block.duration_s
        ready = [word for word in self._waiting if word.end_s + LAG_S <= now_s]
        self._waiting = self._waiting[len(ready) :]
        return [Breath((word,), word.end_s) for word in ready] + [Breath((), now_s - 1.0)]

    def close(self) -> list[Breath]:
        return [Breath((word,), word.end_s) for word in self._waiting]


class Tape:
    """A log, a voice and a watcher that write down what happens, in order."""

    def __init__(self, audible_s: float = 1.0):
        self.happened: list[tuple] = []
        self.busy_until = -1.0
        self.audible_s = audible_s
        self.now_s = 0.0

    def __getattr__(self, name: str):
        if not name.startswith("add_"):
            raise AttributeError(name)
        return lambda what: self.happened.append((name.removeprefix("add_"), what))

    @property
    def busy(self) -> bool:
        return self.now_s < self.busy_until

    def say(self, say: Say) -> tuple[str, float]:
        self.happened.append(("say", say.key))
        self.busy_until = self.now_s + self.audible_s
        return say.key, self.audible_s

    def tone(self, name: str) -> None:
        self.happened.append(("tone", name))

    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.happened]

    def of(self, kind: str) -> list:
        return [what for one, what in self.happened if one == kind]


class Clock(Nobody):
    def __init__(self, tape: Tape):
        self._tape = tape

    def block(self, block: AudioBlock, sitting) -> None:
        self._tape.now_s = block.start_s + block.duration_s


def blocks(until_s: float, lost_at: dict[float, float] | None = None):
    at, gaps = 0.0, dict(lost_at or {})
    while at < until_s:
        lost = gaps.pop(round(at, 1), 0.0)
        at += lost
        yield AudioBlock(at, bytes(3200), lost)
        at = round(at + BLOCK_S, 6)


def run(*words, until_s=30.0, plan=None, sound=None, closes_itself=True, stop=lambda: False, write_note=None):
    tape = Tape()
    session = Session(sitting(plan), PaperEar(*words), tape, tape, Clock(tape), write_note)
    reason = session.run(sound or blocks(until_s), closes_itself=closes_itself, stop=stop)
    return reason, tape


LAPSE = (("sit", 1.0), ("oops", 2.0), ("sit", 6.0), ("oops", 7.0))


def test_a_rep_is_written_down_before_anything_is_said_about_it():
    _, tape = run(*LAPSE)
    kinds = tape.kinds()
    lower = tape.happened.index(("say", "lower"))
    assert lower > max(i for i, kind in enumerate(kinds) if kind == "rep")
    assert tape.of("say") == ["listening", "lower", "finished"]
    assert [rep.outcome for rep in tape.of("rep")] == ["incorrect", "incorrect"]


def test_what_is_said_is_written_down_with_its_times():
    _, tape = run(*LAPSE)
    _, prompt, _ = tape.of("prompt")
    assert (prompt.key, prompt.behaviour) == ("lower", "sit")
    assert prompt.start_s == pytest.approx(7.8, abs=0.11)
    assert prompt.end_s == pytest.approx(prompt.start_s + 1.0)


def test_words_spoken_over_a_prompt_do_not_count():
    _, tape = run(*LAPSE, ("sit", 8.2))
    assert [entry.heard.reason for entry in tape.of("word")[-1:]] == ["during_prompt"]


def test_lost_sound_is_written_down_and_later_words_keep_their_times():
    _, tape = run(("sit", 6.0), ("yes", 7.0), sound=blocks(12.0, {2.0: 1.5}))
    (gap,) = tape.of("gap")
    assert (gap.at_s, gap.lost_s) == (2.0, 1.5)
    (rep,) = tape.of("rep")
    assert rep.start_s == 6.0


def test_a_recording_ends_with_its_sound_and_the_open_breath_is_heard_out():
    reason, tape = run(("sit", 1.0), ("yes", 2.0), until_s=2.5)
    assert reason is EndReason.SOUND_ENDED
    assert len(tape.of("rep")) == 1


def test_stop_is_obeyed_and_everything_heard_is_kept():
    calls = iter([False] * 26 + [True] * 100)
    reason, tape = run(("sit", 1.0), ("yes", 2.0), until_s=30.0, stop=lambda: next(calls))
    assert reason is EndReason.ASKED
    assert len(tape.of("rep")) == 1


def test_a_live_session_closes_itself_after_its_limit_and_a_recording_does_not():
    plan = small_plan(limits=Limits(time_s=5.0))
    assert run(until_s=60.0, plan=plan)[0] is EndReason.TIME
    assert run(until_s=60.0, plan=plan, closes_itself=False)[0] is EndReason.SOUND_ENDED


def test_the_spoken_end_closes_a_recording_too():
    reason, _ = run(("notebook end session", 1.0), until_s=30.0, closes_itself=False)
    assert reason is EndReason.ASKED


def test_a_lost_microphone_ends_the_session_with_its_reps_and_is_told():
    def unplugged():
        yield from blocks(4.0)
        raise UserError("the microphone is gone; plug it in and start again")

    tape = Tape()
    session = Session(sitting(), PaperEar(("sit", 1.0), ("yes", 2.0), ("sit", 3.0)), tape, tape, Clock(tape))
    with pytest.raises(UserError, match="microphone is gone"):
        session.run(unplugged(), closes_itself=True)
    assert len(tape.of("rep")) == 1
    assert session.sitting.ended is EndReason.MICROPHONE_LOST
    assert tape.of("say")[-1] == "microphone_lost"


def test_a_note_is_the_five_seconds_after_the_instruction():
    notes = []
    _, tape = run(
        ("notebook take a note", 1.0),
        until_s=12.0,
        plan=small_plan(sound=Sound(notes=True)),
        write_note=lambda pcm: notes.append(pcm) or "notes/1.wav",
    )
    (note,) = tape.of("note")
    assert (note.at_s, note.wav) == (1.4, "notes/1.wav")
    assert 5.0 <= len(notes[0]) / 2 / 16000 <= 5.2


def test_a_note_that_the_end_cuts_short_is_kept_all_the_same():
    notes = []
    plan = small_plan(sound=Sound(notes=True))
    run(("notebook take a note", 1.0), until_s=3.0, plan=plan, write_note=lambda pcm: notes.append(pcm) or "n.wav")
    assert 1.5 <= len(notes[0]) / 2 / 16000 <= 1.8


def test_a_log_that_cannot_be_written_stops_the_session_at_once():
    class FullDisk(Tape):
        def add_rep(self, rep) -> None:
            raise UserError("log.db: the disk is full; make room")

    tape = FullDisk()
    session = Session(sitting(), PaperEar(("sit", 1.0), ("yes", 2.0)), tape, tape, Clock(tape))
    with pytest.raises(UserError, match="disk is full"):
        session.run(blocks(30.0), closes_itself=True)
    assert tape.of("say") == ["listening"]


def test_a_sentence_waits_until_the_one_before_it_was_heard():
    tape = Tape(audible_s=4.0)
    session = Session(sitting(), PaperEar(), tape, tape, Clock(tape))
    asked = heard("notebook how are we doing", 0.0), heard("notebook how long", 0.5)
    session.sitting.hear(Breath(asked, 0.9))
    session.run(blocks(30.0), closes_itself=True)
    prompts = tape.of("prompt")[:-1]  # the last says that the session has ended
    assert len(prompts) == 3
    for before, after in zip(prompts, prompts[1:], strict=False):
        assert before.end_s <= after.start_s + 0.11


def test_no_sentence_starts_while_somebody_speaks():
    tape = Tape()
    session = Session(sitting(), PaperEar(), tape, tape, Clock(tape))
    session.sitting.hear(Breath((heard("notebook how are we doing", 1.0),), 1.4))
    session._now_s = 5.0  # what was said since 1.4 s is still in the ear's hands
    session._speak()
    assert tape.of("say") == []
    session.sitting.hear(Breath((), 4.0))
    session._speak()
    assert tape.of("say") == ["no_score"]


def test_a_session_closes_only_when_its_last_sentence_was_heard():
    plan = small_plan(limits=Limits(time_s=5.0))
    tape = Tape(audible_s=20.0)  # a very slow voice
    Session(sitting(plan), PaperEar(), tape, tape, Clock(tape)).run(blocks(200.0), closes_itself=True)
    limit = next(prompt for prompt in tape.of("prompt") if prompt.key == "end")
    finished = tape.of("prompt")[-1]
    assert finished.start_s >= limit.end_s - 0.11


def test_no_more_sound_is_held_than_a_note_needs():
    tape = Tape()
    session = Session(sitting(), PaperEar(), tape, tape, Clock(tape))
    session.run(blocks(120.0), closes_itself=False)
    assert sum(block.duration_s for block in session._kept) <= KEPT_S + 2 * BLOCK_S
