"""`handsfree agree`: how far two records of one session agree."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("a", metavar="A")
@click.argument("b", metavar="B")
@click.option(
    "--within",
    "within_s",
    type=click.FloatRange(0),
    default=1.0,
    show_default=True,
    metavar="SECONDS",
    help="Events no further apart may be the same one.",
)
@click.option(
    "--interval",
    "interval_s",
    type=float,
    default=10.0,
    show_default=True,
    metavar="SECONDS",
    help="Length of the intervals that counts are compared in.",
)
@click.option(
    "--length",
    "length_s",
    type=click.FloatRange(0),
    metavar="SECONDS",
    help="How long was observed. [default: the session's length, or up to the last event]",
)
@click.option("--behaviour", metavar="NAME", help="Compare the events of this behaviour only.")
@click.option("--raw", is_flag=True, help="Sessions as counted live, without later corrections.")
@click.option(
    "--shift-s",
    type=float,
    default=0.0,
    metavar="SECONDS",
    help="B is in the time of a video: the shift that `align` found.",
)
@click.option(
    "--stretch",
    type=click.FloatRange(0.5, 2),
    default=1.0,
    metavar="FACTOR",
    help="B is in the time of a video: the stretch that `align` found.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--html", "page", type=click.Path(path_type=Path), metavar="FILE", help="Also write a page with a plot.")
@click.option(
    "--sound",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Sound in A's time, or `kept`: the page plays what the records disagree on.",
)
@click.option("--replace", is_flag=True, help="Overwrite the page if it exists.")
@click.option("--log", type=click.Path(path_type=Path), help="The log of sessions. [default: the one they write to]")
def agree(
    a: str,
    b: str,
    within_s: float,
    interval_s: float,
    length_s: float | None,
    behaviour: str | None,
    raw: bool,
    shift_s: float,
    stretch: float,
    as_json: bool,
    page: Path | None,
    sound: Path | None,
    replace: bool,
    log: Path | None,
) -> None:
    """How far two records of a session agree.

    A and B are each a session (its id or the beginning of it, or `last`) or a file: a table (.csv, .tsv), JSON Lines or
    WebVTT. A table names its columns in the first line: onset_s, and if you like duration_s, behaviour, outcome.

    \b
    Example:
      handsfree agree last observer.csv
      handsfree agree ann.tsv bob.vtt --within 2 --json
      handsfree agree last observer.csv --html agreement.html --sound session.wav
    """
    import os

    from handsfree import agreeing, keeping, places
    from handsfree.core.errors import UserError
    from handsfree.edges import agreement_page

    if sound is not None and page is None:
        raise UserError("--sound: the sound goes into the page; name a file for it with --html")
    if page is not None and page.exists() and not replace:
        raise UserError(f"{page} exists; name a new file for --html, or add --replace")
    record_a, record_b = agreeing.open_records(a, b, log or places.default_log(), raw)
    for record in (record_a, record_b):
        for note in record.notes:
            _tell(f"{record.name}: {note}")
    if sound == Path(keeping.KEPT) and not record_a.session_id:
        raise UserError(
            f"--sound kept: {record_a.name} is no session of the log; name the sound file, or the session as A"
        )
    result = agreeing.agree(
        record_a,
        agreeing.moved(record_b, shift_s, stretch),
        within_s=within_s,
        interval_s=interval_s,
        length_s=length_s,
        behaviour=behaviour,
    )
    names = record_a.name, record_b.name
    if page is not None:
        blocks = keeping.sound_of(record_a.session_id, sound, _tell) if sound else ()
        text = agreement_page.html(result, *names, agreeing.cut_clips(blocks, result))
        unfinished = page.with_name(page.name + ".part")
        try:
            unfinished.write_text(text, encoding="utf-8")
            os.replace(unfinished, page)
        except OSError as error:
            unfinished.unlink(missing_ok=True)
            raise UserError(f"{page} cannot be written: {error.strerror or error}") from None
    if as_json:
        click.echo(agreement_page.as_json(result, *names))
        return
    from rich.console import Console

    console = Console(highlight=False)
    console.width = min(console.width, 80)
    agreement_page.show(result, *names, console)


def _tell(line: str) -> None:
    click.echo(f"handsfree: {line}", err=True)
