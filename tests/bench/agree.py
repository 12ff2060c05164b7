"""Agreement of two files of 10,000 events; and how well a session of half an hour is found in a video.

Run from the repository: python -m tests.bench.agree [--words]. It prints markdown tables. --words also aligns by words,
which hears the half hour twice (minutes).
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import resource
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timezone
from pathlib import Path

import soundfile

from handsfree import aligning
from handsfree.edges import planfile
from handsfree.edges.alignment import by_sound, envelope
from handsfree.edges.store import Store
from handsfree.running import run_session
from handsfree.watching.lines import Lines
from tests.test_alignment import PEOPLE, SAMPLE_RATE, blocks, filmed, samples, worst_error_s

EVENTS = 10_000
TARGET_S = 2.0
PROGRAM = [sys.executable, "-c", "import sys; from handsfree.cli import main; sys.exit(main())"]


def write_observers(folder: Path, spacing_s: float) -> list[Path]:
    """Two who saw the same, save for some 5 %, with 0.3 s of jitter; the closer the events, the harder the pairing."""
    chance = random.Random(7)
    truth = [(chance.uniform(0, EVENTS * spacing_s), chance.choice(["sit", "down", "stay"])) for _ in range(EVENTS)]
    paths = []
    for name in ("ann", "bob"):
        path = folder / f"{name}-{spacing_s:g}.csv"
        rows = [
            f"{max(0.0, at_s + chance.gauss(0, 0.3)):.3f},{behaviour},{chance.choice(['correct', 'incorrect'])}"
            for at_s, behaviour in truth
            if chance.random() > 0.05
        ]
        extra = [f"{chance.uniform(0, EVENTS * spacing_s):.3f},sit,correct" for _ in range(EVENTS - len(rows))]
        path.write_text("onset_s,behaviour,outcome\n" + "\n".join(rows + extra) + "\n", encoding="utf-8")
        paths.append(path)
    return paths


def bench_agreement(folder: Path, runs: int) -> None:
    print(f"\n| two files of {EVENTS:,} events | median of {runs}, s | slowest | of the processor | target |")
    print("|---|---|---|---|---|")
    for spacing_s in (10.0, 1.0, 0.3):
        files = write_observers(folder, spacing_s)
        for extra in ([], ["--html", str(folder / "page.html"), "--replace"]):
            took, used_s = [], _used_s()
            for _ in range(runs):
                began = time.perf_counter()
                command = [*PROGRAM, "agree", *map(str, files), "--json", *extra]
                subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
                took.append(time.perf_counter() - began)
            what = f"{spacing_s:g} s apart{', with page' if extra else ''}"
            used_s = (_used_s() - used_s) / runs
            print(
                f"| {what} | {sorted(took)[runs // 2]:.2f} | {max(took):.2f} | {used_s:.2f} | {TARGET_S} |", flush=True
            )
    peak_mib = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"\nPeak memory of a process: {peak_mib:.0f} MiB. Whole processes, start-up included.")


def _used_s() -> float:
    """Processor time of all child processes so far."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def bench_alignment() -> None:
    sound = samples(*PEOPLE[:15])
    length_s = len(sound) / SAMPLE_RATE
    print(f"\n| {length_s / 60:.1f} min of real voices, by sound | worst error, ms | windows on the line | took, s |")
    print("|---|---|---|---|")
    for ppm, lead_s, snr_db in ((0, 0, 30), (50, 12.34, 20), (-50, -7.77, 10), (120, 33.3, 5), (-50, 100.1, 0)):
        video = filmed(sound, ppm=ppm, lead_s=lead_s, snr_db=snr_db)
        began = time.perf_counter()
        found = by_sound(envelope(blocks(sound)), envelope(blocks(video)))
        took_s = time.perf_counter() - began
        error_ms = 1000 * worst_error_s(found, ppm, lead_s, length_s)
        what = f"drift {ppm:+d} ppm, begins at {lead_s:g} s, {snr_db} dB above noise"
        print(f"| {what} | {error_ms:.1f} | {found.on_line} of {found.of} | {took_s:.1f} |", flush=True)


def bench_words(folder: Path) -> None:
    os.environ["HANDSFREE_HOME"] = str(folder / "home")
    sound = samples(*PEOPLE[:15])
    ppm, lead_s, snr_db = 50, 12.34, 20
    soundfile.write(folder / "session.wav", sound, SAMPLE_RATE)
    soundfile.write(folder / "video.wav", filmed(sound, ppm=ppm, lead_s=lead_s, snr_db=snr_db), SAMPLE_RATE)
    plan = PEOPLE[0].parent / "plan.toml"
    log = folder / "log.db"
    run_session(
        planfile.load(plan),
        plan_text=planfile.read_text(plan),
        log_path=log,
        watcher=Lines(lambda line: None),
        started_at=datetime.now(timezone.utc),
        recording=folder / "session.wav",
        fast=True,
        silent=True,
    )
    with Store.open(log, read_only=True) as store:
        session = store.session_log("last")
    began, began_cpu = time.perf_counter(), time.process_time()
    found = aligning.align_by_words(folder / "video.wav", session)
    took_s, used_s = time.perf_counter() - began, time.process_time() - began_cpu
    error_ms = 1000 * worst_error_s(found, ppm, lead_s, len(sound) / SAMPLE_RATE)
    print(
        f"\nBy words, drift {ppm:+d} ppm, {snr_db} dB above noise: worst error {error_ms:.1f} ms, {found.on_line} of "
        f"{found.of} words on the line, next best {found.rival}, {took_s:.0f} s ({used_s:.0f} s of the processor)."
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--runs", type=int, default=5)
    options.add_argument("--words", action="store_true")
    given = options.parse_args()
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    with tempfile.TemporaryDirectory() as name:
        bench_agreement(Path(name), given.runs)
        bench_alignment()
        if given.words:
            bench_words(Path(name))


if __name__ == "__main__":
    main()
