"""What is said, by which voice, how: the jobs that speak.py renders. Nothing here makes sound."""

from __future__ import annotations

import functools
import gzip
import itertools
import re
import sys
import zlib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from held_out import TEST_VOICES, held_out

ROOT = Path(__file__).parents[2]
WORDS = Path(__file__).with_name("speak_words.toml")

COMMON_WORDS, COMMON_COPIES = 2000, 4
NEIGHBOURS, NEIGHBOUR_COPIES = 12, 5
"""Words that sound most like each important word, and voices for each of them."""
NAME_AND_CUE_COPIES = 3

NATIVE = ("af_", "am_", "bf_", "bm_")
ACCENT_SHARE = (0.1, 0.35)
"""Of a voice of another language in a blend."""
MOODS = {"plain": 0.42, "quick": 0.08, "called": 0.14, "sung": 0.12, "small": 0.1, "large": 0.05, "whispered": 0.09}
ENDINGS = {".": 0.34, "!": 0.36, "?": 0.1, "...": 0.08, ",": 0.06, "": 0.06}

MOST_TOKENS = 120
"""Rows of a voice's table that are kept: one for each length of text."""


class Job(NamedTuple):
    """One recording to make. `tokens`: Kokoro's symbols as numbers; `semitones`: the pitch's shift, at even distances
    along the sound; `speed`: 1 is the voice's own."""

    name: str
    text: str
    voice: str
    mood: str
    tokens: tuple[int, ...]
    speed: float
    semitones: tuple[float, ...]


def read_jobs(path: Path) -> list[Job]:
    jobs = []
    for line in path.read_text(encoding="utf-8").splitlines():
        name, text, voice, mood, tokens, speed, semitones = line.split("\t")
        shifts = tuple(map(float, semitones.split()))
        jobs.append(Job(name, text, voice, mood, tuple(map(int, tokens.split())), float(speed), shifts))
    return jobs


def write_jobs(jobs: Iterable[Job], path: Path) -> None:
    with open(path, "w", encoding="utf-8", newline="\n") as out:
        for job in jobs:
            tokens, shifts = " ".join(map(str, job.tokens)), " ".join(f"{s:.2f}" for s in job.semitones)
            out.write("\t".join((*job[:4], tokens, f"{job.speed:.3f}", shifts)) + "\n")


def plan(voices: Sequence[str], seed: int, test: bool = False) -> list[Job]:
    """All jobs; every first part of them holds the same mix. With `test` the trade words by the held-out voices."""
    voices = allowed(voices, test)
    said: list[tuple[float, str, int]] = []
    for text, copies in texts(test).items():
        start = np.random.default_rng((seed, zlib.crc32(text.encode()))).random()
        said += [((k + start) / copies, text, k) for k in range(copies)]
    jobs = []
    for _, text, k in sorted(said):
        rng = np.random.default_rng((seed, zlib.crc32(text.encode()), k + 1))
        voice = TEST_VOICES[k % len(TEST_VOICES)] if test else blend(voices, rng)
        if job := _job(f"{'t' if test else 's'}{seed}_{len(jobs):06d}", text, voice, rng):
            jobs.append(job)
    return jobs


def allowed(voices: Sequence[str], test: bool) -> list[str]:
    """The voices that may be used: none that held_out.txt names, or for testing only the four kept for it."""
    if test:
        return [voice for voice in voices if voice in TEST_VOICES]
    barred = held_out()
    return [voice for voice in voices if voice not in barred]


def blend(voices: Sequence[str], rng: np.random.Generator) -> str:
    """A voice, or several as `a*0.60+b*0.40`: shares that add up to 1 but for rounding. The first is the strongest."""
    native = [voice for voice in voices if voice.startswith(NATIVE)]
    foreign = [voice for voice in voices if not voice.startswith(NATIVE)]
    count = int(rng.choice([1, 2, 3], p=[0.15, 0.5, 0.35]))
    chosen = [str(voice) for voice in rng.choice(native, count, replace=False)]
    if count == 1:
        return chosen[0]
    shares = rng.dirichlet([2.0] * count)
    if foreign and rng.random() < 0.25:
        chosen[-1] = str(rng.choice(foreign))
        shares[-1] = rng.uniform(*ACCENT_SHARE)
        shares[:-1] *= (1 - shares[-1]) / shares[:-1].sum()
    pairs = sorted(zip(shares, chosen, strict=True), reverse=True)
    return "+".join(f"{voice}*{share:.2f}" for share, voice in pairs)


def _job(name: str, text: str, voice: str, rng: np.random.Generator) -> Job | None:
    """None where the text is too long or has no sound that the voices know."""
    british = max(voice.split("+"), key=lambda part: float(part.partition("*")[2] or 1)).startswith("b")
    mood = str(rng.choice(list(MOODS), p=np.array(list(MOODS.values())) / sum(MOODS.values())))
    ending = str(rng.choice(list(ENDINGS), p=list(ENDINGS.values())))
    ending = "!" if mood == "called" else ending
    tokens = symbols(phonemes(text, british) + ending)
    if not 2 <= len(tokens) < MOST_TOKENS - 1:
        return None
    speed, semitones = _pace_and_pitch(mood, rng)
    return Job(name, text, voice, mood, tokens, speed, semitones)


def _pace_and_pitch(mood: str, rng: np.random.Generator) -> tuple[float, tuple[float, ...]]:
    """Speed and semitones. Reading faster or slower at another pitch changes the pace as well: that is taken back."""
    speed, shifts = rng.uniform(0.85, 1.2), [rng.uniform(-1, 1)]
    if mood == "quick":
        speed = rng.uniform(1.2, 1.5)
    elif mood == "called":
        speed, shifts = rng.uniform(0.7, 0.95), [rng.uniform(0.5, 3)]
    elif mood == "small":
        speed, shifts = rng.uniform(0.8, 1.15), [rng.uniform(2, 4)]
    elif mood == "large":
        shifts = [rng.uniform(-3, -1.5)]
    elif mood == "sung":
        speed = rng.uniform(0.7, 0.95)
        swing, turns, phase = rng.uniform(1, 3), rng.uniform(0.5, 1.5), rng.uniform(0, 2 * np.pi)
        shifts = list(swing * np.sin(2 * np.pi * turns * np.linspace(0, 1, 9) + phase) + rng.uniform(-0.5, 1.5))
    pitch = 2 ** (float(np.mean(shifts)) / 12)
    return round(float(np.clip(speed / pitch, 0.6, 1.6)), 3), tuple(round(float(s), 2) for s in shifts)


def texts(test: bool = False) -> dict[str, int]:
    """Each text and how many voices say it; what stands in several groups keeps the largest number."""
    groups = _read_toml(WORDS)
    scarce = dict.fromkeys(_listed(groups.pop("scarce")), groups.pop("scarce_copies"))
    important = [*scarce, *_listed(groups["words"]["texts"])]
    if test:
        return dict.fromkeys([*important, *_listed(groups["names"]["texts"])[:12]], len(TEST_VOICES) * 2)
    dictionary = _dictionary()
    common = [word for word in _common_words() if len(word) > 1 and word.isalpha()][:COMMON_WORDS]
    parts = [dict.fromkeys(common, COMMON_COPIES)]
    parts += [dict.fromkeys(neighbours(important, dictionary, common), NEIGHBOUR_COPIES)]
    parts += [dict.fromkeys(_beside_names(groups, list(scarce)), NAME_AND_CUE_COPIES)]
    parts += [dict.fromkeys(_listed(group["texts"]), group["copies"]) for group in groups.values()]
    counts: dict[str, int] = {}
    for text, copies in itertools.chain(*(part.items() for part in [*parts, scarce])):
        counts[text] = max(copies, counts.get(text, 0))
    return counts


def _beside_names(groups: dict, cues: list[str]) -> Iterator[str]:
    """Each name before three cues and one after: "poppy sit", "good poppy"."""
    names = _listed(groups["names"]["texts"])
    for i, name in enumerate(names):
        for j in range(4):
            cue = cues[(i * 7 + j * 5) % len(cues)]
            yield f"{name} {cue}" if j < 3 else f"{cue} {name}"


def neighbours(words: Sequence[str], dictionary: dict[str, tuple[str, ...]], common: Sequence[str]) -> list[str]:
    """For each single word those that sound most like it but not the same, half of them common words."""
    sys.path.insert(0, str(ROOT))
    from handsfree.core.phones import distance

    alike: dict[tuple[str, ...], list[str]] = {}
    for word, phones in dictionary.items():
        for key in _one_apart(phones):
            alike.setdefault(key, []).append(word)
    frequent = set(common)
    near: dict[str, None] = {}
    for word in words:
        phones = dictionary.get(word, ())
        others = {other for key in _one_apart(phones) for other in alike.get(key, ()) if dictionary[other] != phones}
        ranked = [other for _, other in sorted((distance(phones, dictionary[other]), other) for other in others)]
        near |= dict.fromkeys([other for other in ranked if other in frequent][: NEIGHBOURS // 2])
        near |= dict.fromkeys([other for other in ranked if other not in frequent][: NEIGHBOURS // 2])
    return [word for word in near if word not in set(words)]


def _one_apart(phones: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """What two words have in common that differ in one sound, or where one has a sound more."""
    yield phones
    for i in range(len(phones)):
        yield (*phones[:i], *phones[i + 1 :])
        yield (*phones[:i], "*", *phones[i + 1 :])


def _dictionary() -> dict[str, tuple[str, ...]]:
    """The usual pronunciation of each plain word of at most six sounds."""
    first: dict[str, tuple[str, ...]] = {}
    with gzip.open(ROOT / "models" / "en" / "cmudict.txt.gz", "rt", encoding="utf-8") as lines:
        for line in lines:
            word, *phones = line.split()
            if word.isalpha() and len(word) > 1 and len(phones) <= 6:
                first.setdefault(word, tuple(phones))
    return first


def _common_words() -> list[str]:
    lines = (ROOT / "models" / "en" / "common_words.txt").read_text(encoding="utf-8").splitlines()
    return list(dict.fromkeys(line.split()[0] for line in lines))


def _listed(texts: str) -> list[str]:
    return [" ".join(text.split()) for text in texts.split(",") if text.strip()]


def _read_toml(path: Path) -> dict:
    try:
        import tomllib
    except ImportError:
        import tomli as tomllib
    return tomllib.loads(path.read_text(encoding="utf-8"))


# Text -> espeak-ng's phonemes -> the symbols that Kokoro-82M was trained on.

_SYMBOLS = {";": 1, ":": 2, ",": 3, ".": 4, "!": 5, "?": 6, "…": 10, " ": 16} | dict(
    zip("AIOQSTWYᵊabcdefhijklmnopqrstuvwxyzɑɐɒæβɔɕçɖðʤəɚɛɜɟɡɥɨɪʝɯɰŋɳɲɴøɸθœɹɾɻʁɽʂʃʈʧʊʋʌɣɤχʎʒʔˈˌːʰʲᵻ",
        [24, 25, 31, 33, 35, 36, 39, 41, 42, *range(43, 49), *range(50, 73), 75, 76, 77, 78, 80, 81, 82, 83, 85, 86, 87,
         90, 92, 99, 101, 102, 103, 110, 111, 112, 113, 114, 115, 116, 118, 119, 120, 123, 125, 126, 128, 129, 130, 131,
         132, 133, 135, 136, 138, 139, 140, 142, 143, 147, 148, 156, 157, 158, 162, 164, 177], strict=True)
)  # fmt: skip
"""Kokoro-82M's input: numbers of the symbols that English needs (config.json of the model, Apache-2.0)."""

_BOTH = {"eɪ": "A", "aɪ": "I", "aʊ": "W", "ɔɪ": "Y", "tʃ": "ʧ", "dʒ": "ʤ", "əl": "ᵊl", "ʔn\u0329": "tᵊn",
         "n\u0329": "ᵊn", "l\u0329": "ᵊl", "ɐ": "ə", "r": "ɹ", "x": "k", "ç": "k", "ɬ": "l", "ʲ": "", "\u0303": "",
         "ʔ": "t"}  # fmt: skip
_AMERICAN = {"oʊ": "O", "ɜːɹ": "ɜɹ", "ɜː": "ɜɹ", "ɪə": "iə", "ɚ": "əɹ", "ɾ": "T", "o": "ɔ", "ː": ""}
_BRITISH = {"əʊ": "Q", "eə": "ɛː", "iə": "ɪə"}


@functools.cache
def phonemes(text: str, british: bool) -> str:
    """Kokoro writes each diphthong and affricate as one symbol; American vowels carry no length mark."""
    sys.path.insert(0, str(ROOT))
    from handsfree.edges.pronounce import espeak_ipa

    ipa = re.sub(r"\([a-z-]+\)", "", espeak_ipa(text, "en" if british else "en-us"))
    table = _BOTH | (_BRITISH if british else _AMERICAN)
    for old in sorted(table, key=len, reverse=True):
        ipa = ipa.replace(old, table[old])
    return " ".join(ipa.split())


def symbols(text: str) -> tuple[int, ...]:
    """Numbers of the symbols; what Kokoro does not know is left out."""
    return tuple(_SYMBOLS[c] for c in text.replace("...", "…") if c in _SYMBOLS)
