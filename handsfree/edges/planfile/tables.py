"""Typed reading of TOML tables: every wrong type, number out of range and unknown key is noted, none stops the reading.

A value that is missing or wrong is replaced by the default, so that the rest of the plan can still be checked.
"""

from __future__ import annotations

import difflib
import math
import unicodedata
from collections.abc import Collection, Mapping
from typing import Any, TypeVar

from handsfree.core.plan import spoken
from handsfree.edges.planfile.faults import Findings, Where, shown

LONGEST_TEXT = 120  # characters of a name, a place or a step
LONGEST_PHRASE = 60  # characters of what is said in one breath

T = TypeVar("T")


class Table:
    """One table of the plan. Ask it for every key it may hold, then call `finish`."""

    def __init__(self, values: Mapping[str, Any], where: Where, found: Findings) -> None:
        self.where = where
        self.found = found
        self._values = values
        self._asked: list[str] = []

    def at(self, key: str) -> Where:
        return (*self.where, key)

    def has(self, key: str) -> bool:
        return key in self._values

    def take(self, key: str) -> Any:
        """The raw value; None where the key is missing (TOML has no null)."""
        self._asked.append(key)
        return self._values.get(key)

    def missing(self, key: str, remedy: str) -> None:
        self.found.error(self.at(key), "is missing", remedy)

    @property
    def names(self) -> tuple[str, ...]:
        """The keys that the table has."""
        return tuple(self._values)

    def text(self, key: str, default: str = "", longest: int = LONGEST_TEXT) -> str:
        """One line of text, surrounding blanks removed. "" is a way to say: the default."""
        value = self.take(key)
        if value is None or value == "":
            return default
        return self._line(self.at(key), value, longest) or default

    def phrase(self, key: str, default: str = "") -> str:
        """One phrase as it is spoken."""
        if isinstance(self._values.get(key), list):
            self._wrong_type(self.at(key), "a text in quotes", self.take(key))
            return default
        return next(iter(self.phrases(key)), default)

    def texts(self, key: str, default: tuple[str, ...]) -> tuple[str, ...]:
        """A list of lines of text."""
        lines = [self._line(where, item) for where, item in self._listed(key)]
        return tuple(line for line in lines if line) or default

    def phrases(self, key: str, default: tuple[str, ...] = ()) -> dict[str, Where]:
        """Phrases as they are spoken -> where each stands. One text or a list of them."""
        if not self.has(key):
            self.take(key)
            return dict.fromkeys(default, self.at(key))
        phrases: dict[str, Where] = {}
        for where, item in self._listed(key):
            line = self._line(where, item, LONGEST_PHRASE)
            if line is None:
                continue
            phrase = spoken(line)
            if not phrase:
                self.found.error(where, f"{shown(line)} has no word in it", "write the word as you say it")
            elif phrase in phrases:
                self.found.error(where, f'"{phrase}" is given twice', "remove one of the two")
            else:
                phrases[phrase] = where
        return phrases

    def flag(self, key: str, default: bool) -> bool:
        value = self.take(key)
        if value is None or isinstance(value, bool):
            return default if value is None else value
        self._wrong_type(self.at(key), "true or false", value)
        return default

    def whole(self, key: str, default: T, least: int, most: int) -> int | T:
        value = self.take(key)
        if value is None:
            return default
        if not isinstance(value, int) or isinstance(value, bool):
            self._wrong_type(self.at(key), "a whole number", value)
        elif self._in_range(self.at(key), value, least, most):
            return value
        return default

    def number(self, key: str, default: T, least: float, most: float) -> float | T:
        value = self.take(key)
        if value is None:
            return default
        if not isinstance(value, (int, float)) or isinstance(value, bool):
            self._wrong_type(self.at(key), "a number", value)
        elif self._in_range(self.at(key), value, least, most):
            return float(value)
        return default

    def choice(self, key: str, default: str, among: Collection[str]) -> str:
        value = self.text(key, default)
        if value in among:
            return value
        self.found.error(self.at(key), f"{shown(value)} is not known", _nearest(value, among, "one of "))
        return default

    def inner(self, key: str) -> Table:
        """The table [key]; an empty one where it is missing."""
        value = self.take(key)
        if value is not None and not isinstance(value, dict):
            self._wrong_type(self.at(key), "a table", value)
        return Table(value if isinstance(value, dict) else {}, self.at(key), self.found)

    def items(self, key: str) -> list[Table]:
        """The tables of [[key]]."""
        value = self.take(key)
        if isinstance(value, dict):
            self.found.error(self.at(key), "has single brackets", f"write [[{key}]]: there may be several")
            return [Table(value, self.at(key), self.found)]
        if value is not None and not isinstance(value, list):
            self._wrong_type(self.at(key), "tables", value)
            return []
        tables = []
        for index, item in enumerate(value or []):
            where = (*self.at(key), index)
            if isinstance(item, dict):
                tables.append(Table(item, where, self.found))
            else:
                self._wrong_type(where, "tables", item)
        return tables

    def finish(self, elsewhere: Mapping[str, str]) -> None:
        """Note every key that was not asked for. `elsewhere`: key -> the place where it would be known."""
        for key in self._values:
            if key in self._asked:
                continue
            remedy = (
                f"it belongs {elsewhere[key]}"
                if key in elsewhere
                else _nearest(key, [*dict.fromkeys(self._asked)], "known here: ")
            )
            self.found.error(self.at(key), "unknown key", remedy)

    def _listed(self, key: str) -> list[tuple[Where, Any]]:
        value = self.take(key)
        if isinstance(value, list):
            return [((*self.at(key), index), item) for index, item in enumerate(value)]
        return [] if value is None else [(self.at(key), value)]

    def _line(self, where: Where, value: Any, longest: int = LONGEST_TEXT) -> str | None:
        """None, with a fault, unless it is a text that can be shown and said."""
        if not isinstance(value, str):
            self._wrong_type(where, "a text in quotes", value)
            return None
        line = unicodedata.normalize("NFC", value.strip())
        strange = next((c for c in line if unicodedata.category(c) in _CONTROLS and c not in _JOINERS), None)
        if not line:
            self.found.error(where, "is empty", "write something between the quotes, or remove it")
        elif strange is not None:
            message = f"holds the control character U+{ord(strange):04X}"
            self.found.error(where, message, "remove it; a text is one line")
        elif len(line) > longest:
            self.found.error(where, f"has {len(line)} characters", f"shorten it to {longest}")
        else:
            return line
        return None

    def _in_range(self, where: Where, value: float, least: float, most: float) -> bool:
        if least <= value <= most:  # not so for NaN
            return True
        remedy = f"write a number from {_plain_number(least)} to {_plain_number(most)}"
        self.found.error(where, f"{shown(value)} is out of range", remedy)
        return False

    def _wrong_type(self, where: Where, wanted: str, value: Any) -> None:
        self.found.error(where, f"must be {wanted}, not {_kind(value)}", _HOW_TO_WRITE[wanted])


_HOW_TO_WRITE = {
    "true or false": "write true or false without quotes",
    "a whole number": "write digits without quotes and without a point",
    "a number": "write a number without quotes",
    "a text in quotes": 'write "..."',
    "a table": "write it as a [section] with its keys below",
    "tables": "write it as [[...]] with its keys below",
}
_CONTROLS = ("Cc", "Cf", "Cn", "Co", "Cs", "Zl", "Zp")
_JOINERS = "\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"  # needed to write some languages


def _plain_number(value: float) -> str:
    return f"{value:g}" if value < 1e6 else f"{value:.0f}"


def _nearest(word: str, among: Collection[str], otherwise: str) -> str:
    """Which of `among` was meant; all of them after `otherwise` when none is like it."""
    near = difflib.get_close_matches(word, among, n=1, cutoff=0.6)
    return f'did you mean "{near[0]}"?' if near else otherwise + ", ".join(among)


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, float) and not math.isfinite(value):
        return "a number without an end"
    kinds = (
        (str, "a text"),
        (int, "a whole number"),
        (float, "a number with a point"),
        (list, "a list"),
        (dict, "a table"),
    )
    return next((name for kind, name in kinds if isinstance(value, kind)), "a date or time")
