"""Prompts -> sound files, rendered ahead of time into a cache (pyttsx3, in one child process a prompt)."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import numpy as np
import numpy.typing as npt

from handsfree.core.plan import Prompts

AT_ONCE = 2
MOST_FAILURES = 3
"""After so many the rest is given up: no engine, no such voice or a full disk stops every prompt alike."""
PATIENCE_S = 12.0
"""The child gives up by itself after 8 s; this is for a child that hangs."""
LEVEL_DBFS = -23.0
"""RMS of the spoken part of every prompt, so that none is louder than another; the plan's `volume` acts later."""
FORM = 1
"""Counts up when the treatment below changes, so that prompts cached by an older version are not used."""


@dataclass(frozen=True)
class Rendered:
    """`paths`: text -> WAV (16-bit mono). `failed`: why some texts have none, one line; None if all have one."""

    paths: dict[str, Path]
    failed: str | None = None


class Voice:
    """Turns texts into sound files. Nothing here raises for want of a voice: a session runs without one.

    After `render_ahead` the files appear one by one in the background; `sound` says whether one is there yet.
    """

    def __init__(self, folder: Path, prompts: Prompts) -> None:
        """`folder` is the cache; made when needed. Of `prompts`: language, voice and words_per_minute matter here."""
        self._folder = folder.absolute()
        self._prompts = prompts
        # everything that shapes the sound of a text
        shape = [prompts.voice, prompts.words_per_minute, prompts.language, sys.platform, version("pyttsx3"), FORM]
        self._shape = json.dumps(shape)
        self._stopping = threading.Event()
        self._ahead: threading.Thread | None = None
        self.failed: str | None = None
        """Why rendering ahead has failed so far, one line; None while it has not."""

    def path(self, text: str) -> Path:
        """Where the sound of this text lies once rendered: the name tells the text and all that shapes its sound."""
        return self._folder / f"{hashlib.sha256(f'{self._shape}{text}'.encode()).hexdigest()[:24]}.wav"

    def sound(self, text: str) -> Path | None:
        """The rendered file, or None if it is not there (yet)."""
        path = self.path(text)
        return path if path.exists() else None

    def render(self, texts: Iterable[str]) -> Rendered:
        """Render what is not in the cache, two at a time, and wait for it."""
        texts = list(dict.fromkeys(texts))
        failures: list[str] = []

        def one(text: str) -> None:
            if len(failures) >= MOST_FAILURES or self._stopping.is_set() or self.sound(text):
                return
            try:
                self._render(text)
            except OSError as error:
                failures.append(f"{error.strerror}: {error.filename}" if error.strerror else str(error))
            except (ValueError, subprocess.SubprocessError) as error:
                failures.append(str(error))

        with ThreadPoolExecutor(AT_ONCE) as pool:
            list(pool.map(one, texts))
        paths = {text: path for text in texts if (path := self.sound(text))}
        return Rendered(paths, _summary(failures, len(texts) - len(paths), len(texts)) if failures else None)

    def render_ahead(self, texts: Iterable[str]) -> None:
        """The same in the background, in the order given; `failed` is set if it does not work."""

        def work() -> None:
            self.failed = self.render(texts).failed

        self._ahead = threading.Thread(target=work, name="prompts", daemon=True)
        self._ahead.start()

    def close(self) -> None:
        """Stop rendering ahead; returns when the prompt in work is done."""
        self._stopping.set()
        if self._ahead is not None:
            self._ahead.join()

    def _render(self, text: str) -> None:
        """One text, by a child process. Raises OSError, ValueError or SubprocessError with a line for the user."""
        import soundfile

        self._folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=self._folder, prefix="making-") as scratch:
            raw, done = Path(scratch, "raw.wav"), Path(scratch, "done.wav")
            self._speak(text, raw)
            sound, rate = soundfile.read(raw, dtype="float32", always_2d=True)
            try:
                soundfile.write(done, even_out(sound.mean(axis=1), rate), rate, subtype="PCM_16")
            except soundfile.LibsndfileError as error:
                raise OSError(f"cannot write {done}: {error.error_string}") from None
            os.replace(done, self.path(text))

    def _speak(self, text: str, path: Path) -> None:
        p = self._prompts
        command = [sys.executable, "-m", "handsfree.edges.speak_child", str(path), p.language, p.voice]
        try:
            child = subprocess.run(
                [*command, str(p.words_per_minute)],
                input=text.encode(),
                stdout=subprocess.DEVNULL,  # pyttsx3 prints there
                stderr=subprocess.PIPE,
                timeout=PATIENCE_S,
                cwd=Path(__file__).parents[2],
                env={**os.environ, "PYTHONIOENCODING": "utf-8"},
            )
        except subprocess.TimeoutExpired:
            raise ValueError(f"the speech engine hung for {PATIENCE_S:.0f} s") from None
        if child.returncode != 0:
            said = child.stderr.decode(errors="replace").strip().splitlines()
            raise ValueError(said[-1] if said else f"the speech engine failed (exit code {child.returncode})")


def _summary(failures: list[str], missing: int, asked: int) -> str:
    return f"{missing} of {asked} spoken prompts could not be made: {failures[0]}"


def even_out(sound: npt.NDArray[np.float32], rate: int) -> npt.NDArray[np.float32]:
    """A prompt without the silence around it, at LEVEL_DBFS. `sound`: shape (n,), full scale 1.0.

    The level is the RMS of the 20 ms frames within 30 dB of the loudest: close to the active speech level, which a
    pause inside the sentence does not lower. Raises ValueError if there is nothing to hear.
    """
    frame = max(1, rate // 50)
    count = len(sound) // frame
    power = (sound[: count * frame].reshape(count, frame) ** 2).mean(axis=1) if count else np.zeros(1)
    if power.max() < 1e-7:  # -70 dBFS
        raise ValueError("the speech engine wrote a silent file")
    active = np.flatnonzero(power > power.max() / 1000)
    trimmed = sound[active[0] * frame : (active[-1] + 1) * frame]
    gain = 10 ** (LEVEL_DBFS / 20) / np.sqrt(power[active].mean())
    return np.clip(trimmed * gain, -1.0, 1.0).astype(np.float32)
