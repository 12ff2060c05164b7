"""`handsfree review`: go through the reps of a session and correct them."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.argument("session", default="last", metavar="[SESSION]")
@click.option("--who", help="Whose corrections they are, as written down. [default: your login name]")
@click.option("--sound", type=click.Path(path_type=Path), help="The recording of the session, where it is not kept.")
@click.option("--terminal", is_flag=True, help="Review in the terminal instead of a page; also over ssh.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port of the page. [default: any free one]")
@click.option("--no-browser", is_flag=True, help="Only print the link; do not open the browser.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to use. [default: the log sessions write to]")
def review(
    session: str,
    who: str | None,
    sound: Path | None,
    terminal: bool,
    port: int,
    no_browser: bool,
    log: Path | None,
) -> None:
    """Go through the reps of a session and correct them.

    Opens a page in your browser that only this machine can reach: what was heard and counted, on a time line, with the
    sound where it is kept. One key a correction; press ? there for the keys. Nothing is overwritten. Ctrl-C ends it.

    SESSION is the start of a session's id, as `handsfree summary --list` shows it; without one it is the last session.

    \b
    Example:
      handsfree review
      handsfree review 3f0c --sound kitchen.wav
      handsfree review --terminal
    """
    from handsfree import places, reviewing
    from handsfree.edges import review_page
    from handsfree.edges.store import Store

    path = log or places.default_log()
    with Store.open(path, read_only=True) as store:
        store.session(session)  # a session that is not there is said before anything is written or opened
    with Store.open(path) as store:
        desk = reviewing.desk(store, session, who, sound)
        if terminal:
            keys = _keys()
            with _key_by_key():
                reviewing.in_terminal(desk, lambda: next(keys, ""), click.echo)
            return

        def ready(link: str) -> None:
            click.echo(f"Reviewing session {desk.log.session.id[:8]} of {desk.log.session.dog} at\n  {link}")
            click.echo("Only this machine can open it. Ctrl-C ends it; every correction is on disk at once.")

        review_page.serve(desk, port, ready, None if no_browser else _open_browser)
    click.echo("Review ended.")


def _open_browser(link: str) -> None:
    import webbrowser

    if not webbrowser.open(link):
        click.echo("No browser could be opened; open the link in one on this machine, or use --terminal.")


@contextmanager
def _key_by_key() -> Iterator[None]:
    """The terminal hands over keys as they are pressed, and shows none.

    Once for all: click.getchar() does so for each key anew, and what is pressed in between is lost and shown. The
    console of Windows keeps it.
    """
    if sys.platform == "win32" or not sys.stdin.isatty():
        yield
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    tty.setcbreak(sys.stdin, termios.TCSADRAIN)
    try:
        yield
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)


def _typed() -> str:
    """What was typed since; "" at the end of a pipe."""
    if not sys.stdin.isatty():
        return sys.stdin.read(1)
    if sys.platform == "win32":
        return click.getchar()
    return os.read(sys.stdin.fileno(), 1024).decode(errors="ignore")


def _keys() -> Iterator[str]:
    """Key presses as they come, also through a pipe; several may arrive at once. Ctrl-C ends the review."""
    while True:
        try:
            typed = _typed()
        except EOFError:
            return
        if not typed:
            return
        if typed == "\x1b" and not sys.stdin.isatty():
            typed += sys.stdin.read(2)
        while typed:
            length = 3 if typed.startswith("\x1b[") else 2 if typed.startswith("\xe0") else 1
            yield typed[:length]
            typed = typed[length:]
