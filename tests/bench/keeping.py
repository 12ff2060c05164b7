"""What it costs to keep sound: bytes an hour, processor time, and how long it holds up the loop that listens.

    python -m tests.bench.keeping

The demo's 200 s of sound with a rep of 4 s every 10 s, eight times as fast as life.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

from handsfree import places
from handsfree.core.events import Outcome, Rep, SaveRep
from handsfree.core.plan import KeepSound, Sound
from handsfree.edges.audio import read_file
from handsfree.keeping import keeping
from tests.helpers import heard, sitting, wait

ID = "0" * 32
EVERY_S, REP_S, LAG_S = 10.0, 4.0, 0.5


def reps(until_s: float) -> list[Rep]:
    starts = [at * EVERY_S + 2 for at in range(int((until_s - REP_S - 4) // EVERY_S))]
    return [
        Rep(number, "sit", 1, Outcome.CORRECT, at, at + REP_S, cue=heard("sit", at))
        for number, at in enumerate(starts, start=1)
    ]


def measure(keep: KeepSound) -> str:
    blocks = list(read_file(places.shipped("demo") / "session.ogg"))
    length_s = blocks[-1].start_s + blocks[-1].duration_s
    waiting, sat, longest_s, held_up_s = reps(length_s), sitting(), 0.0, 0.0
    with tempfile.TemporaryDirectory() as home:
        began_s = time.process_time()
        with keeping(Sound(keep), Path(home) / "sound", ID, lambda line: None) as keeper:
            for block in blocks:
                wait(sat, block.start_s - LAG_S)
                cpu_s, wall_s = time.thread_time(), time.perf_counter()
                if waiting and block.start_s > waiting[0].end_s + LAG_S:
                    keeper.effect(SaveRep(waiting.pop(0)), sat)
                keeper.block(block, sat)
                held_up_s += time.thread_time() - cpu_s
                longest_s = max(longest_s, time.perf_counter() - wall_s)
                time.sleep(0.006)  # eight times as fast as life, and the other thread gets a turn
        took_s = time.process_time() - began_s
        size = sum(path.stat().st_size for path in Path(home).rglob("*.opus"))
    return (
        f"| {keep} | {size / length_s * 3600 / 1e6:.1f} | {took_s / length_s:.3f} "
        f"| {held_up_s / len(blocks) * 1e3:.3f} | {longest_s * 1e3:.1f} |"
    )


if __name__ == "__main__":
    print("| keep_sound | MB an hour | processor, share of one core | loop, ms a block of 50 ms | longest, ms |")
    print("|---|---|---|---|---|")
    for keep in KeepSound:
        print(measure(keep), flush=True)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform == "linux" else 1024**2)
    print(f"\nPeak memory {memory:.0f} MiB.")
