"""Reading a plan: every fault with its file, line, key and remedy; nothing but faults for any file at all."""

from __future__ import annotations

import copy
import os
import string
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree import places
from handsfree.core.errors import UserError
from handsfree.core.events import Instruction
from handsfree.core.phones import Phones
from handsfree.core.plan import (
    PRESETS,
    Ear,
    KeepSound,
    Limits,
    Plan,
    Prompts,
    SequentialRule,
    Sound,
    Tag,
    WindowRule,
    Words,
    spoken,
)
from handsfree.edges import planfile
from handsfree.edges.planfile import Severity
from handsfree.edges.planfile.source import key_lines
from handsfree.edges.promptbook import load_prompts
from handsfree.listening import pronouncer

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

FILE = Path("tarn.toml")
SIT = """dog = "Tarn"
[[behaviour]]
name = "sit"
cues = ["sit"]
"""


@dataclass
class Said:
    phones: tuple[Phones, ...]
    source: str = "dictionary"


@dataclass
class FakePronouncer:
    """Knows a few words, one way each; all others sound like nothing else, and alike."""

    known: Mapping[str, str]

    def phrase(self, phrase: str) -> Said:
        if phrase == "xyzzy":
            raise UserError('no way to say "xyzzy" is known')
        phones = tuple(p for word in phrase.split() for p in self.known.get(word, "zh oy zh aw").upper().split())
        return Said((phones,), "dictionary" if all(word in self.known for word in phrase.split()) else "letters")


@dataclass
class Book:
    sentences: Mapping[str, str]
    instructions: Mapping[Instruction, str] = field(default_factory=dict)


def check(text: str, **helpers) -> list[planfile.Fault]:
    """As planfile.check, of a text that needs no file."""
    try:
        return planfile._check_text(text, FILE, helpers.get("pronouncer_for"), helpers.get("prompts_for"))
    except planfile.BadPlan as bad:
        return bad.faults


def places_of(faults: list[planfile.Fault]) -> list[tuple[str, int, str]]:
    return [(fault.severity.value, fault.line, fault.key) for fault in faults]


def the_fault(text: str, **helpers) -> planfile.Fault:
    faults = check(text, **helpers)
    assert len(faults) == 1, [str(fault) for fault in faults]
    return faults[0]


# What a plan says


def test_smallest_plan_takes_every_default() -> None:
    plan = planfile.parse(SIT, FILE)
    assert (plan.dog, plan.handler, plan.place) == ("Tarn", "", "")
    assert plan.words == Words(names=("tarn",))
    assert (plan.limits, plan.prompts, plan.ear) == (Limits(), Prompts(), Ear())
    (sit,) = plan.behaviours
    assert (sit.name, sit.cues, sit.tag, sit.start_step, sit.rule) == ("sit", ("sit",), Tag.PLAIN, 1, PRESETS["4-3-2"])


def test_every_key_of_a_full_plan_arrives() -> None:
    text = """
        dog = "Tarn"
        handler = "Mara"
        place = "barn"
        rule = "8-of-10"
        words = { address = "Ledger", marker = "Click!", error = ["nope", "too bad"], release = [], safety = "teeth" }
        [[behaviour]]
        name = "Leave it"
        say = "the leaving game"
        cues = ["Leave  it", "Don’t touch"]
        steps = ["closed hand", "open hand"]
        start_step = 2
        response_window_s = 4
        rule = { window = 6, raise_at = 5, lower_at = 1, misses_in_a_row = 3 }
        [[behaviour]]
        name = "mat"
        cues = "mat"
        tag = "duration"
        [[behaviour]]
        name = "heel"
        cues = "heel"
        rule = { low = 0.6, high = 0.9, false_raise = 0.1 }
        [limits]
        time_s = 240
        treats = 30
        [prompts]
        volume = 1
        unsure_tone = true
        [sound]
        keep_sound = "all"
        keep_days = 3
        notes = true
        [ear]
        confidence = 0.75
        [pronunciations]
        Tarn = ["T AA R N", "tarn"]
    """
    plan = planfile.parse(text, FILE)
    assert (plan.handler, plan.place) == ("Mara", "barn")
    assert plan.words == Words("ledger", ("click",), ("nope", "too bad"), (), ("teeth",), Words().praise, ("tarn",))
    leave, mat, heel = plan.behaviours
    assert (leave.name, leave.say) == ("leave it", "the leaving game")
    assert leave.cues == ("leave it", "don't touch")
    assert (leave.steps, leave.start_step, leave.response_window_s) == (("closed hand", "open hand"), 2, 4.0)
    assert leave.rule == WindowRule(leave.rule.name, window=6, raise_at=5, lower_at=1, misses_in_a_row=3)
    assert (mat.tag, mat.response_window_s, mat.rule) == (Tag.DURATION, 60.0, PRESETS["8-of-10"])
    assert heel.rule == SequentialRule(heel.rule.name, low=0.6, high=0.9, false_raise=0.1, false_lower=0.05)
    assert plan.limits == Limits(time_s=240.0, treats=30)
    assert plan.prompts == Prompts(volume=1.0, unsure_tone=True)
    assert plan.sound == Sound(KeepSound.ALL, keep_days=3, keep_mb=500, notes=True)
    assert plan.ear == Ear(confidence=0.75)
    assert plan.pronunciations == {"tarn": ("T AA R N", "tarn")}


@pytest.mark.parametrize(
    ("written", "heard"),
    [
        ("  Sit   DOWN! ", "sit down"),
        ("don\N{RIGHT SINGLE QUOTATION MARK}t", "don't"),
        ("walk-on", "walk-on"),
        ("'yes'", "yes"),
        ("Fuß", "fuß"),
        ("cafe\N{COMBINING ACUTE ACCENT}", "café"),
        ("앉아", "앉아"),
        ("?!", ""),
    ],
)
def test_phrases_are_listened_for_in_one_form(written: str, heard: str) -> None:
    assert spoken(written) == heard


def test_settings_mark_what_the_plan_changed() -> None:
    found = {key: (value, whose) for key, value, whose in planfile.settings(planfile.parse(SIT, FILE))}
    assert found["dog"] == ("Tarn", "plan")
    assert found["words.marker"] == ("yes", "default")
    assert found["limits.treats"] == ("no limit", "default")
    assert found["behaviour[1].response_window_s"] == ("3", "default")
    found = {k: (v, w) for k, v, w in planfile.settings(planfile.parse(SIT + "response_window_s = 4.5\n", FILE))}
    assert found["behaviour[1].response_window_s"] == ("4.5", "plan")
    found = {k: (v, w) for k, v, w in planfile.settings(planfile.parse(SIT + 'tag = "duration"\n', FILE))}
    assert found["behaviour[1].response_window_s"] == ("60", "default")
    assert found["behaviour[1].tag"] == ("duration", "plan")


def test_a_model_lies_beside_the_plan(tmp_path: Path) -> None:
    (tmp_path / "korean").mkdir()
    plan = planfile.parse(SIT + '[ear]\nmodel = "korean"\n', tmp_path / "tarn.toml")
    assert Path(plan.ear.model) == tmp_path / "korean"


# The file


@pytest.mark.parametrize(
    ("data", "line", "message"),
    [
        (b"", 0, "the file is empty"),
        (b" \n\n", 0, "the file is empty"),
        (b"\x7fELF\0\0\0", 0, "this is not text"),
        (b"#" * 1_000_001, 0, "it is larger than 1 MB"),
        (b'dog = "Tarn"\nhandler = "Mar\xe1"\n', 2, "this is not UTF-8 text"),
        (b'dog = "Tarn"\nhandler = Mara\n', 2, "column 11: invalid value"),
        (b'dog = "Tarn"\n[words\n', 2, "column 7: expected"),
        (b'dog = "Tarn"\n\nhandler = "Mara', 3, "before the end of the file"),
        (b"dog = 1\ndog = 2\n", 2, "column 8: cannot overwrite a value"),
        (b"a = " + b"[" * 100_000, 0, "nested too deeply"),
        (b"a = " + b"9" * 10_000, 0, "a value cannot be read"),
        (b"\n\na" + b".a" * 400_000 + b" = 1", 3, "more than 200 dots in one line"),
    ],
)
def test_files_that_are_no_plan(tmp_path: Path, data: bytes, line: int, message: str) -> None:
    path = tmp_path / "tarn.toml"
    path.write_bytes(data)
    (fault,) = planfile.check(path)
    assert (fault.severity, fault.file, fault.line) == (Severity.ERROR, str(path), line)
    assert message in fault.message
    assert fault.remedy
    with pytest.raises(planfile.BadPlan) as refused:
        planfile.load(path)
    assert str(refused.value) == str(fault)


def test_missing_file_folder_and_device(tmp_path: Path) -> None:
    for path, message in (
        (tmp_path / "none.toml", "there is no such file"),
        (tmp_path / "none" / "tarn.toml", "there is no such file"),
        (tmp_path, "this is a folder"),
        (Path(os.devnull), "this is not a file"),
        (tmp_path / ("x" * 5000), "it cannot be read"),
        (Path("a\0b"), "it cannot be read"),
    ):
        (fault,) = planfile.check(path)
        assert message in fault.message
        assert fault.line == 0
        assert "\0" not in str(fault)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs POSIX permissions")
def test_unreadable_file(tmp_path: Path) -> None:
    path = tmp_path / "tarn.toml"
    path.write_text(SIT)
    path.chmod(0)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        (fault,) = planfile.check(path)
    finally:
        if root:
            os.seteuid(0)
    assert fault.message == "no permission to read it"


def test_byte_order_mark_and_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "tarn.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (SIT + "tg = 1\n").replace("\n", "\r\n").encode())
    assert places_of(planfile.check(path)) == [("error", 5, "behaviour[1].tg")]


# Where keys stand


def test_lines_of_the_toml_specification_examples() -> None:
    """The nested arrays of tables of TOML v1.0.0 (toml.io/en/v1.0.0), sections "Array of Tables" and "Inline Table"."""
    lines = key_lines(
        """[[fruits]]
name = "apple"

[fruits.physical]  # subtable
color = "red"
shape = "round"

[[fruits.varieties]]  # nested array of tables
name = "red delicious"

[[fruits.varieties]]
name = "granny smith"


[[fruits]]
name = "banana"

[[fruits.varieties]]
name = "plantain"

[product]
type.name = "Nail"
points = [ { x = 1, y = 2, z = 3 },
           { x = 7, y = 8, z = 9 },
           { x = 2, y = 4, z = 8 } ]
"""
    )
    assert lines["fruits",] == 1
    assert lines["fruits", 0, "physical", "shape"] == 6
    assert lines["fruits", 0, "varieties", 1, "name"] == 12
    assert lines["fruits", 1] == 15
    assert lines["fruits", 1, "varieties", 0, "name"] == 19
    assert lines["product", "type", "name"] == 22
    assert lines["product", "points", 1, "y"] == 24


def test_lines_around_texts_of_several_lines() -> None:
    text = 'a = """\n[b]\n# "x" \\""" ""\n"""\'\nc = 1\n'.replace('"""\'', '"""')
    text += "d = '''\ne = 2\n''''\nf = [ # ]\n  1,\n\n  'x]', {g = \"}\"},\n]\n\"h.i\".j = 1979-05-27 07:32:00 # k\n"
    lines = key_lines(text)
    assert lines["c",] == text[: text.index("c = 1")].count("\n") + 1
    assert set(lines) == _places(tomllib.loads(text))
    assert lines["f", 2, "g"] == text[: text.index("{g")].count("\n") + 1
    assert lines["h.i", "j"] == text[: text.index('"h.i"')].count("\n") + 1


def _places(value: object, where: tuple = ()) -> set[tuple]:
    """Every place in what tomllib read."""
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {where} - {()} | {place for key, item in inside for place in _places(item, (*where, key))}


keys = st.sampled_from(["a", "b", "c-d", '"e.f"', "'g h'", '"\\u0061"'])
dotted = st.lists(keys, min_size=1, max_size=3).map(".".join)
scalars = st.sampled_from(
    ["1", "-0.5", "true", "nan", '"x # ]"', "'}'", '"\\""', '"""m\n"n\n"""', "'''\n=\n'''", "1979-05-27 07:32:00"]
)
values = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[" + ", # ,\n ".join(items) + "\n]"),
        st.dictionaries(dotted, inner, max_size=2).map(
            lambda table: "{" + ", ".join(f"{key} = {value}" for key, value in table.items()) + "}"
        ),
    ),
    max_leaves=5,
)
statements = st.one_of(
    st.tuples(dotted, values).map(" = ".join),
    dotted.map("[{}]".format),
    dotted.map("[[ {} ]] # c".format),
    st.sampled_from(["", "# [x]", "\t"]),
)


@given(st.lists(statements, max_size=6).map("\n".join))
@settings(max_examples=400)
def test_keys_found_are_those_that_tomllib_finds(text: str) -> None:
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = key_lines(text)
    assert set(lines) == _places(document)
    for where, line in lines.items():
        name = where[-1]
        if isinstance(name, str):
            assert name in text.split("\n")[line - 1].replace("\\u0061", "a")


@given(
    st.recursive(st.none(), lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3))
)
@settings(max_examples=100)
def test_numbered_values_stand_on_the_line_found(shape: object) -> None:
    """Each leaf becomes a number of its own, so the line can be found by looking for it."""
    numbers = iter(range(1000, 100_000))

    def numbered(value: object) -> object:
        if isinstance(value, dict):
            return {key: numbered(item) for key, item in value.items()}
        return [numbered(item) for item in value] if isinstance(value, list) else next(numbers)

    text = tomlkit.dumps({"top": numbered(shape)})
    lines = key_lines(text)
    document = tomllib.loads(text)
    assert set(lines) == _places(document)
    for where, line in lines.items():
        value = document
        for key in where:
            value = value[key]
        if isinstance(value, int):
            assert str(value) in text.split("\n")[line - 1]


# Keys and values


@pytest.mark.parametrize(
    ("text", "line", "key", "message", "remedy"),
    [
        # missing
        ('[[behaviour]]\nname = "sit"\ncues = "sit"\n', 1, "dog", "is missing", 'dog = "..."'),
        ('dog = ""\n[[behaviour]]\nname = "sit"\ncues = "sit"\n', 1, "dog", "is missing", 'dog = "..."'),
        ('dog = "Tarn"\n', 1, "behaviour", "is missing", "[[behaviour]]"),
        ('dog = "Tarn"\nbehaviour = []\n', 2, "behaviour", "there is none", "[[behaviour]]"),
        ('dog = "Tarn"\n\n[[behaviour]]\ncues = "sit"\n', 3, "behaviour[1].name", "is missing", "name = "),
        ('dog = "Tarn"\n\n[[behaviour]]\nname = "sit"\n', 3, "behaviour[1].cues", "is missing", "cues = "),
        ('dog = "Tarn"\n\n[[behaviour]]\nname = "sit"\ncues = []', 5, "behaviour[1].cues", "there is none", "say"),
        (SIT + "steps = []\n", 5, "behaviour[1].steps", "there is none", "at least one step"),
        (SIT + "[words]\nmarker = []\n", 6, "words.marker", "there is none", "marks a correct response"),
        # unknown
        ("dgo = 1\n" + SIT, 1, "dgo", "unknown key", 'did you mean "dog"?'),
        (SIT + "step = ['x']\n", 5, "behaviour[1].step", "unknown key", 'did you mean "steps"?'),
        (SIT + "[limit]\n", 5, "limit", "unknown key", 'did you mean "limits"?'),
        (SIT + "[limits]\ntime_s = 9\nzzz = 1\n", 7, "limits.zzz", "unknown key", "known here: time_s,"),
        (SIT + "[limits]\nplace = 'x'\n", 6, "limits.place", "unknown key", "at the top of the file"),
        ('marker = "yes"\n' + SIT, 1, "marker", "unknown key", "it belongs under [words]"),
        (SIT + "[sound]\ntime_s = 5\n", 6, "sound.time_s", "unknown key", "it belongs under [limits]"),
        (SIT + '"a\\u001bb" = 1\n', 5, 'behaviour[1]."a\\x1bb"', "unknown key", "known here"),
        (SIT + 'tag = "plane"\n', 5, "behaviour[1].tag", '"plane" is not known', 'did you mean "plain"?'),
        (SIT + 'rule = "lucky"\n', 5, "behaviour[1].rule", '"lucky" is not known', "one of 4-3-2, 5-3-2"),
        ('rule = "sequental"\n' + SIT, 1, "rule", '"sequental" is not known', 'did you mean "sequential"?'),
        (SIT + "rule = {}\n", 5, "behaviour[1].rule", "this kind of rule is not known", "give window"),
        (SIT + "rule = {lucky = 7}\n", 5, "behaviour[1].rule", "this kind of rule is not known", "give window"),
        (SIT + "rule = 4\n", 5, "behaviour[1].rule", "must be a text in quotes, not a whole number", '"..."'),
        (SIT + '[prompts]\nlanguage = "../en"\n', 6, "prompts.language", "is no language code", '"en"'),
        (SIT + '[ear]\nmodel = "nowhere"\n', 6, "ear.model", 'there is no folder "nowhere"', "Vosk model"),
        # types
        ("dog = 5\n" + SIT[13:], 1, "dog", "must be a text in quotes, not a whole number", '"..."'),
        (SIT + "start_step = true\n", 5, "behaviour[1].start_step", "a whole number, not true or false", "digits"),
        (SIT + "start_step = 1.0\n", 5, "behaviour[1].start_step", "not a number with a point", "digits"),
        (SIT + "response_window_s = true\n", 5, "behaviour[1].response_window_s", "not true or false", "number"),
        (SIT + 'steps = ["a",\n 3]\n', 6, "behaviour[1].steps[2]", "not a whole number", '"..."'),
        (SIT + "tag = 07:32:00\n", 5, "behaviour[1].tag", "not a date or time", '"..."'),
        ('keep_sound = "all"\n' + SIT, 1, "keep_sound", "unknown key", "it belongs under [sound]"),
        (SIT + '[sound]\nkeep_sound = "al"\n', 6, "sound.keep_sound", '"al" is not known', 'did you mean "all"?'),
        (SIT + "[sound]\nkeep_sound = false\n", 6, "sound.keep_sound", "not true or false", '"..."'),
        (SIT + "[sound]\nkeep_days = 0\n", 6, "sound.keep_days", "0 is out of range", "from 1 to 3650"),
        (SIT + "[sound]\nkeep_mb = 0.5\n", 6, "sound.keep_mb", "must be a whole number", "digits"),
        (SIT + '[sound]\nnotes = "yes"\n', 6, "sound.notes", "must be true or false, not a text", "without quotes"),
        ("limits = 3\n" + SIT, 1, "limits", "must be a table, not a whole number", "[section]"),
        ('dog = "Tarn"\nbehaviour = "sit"\n', 2, "behaviour", "must be tables, not a text", "[[...]]"),
        ('dog = "Tarn"\nbehaviour = [\n1]\n', 3, "behaviour[1]", "must be tables, not a whole number", "[[...]]"),
        (SIT.replace("[[behaviour]]", "[behaviour]"), 2, "behaviour", "has single brackets", "[[behaviour]]"),
        (SIT + '[words]\naddress = ["a", "b"]\n', 6, "words.address", "not a list", '"..."'),
        (SIT + "[pronunciations]\nsit = 4\n", 6, "pronunciations.sit", "not a whole number", '"..."'),
        # texts
        (SIT.replace('["sit"]', '["sit", ""]'), 4, "behaviour[1].cues[2]", "is empty", "remove it"),
        (SIT.replace('["sit"]', '["sit",\n"!?"]'), 5, "behaviour[1].cues[2]", "has no word in it", "as you say it"),
        ('dog = "!?"\n' + SIT[13:], 1, "dog", "has no word in it", "as you say it"),
        (SIT + 'say = "a\\u0007b"\n', 5, "behaviour[1].say", "control character U+0007", "remove it"),
        (SIT + 'say = "a\\u202Eb"\n', 5, "behaviour[1].say", "control character U+202E", "remove it"),
        (SIT + 'say = """a\nb"""\n', 5, "behaviour[1].say", "control character U+000A", "one line"),
        (SIT + f'say = "{"a" * 121}"\n', 5, "behaviour[1].say", "has 121 characters", "shorten it to 120"),
        (SIT.replace('["sit"]', f'["sit", "{"a" * 61}"]'), 4, "behaviour[1].cues[2]", "61 characters", "to 60"),
        (SIT + '[pronunciations]\n"?" = "x"\n', 6, 'pronunciations."?"', "has no word in it", "the key is the word"),
        (SIT + '[pronunciations]\nsit = "x"\nSIT = "y"\n', 7, "pronunciations.SIT", '"sit" is given twice', "one list"),
    ],
)
def test_keys_and_values(text: str, line: int, key: str, message: str, remedy: str) -> None:
    fault = the_fault(text)
    assert (fault.severity, fault.file, fault.line, fault.key) == (Severity.ERROR, "tarn.toml", line, key)
    assert message in fault.message
    assert remedy in fault.remedy
    assert str(fault) == f"tarn.toml:{line}: {key}: {fault.message}; {fault.remedy}"
    with pytest.raises(UserError, match=f"^tarn.toml:{line}: "):
        planfile.parse(text, FILE)


NUMBERS = [
    ("limits", "time_s", ["1", "86400"], ["0", "-180", "86401", "nan", "inf", "-inf"]),
    ("limits", "handling_time_s", ["60.5"], ["0", "-1", "nan", "inf"]),
    ("limits", "reps_per_behaviour", ["1"], ["0", "-10", "10001"]),
    ("limits", "treats", ["1"], ["0", "-1"]),
    ("prompts", "words_per_minute", ["80", "450"], ["79", "451", "0"]),
    ("prompts", "volume", ["0", "1.0"], ["-0.1", "1.1", "nan"]),
    ("prompts", "quiet_reps", ["0"], ["-1"]),
    ("ear", "sensitivity", ["0", "1"], ["-0.1", "1.01", "nan"]),
    ("ear", "confidence", ["0", "1"], ["-0.01", "1.01", "nan"]),
    ("ear", "pause_before_s", ["0"], ["-1", "6", "nan"]),
    ("ear", "pause_after_s", ["0"], ["-1", "6", "inf"]),
    ("ear", "dead_time_s", ["0"], ["-1", "6"]),
    ("ear", "shortest_word_s", ["0"], ["-1", "2"]),
    ("ear", "shortest_talk_s", ["0"], ["-1", "6"]),
]


@pytest.mark.parametrize(("section", "key", "good", "bad"), NUMBERS)
def test_numbers_out_of_range(section: str, key: str, good: list[str], bad: list[str]) -> None:
    for number in good:
        assert not check(f"{SIT}[{section}]\n{key} = {number}\n")
    for number in bad:
        fault = the_fault(f"{SIT}[{section}]\n\n{key} = {number}\n")
        assert (fault.line, fault.key) == (7, f"{section}.{key}")
        assert "is out of range" in fault.message
        assert fault.remedy.startswith("write a number from ")


@pytest.mark.parametrize("number", ["0", "-3", "nan", "inf", "3601"])
def test_response_window_out_of_range(number: str) -> None:
    fault = the_fault(f"{SIT}response_window_s = {number}\n")
    assert (fault.line, fault.key) == (5, "behaviour[1].response_window_s")


@pytest.mark.parametrize(
    ("rule", "key", "message"),
    [
        ("window = 5, raise_at = 6, lower_at = 2", "raise_at", "6 of 5 reps is impossible"),
        ("window = 5, raise_at = 4, lower_at = 4", "lower_at", "4 correct reps would both lower and raise"),
        ("window = 5, raise_at = 4, lower_at = 5", "lower_at", "5 correct reps would both lower and raise"),
        ("window = 0, raise_at = 4, lower_at = 2", "window", "0 is out of range"),
        ("window = 5, raise_at = 0, lower_at = 0", "raise_at", "0 is out of range"),
        ("window = 5, raise_at = 4, lower_at = -1", "lower_at", "-1 is out of range"),
        ("window = 5, raise_at = 4", "lower_at", "is missing"),
        ("window = 5, raise_at = 4, lower_at = 2, misses_in_a_row = -1", "misses_in_a_row", "-1 is out of range"),
        ("window = 5, raise_at = 4, lower_at = 2, misses = 1", "misses", "unknown key"),
        ("low = 0.8, high = 0.5", "low", "0.8 is not below high, 0.5"),
        ("low = 0.8", "low", "0.8 is not below high, 0.8"),
        ("low = nan", "low", "nan is out of range"),
        ("high = 1.0", "high", "1.0 is out of range"),
        ("low = 0.5, false_raise = 0.5", "false_raise", "0.5 is out of range"),
        ("low = 0.5, false_lower = 0", "false_lower", "0 is out of range"),
        ("low = 0.5, window = 5", "window", "unknown key"),
    ],
)
def test_rules_of_ones_own(rule: str, key: str, message: str) -> None:
    fault = the_fault(f"{SIT}\nrule = {{ {rule} }}\n")
    assert (fault.line, fault.key) == (6, f"behaviour[1].rule.{key}")
    assert fault.message == message
    assert fault.remedy
    assert the_fault(f"{SIT}[behaviour.rule]\n{rule.replace(', ', chr(10))}\n").key == fault.key


def test_start_step_beyond_the_steps() -> None:
    fault = the_fault(SIT + 'steps = ["one", "two"]\nstart_step = 3\n')
    assert (fault.line, fault.key) == (6, "behaviour[1].start_step")
    assert fault.message == "step 3 is beyond the last step, 2"


# Phrases that clash

TWO = SIT + '[[behaviour]]\nname = "bed"\ncues = [\n  "on your bed",\n  {}]\n'


def one_more(phrase: str) -> str:
    return TWO.replace("{}", f'"{phrase}"')


@pytest.mark.parametrize(
    ("text", "line", "key", "message"),
    [
        (one_more("sit"), 9, "behaviour[2].cues[2]", '"sit" is given two roles: cue of "sit" and cue of "bed"'),
        (one_more("Sit!"), 9, "behaviour[2].cues[2]", '"sit" is given two roles: cue of "sit" and cue of "bed"'),
        (one_more("On your BED"), 9, "behaviour[2].cues[2]", '"on your bed" is given twice'),
        (one_more("yes"), 9, "behaviour[2].cues[2]", '"yes" is given two roles: marker word and cue of "bed"'),
        (one_more("tarn"), 9, "behaviour[2].cues[2]", '"tarn" is given two roles: name and cue of "bed"'),
        (one_more("notebook"), 9, "behaviour[2].cues[2]", '"notebook" is given two roles: address word and cue'),
        (one_more("the notebook"), 9, "behaviour[2].cues[2]", 'holds the address word "notebook"'),
        (SIT + '[words]\nmarker = "good"\n', 6, "words.marker", '"good" is given two roles: marker word and praise'),
        (SIT + '[words]\nmarker = "a"\nerror = "a"\n', 7, "words.error", "marker word and error word"),
        (SIT + '[words]\naddress = "sit"\n', 6, "words.address", "address word and cue"),
        (SIT + '[words]\npraise = "my notebook"\n', 6, "words.praise", 'holds the address word "notebook"'),
        (SIT + SIT[13:].replace('"sit"]', '"park it"]'), 6, "behaviour[2].name", 'already a behaviour "sit"'),
        (SIT + '[[behaviour]]\nname = "yes"\ncues = "go"', 6, "behaviour[2].name", '"yes" is also the marker word'),
    ],
)
def test_phrases_with_two_roles(text: str, line: int, key: str, message: str) -> None:
    faults = [fault for fault in check(text) if fault.severity is Severity.ERROR]
    assert [(fault.line, fault.key) for fault in faults] == [(line, key)]
    assert message in faults[0].message
    assert faults[0].remedy


def test_the_remedy_says_where_the_other_role_is() -> None:
    assert the_fault(one_more("sit")).remedy == "give each its own word (the other is on line 4)"
    assert "words.marker, whose default it is" in the_fault(one_more("yes")).remedy


def test_the_dogs_name_may_stand_among_the_names() -> None:
    text = SIT + '[words]\nnames = ["Tarn", "Tarnie"]\n'
    assert not check(text)
    assert planfile.parse(text, FILE).words.names == ("tarn", "tarnie")


def test_a_phrase_within_another_is_resolved_to_the_longest() -> None:
    fault = the_fault(one_more("sit on your bed"))
    assert (fault.severity, fault.line, fault.key) == (Severity.WARNING, 9, "behaviour[2].cues[2]")
    assert fault.message == '"sit" (cue of "sit") is part of "sit on your bed" (cue of "bed")'
    assert 'the longest counts: "sit on your bed"' in fault.remedy
    assert len(planfile.parse(one_more("sit on your bed"), FILE).behaviours) == 2  # a warning refuses nothing


def test_a_phrase_within_another_of_the_same_meaning_is_harmless() -> None:
    assert not check(SIT.replace('["sit"]', '["sit", "sit down"]'))
    assert not check(SIT + '[words]\npraise = ["good", "good tarn"]\n')


def test_too_many_phrases() -> None:
    cues = ", ".join(f'"a{number}"' for number in range(200))
    fault = the_fault(SIT.replace('["sit"]', f"[{cues}]"))
    assert "phrases are more than a session can hold" in fault.message


def test_every_fault_in_one_run() -> None:
    """The order is that of the file; the text of the refusal names the first and counts the others."""
    text = 'dgo = 1\n[[behaviour]]\nname = 3\ncues = ["a", ""]\n[limits]\ntime_s = 0\ntreats = true\n'
    faults = check(text)
    assert [(fault.line, fault.key) for fault in faults] == [
        (1, "dog"),
        (1, "dgo"),
        (3, "behaviour[1].name"),
        (4, "behaviour[1].cues[2]"),
        (6, "limits.time_s"),
        (7, "limits.treats"),
    ]
    with pytest.raises(UserError) as refused:
        planfile.parse(text, FILE)
    assert str(refused.value) == f"{faults[0]} (5 more: run `handsfree plan check tarn.toml`)"


# Prompts


def test_a_prompt_that_holds_a_plan_word() -> None:
    book = Book({"raise": "Step {step}: sit tight.", "end": "One more, then sit."})
    fault = the_fault(SIT, prompts_for=lambda language: book)
    assert (fault.severity, fault.line, fault.key) == (Severity.ERROR, 4, "behaviour[1].cues[1]")
    assert '"Step {step}: sit tight." (prompt raise, end)' in fault.message


def test_prompt_words_match_whole_and_not_across_fields() -> None:
    book = Book({"a": "Visit sitting {behaviour} down.", "b": "Good."})
    text = SIT.replace('["sit"]', '["sit", "sitting down"]')
    assert not check(text, prompts_for=lambda language: book)


def test_a_prompt_that_names_a_default_word() -> None:
    book = Book({"x": "Yes, counted."})
    fault = the_fault(SIT, prompts_for=lambda language: book)
    assert fault.key == "words.marker"
    assert '"yes" (marker word)' in fault.message


def test_the_spoken_name_of_a_behaviour() -> None:
    """It may be its own cue; a word that marks or ends something else is a warning."""
    assert not check(SIT + 'say = "the sit"\n')
    fault = the_fault(SIT + 'say = "yes game"\n')
    assert (fault.severity, fault.line, fault.key) == (Severity.WARNING, 5, "behaviour[1].say")
    assert 'prompts would say "yes" (marker word)' in fault.message


def test_a_language_without_prompts() -> None:
    def prompts_for(language: str) -> Book:
        return load_prompts(language, places.shipped("prompts"))  # type: ignore[return-value]

    fault = the_fault(SIT + '[prompts]\nlanguage = "xx"\n', prompts_for=prompts_for)
    assert (fault.severity, fault.line, fault.key) == (Severity.ERROR, 6, "prompts.language")
    assert "there are: en" in fault.message


def test_a_pronunciation_for_no_word_of_the_plan() -> None:
    book = Book({}, {Instruction.UNDO: "scratch that"})
    text = SIT + '[pronunciations]\nsit = "S IH T"\nscratch = "x"\nsat = "x"\n'
    fault = the_fault(text, prompts_for=lambda language: book)
    assert (fault.severity, fault.line, fault.key) == (Severity.WARNING, 8, "pronunciations.sat")


# Sounds

KNOWN = {
    "tarn": "t aa r n",
    "sit": "s ih t",
    "bed": "b eh d",
    "red": "r eh d",
    "up": "ah p",
    "yes": "y eh s",
    "oops": "uw p s",
    "all": "ao l",
    "done": "d ah n",
    "growling": "g r aw l ih ng",
    "good": "g uh d",
    "girl": "g er l",
    "boy": "b oy",
    "notebook": "n ow t b uh k",
    "settle": "s eh t ah l",
    "here": "hh iy r",
    "click": "k l ih k",
    "less": "l eh s",
}


def sounds(text: str, known: Mapping[str, str] = KNOWN) -> list[planfile.Fault]:
    return check(text, pronouncer_for=lambda plan: FakePronouncer(known))


def test_known_words_that_differ_give_no_warning() -> None:
    assert not sounds(SIT)


def test_a_word_without_a_known_pronunciation() -> None:
    (fault,) = sounds(SIT.replace('["sit"]', '["sit", "hey tivik"]'), {**KNOWN, "hey": "hh ey"})
    assert (fault.severity, fault.line, fault.key) == (Severity.WARNING, 4, "behaviour[1].cues[2]")
    assert fault.message.startswith('"tivik" is not in the dictionary; it is taken to sound like "')
    assert 'add under [pronunciations]: tivik = "' in fault.remedy


def test_an_unknown_word_is_named_once() -> None:
    faults = sounds(SIT.replace('["sit"]', '["tivik", "tivik tivik"]'))
    assert [fault.key for fault in faults] == ["behaviour[1].cues[1]"]


def test_a_word_that_nobody_can_say() -> None:
    faults = sounds(SIT.replace('["sit"]', '["sit", "xyzzy"]'))
    assert [(f.severity, f.line, f.key) for f in faults] == [(Severity.ERROR, 4, "behaviour[1].cues[2]")]
    faults = sounds(SIT.replace('["sit"]', '["sit", "xyzzy"]') + '[pronunciations]\nxyzzy = "?"\n')
    assert [(f.line, f.key) for f in faults] == [(6, "pronunciations.xyzzy")]


def test_very_short_words() -> None:
    (fault,) = sounds(SIT.replace('["sit"]', '["sit", "up"]'))
    assert (fault.severity, fault.key) == (Severity.WARNING, "behaviour[1].cues[2]")
    assert fault.message == '"up" (cue of "sit") is very short: 2 sounds'
    assert not sounds(SIT + '[words]\npraise = ["up"]\n')


def test_words_that_sound_alike() -> None:
    words = '[words]\nmarker = "click"\npraise = []\n'
    (fault,) = sounds(
        SIT + '[[behaviour]]\nname = "one"\ncues = ["red"]\n[[behaviour]]\nname = "two"\ncues = ["bed"]\n' + words
    )
    assert (fault.severity, fault.line, fault.key) == (Severity.WARNING, 10, "behaviour[3].cues[1]")
    assert fault.message == '"bed" (cue of "two") sounds like "red" (cue of "one")'
    assert not sounds(SIT.replace('["sit"]', '["red", "bed"]') + words)


def test_a_marker_that_resembles_praise() -> None:
    (fault,) = sounds(SIT + '[words]\npraise = ["less"]\n')
    assert fault.message == '"less" (praise) sounds like "yes" (marker word)'


def test_a_stock_model_has_its_own_lexicon(tmp_path: Path) -> None:
    text = SIT + f'[ear]\nmodel = "{tmp_path.as_posix()}"\n[pronunciations]\nsit = "x"\n'
    (fault,) = sounds(text, {})
    assert (fault.severity, fault.line, fault.key) == (Severity.WARNING, 7, "pronunciations")


def test_with_the_dictionary_that_ships() -> None:
    """bed B EH D, red R EH D: CMU Pronouncing Dictionary. qwoll stands in no dictionary."""
    text = SIT.replace('["sit"]', '["red", "up"]') + '[[behaviour]]\nname = "bed"\ncues = ["bed", "qwoll"]\n'
    text += '[pronunciations]\ntarn = "T AA R N"\n'
    faults = [f for f in check(text, pronouncer_for=pronouncer) if "praise" not in f.message and "yes" not in f.message]
    assert [(f.severity.value, f.line, f.key) for f in faults] == [
        ("warning", 4, "behaviour[1].cues[2]"),
        ("warning", 7, "behaviour[2].cues[2]"),
        ("warning", 7, "behaviour[2].cues[1]"),
    ]
    assert [word in fault.message for word, fault in zip(("up", "qwoll", "red"), faults, strict=True)] == [True] * 3


# Anything at all


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


def assert_only_faults(path: Path) -> None:
    faults = planfile.check(path)
    errors = [fault for fault in faults if fault.severity is Severity.ERROR]
    last_line = path.read_bytes().count(b"\n") + 1
    for fault in faults:
        assert str(fault).isprintable()
        assert 0 <= fault.line <= last_line
    if errors:
        with pytest.raises(planfile.BadPlan):
            planfile.load(path)
    else:
        assert_sound(planfile.load(path))


def assert_sound(plan: Plan) -> None:
    """What the rest of the program relies on."""
    assert plan.dog
    assert plan.words.marker
    assert len({behaviour.name for behaviour in plan.behaviours}) == len(plan.behaviours) > 0
    for behaviour in plan.behaviours:
        assert behaviour.cues
        assert 1 <= behaviour.start_step <= len(behaviour.steps)
        assert 0 < behaviour.response_window_s <= 3600
        if isinstance(behaviour.rule, WindowRule):
            assert 0 <= behaviour.rule.lower_at < behaviour.rule.raise_at <= behaviour.rule.window
        else:
            assert 0 < behaviour.rule.low < behaviour.rule.high < 1
    assert plan.limits.time_s > 0
    assert all(setting for setting in planfile.settings(plan))


@given(st.binary(max_size=200))
def test_any_bytes(folder: Path, data: bytes) -> None:
    path = folder / "bytes.toml"
    path.write_bytes(data)
    assert_only_faults(path)


@given(st.lists(statements | st.text(string.printable, max_size=20), max_size=8).map("\n".join))
def test_any_toml_like_text(folder: Path, text: str) -> None:
    path = folder / "text.toml"
    path.write_text(text, "utf-8")
    assert_only_faults(path)


odd = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-3, 12),
    st.floats(),
    st.text(max_size=5),
    st.sampled_from(["sit", "yes", "good girl", "plain", "duration", "sequential", "8-of-10", "en", "notebook"]),
    st.lists(st.sampled_from(["sit", "sit down", "oops", "", "Tarn"]) | st.integers(), max_size=3),
    st.dictionaries(st.sampled_from(["window", "raise_at", "lower_at", "low", "high", "x"]), st.integers(0, 6)),
)


GOOD = {
    "dog": "Tarn",
    "handler": "Mara",
    "place": "barn",
    "rule": "8-of-10",
    "words": {"address": "ledger", "marker": "click", "error": ["nope"], "release": [], "safety": "teeth", "names": []},
    "behaviour": [
        {"name": "sit", "cues": ["sit"], "say": "the sit", "tag": "plain", "steps": ["a", "b"], "start_step": 2},
        {"name": "mat", "cues": "mat", "rule": {"window": 6, "raise_at": 5, "lower_at": 2}, "response_window_s": 4},
        {"name": "heel", "cues": "heel", "rule": {"low": 0.5, "high": 0.9, "false_raise": 0.1}},
    ],
    "limits": {"time_s": 100, "handling_time_s": 50.0, "reps_per_behaviour": 8, "treats": 20},
    "prompts": {"language": "en", "voice": "", "words_per_minute": 150, "volume": 1.0, "quiet_reps": 3},
    "sound": {"keep_sound": "around reps", "keep_days": 7, "keep_mb": 50, "notes": True},
    "ear": {"sensitivity": 0.4, "confidence": 0.5, "pause_before_s": 0.2, "shortest_word_s": 0.1},
    "pronunciations": {"mat": ["M AE T"]},
}
GOOD_PLACES = sorted(_places(GOOD), key=str)


@st.composite
def nearly_good(draw: st.DrawFn) -> dict:
    """A good plan in which up to two values are odd (None: taken out)."""
    document = copy.deepcopy(GOOD)
    for where in draw(st.lists(st.sampled_from(GOOD_PLACES), max_size=2, unique=True)):
        inside: Any = document
        try:
            for key in where[:-1]:
                inside = inside[key]
            del inside[where[-1]]
            value = draw(odd)
            if value is not None and isinstance(inside, list):
                inside.insert(where[-1], value)
            elif value is not None:
                inside[where[-1]] = value
        except (TypeError, IndexError, KeyError):
            pass  # the first change took away the place of the second
    return document


def test_the_good_plan_is_good() -> None:
    assert not check(tomlkit.dumps(GOOD))


@given(nearly_good())
@settings(max_examples=300, deadline=None)
def test_any_plan_of_odd_values(folder: Path, document: dict) -> None:
    path = folder / "odd.toml"
    path.write_text(tomlkit.dumps(document), "utf-8")
    assert_only_faults(path)
