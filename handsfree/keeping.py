"""Sound kept while a session runs: cut around its reps or whole, written by another thread; and heard again later."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from contextlib import contextmanager, suppress
from pathlib import Path

from handsfree import places
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock, Effect, Rep, SaveRep
from handsfree.core.plan import KeepSound, Sound
from handsfree.core.sitting import Sitting
from handsfree.edges.audio import read_file
from handsfree.edges.kept_sound import KeptSound, WholeFile
from handsfree.session import Watcher
from handsfree.watching import Nobody

AROUND_S = 1.0
"""Kept before the cue and after the outcome."""
UNCUED_S = 3.0
"""Of a rep without a cue, so much is kept before its outcome word, and AROUND_S more."""
LONGEST_S = 300.0
"""Of a longer rep only the last part is kept: so much sound is held in memory (10 MB)."""
PIECE_S = 1.0
"""The whole session is written in pieces of this length."""
MOST_WAITING = 64
"""Pieces or reps that may wait to be written."""
PATIENCE_S = 5.0
"""A disk that has not written a waiting one by then is given up."""

KEPT = "kept"
"""Stands for a recording where what was kept is meant."""

WHICH = {KeepSound.AROUND_REPS: "sound around each rep", KeepSound.ALL: "all sound"}


def in_words(sound: Sound, folder: Path) -> str:
    """What is kept, for how long, where, and how to be rid of it."""
    if sound.keep_sound is KeepSound.NOTHING:
        return "no sound is kept"
    days = "a day" if sound.keep_days == 1 else f"{sound.keep_days} days"
    return (
        f"{WHICH[sound.keep_sound]} is kept for {days} (at most {sound.keep_mb} MB) in {folder}, readable only by you; "
        '`handsfree forget` removes it, keep_sound = "nothing" in the plan keeps none'
    )


@contextmanager
def keeping(sound: Sound, folder: Path, session_id: str, tell: Callable[[str], None]) -> Iterator[Watcher]:
    """An onlooker that keeps the sound of a session as its plan says. What is too old or too much goes first and last.

    Whatever goes wrong with it is told in one line, and the session goes on.
    """
    kept = KeptSound(folder)
    _tidy(kept, sound, tell)
    if sound.keep_sound is KeepSound.NOTHING:
        yield Nobody()
        return
    kind = Whole if sound.keep_sound is KeepSound.ALL else AroundReps
    keeper = kind(kept, sound, session_id, tell)
    try:
        yield keeper
    finally:
        keeper.close()
        _tidy(kept, sound, tell)


def mend(folder: Path, session_id: str, tell: Callable[[str], None]) -> None:
    """After a crash in that session: keep its sound as far as it is whole. Tells what cannot be done."""
    try:
        KeptSound(folder).mend(session_id)
    except UserError as error:
        tell(f"kept sound: {error}")


def _tidy(kept: KeptSound, sound: Sound, tell: Callable[[str], None]) -> None:
    try:
        beyond = kept.tidy(sound.keep_mb * 1_000_000).beyond_limit
    except UserError as error:
        tell(f"old sound stays: {error}")
        return
    if beyond:
        files = "1 file" if beyond == 1 else f"{beyond} files"
        tell(f"kept sound came to more than keep_mb = {sound.keep_mb}; the oldest went ({files})")


class _Writer(Nobody):
    """Lets another thread write, so that listening never waits for the disk; gives up at the first trouble."""

    def __init__(self, kept: KeptSound, sound: Sound, session_id: str, tell: Callable[[str], None]) -> None:
        self._kept, self._sound, self._session_id, self._tell = kept, sound, session_id, tell
        self._thread = ThreadPoolExecutor(1, "kept-sound")
        self._waiting: deque[Future[None]] = deque()
        self._given_up = self._hangs = False

    def close(self) -> None:
        """Write what is left."""
        self._await(0)
        self._thread.shutdown(wait=not self._hangs, cancel_futures=True)

    def _do(self, job: Callable[[], None]) -> None:
        if not self._given_up:
            self._waiting.append(self._thread.submit(job))
            self._await(MOST_WAITING)

    def _await(self, most: int) -> None:
        try:
            while self._waiting and (len(self._waiting) > most or self._waiting[0].done()):
                self._waiting[0].result(timeout=PATIENCE_S)
                self._waiting.popleft()
        except (OSError, RuntimeError, NotYet) as error:
            self._given_up, self._hangs = True, isinstance(error, NotYet)
            self._waiting.clear()
            why = "the disk is too slow" if self._hangs else getattr(error, "strerror", None) or error
            self._tell(f"sound is no longer kept ({self._kept.folder}: {why}); the session goes on, counting as before")


class AroundReps(_Writer):
    """Keeps the sound of each rep in a file of its own. Neighbours may both hold what lies between them."""

    def __init__(self, kept: KeptSound, sound: Sound, session_id: str, tell: Callable[[str], None]) -> None:
        super().__init__(kept, sound, session_id, tell)
        self._held: deque[AudioBlock] = deque()
        self._reps: deque[Rep] = deque()

    def effect(self, effect: Effect, sitting: Sitting) -> None:
        if isinstance(effect, SaveRep):
            self._reps.append(effect.rep)

    def block(self, block: AudioBlock, sitting: Sitting) -> None:
        self._held.append(block)
        now_s = block.start_s + block.duration_s
        while self._reps and _stretch(self._reps[0])[1] <= now_s:
            self._keep(self._reps.popleft())
        cue = sitting.trial.cue
        may_begin = [sitting.settled_s - UNCUED_S, *([cue.start_s] if cue else [])]
        needed_s = min([one - AROUND_S for one in may_begin] + [_stretch(rep)[0] for rep in self._reps])
        needed_s = max(needed_s, now_s - LONGEST_S)
        while self._held[0].start_s + self._held[0].duration_s <= needed_s:
            self._held.popleft()

    def close(self) -> None:
        while self._reps:
            self._keep(self._reps.popleft())
        super().close()

    def _keep(self, rep: Rep) -> None:
        start_s, pcm = joined(tuple(self._held), *_stretch(rep))
        if pcm:
            self._do(lambda: self._write(rep.number, start_s, pcm))

    def _write(self, number: int, start_s: float, pcm: bytes) -> None:
        file = self._kept.open_rep(self._session_id, self._sound.keep_days, number, start_s)
        try:
            file.write(pcm)
            file.finish()
        except OSError:
            file.drop()
            raise


class Whole(_Writer):
    """Keeps the session from its beginning to its end in one file, lost sound as silence."""

    def __init__(self, kept: KeptSound, sound: Sound, session_id: str, tell: Callable[[str], None]) -> None:
        super().__init__(kept, sound, session_id, tell)
        self._piece = bytearray()
        self._samples = 0  # of the session, up to the end of the piece
        self._file: WholeFile | None = None

    def block(self, block: AudioBlock, sitting: Sitting) -> None:
        lost = round(block.start_s * SAMPLE_RATE) - self._samples
        if lost > 0:
            self._pass_on(silence=lost)
        self._piece += block.pcm
        self._samples += max(0, lost) + len(block.pcm) // 2
        if len(self._piece) >= 2 * PIECE_S * SAMPLE_RATE:
            self._pass_on()

    def close(self) -> None:
        self._pass_on()
        self._do(self._finish)
        super().close()
        if self._given_up and self._file is not None and not self._hangs:
            self._file.let_go()
            with suppress(UserError):
                self._kept.mend(self._session_id)

    def _pass_on(self, silence: int = 0) -> None:
        pcm = bytes(self._piece)
        self._piece.clear()
        self._do(lambda: self._write(pcm, silence))

    def _write(self, pcm: bytes, silence: int) -> None:
        if self._file is None:
            self._file = self._kept.open_all(self._session_id, self._sound.keep_days)
        self._file.write(pcm)
        for at in range(0, silence, SAMPLE_RATE):
            self._file.write(bytes(2 * min(SAMPLE_RATE, silence - at)))

    def _finish(self) -> None:
        if self._file is not None:
            self._file.finish()


def _stretch(rep: Rep) -> tuple[float, float]:
    """From when to when sound of a rep is kept, in session time."""
    word = rep.outcome_word
    begun_s = rep.cue.start_s if rep.cue else max(rep.start_s, (word.start_s if word else rep.end_s) - UNCUED_S)
    return max(0.0, begun_s - AROUND_S), max(rep.end_s, word.end_s if word else 0.0) + AROUND_S


def joined(blocks: Sequence[AudioBlock], from_s: float, to_s: float) -> tuple[float, bytes]:
    """The sound of a stretch, as far as the blocks go, and where it begins; what is missing between them is silence."""
    if not blocks:
        return from_s, b""
    start_s = max(from_s, blocks[0].start_s)
    end_s = min(to_s, blocks[-1].start_s + blocks[-1].duration_s)
    size = max(0, round((end_s - start_s) * SAMPLE_RATE)) * 2
    pcm = bytearray(size)
    for block in blocks:
        at = round((block.start_s - start_s) * SAMPLE_RATE) * 2
        inside = block.pcm[max(0, -at) : max(0, size - at)]
        pcm[max(0, at) : max(0, at) + len(inside)] = inside
    return start_s, bytes(pcm)


def sound_of(session_id: str, sound: Path, tell: Callable[[str], None]) -> Iterator[AudioBlock]:
    """The recording of a session; or, where `sound` is the word "kept", what was kept of it. Raises UserError."""
    if sound == Path(KEPT):
        return kept_blocks(KeptSound(places.sound_dir()), session_id, tell)
    return read_file(sound, note=tell)


def kept_blocks(kept: KeptSound, session_id: str, tell: Callable[[str], None]) -> Iterator[AudioBlock]:
    """What was kept of a session, as if it were heard now; what lies between is lost sound.

    Raises UserError if nothing is kept, and at its block if a file is missing or damaged.
    """
    pieces = kept.pieces(session_id)
    if not pieces:
        raise UserError(f"no sound is kept of session {session_id[:8]}; if you have a recording of it, name the file")
    return _one_after_another(pieces, tell)


def _one_after_another(pieces: list[tuple[Path, float]], tell: Callable[[str], None]) -> Iterator[AudioBlock]:
    done = 0  # samples of the session
    for path, start_s in pieces:
        first = round(start_s * SAMPLE_RATE)
        for block in read_file(path, note=tell):
            at = first + round(block.start_s * SAMPLE_RATE)
            pcm = block.pcm[2 * max(0, done - at) :]
            if pcm:
                at = max(at, done)
                yield AudioBlock(at / SAMPLE_RATE, pcm, (at - done) / SAMPLE_RATE)
                done = at + len(pcm) // 2
