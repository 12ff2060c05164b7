"""Recordings -> AudioBlocks: soundfile (libsndfile), or the `ffmpeg` program for containers it does not know."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from itertools import chain
from pathlib import Path
from typing import Any

from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock
from handsfree.edges.audio.convert import BLOCK_S, Converter
from handsfree.quiet import quiet_stderr

Note = Callable[[str], None]


def read_file(
    path: str | Path, *, block_s: float = BLOCK_S, pace: bool = False, note: Note = lambda _: None
) -> Iterator[AudioBlock]:
    """Blocks of a recording, streamed: a file of hours needs no more memory than one of seconds.

    WAV, FLAC, OGG (Vorbis, Opus), MP3 and whatever else libsndfile reads; the sound of any other container (a phone's
    video) if the program `ffmpeg` is installed. Any rate, any number of channels (averaged), any sample format.

    pace   hand out each block when it would have been recorded: the file at the speed of life
    note   called once with a sentence if the file is cut off or damaged; what comes before that is used

    Raises UserError, at the call and not at the first block, if the file is missing, empty, unreadable, no sound file,
    or holds no sound.
    """
    path = Path(path)
    _check_file(path)
    decoded = _decode(path, block_s, note)
    first = next((pcm for pcm in decoded if pcm), None)
    if first is None:
        raise UserError(f"{path} holds no sound: it has a header but no samples; record it again")
    return _blocks(chain([first], decoded), block_s, pace)


def _check_file(path: Path) -> None:
    if path.is_dir():
        raise UserError(f"{path} is a folder; name a sound file in it")
    try:
        with path.open("rb") as file:
            empty = not file.read(1)
    except FileNotFoundError:
        raise UserError(f"there is no file {path}") from None
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror or error}") from None
    if empty:
        raise UserError(f"{path} is empty (0 bytes); copy or record it again")


def _decode(path: Path, block_s: float, note: Note) -> Iterator[bytes]:
    """16 kHz mono int16 PCM of a file, in pieces of any length."""
    import soundfile

    try:
        with quiet_stderr():
            file = soundfile.SoundFile(path)
    except soundfile.LibsndfileError:
        yield from _decode_with_ffmpeg(path, block_s, note)
        return
    with file:
        converter = Converter(file.samplerate)
        block = max(1, round(file.samplerate * block_s))
        done, damage = 0, ""
        try:
            while True:
                with quiet_stderr() if file.format == "MP3" else nullcontext():
                    frames = file.read(block, dtype="float32", always_2d=True)
                if not len(frames):
                    break
                done += len(frames)
                yield converter.convert(frames)
        except soundfile.LibsndfileError as error:
            damage = f" ({error.error_string.removeprefix('Error : ').rstrip('.')})"
        yield converter.finish()
        promised = _promised_frames(file)
        if done and (damage or done < promised):
            end_s = done / file.samplerate
            note(f"{path} is cut off or damaged after {end_s:.1f} s{damage}; what comes before is used")


def _promised_frames(file: Any) -> int:
    """Frames the header announces. libsndfile corrects the count of a WAV cut short; its log keeps the old one."""
    corrected = re.search(r"^data : (\d+) \(should be (\d+)\)", file.extra_info, re.MULTILINE)
    if corrected and file.frames:
        announced, present = int(corrected[1]), int(corrected[2])
        if announced < 0xFFFF_0000:  # more is how programs that write to a pipe say "length unknown"
            return int(file.frames * announced / present)
    return int(file.frames)


def _decode_with_ffmpeg(path: Path, block_s: float, note: Note) -> Iterator[bytes]:
    """The first sound track of any container, by the `ffmpeg` program in a child process."""
    ffmpeg = shutil.which("ffmpeg")
    if ffmpeg is None:
        raise UserError(
            f"{path} is no sound file that can be read here; if it is a video or another kind of recording, "
            "install the program ffmpeg (it must be on the PATH) or convert the file to WAV"
        )
    command = [ffmpeg, "-nostdin", "-v", "error", "-i", f"file:{path}", "-map", "0:a:0", "-ac", "1"]
    # The filter keeps the sound in step with the picture where a track starts late or has holes.
    command += ["-ar", str(SAMPLE_RATE), "-af", "aresample=async=1:first_pts=0", "-f", "s16le", "pipe:1"]
    with tempfile.TemporaryFile() as complaints:
        child = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=complaints)
        assert child.stdout is not None
        done = 0
        try:
            while pcm := child.stdout.read(max(1, round(SAMPLE_RATE * block_s)) * 2):
                done += len(pcm)
                yield pcm
            failed = child.wait() != 0
        finally:
            child.kill()
            child.wait()
            child.stdout.close()
        complaints.seek(0)
        said = complaints.read().decode(errors="replace").strip().splitlines()
    why = f" (ffmpeg: {said[0].split('] ')[-1].strip()})" if said else ""
    if not done:
        raise UserError(f"{path} holds no sound that can be read{why}; use a sound or video file")
    if failed or said:
        note(f"{path} is cut off or damaged after {done / 2 / SAMPLE_RATE:.1f} s{why}; what could be read is used")


def _blocks(pieces: Iterator[bytes], block_s: float, pace: bool) -> Iterator[AudioBlock]:
    """Pieces of any length -> blocks of one length (the last may be shorter), counted from 0 s."""
    size = max(1, round(block_s * SAMPLE_RATE)) * 2
    began = time.monotonic()
    done = 0
    held = bytearray()
    for piece in chain(pieces, [None]):
        held += piece or b""
        while len(held) >= size or (piece is None and held):
            block = AudioBlock(done / 2 / SAMPLE_RATE, bytes(held[:size]))
            del held[:size]
            done += len(block.pcm)
            if pace:
                time.sleep(max(0.0, began + done / 2 / SAMPLE_RATE - time.monotonic()))
            yield block
