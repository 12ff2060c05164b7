"""What is wrong with a plan file: each fault with its place and its remedy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.events import Label

Where = tuple[str | int, ...]
"""A place in a TOML document: keys, and indices (from 0) into arrays: ("behaviour", 1, "cues", 0)."""

_LONGEST_SHOWN = 40


class Severity(Label):
    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. `line` counts from 1; 0 means the file as a whole. `key` reads "behaviour[2].cues", counted from 1."""

    severity: Severity
    file: str
    line: int
    key: str
    message: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        what = f"{self.key}: {self.message}" if self.key else self.message
        return f"{place}: {what}; {self.remedy}" if self.remedy else f"{place}: {what}"


class BadPlan(UserError):
    """A plan that cannot be used. Its text is the first error and how many more there are."""

    def __init__(self, faults: list[Fault]) -> None:
        more = len(faults) - 1
        hint = f" ({more} more: run `handsfree plan check {faults[0].file}`)" if more else ""
        super().__init__(f"{faults[0]}{hint}")
        self.faults = faults


class Findings:
    """The faults of one file as they are found. `lines` says where each key stands."""

    def __init__(self, file: str, lines: Mapping[Where, int]) -> None:
        self._file = file
        self._lines = lines
        self._faults: list[Fault] = []

    def error(self, where: Where, message: str, remedy: str) -> None:
        self._add(Severity.ERROR, where, message, remedy)

    def warning(self, where: Where, message: str, remedy: str) -> None:
        self._add(Severity.WARNING, where, message, remedy)

    def line(self, where: Where) -> int:
        """Of the key, or else of the table it is missing from; 1 where there is neither."""
        while where and where not in self._lines:
            where = where[:-1]
        return self._lines.get(where, 1)

    def stands(self, where: Where) -> bool:
        """Is it written in the file, rather than a default?"""
        return where in self._lines

    def in_order(self) -> list[Fault]:
        """By line; faults of one line stay in the order in which they were found."""
        return sorted(self._faults, key=lambda fault: fault.line)

    def _add(self, severity: Severity, where: Where, message: str, remedy: str) -> None:
        self._faults.append(Fault(severity, self._file, self.line(where), key_text(where), message, remedy))


def whole_file(path: Path, message: str, remedy: str, line: int = 0) -> BadPlan:
    """The file cannot be read at all, or not beyond `line`."""
    return BadPlan([Fault(Severity.ERROR, printable(str(path)), line, "", message, remedy)])


def key_text(where: Where) -> str:
    """A place as people read it; array items count from 1, as steps do."""
    text = ""
    for part in where:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            bare = part.replace("-", "_").isidentifier()
            text += ("." if text else "") + (part if bare else shown(part))
    return text


def shown(value: object) -> str:
    """A value of the file for a message: on one line, short, texts in quotes."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = printable(str(value))
    if len(text) > _LONGEST_SHOWN:
        text = text[: _LONGEST_SHOWN - 3] + "..."
    return f'"{text}"' if isinstance(value, str) else text


def printable(text: str) -> str:
    """The text with everything that could disturb a terminal written as an escape."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "surrogatepass").decode() for c in text)
