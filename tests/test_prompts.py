"""The sentences and instructions in prompts/: complete, short, and free of what a trainer says to a dog."""

from __future__ import annotations

import ast
import inspect
import re

import pytest

from handsfree import places
from handsfree.core import sitting
from handsfree.core.errors import UserError
from handsfree.core.events import Instruction
from handsfree.core.plan import PRESETS, Behaviour, Limits, Plan
from handsfree.edges.promptbook import FIELDS, MOST_WORDS, load_prompts

PLAN = Plan(
    dog="Miro",
    behaviours=(
        Behaviour("bowl", ("wait",), steps=("a", "b", "c"), say="the bowl"),
        Behaviour("mat", ("settle",), rule=PRESETS["8-of-10"]),
    ),
    limits=Limits(time_s=200.0),
)

COMMON_CUES_AND_MARKERS = frozenset(
    re.findall(
        r"\w+",
        """
        yes good nice great super bravo click treat nope oops wrong uh ah hey easy enough quiet hush sit down stand stay
        come here heel close side left right back up off on over under through out in go get fetch take bring drop give
        let hold wait stop place bed mat crate kennel car home paw shake spin turn twist roll bow touch target nose look
        leave watch focus ready free okay ok break release done finish relax settle steady slow away find seek search
        jump hop
        """,
    )
)
"""Common practice, no source."""


@pytest.fixture
def book():
    return load_prompts("en", places.shipped("prompts"))


def words(text: str) -> list[str]:
    return re.findall(r"[a-z']+", text.lower())


def test_every_language_that_ships_is_complete():
    files = list(places.shipped("prompts").glob("*.toml"))
    assert "en" in [file.stem for file in files]
    for file in files:
        book = load_prompts(file.stem, file.parent)
        assert set(book.instructions) == set(Instruction)
        assert [text for text in book.all_texts(PLAN) if len(text.split()) > MOST_WORDS] == []


def test_no_sentence_is_longer_than_six_words_when_spoken(book):
    texts = book.all_texts(PLAN)
    assert texts
    assert [text for text in texts if len(text.split()) > MOST_WORDS] == []


def test_no_sentence_holds_a_common_cue_or_marker(book):
    spoken = {word for text in book.all_texts(Plan("Miro", (Behaviour("x", ("x",)),))) for word in words(text)}
    assert spoken & COMMON_CUES_AND_MARKERS == set()


def test_no_sentence_holds_an_instruction_or_the_address_word(book):
    phrases = [*book.instructions.values(), PLAN.words.address]
    for text in book.all_texts(PLAN):
        spoken = f" {' '.join(words(text))} "
        assert [phrase for phrase in phrases if f" {phrase} " in spoken] == []


def test_instructions_differ_from_one_another_and_none_is_part_of_another(book):
    phrases = list(book.instructions.values())
    assert len(set(phrases)) == len(Instruction)
    assert [(a, b) for a in phrases for b in phrases if a != b and f" {a} " in f" {b} "] == []


def test_what_the_session_says_is_in_the_book_and_rendered_ahead(book):
    """Every `Say("key", ...)` in the session's core."""
    calls = [
        node
        for node in ast.walk(ast.parse(inspect.getsource(sitting)))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Say"
    ]
    keys = {
        constant.value
        for call in calls
        for constant in ast.walk(call.args[0])
        if isinstance(constant, ast.Constant) and constant.value != "confirm_"
    }
    confirmed = set(Instruction) - {
        *(Instruction.NOW, Instruction.SCORE, Instruction.TIME, Instruction.NOTE, Instruction.END),
        *(Instruction.NEXT_STEP, Instruction.STEP_BACK),
    }
    keys |= {f"confirm_{instruction}" for instruction in confirmed}
    assert len(keys) > 15
    assert keys <= set(FIELDS)
    asked = {"ask_word", "ask_more", "ask_done"}  # by `handsfree words`, not in a session
    assert set(FIELDS) - keys - asked <= {"listening", "finished", "voice_test", "microphone_lost"}


def test_all_texts_holds_every_filling(book):
    texts = book.all_texts(PLAN)
    assert len(texts) == len(set(texts))
    for step in (1, 2, 3):
        assert book.fill("lower", behaviour="the bowl", step=step) in texts
    for count in range(1, 11):  # the window of 8-of-10
        assert {book.fill("score", correct=n, count=count) for n in range(count + 1)} <= set(texts)
    assert {book.fill("minutes_left", minutes=n) for n in (1, 2, 3, 4)} <= set(texts)
    assert {book.fill("seconds_left", seconds=n) for n in range(5, 60, 5)} <= set(texts)
    assert book.fill("score", correct=1, count=11) not in texts


# Faults in a file


@pytest.fixture
def edited(tmp_path):
    """Load a copy of the English prompts with one thing replaced."""

    def load(old: str, new: str):
        text = (places.shipped("prompts") / "en.toml").read_text("utf-8")
        assert old in text
        (tmp_path / "en.toml").write_text(text.replace(old, new, 1), "utf-8")
        return load_prompts("en", tmp_path)

    return load


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('safety = "', 'safty = "', "[sentences] lacks 'safety'"),
        ('safety = "', 'safty = "', "[sentences] has the unknown key 'safty'"),
        ("step {step}", "step {stage}", "[sentences] raise: the field {stage} is not known here"),
        ("Last rep removed.", "{correct} removed", "[sentences] confirm_undo: the field {correct}"),
        ("Last rep removed.", "{ removed", "[sentences] confirm_undo: unmatched brace"),
        ("Last rep removed.", "I took the very last rep away", "[sentences] confirm_undo: 7 words; at most 6"),
        ('"Last rep removed."', "3", "every value of [sentences] must be a text in quotes"),
        ('"Last rep removed."', '" "', "every value of [sentences] must be a text in quotes"),
        ('undo = "scratch that"', "", "[instructions] lacks 'undo'"),
        ('"carry on"', '"Take  a break"', "two instructions have the same phrase"),
        ("[instructions]", "[instructions", "is not valid TOML"),
    ],
)
def test_faults_are_named(edited, old, new, fault):
    with pytest.raises(UserError) as caught:
        edited(old, new)
    assert fault in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unknown_language(tmp_path):
    with pytest.raises(UserError, match="no prompts in the language 'xx'.*there are: en"):
        load_prompts("xx", places.shipped("prompts"))


def test_a_file_that_is_no_text(tmp_path):
    (tmp_path / "en.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match="cannot be read"):
        load_prompts("en", tmp_path)


def test_sections_of_the_wrong_kind(tmp_path):
    (tmp_path / "en.toml").write_text("sentences = 3\ninstructions = []\n")
    with pytest.raises(UserError, match=r"\[sentences\] must be a table"):
        load_prompts("en", tmp_path)


def test_asking_for_takes_is_rendered_in_the_order_in_which_it_is_said() -> None:
    book = load_prompts("en", places.shipped("prompts"))
    assert book.asking_texts(["sit", "leave it"], 5) == [
        "Say sit, 5 times.",
        "Once more: sit.",
        "Say leave it, 5 times.",
        "Once more: leave it.",
        "Every word is taken.",
    ]
    assert not set(book.asking_texts(["sit"], 5)) & set(book.all_texts(PLAN))
