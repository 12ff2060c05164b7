"""The folder of kept sound: what lies in it, how old it is, and what goes.

One folder a session, named by its id and by how many days its plan keeps sound (`3f0c...-14d`): what was promised when
it was recorded holds, whatever other plans say. In it `rep-7-12.345.opus`, the rep's number and the session time at
which the file begins, or `all-0.000.opus`. Names of any other form are never touched.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.edges.kept_sound.writer import PART, WholeFile

DAY_S = 86_400.0

_SESSION = re.compile(r"([0-9a-f]{32})-(\d{1,5})d")
_FILE = re.compile(r"(?:rep-(\d+)|all)-(\d+\.\d{3})\.(?:opus|flac)(\.part)?")


@dataclass(frozen=True, slots=True)
class Kept:
    """One file. `rep` is None where it is the whole session; `unfinished` while it is written, or after a crash."""

    session_id: str
    path: Path
    rep: int | None
    start_s: float
    bytes: int
    written_at: float  # seconds since 1970
    goes_at: float
    unfinished: bool


@dataclass(frozen=True, slots=True)
class Removed:
    """How many files went, by age and by size."""

    old: int
    beyond_limit: int


class KeptSound:
    """The kept sound in `folder`, which need not exist."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._sessions: tuple[int, dict[str, Path]] = (-1, {})
        self._files: dict[str, tuple[int, dict[int | None, tuple[Path, float]]]] = {}

    # Finding the sound of a session

    def rep(self, session_id: str, number: int) -> tuple[Path, float] | None:
        """The file of a rep and the session time at which it begins; None if none is kept."""
        return self._of(session_id).get(number)

    def whole(self, session_id: str) -> tuple[Path, float] | None:
        """The file of the whole session, and the session time at which it begins; None if none is kept."""
        return self._of(session_id).get(None)

    def pieces(self, session_id: str) -> list[tuple[Path, float]]:
        """All files of a session with the session times at which they begin, in order; they may overlap."""
        return sorted(self._of(session_id).values(), key=lambda piece: piece[1])

    def _of(self, session_id: str) -> dict[int | None, tuple[Path, float]]:
        """Read again only after something changed: a review asks for every rep, and there may be thousands."""
        changed = _changed(self.folder)
        if changed != self._sessions[0]:
            self._sessions = (changed, {found: path for found, _, path in self._session_folders()})
        path = self._sessions[1].get(session_id)
        if path is None:
            return {}
        changed = _changed(path)
        if self._files.get(session_id, (-1, {}))[0] != changed:
            files = {}
            for entry in _entries(path):
                name = _FILE.fullmatch(entry.name)
                if name and not name[3]:
                    files[int(name[1]) if name[1] else None] = (Path(entry.path), float(name[2]))
            self._files[session_id] = (changed, files)
        return self._files[session_id][1]

    def everything(self) -> list[Kept]:
        """All kept files, the oldest first, unfinished ones among them. Raises UserError if they cannot be listed."""
        found = [kept for session_id, days, path in self._session_folders() for kept in _kept(session_id, days, path)]
        return sorted(found, key=lambda kept: (kept.written_at, kept.start_s))

    def _session_folders(self) -> Iterator[tuple[str, int, Path]]:
        for entry in _entries(self.folder):
            name = _SESSION.fullmatch(entry.name)
            if name and entry.is_dir(follow_symlinks=False):
                yield name[1], int(name[2]), Path(entry.path)

    # Writing

    def open_rep(self, session_id: str, days: int, number: int, start_s: float) -> WholeFile:
        """A new file for a rep. Raises OSError."""
        return WholeFile(self._place(session_id, days) / f"rep-{number}-{start_s:.3f}")

    def open_all(self, session_id: str, days: int) -> WholeFile:
        """A new file for a whole session. Raises OSError."""
        return WholeFile(self._place(session_id, days) / "all-0.000")

    def _place(self, session_id: str, days: int) -> Path:
        if self.folder.is_dir():
            self.folder.chmod(0o700)  # whoever made it, or copied it here
        return self.folder / f"{session_id}-{days}d"

    def mend(self, session_id: str) -> None:
        """After a crash: what was written of the whole session is kept as far as it goes; no half file stays."""
        import soundfile

        for kept in self.everything():
            if kept.session_id != session_id or not kept.unfinished:
                continue
            with suppress(OSError, RuntimeError):
                if kept.rep is None and soundfile.info(kept.path).frames > 0:
                    os.replace(kept.path, kept.path.with_name(kept.path.name.removesuffix(PART)))
                    continue
            self.remove([kept])

    # Removing

    def remove(self, files: Iterable[Kept]) -> int:
        """Remove files, and the folders they leave empty; return how many there were. Raises UserError."""
        count = 0
        for kept in files:
            try:
                kept.path.unlink()
                count += 1
            except FileNotFoundError:  # somebody was quicker
                pass
            except OSError as error:
                raise UserError(f"{kept.path} cannot be removed ({error.strerror}); permit it, and try again") from None
            with suppress(OSError):  # not empty yet
                kept.path.parent.rmdir()
        return count

    def tidy(self, limit_bytes: int, now: Callable[[], float] = time.time) -> Removed:
        """Remove what is older than it was to be kept, then the oldest until the rest is within the limit. UserError.

        A file from the future (the clock was wrong) counts as written now.
        """
        files, staying, at = self.everything(), [], now()
        for kept in files:
            if kept.written_at > at + DAY_S:
                with suppress(OSError):
                    os.utime(kept.path, (at, at))
            if kept.goes_at > at:
                staying.append(kept)
        old = self.remove(kept for kept in files if kept.goes_at <= at)
        total, beyond = sum(kept.bytes for kept in staying), []
        for kept in staying:
            if total <= limit_bytes:
                break
            if not kept.unfinished:
                beyond.append(kept)
                total -= kept.bytes
        return Removed(old, self.remove(beyond))


def _kept(session_id: str, days: int, path: Path) -> Iterator[Kept]:
    for entry in _entries(path):
        name = _FILE.fullmatch(entry.name)
        if not name:
            continue
        try:
            found = entry.stat(follow_symlinks=False)
        except FileNotFoundError:
            continue
        yield Kept(
            session_id=session_id,
            path=Path(entry.path),
            rep=int(name[1]) if name[1] else None,
            start_s=float(name[2]),
            bytes=found.st_size,
            written_at=found.st_mtime,
            goes_at=found.st_mtime + days * DAY_S,
            unfinished=bool(name[3]),
        )


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            return list(entries)
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as error:
        raise UserError(f"{folder} cannot be read ({error.strerror}); permit it, and try again") from None


def _changed(folder: Path) -> int:
    try:
        return folder.stat().st_mtime_ns
    except OSError:
        return -2
