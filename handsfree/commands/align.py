"""`handsfree align`: where a session lies in a video."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("video", type=click.Path(path_type=Path))
@click.argument("session", default="last", metavar="[SESSION]")
@click.option("--sound", type=click.Path(path_type=Path), help="A recording of the session: match sound, not words.")
@click.option("--model", type=click.Path(path_type=Path), help="The stock Vosk model the session was heard with.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--log", type=click.Path(path_type=Path), help="The log of sessions. [default: the one they write to]")
def align(video: Path, session: str, sound: Path | None, model: Path | None, as_json: bool, log: Path | None) -> None:
    """Where a session lies in a video, by its sound.

    The video is heard with the plan of the session, and its words are matched with those in the log. With --sound, the
    sound of the video is matched with a recording of the session instead, and no log is needed. Either way comes out by
    how much to shift and stretch session time to get video time. SESSION is as for `summary`. A session that was made
    from this very video needs no alignment.

    \b
    Example:
      handsfree align phone.mp4
      handsfree align phone.mp4 3f0c --json
      handsfree align phone.mp4 --sound headset.wav
    """
    import json

    from handsfree import aligning, places
    from handsfree.core.errors import UserError
    from handsfree.edges.store import Store

    def tell(line: str) -> None:
        click.echo(f"handsfree: {line}", err=True)

    if sound is not None:
        if model is not None:
            raise UserError("--model: with --sound no words are heard; leave one of them out")
        found, name = aligning.align_by_sound(video, sound, tell), sound.name
    else:
        with Store.open(log or places.default_log(), read_only=True) as store:
            session_log = store.session_log(session)
        if session_log.session.source == video.name:
            tell(f"the session was made from a file named {video.name}: if it is this one, shift 0 and stretch 1 hold")
        found = aligning.align_by_words(video, session_log, tell, model)
        name = f"session {session_log.session.id[:8]} of {session_log.session.dog}"
    if as_json:
        figures = {
            "video": video.name,
            "session": name,
            "shift_s": round(found.shift_s, 4),
            "stretch": round(found.stretch, 8),
            "drift_ppm": round(found.drift_ppm, 1),
            "matched_by": found.what,
            "matched": found.on_line,
            "of": found.of,
            "next_best": found.rival,
            "spread_s": round(found.spread_s, 4),
        }
        click.echo(json.dumps(figures, ensure_ascii=False, indent=2))
        return
    where = f"{abs(found.shift_s):.3f} s {'into' if found.shift_s >= 0 else 'before'} the video"
    click.echo(f"{name} begins {where}")
    click.echo(f"the video's clock runs {abs(found.drift_ppm):.0f} ppm {'slower' if found.stretch < 1 else 'faster'}")
    click.echo(
        f"{found.on_line} of {found.of} {found.what} match (next best: {found.rival}), "
        f"{found.spread_s * 1000:.1f} ms off the line (root mean square)"
    )
    click.echo(f"--shift-s {found.shift_s:.4f} --stretch {found.stretch:.8f}")
