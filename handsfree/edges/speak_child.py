"""Speak one text into a sound file and exit: the child process of speech.py, the only place that imports pyttsx3.

Usage: python -m handsfree.edges.speak_child FILE LANGUAGE VOICE WORDS_PER_MINUTE < text
Exit code 0 when FILE is complete; 1 with one line on stderr otherwise.

One process a text, because with pyttsx3 2.99 on Linux `runAndWait` returns before the file is written, a second text
overwrites the first, and leaving early loses the file without an error (all three tried with espeak-ng 1.52).
"""

from __future__ import annotations

import ctypes
import os
import sys
import time
from pathlib import Path
from typing import Any

PATIENCE_S = 8.0
POLL_S = 0.02


def find_espeak() -> None:
    """On Linux pyttsx3 loads `libespeak-ng.so.1`. Where the system has none, load the wheel espeakng-loader's.

    pyttsx3 then gets that copy, since its soname is the same and it is already loaded.
    """
    try:
        ctypes.CDLL("libespeak-ng.so.1")
    except OSError:
        import espeakng_loader

        os.environ["ESPEAK_DATA_PATH"] = espeakng_loader.get_data_path()
        ctypes.CDLL(espeakng_loader.get_library_path(), mode=ctypes.RTLD_GLOBAL)


def choose_voice(voices: list[Any], language: str, wanted: str, default: str | None) -> str | None:
    """Id of the voice wanted (an id, a name, or a part of either), else the default if it speaks the language, else the
    first voice that does, else the default. Raises ValueError if a voice was asked for that is not there.
    """
    if wanted:
        text = wanted.lower()
        for fits in (lambda v: text in (v.id.lower(), v.name.lower()), lambda v: text in f"{v.id} {v.name}".lower()):
            if found := next((v.id for v in voices if fits(v)), None):
                return str(found)
    fitting = [v for v in voices if any(_same_language(tag, language) for tag in v.languages or [])]
    if wanted:
        names = ", ".join(sorted(v.name for v in fitting or voices))
        raise ValueError(f"there is no voice {wanted!r}; for the language {language!r} there are: {names}")
    speaking = [v.id for v in fitting]
    if default is None or (speaking and default.lower() not in (i.lower() for i in speaking)):
        return str(speaking[0]) if speaking else None
    return default


def _same_language(tag: str, language: str) -> bool:
    return _main_part(tag) == _main_part(language)


def _main_part(tag: str) -> str:
    """Of a language tag: "en_GB" -> "en"."""
    return tag.replace("_", "-").lower().split("-")[0]


def speak(text: str, path: Path, language: str, voice: str, words_per_minute: int) -> None:
    """Write `text` as sound to `path` and wait until the file is whole.

    Raises ValueError (no such voice), TimeoutError, and whatever a driver raises that finds no engine.
    """
    if sys.platform.startswith("linux"):
        find_espeak()
    import pyttsx3

    engine = pyttsx3.init()
    chosen = choose_voice(engine.getProperty("voices"), language, voice, engine.getProperty("voice"))
    _settle()
    if chosen is not None:
        engine.setProperty("voice", chosen)
    engine.setProperty("rate", words_per_minute)
    engine.setProperty("volume", 1.0)
    engine.save_to_file(text, str(path))
    engine.runAndWait()
    wait_until_whole(path)


def _settle() -> None:
    """Until espeak-ng has taken up pyttsx3's defaults, which it does in a thread of its own: on a busy machine it spoke
    one text in 160 at their 200 words a minute, whatever was set afterwards."""
    if sys.platform.startswith("linux"):
        from pyttsx3.drivers import _espeak

        _espeak.Synchronize()


def wait_until_whole(path: Path) -> None:
    """Return when the file opens as sound, holds samples and has stopped growing. Raises TimeoutError."""
    import soundfile

    deadline = time.monotonic() + PATIENCE_S
    size = -1
    while time.monotonic() < deadline:
        time.sleep(POLL_S)
        before, size = size, path.stat().st_size if path.exists() else -1
        if size <= 0 or size != before:
            continue
        try:
            if soundfile.info(str(path)).frames > 0:
                return
        except soundfile.LibsndfileError:
            continue
    raise TimeoutError(f"the speech engine wrote no sound within {PATIENCE_S:.0f} s")


def main() -> int:
    path, language, voice, words_per_minute = sys.argv[1:]
    try:
        speak(sys.stdin.read(), Path(path), language, voice, int(words_per_minute))
    except Exception as error:  # whatever a driver raises becomes the one line that the parent reports
        print(" ".join(str(error).split()) or type(error).__name__, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    code = main()
    sys.stderr.flush()
    os._exit(code)  # not sys.exit: pyttsx3's drivers may hang or complain while Python shuts down
