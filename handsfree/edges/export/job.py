"""What is to be exported, how, and where to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from handsfree.core.exporting.blind import Codes
from handsfree.core.exporting.tables import Values

FORMATS = {
    "csv": "tables as CSV, described as CSV on the Web",
    "jsonl": "tables as JSON Lines",
    "parquet": "tables as Parquet, in folders by dog and month",
    "datapackage": "tables as CSV in a Data Package",
    "bids": "a BIDS behavioural dataset",
    "vtt": "captions and chapters for the video of one session",
    "srt": "captions for the video of one session",
}


@dataclass(frozen=True, slots=True)
class Job:
    """`version` is that of the program that exports; `codes` makes the export blind; `tables` () means all.

    Captions: video time = stretch x session time + shift_s.
    """

    format: str
    target: Path
    log: Path
    version: str
    values: Values = Values.BOTH
    codes: Codes | None = None
    for_spreadsheet: bool = False
    replace: bool = False
    tables: tuple[str, ...] = ()
    shift_s: float = 0.0
    stretch: float = 1.0

    def in_video(self, at_s: float) -> float:
        return self.stretch * at_s + self.shift_s
