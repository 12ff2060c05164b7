"""The sounds of English words: what they are, how far apart two words sound, how to show them to people.

Phones are the 39 of the CMU Pronouncing Dictionary (ARPAbet without stress). In a phrase PAUSE stands between words:
a place where the speaker may, but need not, be silent.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Sequence

Phones = tuple[str, ...]

PAUSE = "|"

SOUNDS_ALIKE = 0.28
"""Phrases nearer than this (see `distance`) differ by one like consonant or vowel: bed/red, sit/set."""


def plain(phones: Sequence[str]) -> str:
    """Phones as letters for people: syllables joined by hyphens, words by spaces: "tik-uh"."""
    words = [list(group) for pause, group in itertools.groupby(phones, PAUSE.__eq__) if not pause]
    return " ".join("-".join(map(_plain_syllable, _syllables(word))) for word in words)


def distance(a: Sequence[str], b: Sequence[str]) -> float:
    """How different two pronunciations sound: 0 same, 1 nothing in common.

    Edit distance over phones divided by the longer length. Leaving out a phone costs INDEL; exchanging two vowels costs
    their distance in formant space (Peterson & Barney 1952, men's means, in Bark); exchanging two consonants adds up
    voicing, place and manner (the features of Miller & Nicely 1955; the weights are our own). Pauses do not count.
    """
    a = [phone for phone in a if phone != PAUSE]
    b = [phone for phone in b if phone != PAUSE]
    row = [INDEL * j for j in range(len(b) + 1)]
    for i, x in enumerate(a, start=1):
        above, row = row, [INDEL * i]
        for j, y in enumerate(b, start=1):
            row.append(min(above[j] + INDEL, row[j - 1] + INDEL, above[j - 1] + _exchange(x, y)))
    return min(1.0, row[-1] / max(len(a), len(b), 1))


INDEL = 0.75
_ACROSS = {frozenset(pair): 0.3 for pair in (("Y", "IY"), ("W", "UW"), ("R", "ER"))}

_PLACES = ("bilabial", "labiodental", "dental", "alveolar", "postalveolar", "palatal", "velar", "glottal")
_CONSONANTS = {  # manner, place, voiced
    "P": ("stop", "bilabial", 0),
    "B": ("stop", "bilabial", 1),
    "T": ("stop", "alveolar", 0),
    "D": ("stop", "alveolar", 1),
    "K": ("stop", "velar", 0),
    "G": ("stop", "velar", 1),
    "CH": ("affricate", "postalveolar", 0),
    "JH": ("affricate", "postalveolar", 1),
    "F": ("fricative", "labiodental", 0),
    "V": ("fricative", "labiodental", 1),
    "TH": ("fricative", "dental", 0),
    "DH": ("fricative", "dental", 1),
    "S": ("fricative", "alveolar", 0),
    "Z": ("fricative", "alveolar", 1),
    "SH": ("fricative", "postalveolar", 0),
    "ZH": ("fricative", "postalveolar", 1),
    "HH": ("fricative", "glottal", 0),
    "M": ("nasal", "bilabial", 1),
    "N": ("nasal", "alveolar", 1),
    "NG": ("nasal", "velar", 1),
    "L": ("lateral", "alveolar", 1),
    "R": ("approximant", "alveolar", 1),
    "Y": ("approximant", "palatal", 1),
    "W": ("approximant", "bilabial", 1),
}
_HALFWAY = {
    frozenset(pair)
    for pair in (
        ("stop", "affricate"),
        ("affricate", "fricative"),
        ("nasal", "approximant"),
        ("nasal", "lateral"),
        ("lateral", "approximant"),
    )
}
_FORMANTS = {  # first and second formant, Hz: Peterson & Barney 1952, table II, men
    "IY": (270, 2290),
    "IH": (390, 1990),
    "EH": (530, 1840),
    "AE": (660, 1720),
    "AA": (730, 1090),
    "AO": (570, 840),
    "UH": (440, 1020),
    "UW": (300, 870),
    "AH": (640, 1190),
    "ER": (490, 1350),
}
_GLIDES = {"AW": ("AA", "UH"), "AY": ("AA", "IH"), "EY": ("EH", "IH"), "OW": ("AO", "UH"), "OY": ("AO", "IH")}
_FARTHEST_BARK = 7.0
"""About the distance from IY to AO, the two vowels farthest apart."""

PHONES = frozenset([*_CONSONANTS, *_FORMANTS, *_GLIDES])


@functools.cache
def _exchange(x: str, y: str) -> float:
    if x == y:
        return 0.0
    if x in _CONSONANTS and y in _CONSONANTS:
        (manner_x, place_x, voiced_x), (manner_y, place_y, voiced_y) = _CONSONANTS[x], _CONSONANTS[y]
        manner = 0.0 if manner_x == manner_y else 0.5 if frozenset((manner_x, manner_y)) in _HALFWAY else 1.0
        place = min(1.0, abs(_PLACES.index(place_x) - _PLACES.index(place_y)) / 4)
        return 0.45 * manner + 0.35 * place + 0.2 * abs(voiced_x - voiced_y)
    if x in _CONSONANTS or y in _CONSONANTS:
        return _ACROSS.get(frozenset((x, y)), 1.0)
    ends = zip(_GLIDES.get(x, (x, x)), _GLIDES.get(y, (y, y)), strict=True)
    return min(1.0, sum(_bark_apart(_FORMANTS[a], _FORMANTS[b]) for a, b in ends) / 2 / _FARTHEST_BARK)


def _bark_apart(a: tuple[int, int], b: tuple[int, int]) -> float:
    return sum((_bark(f) - _bark(g)) ** 2 for f, g in zip(a, b, strict=True)) ** 0.5


def _bark(hertz: float) -> float:
    """Traunmüller 1990."""
    return 26.81 * hertz / (1960 + hertz) - 0.53


_VOWEL_LETTERS = {
    "AA": "ah",
    "AE": "a",
    "AH": "uh",
    "AO": "aw",
    "AW": "ow",
    "AY": "igh",
    "EH": "e",
    "ER": "er",
    "EY": "ay",
    "IH": "i",
    "IY": "ee",
    "OW": "oh",
    "OY": "oy",
    "UH": "uu",
    "UW": "oo",
}
_CONSONANT_LETTERS = {"DH": "th", "HH": "h", "JH": "j"}  # the others are their own names in small letters
_ONSETS = {
    ("S", second) for second in ("P", "T", "K", "M", "N", "L", "W")
} | {(first, "R") for first in ("P", "B", "T", "D", "K", "G", "F", "TH", "SH")}  # fmt: skip
_ONSETS |= {(first, "L") for first in ("P", "B", "K", "G", "F")} | {("T", "W"), ("K", "W"), ("K", "Y"), ("F", "Y")}


def _syllables(phones: Sequence[str]) -> list[list[str]]:
    """Cut before the longest run of consonants that may begin an English syllable."""
    vowels = [i for i, phone in enumerate(phones) if phone in _VOWEL_LETTERS]
    cuts = []
    for left, right in itertools.pairwise(vowels):
        between = phones[left + 1 : right]
        start = right - (2 if tuple(between[-2:]) in _ONSETS else 1 if between and between[-1] != "NG" else 0)
        if between and start == left + 1 and len(between) == 1 and phones[left] in _SHORT:
            start += 1  # a short vowel keeps its consonant: "tik-uh", not "ti-kuh"
        cuts.append(start)
    edges = [0, *cuts, len(phones)]
    return [list(phones[a:b]) for a, b in itertools.pairwise(edges)]


_BEFORE_R = {("EH", "R"): "air", ("IH", "R"): "eer"}
_SHORT = ("IH", "EH", "AE", "UH")


def _plain_syllable(phones: Sequence[str]) -> str:
    """Letters that are read as these sounds: "bair", not "ber", which would rhyme with her."""
    for sounds, letters in _BEFORE_R.items():
        if tuple(phones[-2:]) == sounds:
            return _plain_syllable(phones[:-2]) + letters
    return "".join(_VOWEL_LETTERS.get(p) or _CONSONANT_LETTERS.get(p, p.lower()) for p in phones)
