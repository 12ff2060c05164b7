"""A TOML document -> Plan. Faulty values are noted and replaced by defaults, so that one run finds every fault."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from handsfree.core.events import Role
from handsfree.core.plan import (
    DEFAULT_RULE,
    PRESETS,
    RESPONSE_WINDOW_S,
    Behaviour,
    Day,
    Ear,
    Food,
    Handover,
    KeepSound,
    Limits,
    Plan,
    Prompts,
    Rule,
    SequentialRule,
    Sound,
    Tag,
    WindowRule,
    Words,
    spoken,
)
from handsfree.edges.planfile.daily import read_day, read_food, read_handover
from handsfree.edges.planfile.faults import Findings, Where, shown
from handsfree.edges.planfile.tables import Table

DAY_S = 86_400
LONGEST_PATH = 4096  # characters
SLOWEST_WPM, FASTEST_WPM = 80, 450  # what espeak-ng accepts

TOP_LEVEL = ("dog", "handler", "place", "rule")
_SECTIONS: Mapping[str, type] = {
    "words": Words,
    "limits": Limits,
    "prompts": Prompts,
    "sound": Sound,
    "ear": Ear,
    "day": Day,
    "food": Food,
    "handover": Handover,
}
_ELSEWHERE = {
    **{field.name: "under [[behaviour]]" for field in fields(Behaviour)},
    **{field.name: f"under [{name}]" for name, section in _SECTIONS.items() for field in fields(section)},
    **dict.fromkeys(TOP_LEVEL, "at the top of the file, above the first [section]"),
}


@dataclass(frozen=True, slots=True)
class Use:
    """A phrase of the plan, what it is for, and where it stands. The address word has the role INSTRUCTION."""

    phrase: str
    role: Role
    where: Where
    behaviour: str | None = None

    def __str__(self) -> str:
        if self.behaviour:
            return f'{self.role} of "{self.behaviour}"'
        return _ROLE_NAMES.get(self.role, f"{self.role} word")


_ROLE_NAMES = {Role.INSTRUCTION: "address word", Role.CUE: "cue", Role.PRAISE: "praise", Role.NAME: "name"}


def read_plan(document: Mapping[str, Any], found: Findings, path: Path) -> tuple[Plan, list[Use]]:
    """The plan and the use of each of its phrases."""
    top = Table(document, (), found)
    dog = top.text("dog")
    if document.get("dog", "") == "":
        top.missing("dog", 'write dog = "..." at the top of the file')
    default_rule = read_rule(top, PRESETS[DEFAULT_RULE])
    uses: list[Use] = []
    words = _words(top.inner("words"), dog, top.at("dog"), uses)
    behaviours = tuple(_behaviour(table, default_rule, uses) for table in top.items("behaviour"))
    if not top.has("behaviour"):
        top.missing("behaviour", "add a [[behaviour]] with name and cues")
    elif document["behaviour"] == []:
        found.error(top.at("behaviour"), "there is none", "add a [[behaviour]] with name and cues")
    plan = Plan(
        dog=dog,
        behaviours=behaviours,
        handler=top.text("handler"),
        place=top.text("place"),
        words=words,
        limits=read_limits(top.inner("limits")),
        prompts=_prompts(top.inner("prompts")),
        sound=_sound(top.inner("sound")),
        ear=_ear(top.inner("ear"), path),
        day=read_day(top.inner("day")),
        food=read_food(top.inner("food")),
        handover=read_handover(top.inner("handover")),
        pronunciations=_pronunciations(top.inner("pronunciations")),
    )
    top.finish(_ELSEWHERE)
    return plan, uses


def _words(table: Table, dog: str, dog_at: Where, uses: list[Use]) -> Words:
    default = Words()
    by_role = {
        Role.MARKER: table.phrases("marker", default.marker),
        Role.ERROR: table.phrases("error", default.error),
        Role.RELEASE: table.phrases("release", default.release),
        Role.SAFETY: table.phrases("safety", default.safety),
        Role.PRAISE: table.phrases("praise", default.praise),
        Role.NAME: table.phrases("names", default.names),
    }
    if table.take("marker") == []:
        table.found.error(table.at("marker"), "there is none", "give the word that marks a correct response")
    address = table.phrase("address", default.address)
    uses.append(Use(address, Role.INSTRUCTION, table.at("address")))
    if spoken(dog):  # the dog's own name is always among the names
        by_role[Role.NAME] = {spoken(dog): dog_at} | by_role[Role.NAME]
    elif dog:
        table.found.error(dog_at, f"{shown(dog)} has no word in it", "write the name as you say it")
    for role, phrases in by_role.items():
        uses += [Use(phrase, role, where) for phrase, where in phrases.items()]
    table.finish(_ELSEWHERE)
    return Words(address, *(tuple(phrases) for phrases in by_role.values()))


def _behaviour(table: Table, default_rule: Rule, uses: list[Use]) -> Behaviour:
    default = Behaviour("", ())
    name = table.phrase("name")
    if not table.has("name"):
        table.missing("name", 'write name = "..."')
    cues = table.phrases("cues")
    if not table.has("cues"):
        table.missing("cues", 'write cues = ["..."] with what you say to ask for it')
    elif table.take("cues") == []:
        table.found.error(table.at("cues"), "there is none", "write what you say to ask for it")
    uses += [Use(cue, Role.CUE, where, name) for cue, where in cues.items()]
    tag = Tag(table.choice("tag", default.tag.value, [tag.value for tag in Tag]))
    steps = table.texts("steps", default.steps)
    if table.take("steps") == []:
        table.found.error(table.at("steps"), "there is none", "write at least one step, the easiest first")
    start_step = table.whole("start_step", default.start_step, 1, 1000)
    if start_step > len(steps):
        message = f"step {start_step} is beyond the last step, {len(steps)}"
        table.found.error(table.at("start_step"), message, "lower it, or write the missing steps")
        start_step = default.start_step
    behaviour = Behaviour(
        name=name,
        cues=tuple(cues),
        say=table.text("say", default.say),
        hand_signal=table.text("hand_signal", default.hand_signal),
        do=table.texts("do", default.do),
        dont=table.texts("dont", default.dont),
        tag=tag,
        steps=steps,
        start_step=start_step,
        response_window_s=table.number("response_window_s", RESPONSE_WINDOW_S[tag], 0.5, 3600),
        rule=read_rule(table, default_rule),
    )
    table.finish(_ELSEWHERE)
    return behaviour


def read_rule(table: Table, default: Rule) -> Rule:
    """The name of a preset, or numbers of the trainer's own."""
    value = table.take("rule")
    if isinstance(value, dict):
        numbers = Table(value, table.at("rule"), table.found)
        if value.keys() & {"low", "high", "false_raise", "false_lower"}:
            rule: Rule = _sequential_rule(numbers)
        elif value.keys() & {"window", "raise_at", "lower_at"}:
            rule = _window_rule(numbers)
        else:
            remedy = "give window, raise_at and lower_at, or low and high, or one of " + ", ".join(PRESETS)
            table.found.error(table.at("rule"), "this kind of rule is not known", remedy)
            return default
        numbers.finish({})
        return rule
    if value is None:
        return default
    return PRESETS[table.choice("rule", DEFAULT_RULE, PRESETS)]


def _window_rule(table: Table) -> WindowRule:
    default = PRESETS[DEFAULT_RULE]
    assert isinstance(default, WindowRule)
    for key in ("window", "raise_at", "lower_at"):
        if not table.has(key):
            table.missing(key, "a window rule has window, raise_at and lower_at")
    window = table.whole("window", None, 1, 100)
    raise_at = table.whole("raise_at", None, 1, 100)
    lower_at = table.whole("lower_at", None, 0, 100)
    misses = table.whole("misses_in_a_row", default.misses_in_a_row, 0, 100)
    if window is not None and raise_at is not None and raise_at > window:
        table.found.error(
            table.at("raise_at"), f"{raise_at} of {window} reps is impossible", "lower it, or widen window"
        )
    if raise_at is not None and lower_at is not None and lower_at >= raise_at:
        message = f"{lower_at} correct reps would both lower and raise"
        table.found.error(table.at("lower_at"), message, f"make it smaller than raise_at ({raise_at})")
    if window is None or raise_at is None or lower_at is None:
        return default
    return WindowRule(f"own {raise_at}/{lower_at} of {window}", window, raise_at, lower_at, misses)


def _sequential_rule(table: Table) -> SequentialRule:
    default = SequentialRule("")
    low = table.number("low", default.low, 0.01, 0.99)
    high = table.number("high", default.high, 0.01, 0.99)
    if low >= high:
        table.found.error(table.at("low"), f"{low:g} is not below high, {high:g}", "low is the rate at which to lower")
    return SequentialRule(
        name="own sequential",
        low=low,
        high=high,
        false_raise=table.number("false_raise", default.false_raise, 0.001, 0.49),
        false_lower=table.number("false_lower", default.false_lower, 0.001, 0.49),
        misses_in_a_row=table.whole("misses_in_a_row", default.misses_in_a_row, 0, 100),
    )


def read_limits(table: Table) -> Limits:
    default = Limits()
    limits = Limits(
        time_s=table.number("time_s", default.time_s, 1, DAY_S),
        handling_time_s=table.number("handling_time_s", default.handling_time_s, 1, DAY_S),
        reps_per_behaviour=table.whole("reps_per_behaviour", default.reps_per_behaviour, 1, 10_000),
        treats=table.whole("treats", default.treats, 1, 10_000),
    )
    table.finish(_ELSEWHERE)
    return limits


def _prompts(table: Table) -> Prompts:
    default = Prompts()
    language = table.text("language", default.language)
    if not re.fullmatch(r"[A-Za-z]{2,3}([-_][A-Za-z0-9]{2,8})*", language):
        table.found.error(table.at("language"), f"{shown(language)} is no language code", 'write one such as "en"')
        language = default.language
    prompts = Prompts(
        language=language,
        voice=table.text("voice", default.voice),
        words_per_minute=table.whole("words_per_minute", default.words_per_minute, SLOWEST_WPM, FASTEST_WPM),
        volume=table.number("volume", default.volume, 0, 1),
        quiet_reps=table.whole("quiet_reps", default.quiet_reps, 0, 10_000),
        counted_tone=table.flag("counted_tone", default.counted_tone),
        unsure_tone=table.flag("unsure_tone", default.unsure_tone),
    )
    table.finish(_ELSEWHERE)
    return prompts


def _sound(table: Table) -> Sound:
    default = Sound()
    sound = Sound(
        keep_sound=KeepSound(table.choice("keep_sound", default.keep_sound.value, [one.value for one in KeepSound])),
        keep_days=table.whole("keep_days", default.keep_days, 1, 3650),
        keep_mb=table.whole("keep_mb", default.keep_mb, 1, 1_000_000),
        notes=table.flag("notes", default.notes),
    )
    table.finish(_ELSEWHERE)
    return sound


def _ear(table: Table, path: Path) -> Ear:
    default = Ear()
    model = table.text("model", default.model, LONGEST_PATH)
    if model:
        model = str(path.parent / os.path.expanduser(model))  # beside the plan, whatever the current folder
        if not os.path.isdir(model):
            remedy = "give the folder of a Vosk model, or leave it out for the ear that ships"
            table.found.error(table.at("model"), f"there is no folder {shown(model)}", remedy)
    ear = Ear(
        model=model,
        sensitivity=table.number("sensitivity", default.sensitivity, 0, 1),
        confidence=table.number("confidence", default.confidence, 0, 1),
        pause_before_s=table.number("pause_before_s", default.pause_before_s, 0, 5),
        pause_after_s=table.number("pause_after_s", default.pause_after_s, 0, 5),
        dead_time_s=table.number("dead_time_s", default.dead_time_s, 0, 5),
        shortest_word_s=table.number("shortest_word_s", default.shortest_word_s, 0, 1),
        shortest_talk_s=table.number("shortest_talk_s", default.shortest_talk_s, 0, 5),
    )
    table.finish(_ELSEWHERE)
    return ear


def _pronunciations(table: Table) -> dict[str, tuple[str, ...]]:
    """Any word may be a key."""
    said: dict[str, tuple[str, ...]] = {}
    for key in table.names:
        word = spoken(key)
        if not word:
            table.found.error(table.at(key), "has no word in it", "the key is the word, the value how it is said")
        elif word in said:
            table.found.error(table.at(key), f'"{word}" is given twice', "write one list with both ways to say it")
        spellings = table.texts(key, ())
        if word and spellings:
            said.setdefault(word, spellings)
    return said
