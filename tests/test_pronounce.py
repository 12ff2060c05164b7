"""How words are said, and how far apart two words sound."""

from __future__ import annotations

import gzip
import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.core.errors import UserError
from handsfree.core.phones import PAUSE, PHONES, SOUNDS_ALIKE, distance, plain
from handsfree.edges.pronounce import MOST_VARIANTS, Pronouncer, espeak_ipa
from handsfree.places import shipped

DICTIONARY = shipped("models") / "en" / "cmudict.txt.gz"


def pronouncer(language: str = "en", **spellings: str | tuple[str, ...]) -> Pronouncer:
    own = {word: (text,) if isinstance(text, str) else text for word, text in spellings.items()}
    return Pronouncer(own, language, DICTIONARY)


def said(word: str, **spellings: str) -> list[str]:
    return [" ".join(phones) for phones in pronouncer(**spellings).phrase(word).phones]


def test_the_dictionary_gives_every_variant_in_its_order() -> None:
    """The CMU Pronouncing Dictionary, entries TOMATO and TOMATO(2)."""
    assert said("tomato") == ["T AH M EY T OW", "T AH M AA T OW"]
    assert pronouncer().word("tomato").source == "dictionary"


@pytest.mark.parametrize("word", ["okay", "OK", "o.k."])
def test_okay_is_listened_for_as_it_is_said_in_passing_too(word: str) -> None:
    """The first as in the CMU Pronouncing Dictionary; the others are common practice, no source."""
    assert said(word) == ["OW K EY", "AH K EY", "K EY"]


def test_a_plan_that_says_how_okay_is_said_is_obeyed() -> None:
    assert said("okay", okay="oh kay") == ["OW K EY"]


def test_the_shipped_dictionary_holds_only_the_39_phones_of_cmudict() -> None:
    with gzip.open(DICTIONARY, "rt", encoding="utf-8") as lines:
        used = {phone for line in lines for phone in line.split()[1:]}
    assert used == PHONES
    assert len(PHONES) == 39  # http://www.speech.cs.cmu.edu/cgi-bin/cmudict: "39 phonemes"


def test_the_plan_comes_first_as_arpabet_with_or_without_stress() -> None:
    assert said("tomato", tomato="T UW1 M AH0") == ["T UW M AH"]
    assert pronouncer(tomato="T UW M AH").word("Tomato").source == "plan"


def test_the_plan_may_spell_in_plain_syllables() -> None:
    assert said("xolo", xolo="show low") == ["SH OW L OW"]
    assert said("xolo", xolo="show-low") == ["SH OW L OW"]


def test_the_plan_may_give_several_spellings_and_a_whole_phrase() -> None:
    several = pronouncer(tikka=("T IH K AH", "T IY K AH"))
    assert several.word("tikka").phones == (("T", "IH", "K", "AH"), ("T", "IY", "K", "AH"))
    assert pronouncer(**{"leave it": "L IY V IH T"}).phrase("leave it").phones == (("L", "IY", "V", "IH", "T"),)


@pytest.mark.parametrize(
    ("word", "phones"),
    [
        ("O\N{RIGHT SINGLE QUOTATION MARK}Malley", "OW M AE L IY"),
        ("Zo\u00eb", "Z OW IY"),
        ("Zoe\u0308", "Z OW IY"),
        ("well-done", "W EH L D AH N"),
        ("Fran\u00e7ois", "F R AA N S W AA"),
    ],
)
def test_accents_hyphens_and_apostrophes(word: str, phones: str) -> None:
    assert said(word)[0] == phones


@pytest.mark.voice
@pytest.mark.parametrize("word", ["tikka", "xqz", "bj\u00f8rn", "xochitl", "\uc9c0\uc6b0", "mbappé", "2", "zzyx's"])
def test_any_other_word_is_read_by_its_letters(word: str) -> None:
    found = pronouncer().word(word)
    assert found.source == "letters"
    assert found.phones[0]
    assert set(found.phones[0]) <= PHONES


@pytest.mark.voice
def test_letter_rules_agree_with_the_dictionary_on_common_words() -> None:
    """espeak-ng's rules against CMUdict: by our own distance nearly all of 200 common words sound alike or the same."""
    words = (shipped("models") / "en" / "common_words.txt").read_text(encoding="utf-8").splitlines()
    sample = list(dict.fromkeys(line.split()[0] for line in words))[100:1100:5]
    ours = pronouncer()
    # A plain spelling in the plan goes to the letter rules, so each word spelled as itself leaves the dictionary out.
    by_rule = Pronouncer({word: (word,) for word in sample}, "en", DICTIONARY)
    apart = [
        min(distance(by_rule.word(word).phones[0], phones) for phones in ours.word(word).phones) for word in sample
    ]
    assert sum(d <= SOUNDS_ALIKE for d in apart) >= 0.95 * len(sample)


@pytest.mark.voice
def test_other_languages_skip_the_dictionary() -> None:
    german = pronouncer("de").word("sitz")
    assert german.source == "letters"
    assert german.phones == (("Z", "IH", "T", "S"),)  # German initial s is voiced (Duden: [z])


@pytest.mark.voice
@pytest.mark.parametrize(
    ("word", "spelling", "phones"),
    [
        ("ici", "fr: ici", "IY S IY"),  # Wiktionary: French /i.si/
        ("hier", "de: hier", "HH IY R"),  # Duden: [hi:r]
        ("żółw", "pl:żółw", "ZH UW W F"),  # Wiktionary: Polish /ʐuwf/
    ],
)
def test_a_spelling_may_name_the_language_that_reads_it(word: str, spelling: str, phones: str) -> None:
    found = pronouncer(**{word: spelling}).word(word)
    assert (found.source, found.phones) == ("plan", (tuple(phones.split()),))


@pytest.mark.voice
@pytest.mark.parametrize(
    ("name", "phones"),
    [
        ("Владимир", "V L AA D IY M IY R"),  # Wiktionary: Russian [vɫɐˈdʲimʲɪr]
        ("Αθηνά", "AA TH IY N AA"),  # Wiktionary: Greek /aθiˈna/
        ("さくら", "S AA K UW R AA"),  # Wiktionary: Japanese [sa̠kɯ̟ᵝɾa̠]
        ("שלום", "SH AA L OW M"),  # Wiktionary: Hebrew /ʃaˈlom/
        ("أحمد", "AA HH M AA D"),  # Wiktionary: Arabic /ʔaħ.mad/
    ],
)
def test_names_in_other_scripts_are_read_by_their_own_rules(name: str, phones: str) -> None:
    found = pronouncer().word(name)
    assert (found.source, found.phones) == ("letters", (tuple(phones.split()),))


@pytest.mark.voice
@pytest.mark.parametrize(
    ("text", "voice", "ipa"),
    [  # Cambridge Dictionary: car, UK /kɑːr/ (r before a vowel only), US /kɑːr/; happy /ˈhæp.i/. Wiktionary: ici /i.si/
        ("car", "en", "kɑː"),
        ("car", "en-us", "kɑːɹ"),
        ("happy", "en-us", "hæpi"),
        ("ici", "fr", "isi"),
    ],
)
def test_a_voice_says_text_in_ipa(text: str, voice: str, ipa: str) -> None:
    assert espeak_ipa(text, voice).replace("ˈ", "") == ipa


@pytest.mark.voice
def test_an_unknown_language_of_a_spelling_is_refused() -> None:
    with pytest.raises(UserError, match=r'the language "xx" is none that espeak-ng speaks: use a code such as'):
        pronouncer(ici="xx: ici").word("ici")


def test_syllables_without_a_vowel_are_said_not_named() -> None:
    assert said("frrt", frrt="frrt") == ["F R T"]
    assert said("psst", psst="p sst") == ["P S T"]
    assert said("shhh", shhh="shh") == ["SH HH"]


@pytest.mark.voice
def test_what_the_check_shows_can_be_given_back_as_a_spelling() -> None:
    """Words of CMUdict as `plan check` shows them ("tik-uh"), read back by the letter rules, sound as in CMUdict."""
    words = (shipped("models") / "en" / "common_words.txt").read_text(encoding="utf-8").splitlines()
    sample = list(dict.fromkeys(line.split()[0] for line in words))[100:2100:10]
    ours, apart = pronouncer(), []
    for word in sample:
        phones = ours.word(word).phones[0]
        shown = plain(phones)
        apart.append(distance(pronouncer(**{word: shown}).word(word).phones[0], phones))
    assert sum(d <= SOUNDS_ALIKE for d in apart) >= 0.97 * len(sample)


@pytest.mark.voice
@pytest.mark.parametrize("word", ["!!!", "\N{DOG FACE}", "-", "'"])
def test_what_cannot_be_said_is_refused_by_name(word: str) -> None:
    with pytest.raises(UserError, match=r"no way to say .* is known.*\[pronunciations\]") as caught:
        pronouncer().word(word)
    assert f'"{word}"' in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_empty_spelling_is_refused() -> None:
    with pytest.raises(UserError, match='pronunciation of "tikka" is empty'):
        pronouncer(tikka="  ").word("tikka")


@pytest.mark.voice
def test_an_unknown_language_is_refused() -> None:
    with pytest.raises(UserError, match='language "qqq"'):
        pronouncer("qqq").word("sit")


def test_a_missing_dictionary_is_not_a_traceback(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"nowhere\.gz"):
        Pronouncer({}, "en", tmp_path / "nowhere.gz").word("sit")


def test_phrases_join_words_with_pauses() -> None:
    assert said("go get it")[0] == f"G OW {PAUSE} G EH T {PAUSE} IH T"
    assert len(said("tomato tomato tomato tomato")) == MOST_VARIANTS


def test_plain_letters_for_people() -> None:
    assert plain(("T", "IH", "K", "AH")) == "tik-uh"
    assert plain(("L", "IY", "V", PAUSE, "IH", "T")) == "leev it"
    assert plain(("SH", "N", "AW", "Z", "ER")) == "shnow-zer"


def test_like_and_unlike_words() -> None:
    assert apart("bed", "red") <= SOUNDS_ALIKE
    assert apart("sit", "set") <= SOUNDS_ALIKE
    assert apart("down", "town") <= SOUNDS_ALIKE
    assert apart("sit", "leave it") > SOUNDS_ALIKE
    assert apart("yes", "no") > SOUNDS_ALIKE
    assert apart("stay", "wait") > SOUNDS_ALIKE


@pytest.mark.parametrize(
    ("near", "far"),
    [("F TH", "F N"), ("P T", "P Z"), ("M N", "M S"), ("V DH", "V SH"), ("B D", "B S"), ("P K", "P M")],
)
def test_consonants_that_listeners_mix_up_are_nearer(near: str, far: str) -> None:
    """Miller & Nicely 1955, J. Acoust. Soc. Am. 27:338, tables I-VI: voicing and nasality are hardly ever mistaken in
    noise, place is mistaken most; the pairs of the left column are among the commonest confusions there."""
    a, b = near.split()
    c, d = far.split()
    assert distance((a,), (b,)) < distance((c,), (d,))


def test_neighbouring_vowels_are_nearer() -> None:
    """Peterson & Barney 1952, J. Acoust. Soc. Am. 24:175: listeners mistook a vowel for its neighbour by formants."""
    assert distance(("IH",), ("EH",)) < distance(("IH",), ("AA",))
    assert distance(("AO",), ("AA",)) < distance(("AO",), ("IY",))
    assert distance(("AE",), ("EH",)) < distance(("AE",), ("UW",))


phone_strings = st.lists(st.sampled_from(sorted(PHONES)), max_size=6).map(tuple)


@given(phone_strings, phone_strings)
def test_distance_is_symmetric_bounded_and_zero_only_for_the_same(a: tuple[str, ...], b: tuple[str, ...]) -> None:
    assert distance(a, b) == pytest.approx(distance(b, a))
    assert 0 <= distance(a, b) <= 1
    assert (distance(a, b) == 0) == (a == b)


def test_no_two_phones_are_the_same() -> None:
    assert all(distance((a,), (b,)) > 0 for a, b in itertools.combinations(sorted(PHONES), 2))


def apart(one: str, other: str) -> float:
    ours = pronouncer()
    pairs = itertools.product(ours.phrase(one).phones, ours.phrase(other).phones)
    return min(distance(a, b) for a, b in pairs)
