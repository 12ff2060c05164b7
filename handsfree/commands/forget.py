"""`handsfree forget`: list the sound that is kept, and remove it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from handsfree.edges.kept_sound import Kept


@click.command()
@click.option("--all", "everything", is_flag=True, help="Remove all kept sound.")
@click.option("--session", metavar="ID", help="Remove the sound of this session; the start of its id will do.")
@click.option("--older-than", type=click.FloatRange(0), metavar="DAYS", help="Remove sound that is older.")
@click.option("--yes", is_flag=True, help="Do not ask before removing.")
@click.option("--log", type=click.Path(path_type=Path), help="Where the dogs' names are. [default: your usual log]")
def forget(everything: bool, session: str | None, older_than: float | None, yes: bool, log: Path | None) -> None:
    """List kept sound, or remove it.

    Only sound goes: reps, words and figures stay in the log. Sound goes by itself too, when it is as old as the plan
    allows (keep_days). Spoken notes and recordings of your own are not touched.

    \b
    Example:
      handsfree forget
      handsfree forget --session 3f0c
      handsfree forget --older-than 7 --yes
    """
    import time

    from handsfree import places
    from handsfree.core.errors import UserError
    from handsfree.edges.kept_sound import KeptSound

    if [everything, session is not None, older_than is not None].count(True) > 1:
        raise UserError("say what to remove: one of --all, --session ID or --older-than DAYS")
    kept = KeptSound(places.sound_dir())
    files = kept.everything()
    if not (everything or session is not None or older_than is not None):
        _list(files, kept.folder, log or places.default_log())
        _tell_of_notes(log or places.default_log())
        return
    if session is not None:
        files = _of(session, files)
    if older_than is not None:
        files = [one for one in files if one.written_at < time.time() - older_than * 86_400]
    if not files:
        click.echo(f"Nothing to remove: no such sound is kept in {kept.folder}.")
        return
    sessions = len({one.session_id for one in files})
    if not yes:
        click.confirm(f"Remove {_amount(files)} of {_count(sessions, 'session')}? The log stays as it is", abort=True)
    click.echo(f"Removed: {_amount(files, kept.remove(files))}.")
    _tell_of_notes(log or places.default_log())


def _of(session: str, files: Sequence[Kept]) -> list[Kept]:
    """The files of the session of which `session` is the id, or its start. Raises UserError."""
    from handsfree.core.errors import UserError

    found = sorted({one.session_id for one in files if session and one.session_id.startswith(session.lower())})
    if not found:
        raise UserError(
            f"--session {session}: no sound is kept of such a session; `handsfree forget` lists what is kept"
        )
    if len(found) > 1:
        some = ", ".join(one[: len(session) + 4] for one in found[:3])
        raise UserError(f"--session {session}: {len(found)} sessions start so ({some}); give more of it")
    return [one for one in files if one.session_id == found[0]]


def _list(files: Sequence[Kept], folder: Path, log: Path) -> None:
    from datetime import datetime

    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    if not files:
        click.echo(f"No sound is kept in {folder}.")
        return
    by_session: dict[str, list[Kept]] = {}
    for one in files:
        by_session.setdefault(one.session_id, []).append(one)
    dogs = _dogs(by_session, log)
    table = Table("session", "dog", "kept on", "what", "MB", "goes on", box=None, pad_edge=False, header_style="dim")
    for session_id, its in by_session.items():
        days = [f"{datetime.fromtimestamp(at):%d %b %Y}" for at in (its[0].written_at, its[-1].goes_at)]
        whole = any(one.rep is None for one in its)
        what = "all of it" if whole else _count(len(its), "rep")
        if any(one.unfinished for one in its):
            what = "being written, or cut off"
        row = (session_id[:8], dogs.get(session_id, ""), days[0], what, _mb(its), days[1])
        table.add_row(*map(Text, row))
    console = Console(highlight=False)
    console.width = min(console.width, 100)
    console.print(table)
    click.echo(f"\n{_amount(files)} in {folder}, readable only by you.")
    click.echo("Remove with --all, --session ID or --older-than DAYS; the log stays as it is.")


def _tell_of_notes(log: Path) -> None:
    """They are sound too, but hers to keep: the log tells of each."""
    folder = log.parent / "notes"
    if notes := list(folder.glob("*.wav")):
        click.echo(f"{_count(len(notes), 'spoken note')} in {folder}: kept until you remove the files there.")


def _dogs(session_ids: Iterable[str], log: Path) -> dict[str, str]:
    """Session id -> dog, as far as the log knows; sound can be forgotten without a log too."""
    from handsfree.core.errors import UserError
    from handsfree.edges.store import Store

    found: dict[str, str] = {}
    try:
        with Store.open(log, read_only=True) as store:
            for session_id in session_ids:
                try:
                    found[session_id] = store.session(session_id).dog
                except UserError:  # of another log
                    continue
    except UserError:
        pass
    return found


def _amount(files: Sequence[Kept], count: int | None = None) -> str:
    return f"{_count(len(files) if count is None else count, 'file')} ({_mb(files)} MB)"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _mb(files: Sequence[Kept]) -> str:
    megabytes = sum(one.bytes for one in files) / 1e6
    return f"{megabytes:.1f}" if megabytes >= 10 else f"{megabytes:.2f}"
