"""How a word is said: the plan's own spelling, else the CMU Pronouncing Dictionary, else espeak-ng's letter rules."""

from __future__ import annotations

import ctypes
import gzip
import itertools
import re
import threading
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.phones import PAUSE, PHONES, Phones

MOST_VARIANTS = 8
"""Pronunciations kept of one phrase: the dictionary lists the usual ones first, and each costs room in the graph."""


@dataclass(frozen=True, slots=True)
class Pronunciation:
    """The ways to say a word or phrase, usual ones first, and their source: "plan", "dictionary" or "letters"."""

    phones: tuple[Phones, ...]
    source: str


class Pronouncer:
    """Pronunciations for one plan.

    pronunciations  word -> its spellings: ARPAbet in capitals ("T IH K AH"), plain syllables ("tick uh"), or the word
                    as another language reads it ("fr: ici")
    language        of the words; anything but English skips the dictionary
    dictionary      gzipped lines "word PH OW N Z"; a further line with the same word is a variant
    """

    def __init__(self, pronunciations: Mapping[str, Sequence[str]], language: str, dictionary: Path) -> None:
        self._own = {_key(word): tuple(spellings) for word, spellings in pronunciations.items()}
        self._english = language.lower().startswith("en")
        self._voice = "en-us" if self._english else language.lower().replace("_", "-")
        self._dictionary = dictionary

    def word(self, word: str) -> Pronunciation:
        """Raises UserError where no way to say the word can be found."""
        key = _key(word)
        if key in self._own:
            return Pronunciation(tuple(_unique(self._spelled(word, text) for text in self._own[key])), "plan")
        if self._english:
            text = _read_dictionary(self._dictionary)
            for form in dict.fromkeys((key, _unaccented(key), key.replace("-", ""), key.replace(".", ""))):
                if found := _look_up(form, text):
                    return Pronunciation((*found, *_CASUAL.get(form, ())), "dictionary")
            if "-" in key.strip("-"):
                return self._hyphenated(key)
        return Pronunciation((self._letters(word, word),), "letters")

    def phrase(self, phrase: str) -> Pronunciation:
        """A word or several: every combination of their pronunciations (at most MOST_VARIANTS), PAUSE between words.

        The source named is the least certain one. A whole phrase may have its own entry in the plan.
        """
        words = phrase.split()
        if len(words) < 2 or _key(phrase) in self._own:
            return self.word(phrase)
        parts = [self.word(word) for word in words]
        variants = itertools.islice(itertools.product(*(part.phones for part in parts)), MOST_VARIANTS)
        joined = tuple(tuple(itertools.chain(first, *((PAUSE, *more) for more in rest))) for first, *rest in variants)
        return Pronunciation(joined, _least_certain(parts))

    def _hyphenated(self, key: str) -> Pronunciation:
        parts = [self.word(part) for part in key.split("-") if part]
        variants = itertools.islice(itertools.product(*(part.phones for part in parts)), MOST_VARIANTS)
        return Pronunciation(tuple(tuple(itertools.chain(*variant)) for variant in variants), _least_certain(parts))

    def _spelled(self, word: str, spelling: str) -> Phones:
        if foreign := _FOREIGN.fullmatch(spelling):
            return self._letters(word, foreign["text"].lower(), foreign["language"].lower())
        tokens = spelling.replace("-", " ").split()
        if not tokens:
            raise UserError(f'the pronunciation of "{word}" is empty; {_HOW_TO_SPELL}')
        arpabet = tuple(token.rstrip("012") for token in tokens)
        if all(phone in PHONES for phone in arpabet):
            return arpabet
        syllables = (_consonants(token.lower()) or self._letters(word, token.lower()) for token in tokens)
        return tuple(itertools.chain(*syllables))

    def _letters(self, word: str, text: str, voice: str | None = None) -> Phones:
        voice = voice or (_script_voice(text) if self._english else None) or self._voice
        ipa = espeak_ipa(text, voice) if any(c.isalnum() for c in text) else ""
        phones = _arpabet(ipa if voice.startswith("en") else ipa.translate(_NOT_ENGLISH))
        if not phones:
            raise UserError(f'no way to say "{word}" is known: give its sound in [pronunciations]; {_HOW_TO_SPELL}')
        return phones


_CASUAL = dict.fromkeys(("okay", "ok"), (("AH", "K", "EY"), ("K", "EY")))
"""Said so as often, and not in the dictionary. Common practice, no source."""

_HOW_TO_SPELL = (
    'write plain syllables, such as poppy = "pop ee", or ARPAbet, such as poppy = "P AA P IY", '
    'or the word after its language, such as ici = "fr: ici"'
)


def _consonants(token: str) -> Phones:
    """A syllable without a vowel, such as "psst", sound by sound (espeak-ng would name its letters); () otherwise."""
    found = re.findall("sh|ch|th|zh|ng|[bdfghjklmnprstvwz]", token)
    if "".join(found) != token:
        return ()
    sounds = ({"h": "HH", "j": "JH"}.get(letters, letters.upper()) for letters in found)
    return tuple(sound for sound, _ in itertools.groupby(sounds))


_FOREIGN = re.compile(r"(?P<language>[A-Za-z]{2,3}(-[A-Za-z0-9-]+)?):\s*(?P<text>.*\S)")

_SCRIPTS = {
    "CYRILLIC": "ru", "GREEK": "el", "HEBREW": "he", "ARABIC": "ar", "DEVANAGARI": "hi", "HANGUL": "ko",
    "HIRAGANA": "ja", "KATAKANA": "ja", "CJK": "cmn", "GEORGIAN": "ka", "ARMENIAN": "hy",
}  # fmt: skip
"""First word of a letter's Unicode name -> the voice that reads it: the language with most readers of that script."""


def _script_voice(text: str) -> str | None:
    """None for Latin letters."""
    names = (unicodedata.name(c, "").split(" ")[0] for c in text if c.isalpha())
    return next((_SCRIPTS[name] for name in names if name in _SCRIPTS), None)


def _key(word: str) -> str:
    return unicodedata.normalize("NFC", " ".join(word.lower().replace("\N{RIGHT SINGLE QUOTATION MARK}", "'").split()))


def _unaccented(word: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFD", word) if not unicodedata.combining(c))


def _unique(items: Iterable[Phones]) -> dict[Phones, None]:
    return dict.fromkeys(items)


def _least_certain(parts: Sequence[Pronunciation]) -> str:
    return max((part.source for part in parts), key=("plan", "dictionary", "letters").index)


@lru_cache(maxsize=1)
def _read_dictionary(path: Path) -> str:
    """The whole text, each line after a line break. Searching it takes a millisecond; a dict of it takes 60 MB."""
    try:
        with gzip.open(path, "rt", encoding="utf-8") as lines:
            return "\n" + lines.read()
    except (OSError, EOFError, ValueError) as error:
        raise UserError(f"{path}: the dictionary of pronunciations cannot be read; install handsfree again") from error


def common_words(path: Path) -> dict[str, Phones]:
    """The decoys that ship with the ear: word -> its first pronunciation. Raises UserError."""
    found: dict[str, Phones] = {}
    try:
        for line in path.read_text(encoding="utf-8").splitlines():
            word, *phones = line.split()
            found.setdefault(word, tuple(phones))
    except (OSError, ValueError) as error:
        raise UserError(f"{path}: the common words cannot be read; install handsfree again") from error
    return found


@lru_cache(maxsize=4096)
def _look_up(word: str, text: str) -> tuple[Phones, ...]:
    """All pronunciations of a word, which lie on neighbouring lines; () if it has none."""
    start, found = f"\n{word} ", []
    at = text.find(start)
    while at >= 0 and text.startswith(start, at):
        end = text.index("\n", at + 1)
        found.append(tuple(text[at + len(start) : end].split()))
        at = end
    return tuple(found)


# espeak-ng: text -> International Phonetic Alphabet -> ARPAbet.

_IPA = {
    "aɪ": "AY", "aʊ": "AW", "eɪ": "EY", "oʊ": "OW", "əʊ": "OW", "ɔɪ": "OY", "ɔø": "OY", "œy": "OY",
    "ɑ": "AA", "ɒ": "AA", "a": "AA", "æ": "AE", "ʌ": "AH", "ə": "AH", "ɐ": "AH", "ɔ": "AO", "o": "OW",
    "ɛ": "EH", "e": "EH", "ø": "ER", "œ": "ER", "ɜ": "ER", "ɚ": "ER", "ɝ": "ER", "ɪ": "IH", "ᵻ": "IH", "ɨ": "IH",
    "i": "IY", "y": "UW", "ʏ": "UH", "ʊ": "UH", "u": "UW", "ɯ": "UW", "ʉ": "UW", "ɤ": "AH", "ɵ": "UH",
    "tʃ": "CH", "dʒ": "JH", "tɕ": "CH", "dʑ": "JH", "ʈʂ": "CH", "pf": "F", "ɕ": "SH", "ʑ": "ZH", "ʂ": "SH", "ʐ": "ZH",
    "p": "P", "b": "B", "t": "T", "d": "D", "k": "K", "ɡ": "G", "g": "G", "q": "K", "c": "K", "ɟ": "G", "ʔ": "T",
    "ɾ": "T", "ʈ": "T", "ɖ": "D", "f": "F", "v": "V", "ʋ": "V", "β": "V", "ɸ": "F", "θ": "TH", "ð": "DH",
    "s": "S", "z": "Z", "ʃ": "SH", "ʒ": "ZH", "x": "K", "χ": "K", "ɣ": "G", "ç": "HH", "h": "HH", "ɦ": "HH",
    "m": "M", "n": "N", "ɲ": "N Y", "ŋ": "NG", "ɴ": "NG", "l": "L", "ɫ": "L", "ʎ": "L Y", "ɬ": "L", "ɹ": "R", "r": "R",
    "ʁ": "R", "ɻ": "R", "ɽ": "R", "j": "Y", "w": "W", "ʍ": "W", "ɥ": "Y",
    "ä": "AA", "ɭ": "L", "ɳ": "N", "ħ": "HH", "n\u0329": "AH N", "l\u0329": "AH L", "m\u0329": "AH M",
}  # fmt: skip
"""IPA as espeak-ng writes it -> the English phones nearest to an English ear."""

_NOT_SOUND = re.compile(r"\([a-z-]+\)|[_0-9\u02c8\u02cc\u02d0\u02d1\u02b2\u02b0\u02c0\u1d5d\u0295\s\u200d]")
_NOT_ENGLISH = str.maketrans({"ɾ": "r", "ʔ": None})
"""A tap is a T in American "water", an R elsewhere; a glottal stop stands for a T in English only."""
_CHARS_IPA, _PHONEMES_IPA = 1, 2
_espeak_lock = threading.Lock()


def _arpabet(ipa: str) -> Phones:
    """() where a sound has no counterpart."""
    text, phones, i = _NOT_SOUND.sub("", ipa), [], 0
    while i < len(text):
        for length in (2, 1):
            if text[i : i + length] in _IPA:
                phones += _IPA[text[i : i + length]].split()
                i += length
                break
        else:
            if not unicodedata.combining(text[i]):
                return ()
            if text[i] == "\N{COMBINING TILDE}":  # a nasal vowel
                phones.append("N")
            i += 1
    return tuple(phones)


def espeak_ipa(text: str, voice: str) -> str:
    """How `voice`, such as "en-us", says `text` by espeak-ng's rules, in the International Phonetic Alphabet.

    Stress and length marks stand in it, and "(en)" where the voice changes. Raises UserError where espeak-ng cannot
    start or lacks the voice.
    """
    library = _espeak_library()
    with _espeak_lock:
        if library.espeak_SetVoiceByName(voice.encode()) != 0:
            raise UserError(f'the language "{voice}" is none that espeak-ng speaks: use a code such as "en" or "fr"')
        encoded = ctypes.c_char_p(text.encode())
        rest = ctypes.cast(ctypes.pointer(encoded), ctypes.POINTER(ctypes.c_void_p))
        parts = []
        while rest.contents.value:
            parts.append(library.espeak_TextToPhonemes(rest, _CHARS_IPA, _PHONEMES_IPA).decode())
        return " ".join(parts)


@lru_cache(maxsize=1)
def _espeak_library() -> ctypes.CDLL:
    import espeakng_loader

    retrieval, no_exit = 1, 0x8000
    try:
        library = ctypes.CDLL(espeakng_loader.get_library_path())
        rate = library.espeak_Initialize(retrieval, 0, espeakng_loader.get_data_path().encode(), no_exit)
    except OSError as error:
        raise UserError(f"espeak-ng, which finds out how words are said, cannot be loaded: {error}") from error
    if rate <= 0:
        raise UserError("espeak-ng, which finds out how words are said, found no data; reinstall espeakng-loader")
    library.espeak_TextToPhonemes.restype = ctypes.c_char_p
    library.espeak_TextToPhonemes.argtypes = [ctypes.POINTER(ctypes.c_void_p), ctypes.c_int, ctypes.c_int]
    return library
