"""`handsfree session`: run a training session, from a microphone or from a recording."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from handsfree.session import Watcher


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--from", "recording", type=click.Path(path_type=Path), help="Hear this recording, not a microphone.")
@click.option("--fast", is_flag=True, help="With --from: as fast as the machine can, nothing spoken.")
@click.option("--device", help="Microphone, by number or by words of its name (see `handsfree devices`).")
@click.option("--output", help="Where prompts are played, likewise.")
@click.option("--silent", is_flag=True, help="Speak no prompts; they are still shown and logged.")
@click.option("--quiet", is_flag=True, help="Show nothing while the session runs.")
@click.option("--place", help="Where this session is, if not where the plan says.")
@click.option("--handler", help="Who trains, if not who the plan says.")
@click.option("--model", type=click.Path(path_type=Path), help="A stock Vosk model directory instead of our own ear.")
@click.option("--log", type=click.Path(path_type=Path), help="Database to write to, instead of your usual one.")
def session(
    plan: Path,
    recording: Path | None,
    fast: bool,
    device: str | None,
    output: str | None,
    silent: bool,
    quiet: bool,
    place: str | None,
    handler: str | None,
    model: Path | None,
    log: Path | None,
) -> None:
    """Run a training session: count reps, speak up when the plan's rules say so.

    Say a cue, then your marker the instant the dog is right, or your error word. Ctrl-C or the spoken instruction to
    end closes the session; every rep counted so far is already on disk.

    \b
    Example:
      handsfree session bruno.toml
      handsfree session bruno.toml --from monday.wav --fast
    """
    from dataclasses import replace

    from handsfree import keeping, places
    from handsfree.core.errors import UserError
    from handsfree.edges import planfile
    from handsfree.listening import own_voice
    from handsfree.running import run_session

    if fast and recording is None:
        raise UserError("--fast needs a recording: add --from FILE, or leave --fast away")
    text = planfile.read_text(plan)
    the_plan = planfile.parse(text, plan)
    the_plan = replace(the_plan, place=place or the_plan.place, handler=handler or the_plan.handler)
    kept = keeping.in_words(the_plan.sound, places.sound_dir())
    with ExitStack() as stack:
        finished = run_session(
            the_plan,
            plan_text=text,
            log_path=log or places.default_log(),
            recording=recording,
            fast=fast,
            device=device,
            output=output,
            silent=silent,
            model=model,
            sound_dir=places.sound_dir(),
            learnt=None if model else own_voice(plan, the_plan, _tell),
            watcher=stack.enter_context(_watcher(quiet)),
            begun=lambda: None if quiet else _show(f"{kept[0].upper()}{kept[1:]}."),
            stop=stack.enter_context(_until_interrupted()),
            tell=_tell,
            started_at=datetime.now().astimezone(),
        )
    if not quiet:
        click.echo(f"Session {finished.session_id[:8]}: {finished.reps} reps. See `handsfree summary`.")


def _tell(line: str) -> None:
    print(f"handsfree: {line}", file=sys.stderr, flush=True)  # not click.echo: it would write past the screen


def _show(line: str) -> None:
    """Whoever was reading may have left; the session goes on."""
    with suppress(OSError):
        click.echo(line)


@contextmanager
def _watcher(quiet: bool) -> Iterator[Watcher]:
    from handsfree.watching import Nobody

    if quiet:
        yield Nobody()
    elif sys.stdout.isatty() and os.environ.get("TERM") not in ("dumb", "unknown"):
        from handsfree.watching.screen import Screen

        with Screen() as screen:
            yield screen
    else:
        from handsfree.watching.lines import Lines

        yield Lines(_show)


@contextmanager
def _until_interrupted() -> Iterator[Callable[[], bool]]:
    """A function that says whether Ctrl-C was pressed. A second Ctrl-C stops at once."""
    asked = False

    def ask(number: int, frame: object) -> None:
        nonlocal asked
        asked = True
        signal.signal(signal.SIGINT, signal.default_int_handler)

    before = {name: signal.signal(name, ask) for name in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield lambda: asked
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)
