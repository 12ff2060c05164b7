"""How fast and how large the ear is, as a markdown table.

    python tests/bench/ear_speed.py

One core, real words (tests/data/clips), blocks of 50 ms. Every row that needs a fresh process gets one. The delay is
stream time from the end of the word to the block with which it is reported, plus the time that block took to compute;
once from the end that the ear reports, once from where the word's power falls 25 dB below its loudest (which leaves out
a soft last consonant). Onset errors are against the power too.
"""

from __future__ import annotations

import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

WORDS = ["yes", "no", "down", "left", "right", "up", "stop", "go"]
MINUTES = 2


def main() -> None:
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as cache:
        load = os.getloadavg()[0]
        print(f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f}, Python {platform.python_version()}")
        print("\n| ear | measured | goal |\n|---|---|---|")
        for count in (10, 40, 100):
            seconds = statistics.median(child("compile_graph", cache, count) for _ in range(3))
            row(f"graph compiled for {count} phrases", f"{seconds:.2f} s", "1 s for 40")
        row("start to listening, graph not cached", f"{wall('listen', cache + '/cold'):.2f} s", "4 s")
        row("start to listening, graph cached", f"{wall('listen', cache + '/cold'):.2f} s", "1.5 s")
        heard = child("hear", cache)
        row("real-time factor, one core", f"{heard['real_time_factor']:.3f}", "0.05")
        row("resident memory, largest", f"{heard['memory_mb']:.0f} MB", "150 MB")
        row("words heard", f"{heard['heard']} of {heard['said']}", "")
        row("end of word to reported, median", f"{heard['delay_median_s']:.2f} s", "0.35 s")
        row("end of word to reported, 95th percentile", f"{heard['delay_95_s']:.2f} s", "")
        row("end of loud part to reported, median", f"{heard['loud_delay_median_s']:.2f} s", "")
        row("onset error, median", f"{heard['onset_median_s'] * 1000:.0f} ms", "40 ms")
        row("onset error, 95th percentile", f"{heard['onset_95_s'] * 1000:.0f} ms", "150 ms")


def row(name: str, measured: str, goal: str) -> None:
    print(f"| {name} | {measured} | {goal} |", flush=True)


def child(function: str, *arguments: object):
    """The value of one of the functions below, called in a process of its own."""
    call = [sys.executable, __file__, function, *map(str, arguments)]
    return json.loads(subprocess.run(call, check=True, capture_output=True, text=True).stdout)


def wall(function: str, *arguments: object) -> float:
    start = time.perf_counter()
    child(function, *arguments)
    return time.perf_counter() - start


def ear(cache: str, words: list[str]):
    from handsfree.edges import graph
    from handsfree.edges.pronounce import Pronouncer
    from handsfree.edges.recogniser import Recogniser
    from handsfree.places import shipped

    model = shipped("models") / "en"
    pronouncer = Pronouncer({}, "en", model / "cmudict.txt.gz")
    home = graph.build({word: pronouncer.phrase(word).phones for word in words}, model, Path(cache))
    return Recogniser(home, words, own=True)


def listen(cache: str) -> bool:
    """A whole start, the interpreter's own included: 40 phrases, and the first block heard."""
    from handsfree.core.events import AudioBlock

    ear(cache, phrases(40)).feed(AudioBlock(0.0, bytes(1600)))
    return True


def compile_graph(cache: str, count: str) -> float:
    from handsfree.edges import graph
    from handsfree.edges.pronounce import Pronouncer
    from handsfree.places import shipped

    model = shipped("models") / "en"
    start = time.perf_counter()
    pronouncer = Pronouncer({}, "en", model / "cmudict.txt.gz")
    spoken = {phrase: pronouncer.phrase(phrase).phones for phrase in phrases(int(count))}
    with tempfile.TemporaryDirectory(dir=cache) as empty:
        graph.build(spoken, model, Path(empty))
        return time.perf_counter() - start


def phrases(count: int) -> list[str]:
    """Words and two-word phrases from the list of common words."""
    from handsfree.places import shipped

    lines = (shipped("models") / "en" / "common_words.txt").read_text(encoding="utf-8").splitlines()
    words = list(dict.fromkeys(line.split()[0] for line in lines))[100:]
    return (
        words[: count // 2] + [f"{a} {b}" for a, b in zip(words[500:], words[700:], strict=False)][: count - count // 2]
    )


def hear(cache: str) -> dict[str, float]:
    import numpy as np

    from handsfree.core.events import SAMPLE_RATE, AudioBlock
    from tests.test_recogniser import CLIPS, session

    names = [next(CLIPS.glob(f"{word}_*.opus")).stem for word in WORDS]
    sound, truth = session(names * round(MINUTES * 60 / 2 / len(names)))
    recogniser = ear(cache, WORDS)
    pcm, block = sound.astype("<i2"), SAMPLE_RATE // 20
    cpu, delays, loud_delays, onsets, waiting = time.process_time(), [], [], [], list(truth)
    for at in range(0, len(pcm), block):
        start = time.perf_counter()
        breaths = recogniser.feed(AudioBlock(at / SAMPLE_RATE, pcm[at : at + block].tobytes()))
        took = time.perf_counter() - start
        for word in (word for breath in breaths for word in breath.words):
            for text, begin, end in waiting:
                if text == word.text and abs(word.start_s - begin) < 0.5:
                    now = (at + block) / SAMPLE_RATE + took
                    delays.append(now - word.end_s)
                    loud_delays.append(now - end)
                    onsets.append(abs(word.start_s - begin))
                    waiting.remove((text, begin, end))
                    break
    cpu = time.process_time() - cpu
    return {
        "real_time_factor": cpu / (len(pcm) / SAMPLE_RATE),
        "memory_mb": peak_memory_mb(),
        "said": len(truth),
        "heard": len(delays),
        "delay_median_s": float(np.median(delays)),
        "delay_95_s": float(np.percentile(delays, 95)),
        "loud_delay_median_s": float(np.median(loud_delays)),
        "onset_median_s": float(np.median(onsets)),
        "onset_95_s": float(np.percentile(onsets, 95)),
    }


def peak_memory_mb() -> float:
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


if __name__ == "__main__":
    if len(sys.argv) > 1:
        print(json.dumps(globals()[sys.argv[1]](*sys.argv[2:])))
    else:
        main()
