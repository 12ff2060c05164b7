"""How fast and how large the ear is. Each figure comes from a process of its own, on one core.

Graphs: pronunciations and graph of so many words and two-word phrases, none of it cached. Start: a whole process from
the interpreter to the first block heard, with 40 phrases. Real-time factor and memory: one of tests/data/sessions.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.bench.ear.rows import Heading, Row

ROOT = Path(__file__).resolve().parents[3]
SESSION = ROOT / "tests" / "data" / "sessions" / "mixed-1.ogg"


def rows(model: Path | None) -> Iterator[Row | Heading]:
    yield Heading("Speed and size")
    with tempfile.TemporaryDirectory() as home:
        for count in (10, 40, 100):
            seconds = statistics.median(_child("compile_graph", f"{home}/{i}", model, count) for i in range(3))
            yield Row(f"graph of {count} phrases compiled", "", (seconds,), "s", at_most=1 if count == 40 else None)
        cold_s, *warm_s = (_wall("start", f"{home}/start", model) for _ in range(4))
        yield Row("start to listening, graph not cached", "", (cold_s,), "s")
        yield Row("start to listening, graph cached", "", (statistics.median(warm_s),), "s", at_most=1.5)
        heard = _child("session", home, model)
        yield Row("real-time factor, one core", "", (heard["real_time_factor"],), "", at_most=0.05)
        yield Row("resident memory, largest", "", (heard["memory_mb"],), "MB", at_most=150)
    for what, folder, most in (
        ("model", model or ROOT / "models" / "en", 12),
        ("second look", ROOT / "models" / "second", None),
    ):
        size = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
        if size:
            yield Row(f"{what} on disk", "", (size / 1e6,), "MB", at_most=most)


def _child(function: str, home: str, model: Path | None, *arguments: object):
    """The value of one of the functions below, called in a process of its own."""
    call = [sys.executable, "-m", "tests.bench.ear.speed", function, str(model or ""), *map(str, arguments)]
    one_core = {"HANDSFREE_HOME": home, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(call, check=True, capture_output=True, text=True, cwd=ROOT, env=os.environ | one_core)
    return json.loads(done.stdout)


def _wall(function: str, home: str, model: Path | None) -> float:
    began = time.perf_counter()
    _child(function, home, model)
    return time.perf_counter() - began


def compile_graph(model: Path | None, count: str) -> float:
    from handsfree import listening
    from handsfree.core.plan import Plan

    began = time.perf_counter()
    listening.open_ear(Plan("", ()), _phrases(int(count)), model)
    return time.perf_counter() - began


def start(model: Path | None) -> bool:
    from handsfree import listening
    from handsfree.core.events import AudioBlock
    from handsfree.core.plan import Plan

    ear = listening.open_ear(Plan("", ()), _phrases(40), model)
    ear.recogniser().feed(AudioBlock(0.0, bytes(1600)))
    return True


def session(model: Path | None) -> dict[str, float]:
    from handsfree.edges import planfile
    from handsfree.edges.audio import read_file
    from handsfree.hearing import Hearing, Measured

    hearing = Hearing(planfile.load(SESSION.with_name("plan.toml")), model)
    hearing.recogniser()
    sound = Measured(read_file(SESSION))
    began = time.process_time()
    for _ in hearing.words(sound):
        pass
    return {"real_time_factor": (time.process_time() - began) / sound.length_s, "memory_mb": _peak_memory_mb()}


def _phrases(count: int) -> tuple[str, ...]:
    """Common words, and two-word phrases of them."""
    lines = (ROOT / "models" / "en" / "common_words.txt").read_text(encoding="utf-8").splitlines()
    words = list(dict.fromkeys(line.split()[0] for line in lines))[100:]
    pairs = [f"{a} {b}" for a, b in zip(words[500:], words[700:], strict=False)]
    return (*words[: count // 2], *pairs[: count - count // 2])


def _peak_memory_mb() -> float:
    """Of this process. Linux's getrusage would tell of the one that started it, if that was larger."""
    import resource

    status = Path("/proc/self/status")
    if status.exists():
        kib = next(line.split()[1] for line in status.read_text().splitlines() if line.startswith("VmHWM:"))
        return int(kib) * 1024 / 1e6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


if __name__ == "__main__":
    function, model, *arguments = sys.argv[1:]
    print(json.dumps(globals()[function](Path(model) if model else None, *arguments)))
