"""The values that flow through the program. Frozen, comparable, free of behaviour.

All times are seconds of session time: sound fed since the session began (lost sound included), never wall time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

SAMPLE_RATE = 16_000
OTHER_SPEECH = "[unk]"
"""Text of a HeardWord that is speech (or a speech-like sound) but no word of the plan."""


class Label(str, Enum):
    """A closed set of words that read and store as plain text (enum.StrEnum needs Python 3.11; we promise 3.10)."""

    __str__ = str.__str__


@dataclass(frozen=True, slots=True)
class AudioBlock:
    """A stretch of sound: 16 kHz mono int16 little-endian PCM.

    `lost_s` is the length of sound that was lost just before this block; `start_s` already includes it.
    """

    start_s: float
    pcm: bytes
    lost_s: float = 0.0

    @property
    def duration_s(self) -> float:
        return len(self.pcm) / 2 / SAMPLE_RATE


@dataclass(frozen=True, slots=True)
class HeardWord:
    """One word or whole phrase the ear heard, or OTHER_SPEECH. `confidence` is 0-1.

    By a second look at the sound, None where there was none: `shares`, how likely each phrase of the plan is, 0-1;
    `voice`, log-odds that somebody speaks there at all; `far`, how far it is from her own takes of phrases, 0-2. Of
    these comes `readings`: what it may have been, each with its confidence, OTHER_SPEECH among them if that is what the
    ear heard. They have gone into `text` and `confidence` by the time the word is judged, and are not stored.
    """

    text: str
    start_s: float
    end_s: float
    confidence: float = 1.0
    shares: Mapping[str, float] | None = field(default=None, compare=False, repr=False)
    voice: float | None = field(default=None, compare=False, repr=False)
    far: Mapping[str, float] | None = field(default=None, compare=False, repr=False)
    readings: Mapping[str, float] | None = field(default=None, compare=False, repr=False)

    @property
    def second(self) -> float | None:
        """The word's own share; None where nobody looked."""
        return None if self.shares is None else self.shares.get(self.text)


@dataclass(frozen=True, slots=True)
class Breath:
    """All that was heard between two pauses, in order, OTHER_SPEECH included.

    `settled_s`: a word that starts before this time and is reported later is too late to count. A Breath without words
    only says that listening has got so far.
    """

    words: tuple[HeardWord, ...]
    settled_s: float


class Role(Label):
    """What a phrase of the plan is for."""

    CUE = "cue"
    MARKER = "marker"
    ERROR = "error"
    RELEASE = "release"
    SAFETY = "safety"
    PRAISE = "praise"
    NAME = "name"
    INSTRUCTION = "instruction"


class Instruction(Label):
    """What can be asked of the tool after the address word."""

    NOW = "now"  # with a behaviour: this is what we train now
    UNDO = "undo"  # the last rep was no rep
    WRONG = "wrong"  # the last rep was incorrect
    RIGHT = "right"  # the last rep was correct
    PAUSE = "pause"
    RESUME = "resume"
    SCORE = "score"
    NEXT_STEP = "next step"
    STEP_BACK = "step back"
    TIME = "time"
    NOTE = "note"
    END = "end"


@dataclass(frozen=True, slots=True)
class SessionEvent:
    """A heard word that counts, with what it means. `behaviour` is set for cues and for Instruction.NOW."""

    word: HeardWord
    role: Role
    behaviour: str | None = None
    instruction: Instruction | None = None


class Reason(Label):
    """Why a heard word of the plan did not count."""

    IN_A_SENTENCE = "in_a_sentence"
    UNSURE = "unsure"  # confidence below the plan's threshold
    TOO_SHORT = "too_short"  # shorter than anyone can say it
    TOO_LATE = "too_late"  # the ear made up its mind after what follows from silence had been decided
    STRETCHED = "stretched"  # the same word again within the dead time: one drawn-out word
    DURING_PROMPT = "during_prompt"
    PAUSED = "paused"
    PRAISE = "praise"
    NAME = "name"
    PART_OF_PHRASE = "part_of_phrase"  # a piece of a longer phrase, said without the rest
    NO_BEHAVIOUR = "no_behaviour"  # a marker before any behaviour was named
    NO_OPEN_REP = "no_open_rep"  # error or release word with nothing to end
    NOTHING_TO_CORRECT = "nothing_to_correct"
    SESSION_OVER = "session_over"


@dataclass(frozen=True, slots=True)
class Ignored:
    """A heard word that did not count, and why."""

    word: HeardWord
    role: Role | None
    reason: Reason
    behaviour: str | None = None


class Outcome(Label):
    CORRECT = "correct"
    INCORRECT = "incorrect"
    NO_RESPONSE = "no_response"


@dataclass(frozen=True, slots=True)
class Rep:
    """One opportunity, closed. `number` counts from 1 in its session.

    A cued rep starts with its cue; an uncued one where the previous rep (or the pause, or the naming of the behaviour)
    ended. `outcome_word` is the marker or error word that decided it; None for no_response and for a released hold.
    """

    number: int
    behaviour: str
    step: int
    outcome: Outcome
    start_s: float
    end_s: float
    cue: HeardWord | None = None
    outcome_word: HeardWord | None = None
    recue: bool = False  # ended because the same cue was given again
    released: bool = False  # a held position ended by the release word, unmarked

    @property
    def seen_s(self) -> float:
        """When an observer would write it down: at its cue; without one, at the word that decided it."""
        word = self.cue or self.outcome_word
        return word.start_s if word else self.start_s

    @property
    def cue_to_marker_s(self) -> float | None:
        """Marker start minus cue end, seconds: the dog's latency plus the trainer's reaction.

        None unless the rep was cued and marked.
        """
        if self.cue is None or self.outcome_word is None or self.outcome is not Outcome.CORRECT:
            return None
        return self.outcome_word.start_s - self.cue.end_s


@dataclass(frozen=True, slots=True)
class Correction:
    """What was changed about a rep, never overwriting it. `after` None means: it was no rep at all.

    `rep` is the rep as it is from then on, where more than its outcome changed (behaviour, times, words); its own
    `outcome` is what its words say. A rep that was never counted begins with such a correction, `before` None.
    """

    rep_number: int
    before: Outcome | None
    after: Outcome | None
    why: str
    at_s: float
    rep: Rep | None = None


class Choice(Label):
    RAISE = "raise"
    HOLD = "hold"
    LOWER = "lower"
    END = "end"


class Because(Label):
    """The rule that made a decision."""

    WINDOW = "window"
    SEQUENTIAL = "sequential"
    MISSES_IN_A_ROW = "misses_in_a_row"
    OPT_OUT = "opt_out"  # one miss while handling is a stop signal
    SECOND_OPT_OUT = "second_opt_out"
    FIRST_STEP = "first_step"  # nothing easier is left
    SECOND_LOWER = "second_lower"  # lowered twice without recovery
    TOP_STEP = "top_step"  # earned a raise, but no harder step is written in the plan
    NO_HASTE = "no_haste"  # handling goes up once a day
    JUST_MOVED = "just_moved"  # the same move was made a few reps ago; it would only nag
    ASKED = "asked"  # the trainer chose the step herself
    TIME = "time"
    REPS = "reps"
    TREATS = "treats"
    SAFETY = "safety"


@dataclass(frozen=True, slots=True)
class Decision:
    """What the rules say after a rep (or at a limit), with the evidence. `behaviour` None: it concerns the session.

    reps      numbers of the reps looked at, oldest first
    correct   how many of them were correct
    new_step  the step that follows; equal to `step` for hold and end
    """

    choice: Choice
    because: Because
    at_s: float
    behaviour: str | None = None
    step: int | None = None
    new_step: int | None = None
    reps: tuple[int, ...] = ()
    correct: int = 0
    rule: str = ""


class EndReason(Label):
    """Why a session ended."""

    ASKED = "asked"  # the trainer said so, or Ctrl-C
    TIME = "time"
    REPS = "reps"
    TREATS = "treats"
    MISSES = "misses"
    SAFETY = "safety"
    SOUND_ENDED = "sound_ended"
    MICROPHONE_LOST = "microphone_lost"
    INTERRUPTED = "interrupted"  # found open at the next start: the program was killed


# Effects: what the pure core asks the session loop to do.


@dataclass(frozen=True, slots=True)
class LogWord:
    """Write down a heard word: exactly one for each. `rep_number` is the rep it began, ended or rewarded."""

    heard: SessionEvent | Ignored
    rep_number: int | None = None


@dataclass(frozen=True, slots=True)
class SaveRep:
    rep: Rep


@dataclass(frozen=True, slots=True)
class OweReward:
    """One marker, one reward; stays owed even when the rep is undone (common practice, no source)."""

    rep_number: int
    at_s: float


@dataclass(frozen=True, slots=True)
class CorrectRep:
    correction: Correction


@dataclass(frozen=True, slots=True)
class Obey:
    """An instruction that the loop carries out: score, time, note, step, pause tone, end."""

    event: SessionEvent


@dataclass(frozen=True, slots=True)
class Decided:
    decision: Decision


@dataclass(frozen=True, slots=True)
class Tone:
    """A short tone of our own: `counted` or `unsure`."""

    name: str


@dataclass(frozen=True, slots=True)
class Say:
    """A sentence of the prompt book, by key, with its fields. An urgent one does not wait for an open rep to end."""

    key: str
    fields: tuple[tuple[str, str | int], ...] = ()
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class KeepNote:
    """Keep the next seconds of sound as a spoken note."""

    from_s: float


Effect = LogWord | SaveRep | OweReward | CorrectRep | Obey | Decided | Tone | Say | KeepNote
