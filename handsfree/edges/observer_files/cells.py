"""The cells of an observer's file as times. What can be told for sure is accepted, all else refused."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime

Cells = Sequence[tuple[int, str]]
"""(line, text) of each cell of a column."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,4}):([0-5]\d(?:[.,]\d+)?)")
_FRAMES = re.compile(r"\d+:\d\d:\d\d[:;]\d+")
_WALL = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:)(\d\d)(\.\d+)?([Zz]|[+-]\d\d:\d\d)?"  # RFC 3339, section 5.6
)
_THOUSANDS = re.compile(r"[1-9]\d{0,2}(,\d{3})+")


class Bad(Exception):
    """Something on a line that cannot be used; its text is the end of a sentence about that line."""

    def __init__(self, line: int, why: str):
        super().__init__(why)
        self.line = line


def onsets(cells: Cells, factor: float | None, heading: str, evidence: Sequence[str]) -> tuple[list[float], bool]:
    """Seconds of each cell, and whether they are wall time (seconds since 1970-01-01 UTC).

    factor    seconds that a plain number counts; None where the column does not say
    evidence  all numeric cells of the file, to judge what a comma in them means

    Raises Bad.
    """
    kinds = [(line, text, _kind(line, text, heading)) for line, text in cells]
    for line, text, kind in kinds:
        if kind != kinds[0][2]:
            raise Bad(line, f"{text!r} is {kind}, but line {kinds[0][0]} has {kinds[0][2]}; use one kind throughout")
        if kind == "a number" and factor is None:
            raise Bad(
                line, f"{text!r} in column {heading!r} has no unit; call the column onset_s (seconds) or onset_ms"
            )
    values = {"a number": lambda line, text: _number(line, text, evidence) * (factor or 1.0)}
    values |= {"a time as m:ss": lambda line, text: _clock(text), "a wall time": _wall}
    return [values[kind](line, text) for line, text, kind in kinds], bool(kinds) and kinds[0][2] == "a wall time"


def durations(cells: Cells, factor: float, evidence: Sequence[str]) -> list[float | None]:
    """Seconds of each cell, None where it is empty. Raises Bad."""
    found: list[float | None] = []
    for line, text in cells:
        if not text:
            found.append(None)
            continue
        kind = _kind(line, text, "duration")
        if kind == "a wall time":
            raise Bad(line, f"{text!r} is no duration; give seconds")
        value = _clock(text) if kind == "a time as m:ss" else _number(line, text, evidence) * factor
        if value < 0:
            raise Bad(line, f"the duration {text} is less than 0; give the seconds from onset to end")
        found.append(value)
    return found


def _kind(line: int, text: str, heading: str) -> str:
    if not text:
        raise Bad(line, f"nothing in column {heading!r}; every event needs its time")
    if _NUMBER.fullmatch(text) or _COMMA.fullmatch(text):
        return "a number"
    if _CLOCK.fullmatch(text):
        return "a time as m:ss"
    if wall := _WALL.fullmatch(text):
        if not wall[5]:
            raise Bad(line, f"the wall time {text!r} has no UTC offset; add it (Z or +02:00), or give seconds")
        return "a wall time"
    if _FRAMES.fullmatch(text):
        raise Bad(line, f"{text!r} counts video frames, whose rate is not known; give seconds")
    if re.fullmatch(r"[+-]?\d+(,\d{3})+\.\d+|[+-]?\d+(\.\d{3})+,\d+|[+-]?\d+(,\d{3}){2,}", text):
        raise Bad(line, f"{text!r} has marks between thousands; write it without them, with a decimal point")
    raise Bad(line, f"{text!r} in column {heading!r} is no time; give seconds, m:ss or RFC 3339 with its UTC offset")


def _number(line: int, text: str, evidence: Sequence[str]) -> float:
    """A decimal comma is one if some number of the file can be nothing else; "12,345" alone may be either."""
    if "," in text:
        if any("." in other and _NUMBER.fullmatch(other) for other in evidence):
            raise Bad(line, f"{text!r} has a comma where other numbers have a point; write decimal points throughout")
        if not any(_COMMA.fullmatch(other) and not _THOUSANDS.fullmatch(other.lstrip("+-")) for other in evidence):
            raise Bad(line, f"{text!r} can be read as {text.replace(',', '.')} or {text.replace(',', '')}; use a point")
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        raise Bad(line, f"{text!r} is too large a number; give seconds")
    return value


def _clock(text: str) -> float:
    """m:ss and h:mm:ss, with decimals."""
    hours, minutes, seconds = _CLOCK.fullmatch(text).groups()  # type: ignore[union-attr]
    return int(hours or 0) * 3600 + int(minutes) * 60 + float(seconds.replace(",", "."))


def _wall(line: int, text: str) -> float:
    """RFC 3339 -> seconds since 1970-01-01 UTC. A leap second (:60) is the first of the next minute, as in POSIX."""
    day, minutes, seconds, fraction, offset = _WALL.fullmatch(text).groups()  # type: ignore[union-attr]
    leap = seconds == "60"
    plain = f"{day}T{minutes}{'59' if leap else seconds}{'+00:00' if offset in 'Zz' else offset}"
    try:
        return datetime.fromisoformat(plain).timestamp() + float(fraction or 0) + leap
    except ValueError:
        raise Bad(line, f"there is no time {text!r}; check day, hour and minute") from None
