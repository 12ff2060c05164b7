"""How a format writes what has more than one form: moments, yes and no, lists; and text made harmless.

The form is given to the code that makes the rows, so that every cell is made once: a log may hold millions.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A spreadsheet takes a cell that begins so for a formula, or looks behind the white space for one."""

Clock = Callable[[float], Any]
"""Session time, seconds -> the cell of its wall time."""


@dataclass(frozen=True, slots=True)
class Form:
    """`clock` makes the Clock of a session from the moment it started; `truth` holds the cells for no and yes.

    `integers` makes a cell of a JSON array, as the log holds lists.
    """

    clock: Callable[[datetime], Clock]
    moment: Callable[[datetime], Any]
    truth: tuple[Any, Any]
    integers: Callable[[str], Any]


def moment_text(moment: datetime) -> str:
    """RFC 3339 date-time, with milliseconds and offset."""
    return moment.isoformat(timespec="milliseconds")


def text_clock(started_at: datetime) -> Clock:
    """RFC 3339 date-times to the nearest millisecond, in the offset of the start; a third of isoformat's time."""
    minute = started_at.replace(second=0, microsecond=0)
    into_minute_ms = round((started_at - minute) / timedelta(milliseconds=1))
    offset = moment_text(started_at)[23:]
    minutes: dict[int, str] = {}
    seconds = _seconds_texts()

    def text(at_s: float) -> str:
        number, ms = divmod(into_minute_ms + round(at_s * 1000), 60_000)
        begin = minutes.get(number)
        if begin is None:
            begin = minutes[number] = (minute + timedelta(minutes=number)).isoformat()[:17]
        return begin + seconds[ms] + offset

    return text


@lru_cache(maxsize=1)
def _seconds_texts() -> list[str]:
    """Every millisecond of a minute as RFC 3339 writes its seconds: making them each time takes twice as long."""
    return [f"{ms // 1000:02}.{ms % 1000:03}" for ms in range(60_000)]


def epoch_ms(moment: datetime) -> int:
    """Milliseconds since 1970 began in UTC."""
    return round(moment.timestamp() * 1000)


def _epoch_clock(started_at: datetime) -> Clock:
    start_ms = epoch_ms(started_at)
    return lambda at_s: start_ms + round(at_s * 1000)


@lru_cache(maxsize=1 << 12)  # the same few reps are looked at in every session
def _numbers(array: str) -> tuple[int, ...]:
    return tuple(json.loads(array))


@lru_cache(maxsize=1 << 12)
def _spaced(array: str) -> str | None:
    return " ".join(map(str, _numbers(array))) or None


CSV = Form(text_clock, moment_text, ("false", "true"), _spaced)
JSON = Form(text_clock, moment_text, (False, True), _numbers)
COLUMNAR = Form(_epoch_clock, epoch_ms, (False, True), _numbers)


def harmless(text: str) -> str:
    """Text that a spreadsheet does not run: an apostrophe before what would begin a formula (OWASP, CSV Injection)."""
    return "'" + text if text.startswith(_FORMULA) else text


def json_line(names: Sequence[str], row: Sequence[Any]) -> str:
    """One line of JSON Lines, its newline included. Nothing is left out: what is not known is null."""
    value = dict(zip(names, row, strict=True))
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"
