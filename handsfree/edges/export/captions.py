"""Captions (and chapters) of one session as files beside its video."""

from __future__ import annotations

import json
from pathlib import Path

from handsfree.core.exporting import captions
from handsfree.core.exporting.metadata import TOOL, Provenance
from handsfree.core.exporting.rows import Context
from handsfree.core.log import SessionLog
from handsfree.edges.export import target


def paths(wanted: Path, format: str) -> list[Path]:
    """The files of a format: captions and chapters. SubRip has no chapters, and no comments: its origin is apart."""
    return [wanted, wanted.with_suffix(".chapters.vtt" if format == "vtt" else ".srt.json")]


def write(
    files: list[Path],
    format: str,
    log: SessionLog,
    context: Context,
    made: Provenance,
    at: captions.Clock = captions.as_heard,
) -> None:
    """Write both files of `paths`. `at` turns session time into video time. Raises UserError."""
    cues = captions.captions(log, context.values, context.hide, at)
    with target.whole_files(*files) as (first, second):
        if format == "vtt":
            _put(first, "".join(captions.webvtt(cues, made)))
            marks = captions.chapters(log, context.values, context.hide, at)
            _put(second, "".join(captions.webvtt(marks, made)))
        else:
            _put(first, "".join(captions.subrip(cues)))
            _put(second, json.dumps({TOOL: made.as_dict()}, ensure_ascii=False, indent=2) + "\n")


def _put(file: Path, text: str) -> None:
    file.write_bytes(text.encode())  # bytes: no newline of the system's own
