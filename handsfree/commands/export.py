"""`handsfree export`: sessions in formats that other programs read."""

from __future__ import annotations

import math
from datetime import datetime
from functools import partial
from pathlib import Path

import click

# Everything else is imported when the command runs: --help of the whole program must stay quick.

_FORMATS = ("csv", "jsonl", "parquet", "datapackage", "bids", "vtt", "srt")
_TABLES = ("steps", "reps", "words", "rewards", "decisions", "prompts", "corrections", "notes", "gaps")
_DAY = click.DateTime(["%Y-%m-%d"])


@click.command()
@click.argument("target", type=click.Path(path_type=Path))
@click.argument("session", required=False)
@click.option("--format", "format_name", type=click.Choice(_FORMATS), required=True, help="What to write.")
@click.option("--dog", help="All sessions of this dog.")
@click.option("--from", "first", type=_DAY, help="Sessions of this day and later.")
@click.option("--to", "last", type=_DAY, help="Sessions of this day and earlier.")
@click.option("--all", "everything", is_flag=True, help="All sessions of the log.")
@click.option("--raw", "values", flag_value="raw", help="Outcomes as counted live.")
@click.option("--corrected", "values", flag_value="corrected", help="Outcomes after corrections.")
@click.option("--both", "values", flag_value="both", default="both", help="Both, side by side. [default]")
@click.option("--blind", is_flag=True, help="Codes for dogs, people and places; no notes, sound or free text.")
@click.option("--key", type=click.Path(path_type=Path), help="The key of the codes. [default: kept beside the log]")
@click.option("--table", "tables", multiple=True, type=click.Choice(_TABLES), help="Only this table; may be repeated.")
@click.option("--shift-s", type=float, default=0.0, help="vtt, srt: where the session starts in the video, seconds.")
@click.option("--stretch", type=float, default=1.0, help="vtt, srt: video seconds a session second; see align.")
@click.option("--for-spreadsheet", is_flag=True, help="csv: no cell is taken for a formula.")
@click.option("--replace", is_flag=True, help="Write over an export made before.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to read. [default: the log sessions write to]")
def export(
    target: Path,
    session: str | None,
    format_name: str,
    dog: str | None,
    first: datetime | None,
    last: datetime | None,
    everything: bool,
    values: str,
    blind: bool,
    key: Path | None,
    tables: tuple[str, ...],
    shift_s: float,
    stretch: float,
    for_spreadsheet: bool,
    replace: bool,
    log: Path | None,
) -> None:
    """Write sessions for other programs.

    TARGET is the folder to make (for vtt and srt: the file). SESSION is the start of a session's id, as `handsfree
    summary --list` shows it; without any choice it is the last session.

    \b
    csv          tables as CSV, described as CSV on the Web
    jsonl        tables as JSON Lines
    parquet      tables as Parquet, in folders by dog and month
    datapackage  tables as CSV in a Data Package
    bids         a BIDS behavioural dataset
    vtt          captions and chapters for the video of one session
    srt          captions for the video of one session

    \b
    Example:
      handsfree export --format csv bruno-spring --dog Bruno --from 2026-03-01 --to 2026-05-31
      handsfree export --format parquet --blind --all for-the-study
      handsfree export --format vtt walk.vtt 3f0c --shift-s 12.4 --stretch 1.00002
    """
    from handsfree import __version__, places
    from handsfree.core.errors import UserError
    from handsfree.core.exporting.blind import Codes
    from handsfree.core.exporting.rows import Selection
    from handsfree.core.exporting.tables import Values
    from handsfree.edges.export import Job, write
    from handsfree.edges.export.key import blinding_key
    from handsfree.edges.store import Store
    from handsfree.edges.store.streams import streams_of

    several = dog is not None or first is not None or last is not None
    if (session is not None) + several + everything > 1:
        raise UserError("choose one: SESSION, --all, or --dog and --from/--to; leave the others out")
    if first and last and first > last:
        raise UserError(f"--from {first:%Y-%m-%d} is later than --to {last:%Y-%m-%d}; swap them")
    if for_spreadsheet and format_name != "csv":
        raise UserError("--for-spreadsheet: only for --format csv; leave it out")
    if format_name in ("vtt", "srt") and (several or everything):
        raise UserError(f"--format {format_name} is for the video of one session; name that SESSION")
    if (shift_s or stretch != 1.0) and format_name not in ("vtt", "srt"):
        raise UserError("--shift-s and --stretch place captions in a video: only for --format vtt and srt")
    if not 0.5 <= stretch <= 2.0 or not math.isfinite(shift_s):
        raise UserError("--stretch must lie between 0.5 and 2 and --shift-s be finite; `handsfree align` prints both")
    if tables and format_name in ("bids", "vtt", "srt"):
        raise UserError(f"--table: {format_name} has no tables to choose from; leave it out")
    if blind and "notes" in tables:
        raise UserError("--table notes: a blind export has no notes; leave it or --blind out")
    if key and not blind:
        raise UserError("--key: only for a blind export; add --blind, or leave --key out")
    log = log or places.default_log()
    with Store.open(log, read_only=True) as store, store.streams.snapshot():
        one = None if several or everything else store.session(session or "last").id
        selection = Selection(one, dog, first and first.date(), last and last.date())
        chosen = store.streams.chosen(selection)
        job = Job(
            format=format_name,
            target=target,
            log=log,
            version=__version__,
            values=Values(values),
            codes=Codes(blinding_key(key or log.with_name(f"{log.name}.key"), make=key is None)) if blind else None,
            for_spreadsheet=for_spreadsheet,
            replace=replace,
            tables=tables,
            shift_s=shift_s,
            stretch=stretch,
        )
        made = write(job, chosen, store.streams, store.session_log, partial(streams_of, log))
    count = "1 session" if len(chosen) == 1 else f"{len(chosen)} sessions"
    click.echo(f"{count} written to {' and '.join(map(str, made))}")
