"""The plan file as text, as TOML, and the line on which each key stands (tomllib keeps none)."""

from __future__ import annotations

import re
import sys
from bisect import bisect_right
from pathlib import Path
from typing import Any

from handsfree.edges.planfile.faults import Where, whole_file

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

MOST_BYTES = 1_000_000
"""A plan takes a few thousand."""
MOST_DOTS = 200
"""In one line. tomllib needs memory in the square of a dotted key's length: a hostile line could take all there is."""


def read_text(path: Path) -> str:
    """The file's text without a byte order mark, line ends as they are. Raises BadPlan."""
    try:
        if path.is_dir():
            raise whole_file(path, "this is a folder", "name the plan file in it")
        if path.exists() and not path.is_file():
            raise whole_file(path, "this is not a file", "name a plan file (TOML)")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise whole_file(
            path, "there is no such file", "check the name, or make one with `handsfree plan new`"
        ) from None
    except PermissionError:
        raise whole_file(path, "no permission to read it", "change the file's permissions") from None
    except (OSError, ValueError) as error:
        raise whole_file(path, f"it cannot be read ({error})", "check the name and the disk") from None
    if len(data) > MOST_BYTES:
        raise whole_file(path, f"it is larger than {MOST_BYTES // 1_000_000} MB", "this cannot be a plan")
    if not data.strip():
        raise whole_file(path, "the file is empty", "make a new one with `handsfree plan new`")
    if b"\0" in data:
        raise whole_file(path, "this is not text", "a plan is a TOML file; see `handsfree plan new --help`")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise whole_file(path, "this is not UTF-8 text", "save the file in the encoding UTF-8", line) from None


def parse_toml(text: str, path: Path) -> tuple[dict[str, Any], dict[Where, int]]:
    """The document, and the line of every key and array item in it. Raises BadPlan at the first error of syntax."""
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > MOST_DOTS:
            raise whole_file(path, f"more than {MOST_DOTS} dots in one line", "shorten the line", number)
    try:
        return tomllib.loads(text), key_lines(text)
    except tomllib.TOMLDecodeError as error:
        message, at = _syntax_error(str(error), text)
        raise whole_file(path, message, "mend the line as TOML (texts in quotes, lists in [ ])", at) from None
    except RecursionError:
        raise whole_file(
            path, "lists or tables are nested too deeply", "a plan needs no more than two levels"
        ) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise whole_file(path, f"a value cannot be read ({error})", "shorten it") from None


def _syntax_error(message: str, text: str) -> tuple[str, int]:
    """tomllib names the place in its message only: "... (at line 3, column 5)" or "... (at end of document)"."""
    what, _, place = message.rstrip(")").rpartition(" (at ")
    found = re.fullmatch(r"line (\d+), column (\d+)", place)
    if found:
        return f"column {found[2]}: {what[:1].lower()}{what[1:]}", int(found[1])
    return f"{what[:1].lower()}{what[1:]} before the end of the file", text.rstrip().count("\n") + 1


_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r"""[ \t]*([A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*')[ \t]*""")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]*")


def key_lines(text: str) -> dict[Where, int]:
    """Place -> line for every table, key and array item. The text must be TOML that tomllib accepts."""
    return _Scanner(text).lines


class _Scanner:
    """Walks TOML that is known to be valid, so it need not look for mistakes."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line_ends = [match.start() for match in re.finditer("\n", text)]
        self._arrays: dict[Where, int] = {}  # array of tables -> index of its latest table
        self.lines: dict[Where, int] = {}
        table: Where = ()
        self._blank()
        while self._at < len(text):
            if text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._blank()

    def _blank(self) -> None:
        self._at = self._match(_BLANK).end()

    def _match(self, pattern: re.Pattern[str]) -> re.Match[str]:
        match = pattern.match(self._text, self._at)
        assert match is not None, "key_lines was given text that is not TOML"
        return match

    def _mark(self, where: Where, at: int) -> None:
        self.lines.setdefault(where, bisect_right(self._line_ends, at) + 1)

    def _header(self) -> Where:
        start = self._at
        array = self._text.startswith("[[", start)
        self._at += 2 if array else 1
        where: Where = ()
        keys = self._keys()
        for number, key in enumerate(keys, start=1):
            where = (*where, key)
            self._mark(where, start)
            if array and number == len(keys):
                self._arrays[where] = self._arrays.get(where, -1) + 1
            if where in self._arrays:
                where = (*where, self._arrays[where])
                self._mark(where, start)
        self._at += 2 if array else 1
        return where

    def _keys(self) -> list[str]:
        """A dotted key."""
        keys = []
        while True:
            match = self._match(_KEY)
            token, self._at = match[1], match.end()
            keys.append(tomllib.loads(f"key = {token}")["key"] if token[0] in "\"'" else token)
            if self._text[self._at] != ".":
                return keys
            self._at += 1

    def _pair(self, table: Where) -> None:
        start = self._at
        where = table
        for key in self._keys():
            where = (*where, key)
            self._mark(where, start)
        self._at += 1  # the equals sign
        self._blank()
        self._value(where)

    def _value(self, where: Where) -> None:
        first = self._text[self._at]
        if first in "\"'":
            self._at = self._match(_STRING).end()
        elif first in "[{":
            self._items(where, "]" if first == "[" else "}")
        else:
            self._at = self._match(_SCALAR).end()

    def _items(self, where: Where, closing: str) -> None:
        """An array or an inline table."""
        self._at += 1
        index = 0
        self._blank()
        while self._text[self._at] != closing:
            if closing == "]":
                self._mark((*where, index), self._at)
                self._value((*where, index))
                index += 1
            else:
                self._pair(where)
            self._blank()
            if self._text[self._at] == ",":
                self._at += 1
                self._blank()
        self._at += 1
