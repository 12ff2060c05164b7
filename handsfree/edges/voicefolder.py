"""What was learnt of her voice, in a folder beside the plan: voice.json, the ear that learnt, and as FLAC her takes and
what was mistaken for her words."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handsfree.core.errors import UserError
from handsfree.core.voice import OwnVoice, WordVoice

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

FORM = 1
RATE = 16_000
MODEL, TAKES, MISTAKEN = "model", "takes", "mistaken"


def folder_of(plan: Path) -> Path:
    """bruno.toml -> bruno.voice"""
    return plan.with_suffix(".voice")


def read_voice(folder: Path) -> OwnVoice | None:
    """None where nothing was learnt. Raises UserError where the folder is damaged."""
    path = folder / "voice.json"
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        if found["form"] != FORM:
            raise ValueError("another form")
        voice = OwnVoice(
            base_sha256=str(found["base_sha256"]),
            learnt_at=str(found["learnt_at"]),
            words={phrase: _word(entry) for phrase, entry in found["words"].items()},
            adapted=bool(found["adapted"]),
            compared=bool(found.get("compared", False)),
        )
        if voice.adapted and not (folder / MODEL / "am" / "final.mdl").is_file():
            raise ValueError("no model")
        return voice
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise UserError(
            f"{path}: what was learnt of your voice cannot be read; give your takes again with `handsfree words`, "
            f"or remove {folder} to listen without"
        ) from error


def _word(entry: Mapping[str, Any]) -> WordVoice:
    ways = tuple(tuple(way.split()) for way in entry["ways"])
    return WordVoice(**{**entry, "ways": ways, "better": tuple(entry["better"])})


def write_voice(
    folder: Path,
    voice: OwnVoice,
    takes: Mapping[str, Sequence[npt.NDArray[np.int16]]],
    write_model: Callable[[Path], None] | None,
    mistaken: Mapping[str, Sequence[npt.NDArray[np.int16]]] | None = None,
) -> None:
    """Put everything in place at once; what stood there before is replaced. Raises UserError, nothing changed."""
    try:
        made = Path(tempfile.mkdtemp(prefix=f"{folder.name}-", dir=folder.parent))
        try:
            _write_takes(made / TAKES, takes)
            _write_takes(made / MISTAKEN, mistaken or {})
            if write_model is not None:
                write_model(made / MODEL)
            (made / "voice.json").write_text(json.dumps(_as_json(voice), indent=1) + "\n", encoding="utf-8")
            _swap(made, folder)
        finally:
            shutil.rmtree(made, ignore_errors=True)
    except OSError as error:
        why = error.strerror or error
        raise UserError(f"{folder} cannot be written ({why}); make room, or permit writing beside the plan") from error


def forget(folder: Path) -> bool:
    """Remove all of it; False where there was nothing."""
    if not folder.is_dir():
        return False
    if not (folder / "voice.json").is_file():
        raise UserError(f"{folder} was not made by `handsfree words`; look into it and remove it yourself")
    try:
        shutil.rmtree(folder)
    except OSError as error:
        raise UserError(f"{folder} cannot be removed ({error.strerror}); permit writing beside the plan") from error
    return True


def read_takes(folder: Path, kind: str = TAKES) -> dict[str, list[npt.NDArray[np.int16]]]:
    """Phrase -> her takes, as they were kept; or with MISTAKEN what was mistaken for the phrase."""
    import soundfile

    found: dict[str, list[npt.NDArray[np.int16]]] = {}
    for path in sorted((folder / kind).glob("*.flac")):
        samples, _ = soundfile.read(path, dtype="int16")
        phrase = path.stem.rsplit("-", 1)[0].replace("_", " ")
        found.setdefault(phrase, []).append(samples)
    return found


@contextmanager
def spared(
    plan: Path, takes: Mapping[str, Sequence[npt.NDArray[np.int16]]], note: Callable[[str], None]
) -> Iterator[None]:
    """Until the block ends well her takes lie beside the plan too, as recordings that `words --from` reads: she said
    them once. Where it does not end well they stay, and `note` tells where; it tells as well if there is no room."""
    import numpy as np

    folder = next(path for path in _names(plan.with_suffix(".takes")) if not path.exists())
    kept = False
    try:
        folder.mkdir()
        kept = True
        for phrase, samples in takes.items():
            apart = [part for one in samples for part in (one, np.zeros(RATE, np.int16))]
            _write_sound(folder / f"{phrase.replace(' ', '_')}.flac", np.concatenate(apart))
    except OSError as error:
        if kept:
            shutil.rmtree(folder, ignore_errors=True)
        kept = False
        note(f"{folder} cannot be written ({error.strerror or error}): your takes are kept only if they can be learnt")
    try:
        yield
    except BaseException:
        if kept:
            note(f"your takes are in {folder}; `handsfree words {plan} --from {folder}` learns from them")
        raise
    if kept:
        shutil.rmtree(folder, ignore_errors=True)


def _names(path: Path) -> Iterator[Path]:
    yield path
    yield from (path.with_name(f"{path.name}-{number}") for number in count(2))


def _write_sound(path: Path, samples: npt.NDArray[np.int16]) -> None:
    """Raises OSError."""
    import soundfile

    try:
        soundfile.write(path, samples, RATE)
    except soundfile.LibsndfileError as error:
        raise OSError(f"{path.name}: {error.error_string}") from None


def _write_takes(folder: Path, takes: Mapping[str, Sequence[npt.NDArray[np.int16]]]) -> None:
    if takes:
        folder.mkdir()
    for phrase, samples in takes.items():
        for number, one in enumerate(samples, start=1):
            _write_sound(folder / f"{phrase.replace(' ', '_')}-{number:02d}.flac", one)


def _as_json(voice: OwnVoice) -> dict[str, Any]:
    words = {
        phrase: {**asdict(word), "ways": [" ".join(way) for way in word.ways]} for phrase, word in voice.words.items()
    }
    return {**asdict(voice), "form": FORM, "words": words}


def _swap(made: Path, folder: Path) -> None:
    """Rename into place; the old one goes only when the new one is whole."""
    if folder.exists():
        old = Path(tempfile.mkdtemp(prefix=f"{folder.name}-old-", dir=folder.parent))
        os.replace(folder, old / "was")
        os.replace(made, folder)
        shutil.rmtree(old, ignore_errors=True)
    else:
        os.replace(made, folder)
