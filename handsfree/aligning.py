"""Where a stored session lies in a video: by its words, or by a recording of the session."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH
from handsfree.core.log import SessionLog
from handsfree.edges.alignment import LEAST_WORDS, Alignment, by_sound, by_words, envelope
from handsfree.edges.audio import read_file
from handsfree.hearing import Hearing, Measured
from handsfree.listening import PATIENT
from handsfree.replaying import plan_of

Tell = Callable[[str], None]


def align_by_words(
    video: Path, log: SessionLog, tell: Tell = lambda line: None, model: Path | None = None
) -> Alignment:
    """Hear the video with the session's own plan, and match the words with those in the log. Raises UserError."""
    stored = [(entry.heard.word.text, entry.heard.word.start_s) for entry in log.words]
    stored = [word for word in stored if word[0] != OTHER_SPEECH]
    if len(stored) < LEAST_WORDS:
        raise UserError(
            f"session {log.session.id[:8]} holds {len(stored)} words of its plan, too few to find it by "
            f"(at least {LEAST_WORDS}); give a recording of the session with --sound"
        )
    hearing = Hearing(plan_of(log), model, frames_per_chunk=PATIENT)
    sound = Measured(read_file(video, note=tell))
    heard = [(word.text, word.start_s) for breath in hearing.breaths(sound) for word in breath.words]
    return by_words(stored, [word for word in heard if word[0] != OTHER_SPEECH], sound.length_s)


def align_by_sound(video: Path, sound: Path, tell: Tell = lambda line: None) -> Alignment:
    """Match the speech envelopes of a video and of a recording of the session. Raises UserError."""
    return by_sound(*(envelope(read_file(path, note=tell)) for path in (sound, video)))
