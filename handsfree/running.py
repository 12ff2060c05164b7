"""One whole session put together: plan, sound, ear, voice and log."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from handsfree import __version__, listening
from handsfree.core.devices import find_device
from handsfree.core.events import AudioBlock, EndReason
from handsfree.core.log import MICROPHONE, SessionStart
from handsfree.core.plan import Plan
from handsfree.core.sitting import Sitting
from handsfree.core.wav import as_wav
from handsfree.edges.audio import MicrophoneLost, list_devices, microphone, read_file
from handsfree.edges.store import Store
from handsfree.keeping import keeping, mend
from handsfree.session import Session, Voice, Watcher
from handsfree.voicing import Aloud, Mute
from handsfree.watching import Together

DEAF_S = 3.0
"""Nothing but zeros for so long from the start: no room is that quiet; the microphone is muted or withheld."""


@dataclass(frozen=True)
class FinishedSession:
    session_id: str
    reason: EndReason
    reps: int


def run_session(
    plan: Plan,
    *,
    plan_text: str,
    log_path: Path,
    watcher: Watcher,
    started_at: datetime,
    recording: Path | None = None,
    fast: bool = False,
    device: str | int | None = None,
    output: str | int | None = None,
    silent: bool = False,
    model: Path | None = None,
    learnt: listening.Learnt | None = None,
    sound_dir: Path | None = None,
    begun: Callable[[], None] = lambda: None,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[str], None] = lambda line: None,
) -> FinishedSession:
    """Open everything, run until the end, close everything.

    `learnt` is what was learnt of her voice. `begun` is called when all is open, before anything is heard. `tell` gets
    one line for what a person should know but need not act on.
    Sound is kept in `sound_dir` as the plan says; without one, none is. Raises UserError; what was counted before is in
    the log.
    """
    book = listening.prompt_book(plan.prompts.language)
    with ExitStack() as stack:
        store = stack.enter_context(Store.open(log_path))
        for lost in store.close_interrupted():
            tell(f"session {lost.id[:8]} of {lost.started_at:%d %b %H:%M} had been cut off; its reps are kept")
            if sound_dir is not None:
                mend(sound_dir, lost.id, tell)
        raised_today = store.raised_on(plan.dog, started_at.date())
        sitting = Sitting(plan, book.instructions, store.current_steps(plan.dog), raised_today)
        ear = listening.open_ear(plan, sitting.vocabulary.phrases, model, learnt)
        recogniser = ear.recogniser()
        if ear.note:
            tell(ear.note)
        blocks, microphone_name = stack.enter_context(_sound(recording, fast, device, tell))
        voice: Voice = Mute(book)
        if not (silent or fast):
            voice = stack.enter_context(Aloud(book, plan, output, tell))
        session_id = store.begin(
            SessionStart(
                plan=plan,
                plan_text=plan_text,
                started_at=started_at,
                tool_version=__version__,
                model=ear.name,
                model_sha256=ear.sha256,
                source=recording.name if recording else MICROPHONE,
                steps=sitting.trial.steps,
                raised_today=raised_today,
            )
        )
        if sound_dir is not None:
            keeper = stack.enter_context(keeping(plan.sound, sound_dir, session_id, tell))
            watcher = Together(watcher, keeper)
        notes = _NoteWriter(log_path.parent / "notes", session_id, tell)
        running = Session(sitting, recogniser, store, voice, watcher, notes)
        begun()
        if microphone_name:
            watcher.ready(microphone_name)
        try:
            reason = running.run(blocks, closes_itself=recording is None, stop=stop)
        except MicrophoneLost:
            store.end(session_id, EndReason.MICROPHONE_LOST, sitting.settled_s)
            raise
        store.end(session_id, reason, sitting.settled_s)
        return FinishedSession(session_id, reason, len(sitting.trial.verdicts))


@contextmanager
def _sound(
    recording: Path | None, fast: bool, device: str | int | None, tell: Callable[[str], None]
) -> Iterator[tuple[Iterator[AudioBlock], str]]:
    """The blocks, and the name of the microphone they come from ("" for a recording)."""
    if recording is not None:
        yield read_file(recording, pace=not fast, note=tell), ""
    else:
        chosen = find_device(list_devices(), device, "input")
        with microphone(chosen.number) as blocks:
            yield _not_deaf(blocks, chosen.name, tell), chosen.name


def _not_deaf(blocks: Iterator[AudioBlock], name: str, tell: Callable[[str], None]) -> Iterator[AudioBlock]:
    """The same blocks; tells once if the microphone sends nothing but zeros at first."""
    unsure = True
    for block in blocks:
        if unsure and any(block.pcm):
            unsure = False
        elif unsure and block.start_s + block.duration_s >= DEAF_S:
            unsure = False
            tell(
                f"no sound at all from the microphone {name!r}: switch off its mute, or choose another with --device; "
                "on macOS allow this terminal the microphone (System Settings, Privacy & Security)"
            )
        yield block


class _NoteWriter:
    """Writes spoken notes as WAV files only their owner can read.

    A note that cannot be written is told and given up (None): counting goes on.
    """

    def __init__(self, folder: Path, session_id: str, tell: Callable[[str], None]):
        self._folder, self._session_id, self._tell, self._count = folder, session_id, tell, 0

    def __call__(self, pcm: bytes) -> str | None:
        self._count += 1
        path = self._folder / f"{self._session_id}-{self._count:02d}.wav"
        try:
            self._write(path, pcm)
        except OSError as error:
            why = error.strerror or error
            self._tell(f"{path}: the spoken note is lost ({why}); make room there, or permit writing")
            return None
        return str(path.relative_to(self._folder.parent))

    def _write(self, path: Path, pcm: bytes) -> None:
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.write_bytes(as_wav(pcm))
        path.chmod(0o600)
