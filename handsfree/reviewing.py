"""A session on the desk: its log, its sound, and one reviewer's changes; the page and the terminal both sit at it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Protocol

from handsfree import places
from handsfree.core import corrections
from handsfree.core.corrections import OUTCOME_OF, Change, Kind, Overtaken
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE
from handsfree.core.log import MICROPHONE, JudgedRep, SessionLog
from handsfree.core.wav import as_wav
from handsfree.edges import review_page
from handsfree.edges.review_page import Sound
from handsfree.edges.store import Store
from handsfree.quiet import quiet_stderr

if TYPE_CHECKING:
    from handsfree.edges.audio import Player

PLAYED_AROUND_S = 0.5
NO_SOUND = "No sound is kept of this session."


class Clips(Protocol):
    """Kept sound: a file and the session time at which it begins, or None where nothing is kept."""

    def rep(self, session_id: str, number: int) -> tuple[Path, float] | None: ...
    def whole(self, session_id: str) -> tuple[Path, float] | None: ...


class Recording:
    """Clips where the whole session lies in one sound file that begins with it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def rep(self, session_id: str, number: int) -> tuple[Path, float] | None:
        return None

    def whole(self, session_id: str) -> tuple[Path, float] | None:
        return self.path, 0.0


class Desk:
    """One session under review by `who`. Changes and reading are for the thread that opened the store."""

    def __init__(self, store: Store, reference: str, who: str, clips: Clips | None = None) -> None:
        """`reference` names the session. Raises UserError if there is none."""
        self._store, self._who, self._clips = store, who, clips
        self.log = store.session_log(reference)
        self._id = self.log.session.id
        self._news = self.news()

    def news(self) -> str:
        return " ".join(map(str, self._store.revision(self._id)))

    def refresh(self) -> SessionLog:
        """The log as it stands now."""
        news = self.news()
        if news != self._news:
            self.log = self._store.session_log(self._id)
            self._news = news
        return self.log

    def heard(self) -> dict[str, Any]:
        return review_page.heard(self.refresh())

    def state(self) -> dict[str, Any]:
        found = review_page.state(self.refresh(), self._who, self.sound_kept())
        return found | {"news": self._news}

    def change(self, kind: str, number: int, seen: int, at_s: float | None, behaviour: str | None) -> dict[str, Any]:
        made = self.make(kind, number, seen, at_s, behaviour)
        numbers = {one.rep_number for one in made.corrections}
        return review_page.answer(self.log, numbers, made.undoes is not None) | {"news": self._news}

    def make(
        self, kind: str, number: int, seen: int, at_s: float | None = None, behaviour: str | None = None
    ) -> Change:
        """Change a rep or take back the last change, and write it down. UserError; Overtaken if `seen` is old."""
        log = self.refresh()
        if seen != len(log.corrections):
            raise Overtaken(review_page.overtaken(log.corrections[seen:]))
        change = self._meant(log, kind, number, at_s, behaviour)
        made = self._store.add_change(self._id, seen, change)
        self.log = replace(
            log,
            reps=corrections.judged(log.reps, change.corrections),
            corrections=(*log.corrections, *made),
        )
        self._news = self.news()
        return change

    def _meant(self, log: SessionLog, kind: str, number: int, at_s: float | None, behaviour: str | None) -> Change:
        match kind:
            case Kind.UNDO.value:
                return corrections.undo(log, self._who)
            case Kind.SPLIT.value:
                return corrections.split(log, number, at_s, self._who)
            case Kind.MERGE.value:
                return corrections.merge(log, number, self._who)
            case Kind.BEHAVIOUR.value:
                return corrections.behaviour(log, number, behaviour or "", self._who)
        if kind not in [one.value for one in OUTCOME_OF]:
            raise UserError(f"no change {kind[:20]!r}")
        return corrections.outcome(log, number, Kind(kind), self._who)

    # Sound

    def sound_kept(self) -> str:
        """ "" where there is something to hear; else a sentence that says there is not."""
        if self._clips and (
            self._clips.whole(self._id) or any(self._clips.rep(self._id, rep.number) for rep in self.log.live_reps)
        ):
            return ""
        if self.log.session.source != MICROPHONE:
            return f"{NO_SOUND} If you have its recording ({self.log.session.source}), name it with --sound."
        return NO_SOUND

    def pcm(self, number: int, from_s: float, to_s: float) -> tuple[bytes, float]:
        """Sound of a rep within a stretch, and where it begins in session time. Raises UserError if there is none.

        A stretch that was kept in pieces is put together, with silence where nothing was kept.
        """
        pieces, trouble = self._pieces(from_s, to_s)
        if not pieces:
            raise UserError(trouble or f"no sound is kept of rep {number}")
        begin_s = min(start_s for start_s, _ in pieces)
        whole = bytearray()
        for start_s, pcm in pieces:
            at = 2 * round((start_s - begin_s) * SAMPLE_RATE)
            whole.extend(bytes(max(0, at + len(pcm) - len(whole))))
            whole[at : at + len(pcm)] = pcm
        return bytes(whole), begin_s

    def sound(self, number: int, from_s: float, to_s: float) -> Sound:
        pcm, start_s = self.pcm(number, from_s, to_s)
        return Sound(as_wav(pcm), start_s)

    def wave(self, from_s: float, to_s: float, bins: int) -> dict[str, Any]:
        """How loud it was: pieces of kept sound as start, end and peaks (0-100) between, `bins` of them for it all.

        What cannot be read is said in `message`.
        """
        from handsfree.edges.audio.excerpt import peaks

        pieces, trouble = self._pieces(from_s, to_s)
        found = []
        for start_s, pcm in pieces:
            length_s = len(pcm) / 2 / SAMPLE_RATE
            share = max(1, round(bins * length_s / (to_s - from_s)))
            found.append({"start": start_s, "end": start_s + length_s, "peaks": peaks(pcm, share)})
        return {"pieces": found, "message": trouble}

    def _pieces(self, from_s: float, to_s: float) -> tuple[list[tuple[float, bytes]], str]:
        """Kept sound of a stretch: (start in session time, PCM) each; and what could not be read."""
        from handsfree.edges.audio.excerpt import excerpt

        found, trouble = [], ""
        for path, start_s in self._files(from_s, to_s):
            if start_s >= to_s:
                continue
            try:
                pcm = excerpt(path, max(0.0, from_s - start_s), to_s - start_s)
            except UserError as error:
                trouble = str(error)
                continue
            if pcm:
                found.append((max(from_s, start_s), pcm))
        return found, trouble

    def _files(self, from_s: float, to_s: float) -> list[tuple[Path, float]]:
        """Where sound of a stretch lies: in the whole session's file, or in those of the reps counted in it."""
        if self._clips is None:
            return []
        whole = self._clips.whole(self._id)
        if whole:
            return [whole]
        near = [rep.number for rep in self.log.live_reps if rep.end_s > from_s and rep.start_s < to_s]
        return [file for number in near if (file := self._clips.rep(self._id, number))]


def desk(store: Store, reference: str, who: str | None, sound: Path | None) -> Desk:
    """The session with the sound there is: the recording given, what was kept, or the recording found here by its name.

    Raises UserError.
    """
    from handsfree.edges.kept_sound import KeptSound

    session = store.session(reference)
    kept = KeptSound(places.sound_dir())
    clips: Clips = kept
    if sound is not None:
        if not sound.is_file():
            raise UserError(f"--sound: there is no file {sound}")
        clips = Recording(sound)
    elif session.source != MICROPHONE and not kept.whole(session.id) and Path(session.source).is_file():
        clips = Recording(Path(session.source))
    return Desk(store, session.id, who or _login_name(), clips)


def in_terminal(desk: Desk, read_key: Callable[[], str], show: Callable[[str], None]) -> None:
    """The same in a terminal, a line at a time."""
    from handsfree.edges.review_terminal import Review

    with quiet_stderr(), Speaker(desk) as speaker:
        Review(desk, read_key, lambda line: show(printable(line)), speaker.play).run()


class Speaker:
    """Plays reps where this machine has a sound output; it is opened when first asked for."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._player: Player | None = None
        self._playing: int | None = None  # number of the rep played last

    def __enter__(self) -> Speaker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._player is not None:
            self._player.close()

    def play(self, one: JudgedRep) -> str:
        """Start playing a rep, or stop it while it can be heard. Returns what hinders it, or ""."""
        import numpy as np

        from handsfree.core.devices import find_device
        from handsfree.edges.audio import Player, list_devices

        rep = one.rep
        if self._player is not None and self._player.busy and self._playing == rep.number:
            self._player.stop()
            return ""
        try:
            pcm, _ = self._desk.pcm(rep.number, max(0.0, rep.start_s - PLAYED_AROUND_S), rep.end_s + PLAYED_AROUND_S)
            if self._player is None:
                self._player = Player(find_device(list_devices(), None, "output"))
        except UserError as error:
            return str(error)
        self._playing = rep.number
        played_s = self._player.play(np.frombuffer(pcm, "<i2"), SAMPLE_RATE)
        return "" if played_s else "the sound output has gone"


def printable(line: str) -> str:
    """A line whose names cannot steer the terminal: control characters are shown as a question mark."""
    return "".join(letter if letter.isprintable() else "?" for letter in line)


def _login_name() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such user in this system's list, as in some containers
        return "reviewer"
