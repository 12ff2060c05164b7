"""The plan of one dog: words, behaviours, steps, rules. Every default of the program stands in this file, once."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field

from handsfree.core.confidence import least_confidence
from handsfree.core.events import Label


def spoken(text: str) -> str:
    """A phrase as it is listened for: small letters, single spaces, no punctuation but apostrophes and hyphens.

    Small letters, not case folding: "Fuß" must stay "fuß", the word that a German recogniser knows.
    """
    text = unicodedata.normalize("NFC", text).replace("\N{RIGHT SINGLE QUOTATION MARK}", "'").lower()
    kept = "".join(c if c.isalnum() or unicodedata.category(c)[0] == "M" or c in "'-" else " " for c in text)
    return " ".join(word for word in (part.strip("'-") for part in kept.split()) if word)


class Tag(Label):
    PLAIN = "plain"
    DURATION = "duration"
    HANDLING = "handling"
    GUARDING = "guarding"


@dataclass(frozen=True, slots=True)
class WindowRule:
    """Look at the last `window` reps at the current step: `raise_at` or more correct raise, `lower_at` or fewer lower.

    `misses_in_a_row` misses lower at once, window full or not; 0 switches that off.
    """

    name: str
    window: int
    raise_at: int
    lower_at: int
    misses_in_a_row: int = 2


@dataclass(frozen=True, slots=True)
class SequentialRule:
    """Wald's sequential probability ratio test between success rates `low` and `high`.

    `false_raise` is the accepted chance of raising a dog whose rate is `low` (alpha), `false_lower` of lowering one
    whose rate is `high` (beta).
    """

    name: str
    low: float = 0.5
    high: float = 0.8
    false_raise: float = 0.05
    false_lower: float = 0.05
    misses_in_a_row: int = 2


Rule = WindowRule | SequentialRule

PRESETS: Mapping[str, Rule] = {
    "4-3-2": WindowRule("4-3-2", window=5, raise_at=4, lower_at=2),
    "5-3-2": WindowRule("5-3-2", window=5, raise_at=5, lower_at=2),
    "8-of-10": WindowRule("8-of-10", window=10, raise_at=8, lower_at=5),
    "12-of-15": WindowRule("12-of-15", window=15, raise_at=12, lower_at=8),
    "sequential": SequentialRule("sequential"),
}
DEFAULT_RULE = "4-3-2"

RESPONSE_WINDOW_S: Mapping[Tag, float] = {Tag.PLAIN: 3.0, Tag.DURATION: 60.0, Tag.HANDLING: 5.0, Tag.GUARDING: 5.0}
"""How long after the cue's end a marker still belongs to it. A duration behaviour is marked after the hold."""


@dataclass(frozen=True, slots=True)
class Behaviour:
    name: str
    cues: tuple[str, ...]
    tag: Tag = Tag.PLAIN
    steps: tuple[str, ...] = ("first step",)
    start_step: int = 1
    response_window_s: float = RESPONSE_WINDOW_S[Tag.PLAIN]
    rule: Rule = PRESETS[DEFAULT_RULE]
    say: str = ""  # how prompts name it; "" means `name`
    hand_signal: str = ""  # for the family; so are the next two, in the trainer's own words
    do: tuple[str, ...] = ()
    dont: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    """The phrases of each role; cues stand with their behaviours. All lower case, single spaces."""

    address: str = "notebook"
    marker: tuple[str, ...] = ("yes",)
    error: tuple[str, ...] = ("oops",)
    release: tuple[str, ...] = ("all done",)
    safety: tuple[str, ...] = ("growling",)
    praise: tuple[str, ...] = ("good", "good girl", "good boy")
    names: tuple[str, ...] = ()  # the dog's own name is always among them


@dataclass(frozen=True, slots=True)
class Limits:
    """When the session should end. `treats` None means no budget."""

    time_s: float = 180.0
    handling_time_s: float = 60.0
    reps_per_behaviour: int = 10
    treats: int | None = None


@dataclass(frozen=True, slots=True)
class Prompts:
    """What is said in her ear. `voice` "" means the system's default voice for the language."""

    language: str = "en"
    voice: str = ""
    words_per_minute: int = 160
    volume: float = 0.8
    quiet_reps: int = 5  # the same prompt is not repeated within so many reps of its behaviour
    counted_tone: bool = False
    unsure_tone: bool = False


class KeepSound(Label):
    """Which sound of a session is kept: from a second before the cue to a second after the outcome, all, or none."""

    AROUND_REPS = "around reps"
    ALL = "all"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Sound:
    """What sound is kept.

    keep_days   kept sound goes by itself at this age
    keep_mb     ... and sooner, the oldest first, where the kept sound of all sessions comes to more
    notes       keep the five seconds after a spoken `note`
    """

    keep_sound: KeepSound = KeepSound.AROUND_REPS
    keep_days: int = 14
    keep_mb: int = 500
    notes: bool = False


@dataclass(frozen=True, slots=True)
class Ear:
    """How words are told from other sound.

    model              a Vosk model directory; "" means the English ear that ships
    sensitivity        0-1: the higher, the more of her words are heard, and the more that were none (while
                       somebody talks, a word must be surer: core/vocabulary)
    confidence         a word below it is ignored as unsure, 0-1; None: what `sensitivity` asks for
    pause_before_s     silence that must lie before a plan word (or the run of plan words, praise and names it is in);
                       less after a call, see alone.py
    pause_after_s      ... and after it; more than 0.12 has no effect with our own ear, which closes a breath there
    dead_time_s        the same word again within this time of its start is one stretched word
    shortest_word_s    anything shorter is ignored
    shortest_talk_s    other speech shorter than this is a breath or a bark's edge, not talk
    """

    model: str = ""
    sensitivity: float = 0.5
    confidence: float | None = None
    pause_before_s: float = 0.4
    pause_after_s: float = 0.12
    dead_time_s: float = 0.4
    shortest_word_s: float = 0.08
    shortest_talk_s: float = 0.1

    @property
    def least_confidence(self) -> float:
        """The confidence from which on a word counts."""
        return least_confidence(self.sensitivity) if self.confidence is None else self.confidence


@dataclass(frozen=True, slots=True)
class Day:
    """How a day of training is laid out beforehand.

    sessions             short sessions a day, at most
    meals                when she is fed, "HH:MM"
    meal_gap_min         minutes that lie between a meal and handling
    calm_reps            handling goes one step up only after so many correct reps in a row, and once a day
    upkeep_longest_days  what the dog knows is repeated at growing intervals, but after so many days at the latest
    """

    sessions: int = 3
    meals: tuple[str, ...] = ()
    meal_gap_min: int = 60
    calm_reps: int = 5
    upkeep_longest_days: int = 28


@dataclass(frozen=True, slots=True)
class Food:
    """What a day's treats may come to. None: not given, and never guessed.

    A ration in kcal (or weight and energy factor, from which it is estimated) goes with treats in kcal; one in grams
    with treats in grams, of the same food.
    """

    treat_share: float = 0.1
    ration_kcal: float | None = None
    weight_kg: float | None = None
    energy_factor: float | None = None
    treat_kcal: float | None = None
    ration_g: float | None = None
    treat_g: float | None = None


@dataclass(frozen=True, slots=True)
class Handover:
    """What the family is told beside the figures, in the trainer's own words; `ask`: whom, and how to reach them."""

    house_rules: tuple[str, ...] = ()
    do: tuple[str, ...] = ()
    dont: tuple[str, ...] = ()
    ask: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    dog: str
    behaviours: tuple[Behaviour, ...]
    handler: str = ""
    place: str = ""
    words: Words = Words()
    limits: Limits = Limits()
    prompts: Prompts = Prompts()
    sound: Sound = Sound()
    ear: Ear = Ear()
    day: Day = Day()
    food: Food = Food()
    handover: Handover = Handover()
    pronunciations: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Word -> how it is said: ARPAbet phones ("P AA P IY") or plain syllables that the tool reads aloud ("pop ee")."""

    def behaviour(self, name: str) -> Behaviour:
        """The behaviour of that name. Raises KeyError."""
        for behaviour in self.behaviours:
            if behaviour.name == name:
                return behaviour
        raise KeyError(name)
