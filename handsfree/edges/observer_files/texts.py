"""Delimited text, JSON Lines and WebVTT -> rows of named cells, all of them text. webvtt-py reads WebVTT."""

from __future__ import annotations

import codecs
import csv
import io
import json
import re
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from html import unescape
from pathlib import Path

from handsfree.core.errors import UserError

DELIMITERS = "\t;,"
EMPTY = ("n/a", "na", "nan", "null", "none", "-")
"""Cells that say there is nothing (n/a is that of BIDS), in any case."""

_OWN_ID = re.compile(r"rep-\d+")
_OWN_TEXT = re.compile(
    r"\d+ (?P<behaviour>.+), step \d+: (?P<outcome>[\w ]+?)"
    r"( \((counted (?P<live>[\w ]+)|(?P<added>not counted))\))?"
)


@dataclass(frozen=True)
class Sheet:
    """`headings`: column as it is compared -> as the file has it. A row's line is 0 where there is none (WebVTT)."""

    @dataclass(frozen=True, slots=True)
    class Row:
        line: int
        cells: Mapping[str, str]

    headings: dict[str, str]
    rows: list[Row]

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(self.headings)


def read_sheet(path: Path, times: Collection[str]) -> Sheet:
    """The rows of a file; `times` are names of time columns, by which a delimiter is known. Raises UserError."""
    text = _text(path)
    if not text.strip():
        raise UserError(f"{path} is empty; it needs at least a line with the names of its columns, onset_s among them")
    if re.match(r"WEBVTT(\s|$)", text):
        return _captions(text, path)
    if text.lstrip().startswith("{"):
        return _json_lines(text, path)
    if text.lstrip().startswith("["):
        raise UserError(f"{path} is one JSON list; write one JSON object a line (JSON Lines), or a table")
    return _table(text, path, times)


def column(heading: str) -> str:
    """A heading as it is compared: "Onset [s]" -> "onset_s"."""
    return "_".join(re.findall(r"\w+", unicodedata.normalize("NFKC", heading).casefold().replace("_", " ")))


def _text(path: Path) -> str:
    """The file as text, whatever its line ends and byte order mark."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise UserError(f"there is no file {path}") from None
    except IsADirectoryError:
        raise UserError(f"{path} is a folder; name a file in it") from None
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror or error}") from None
    encoding = "utf-16" if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise UserError(f"{path}, line {line}: these bytes are no UTF-8; save the file as UTF-8") from None
    if "\0" in text:
        raise UserError(f"{path} is no text file, or one without the mark that says how it is coded; save it as UTF-8")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _table(text: str, path: Path, times: Collection[str]) -> Sheet:
    lines = text.split("\n")
    begin = next(number for number, line in enumerate(lines) if line.strip())
    by_delimiter = {mark: next(csv.reader([lines[begin]], delimiter=mark)) for mark in DELIMITERS}
    mark = max(
        DELIMITERS,
        key=lambda one: (any(column(name) in times for name in by_delimiter[one]), len(by_delimiter[one])),
    )
    heads = [head.strip() for head in by_delimiter[mark]]
    if re.fullmatch(r"[-+\d.,:]+", heads[0]):
        raise UserError(
            f"{path}, line {begin + 1}: names of columns are missing; begin with onset_s, behaviour, outcome"
        )
    while heads and not heads[-1]:
        heads.pop()
    headings = _headings(heads, path)
    rows = []
    reader = csv.reader(io.StringIO("\n".join(lines[begin + 1 :]), newline=""), delimiter=mark, strict=True)
    try:
        line = begin + 2
        for cells in reader:
            if any(cell.strip() for cell in cells):
                if len(cells) < len(heads) or any(cell.strip() for cell in cells[len(heads) :]):
                    hint = "; a decimal comma needs quotes, or columns set apart by ; or tab" if mark == "," else ""
                    raise UserError(f"{path}, line {line}: {len(cells)} cells under {len(heads)} names{hint}")
                rows.append(Sheet.Row(line, dict(zip(headings, map(_cell, cells), strict=False))))
            line = begin + 2 + reader.line_num
    except csv.Error as error:
        raise UserError(f"{path}, line {line}: {error}; check the quotes") from None
    return Sheet(headings, rows)


def _headings(heads: list[str], path: Path) -> dict[str, str]:
    headings: dict[str, str] = {}
    for head in heads:
        name = column(head) or head
        if name in headings:
            raise UserError(f"{path}: the columns {headings[name]!r} and {head!r} have the same name; rename one")
        headings[name] = head
    return headings


def _json_lines(text: str, path: Path) -> Sheet:
    headings: dict[str, str] = {}
    rows = []
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            found = json.loads(line)
        except ValueError:
            raise UserError(f"{path}, line {number}: no JSON; each line holds one whole object") from None
        if not isinstance(found, dict):
            raise UserError(f'{path}, line {number}: {line.strip()[:20]!r} is no JSON object like {{"onset_s": 1.5}}')
        rows.append(_row(number, found, headings))
    return Sheet(headings, rows)


def _row(line: int, found: dict[str, object], headings: dict[str, str]) -> Sheet.Row:
    cells = {}
    for key, value in found.items():
        headings.setdefault(column(key) or key, key)
        cells[column(key) or key] = "" if value is None else _cell(str(value))
    return Sheet.Row(line, cells)


def _captions(text: str, path: Path) -> Sheet:
    try:
        import webvtt
    except ImportError:
        raise UserError("WebVTT needs webvtt-py; install it with: pip install 'handsfree[research]'") from None
    try:
        captions = webvtt.from_string(text, strict=True).captions
    except (webvtt.errors.MalformedFileError, webvtt.errors.MalformedCaptionError) as error:
        raise UserError(f"{path} is no correct WebVTT: {error}") from None
    headings = {name: name for name in ("onset_s", "duration_s")}
    rows = []
    own = any(_OWN_ID.fullmatch(caption.identifier or "") for caption in captions)
    for number, caption in enumerate(captions, 1):
        if own and not _OWN_ID.fullmatch(caption.identifier or ""):
            continue
        begin_s, end_s = (_seconds(stamp) for stamp in (caption.start, caption.end))
        if end_s < begin_s:
            raise UserError(f"{path}: caption {number} ends at {caption.end}, before it begins; mend its times")
        times = {"onset_s": f"{begin_s:.3f}", "duration_s": f"{end_s - begin_s:.3f}"}
        rows.append(_row(0, (_own_payload if own else _payload)(caption.text) | times, headings))
    return Sheet(headings, rows)


def _payload(text: str) -> dict[str, object]:
    """Behaviour and outcome in a caption: JSON, or "behaviour: outcome"."""
    if text.lstrip().startswith("{"):
        try:
            found = json.loads(text)
        except ValueError:
            found = None
        if isinstance(found, dict):
            return found
    behaviour, _, outcome = unescape(" ".join(text.split())).partition(": ")
    return {"behaviour": behaviour, "outcome": outcome}


def _own_payload(text: str) -> dict[str, object]:
    """Of a rep in captions that this program exported: "3 sit, step 2: correct (counted incorrect)"."""
    found = _OWN_TEXT.fullmatch(" ".join(text.split()))
    if found is None:
        return _payload(text)
    live = "no_rep" if found["added"] else found["live"] or found["outcome"]
    now, live = found["outcome"].replace(" ", "_"), live.replace(" ", "_")
    return {"behaviour": unescape(found["behaviour"]), "outcome_corrected": now, "outcome_raw": live}


def _seconds(stamp: str) -> float:
    hours, minutes, seconds = stamp.split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(seconds)


def _cell(text: str) -> str:
    text = text.strip()
    return "" if text.casefold() in EMPTY else unicodedata.normalize("NFC", text)
