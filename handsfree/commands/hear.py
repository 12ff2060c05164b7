"""`handsfree hear`: what the ear makes of recordings."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--model", type=click.Path(path_type=Path), help="A stock Vosk model directory instead of our own ear.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes to use.")
@click.option("--other-speech", is_flag=True, help="Also list stretches of speech that are no word of the plan.")
def hear(plan: Path, files: tuple[Path, ...], model: Path | None, jobs: int, other_speech: bool) -> None:
    """What the ear makes of recordings, one JSON line a word.

    Each line has file, word, start_s, end_s, confidence, role, accepted, and a reason when it was not accepted.
    A file that cannot be read is reported on stderr, the others are heard, and the exit code is 2.

    \b
    Example:
      handsfree hear bruno.toml monday.wav tuesday.m4a --jobs 2
    """
    from handsfree.edges import planfile
    from handsfree.hearing import hear_files
    from handsfree.listening import own_voice

    the_plan = planfile.load(plan)
    learnt = None if model else own_voice(plan, the_plan, lambda line: click.echo(f"handsfree: {line}", err=True))
    failed = False
    for path, rows, trouble in hear_files(the_plan, files, min(jobs, len(files)), model, learnt):
        for row in rows:
            if other_speech or row.get("reason") != "not_in_the_plan":
                click.echo(json.dumps(row, ensure_ascii=False).encode("utf-8", "surrogateescape"))  # RFC 8259: UTF-8
        if trouble:
            click.echo(f"handsfree: {trouble}", err=True)
            failed = failed or not rows
        elif not rows:
            click.echo(f"handsfree: {path}: no word of the plan was heard", err=True)
    if failed:
        sys.exit(2)
