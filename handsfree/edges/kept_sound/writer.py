"""PCM -> a sound file with a name of its own only when it is whole; disk errors are OSErrors, not lost in a library."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO

from handsfree.core.events import SAMPLE_RATE

RESERVE = 100_000_000
"""Bytes that stay free on the disk: the log must not suffer for sound."""
PART = ".part"


def form() -> tuple[str, str, str]:
    """(suffix, format, subtype): Opus, or FLAC where libsndfile is older than 1.0.29."""
    import soundfile

    return (".opus", "OGG", "OPUS") if soundfile.check_format("OGG", "OPUS") else (".flac", "FLAC", "PCM_16")


class WholeFile:
    """A sound file that grows. It is NAME.part until `finish`, so that no half file ever bears the name.

    `stem` is the path without suffix. Raises OSError, from every method, when the disk is full or cannot be written.
    """

    def __init__(self, stem: Path) -> None:
        import soundfile

        suffix, kind, subtype = form()
        self.path = stem.with_name(stem.name + suffix)
        self._part = self.path.with_name(self.path.name + PART)
        for folder in (stem.parent.parent, stem.parent):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        _check_room(stem.parent)
        handle = os.open(self._part, os.O_RDWR | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o600)
        self._file = os.fdopen(handle, "w+b")
        self._sink = _Sink(self._file)
        try:
            with self._sink.told():
                self._sound = soundfile.SoundFile(self._sink, "w", SAMPLE_RATE, 1, format=kind, subtype=subtype)
        except OSError:
            self._file.close()
            self._part.unlink(missing_ok=True)
            raise

    def write(self, pcm: bytes) -> None:
        """16 kHz mono int16, any length."""
        import numpy as np

        _check_room(self._part.parent)
        samples = np.frombuffer(pcm, "<i2")
        with self._sink.told():
            for at in range(0, len(samples), SAMPLE_RATE):  # libsndfile encodes what it is given on the stack
                self._sound.write(samples[at : at + SAMPLE_RATE])

    def finish(self) -> None:
        """Give the file its name, once it is on the disk."""
        try:
            with self._sink.told():
                self._sound.close()
            self._file.flush()
            os.fsync(self._file.fileno())
        finally:
            self._file.close()
        os.replace(self._part, self.path)

    def let_go(self) -> None:
        """After trouble: close it as it is, unfinished."""
        with suppress(OSError), self._sink.told():
            self._sound.close()
        with suppress(OSError):
            self._file.close()

    def drop(self) -> None:
        """Leave nothing behind."""
        self.let_go()
        with suppress(OSError):
            self._part.unlink(missing_ok=True)


class _Sink:
    """What libsndfile writes to. An error cannot pass through it, and comes out of `told` instead."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._error: OSError | None = None

    def write(self, data: Any) -> int:
        try:
            return self._file.write(data)
        except (OSError, ValueError) as error:  # ValueError: libsndfile's last words to a file closed after trouble
            self._error = self._error or (error if isinstance(error, OSError) else None)
            return 0

    def read(self, size: int = -1) -> bytes:
        return self._file.read(size)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    @contextmanager
    def told(self) -> Iterator[None]:
        """Raises OSError where writing failed within."""
        try:
            yield
        except RuntimeError as error:  # libsndfile's own
            raise self._error or OSError(errno.EIO, str(error)) from None
        if self._error is not None:
            raise self._error


def _check_room(folder: Path) -> None:
    if shutil.disk_usage(folder).free < RESERVE:
        raise OSError(errno.ENOSPC, f"less than {RESERVE // 1_000_000} MB are free on the disk")
