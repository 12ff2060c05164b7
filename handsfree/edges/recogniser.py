"""Vosk: sound in, breaths of words out. The only file that knows Vosk's JSON and its ways to die.

Two kinds of model. Our own holds a decoding graph made for the plan (see graph.py): whole phrases come out as one word.
A stock Vosk model gets a grammar of the plan's words: single words come out, and the vocabulary joins them to phrases.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any

from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH, SAMPLE_RATE, AudioBlock, Breath, HeardWord
from handsfree.quiet import quiet_stderr

BRIDGED_GAP_S = 0.2
"""Lost sound up to this long is heard as silence; after more, the breath is closed and listening starts afresh."""

CHUNK_S = 0.15
"""The network of our own models takes so much at a time, unless the model's conf/ says more (see graph.build)."""

ONSET_LAG_S = 0.6
"""While no word is in sight, none that starts earlier than this before the newest sound will appear: the network looks
0.13 s ahead, works in chunks, and the best path may take silence for the first few frames of a word."""

STOCK_LAG_S = 2.0
"""The same for stock models, which work in chunks of a second and are told nothing of how they were made."""

DECODING_LAG_S = 0.35
"""Newest sound that our own model may not have decoded yet: a chunk (0.15 s), 0.13 s ahead of it, a feature window."""

_CORE, _AVX512 = "OPENBLAS_CORETYPE", {f"avx512{part}" for part in ("f", "cd", "bw", "dq", "vl")}
"""The variable by which OpenBLAS is told what to take the processor for; what its kernels for SkylakeX need."""

NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"


class Recogniser:
    """Hears `phrases`, one stream of sound at a time.

    model_dir  a directory made by graph.build (own=True) or a stock Vosk model
    phrases    of the plan; needed for a stock model, whose words are checked

    Raises UserError before Vosk could crash on a broken model, and where a stock model lacks words.
    """

    def __init__(self, model_dir: Path, phrases: Iterable[str], own: bool) -> None:
        _check_files(model_dir, own)
        model = _load(model_dir, own)
        grammar = () if own else (_grammar(model, model_dir, list(phrases)),)
        self._vosk = _library().KaldiRecognizer(model, SAMPLE_RATE, *grammar)
        self._vosk.SetWords(True)
        more_s = _chunk_s(model_dir) - CHUNK_S if own else 0.0
        self.usual_lag_s = ONSET_LAG_S + more_s if own else STOCK_LAG_S
        """How far `settled_s` stays behind the sound while nobody speaks."""
        self._decoding_lag_s = DECODING_LAG_S + more_s if own else STOCK_LAG_S
        self._fed_samples = 0  # what Vosk has been given; its word times count these
        self._offset_s = 0.0  # session time minus Vosk's time
        self._settled_s = 0.0

    def feed(self, block: AudioBlock) -> list[Breath]:
        """What became certain with this block. A breath without words only says how far listening has got."""
        breaths = []
        gap_s = block.start_s - self._now_s
        if gap_s > BRIDGED_GAP_S or not self._fed_samples:
            breaths += self.close()
            self._offset_s += gap_s
        elif gap_s * SAMPLE_RATE >= 1:
            breaths += self._accept(bytes(2 * round(gap_s * SAMPLE_RATE)))
        return breaths + self._accept(block.pcm)

    def close(self) -> list[Breath]:
        """What was still open. Feeding may go on afterwards."""
        words = self._words(self._vosk.FinalResult())
        self._settled_s = self._now_s
        return [Breath(words, self._settled_s)] if words else []

    @property
    def _now_s(self) -> float:
        return self._fed_samples / SAMPLE_RATE + self._offset_s

    def _accept(self, pcm: bytes) -> list[Breath]:
        self._fed_samples += len(pcm) // 2
        words: tuple[HeardWord, ...] = ()
        settled_s = self._settled_s
        if self._vosk.AcceptWaveform(pcm):
            words = self._words(self._vosk.Result())
            settled_s = self._now_s - self._decoding_lag_s
        elif not json.loads(self._vosk.PartialResult()).get("partial"):
            settled_s = self._now_s - self.usual_lag_s
        advanced, self._settled_s = settled_s > self._settled_s, max(settled_s, self._settled_s)
        return [Breath(words, self._settled_s)] if words or advanced else []

    def _words(self, result: str) -> tuple[HeardWord, ...]:
        """The words of Vosk's JSON, in session time; neighbouring stretches of other speech become one.

        Now and then (3 in 1,000, sneezes for example) the decoder turns over a noise for seconds before it calls it a
        word; such a word starts before `settled_s`, and the vocabulary judges it too late.
        """
        words: list[HeardWord] = []
        for word in map(self._word, json.loads(result).get("result", ())):
            if words and word.text == words[-1].text == OTHER_SPEECH:
                before = words.pop()
                word = HeardWord(word.text, before.start_s, word.end_s, max(before.confidence, word.confidence))
            words.append(word)
        return tuple(words)

    def _word(self, entry: dict[str, Any]) -> HeardWord:
        return HeardWord(
            text=entry["word"].replace(NO_BREAK_SPACE, " "),
            start_s=round(entry["start"] + self._offset_s, 3),
            end_s=round(entry["end"] + self._offset_s, 3),
            confidence=min(1.0, entry.get("conf", 1.0)),
        )


_FILES = ("am/final.mdl", "conf/mfcc.conf", "conf/model.conf", "graph/phones/word_boundary.int")
_OWN_FILES = ("graph/HCLG.fst", "graph/words.txt")
_STOCK_FILES = ("graph/HCLr.fst", "graph/Gr.fst", "graph/disambig_tid.int")


def _check_files(model_dir: Path, own: bool) -> None:
    if not model_dir.is_dir():
        raise UserError(f"{model_dir}: no such model directory; give one that holds am/, conf/ and graph/")
    if not own and (model_dir / "graph" / "HCLG.fst").exists() and not (model_dir / "graph" / "HCLr.fst").exists():
        raise UserError(
            f"{model_dir}: this model's vocabulary is fixed (graph/HCLG.fst); "
            "choose a Vosk model with graph/HCLr.fst and graph/Gr.fst, usually one called small"
        )
    for name in _FILES + (_OWN_FILES if own else _STOCK_FILES):
        path = model_dir / name
        if not path.is_file() or not path.stat().st_size:
            raise UserError(f"{model_dir}: not a whole Vosk model, {name} is missing or empty; unpack or copy it again")


def _chunk_s(model_dir: Path) -> float:
    found = re.search(r"frames-per-chunk=(\d+)", (model_dir / "conf" / "model.conf").read_text())
    return int(found[1]) / 100 if found else CHUNK_S


def _library() -> Any:
    """Vosk, its matrix products by AVX-512 where the processor has that.

    The OpenBLAS in Vosk's wheel is older than AMD's processors with AVX-512 and takes kernels for older ones there,
    which cost a fifth more of the processor (on an EPYC: real-time factor .050, not .042). It reads the variable while
    it is loaded. What the user has set stays.
    """
    tell = "vosk" not in sys.modules and _CORE not in os.environ and _processor_flags() >= _AVX512
    if tell:
        os.environ[_CORE] = "SkylakeX"
    try:
        import vosk
    finally:
        if tell:
            del os.environ[_CORE]
    vosk.SetLogLevel(-1)
    return vosk


def _processor_flags() -> set[str]:
    """As Linux names them; none elsewhere."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return set()
    return next((set(line.split()) for line in lines if line.startswith("flags")), set())


_LOADING = Lock()  # `quiet_stderr` is for one thread


@lru_cache(maxsize=4)
def _load(model_dir: Path, own: bool) -> Any:
    """A model serves any number of recognisers, one after the other or at once. `words` listens with several models."""
    if not own:
        _try_in_a_child(model_dir)
    with _LOADING:
        vosk = _library()
        try:
            with quiet_stderr():  # Kaldi writes its errors there whatever the log level; the exception is enough
                return vosk.Model(model_path=str(model_dir))
        except Exception as error:  # all that Vosk raises is Exception
            raise UserError(f"{model_dir}: Vosk cannot read this model; unpack or copy it again") from error


_TRIAL = """
import sys, vosk
vosk.SetLogLevel(-1)
recogniser = vosk.KaldiRecognizer(vosk.Model(model_path=sys.argv[1]), 16000, '["[unk]"]')
recogniser.AcceptWaveform(bytes(32000))
recogniser.FinalResult()
"""


def _try_in_a_child(model_dir: Path) -> None:
    """A stock model cut short can kill the process (segmentation fault, abort): a child tries it on silence first."""
    done = subprocess.run([sys.executable, "-c", _TRIAL, str(model_dir)], capture_output=True)
    if done.returncode:
        how = "cannot read" if done.returncode == 1 else "crashes on"
        raise UserError(f"{model_dir}: Vosk {how} this model; it is cut short or of the wrong kind: copy it again")


def _grammar(model: Any, model_dir: Path, phrases: list[str]) -> str:
    """Vosk drops unknown words of a grammar with only a warning, and crashes on an empty one: so check first."""
    words = list(dict.fromkeys(word for phrase in phrases for word in phrase.split()))
    missing = [word for word in words if model.vosk_model_find_word(word) <= 0]
    if missing:
        named = ", ".join(f'"{word}"' for word in missing)
        raise UserError(f"{model_dir}: this model does not know {named}; use other words in the plan, or our own ear")
    if not words:
        raise UserError("the plan holds no word to listen for; give it a marker and cues")
    other = [OTHER_SPEECH] if model.vosk_model_find_word(OTHER_SPEECH) > 0 else []
    return json.dumps(list(dict.fromkeys([*phrases, *words, *other])), ensure_ascii=False)
