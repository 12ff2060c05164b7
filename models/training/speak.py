"""Synthetic speech for training: thousands of words and phrases by blends of the voices of Kokoro-82M (Apache-2.0).

    python models/training/speak.py voices VOICES voices.npz         # voice files, 510 x 256 float32 each -> one file
    python models/training/speak.py plan voices.npz jobs.tsv         # what is said, by whom, how
    python models/training/speak.py render KOKORO.onnx voices.npz jobs.tsv OUT --minutes 20 --workers 32
    python models/training/speak.py check OUT MODEL                  # which recordings an ear hears as their text

`plan` needs handsfree; `render` only numpy, onnxruntime and soundfile, so it can run on a machine that has no more.
`plan --test-voices` plans the test set instead, by four voices that no training may hear.
OUT gets manifest.tsv (path, dataset, speaker, text, seconds, licence, note) and Ogg/Opus files, 16 kHz mono, in folders
of a thousand. Every first part of the jobs holds the same mix, so `render` can be stopped at any time; run again it
takes up where it stopped. The same jobs give the same sound.
`check` needs handsfree, and an ear laid out as models/en. OUT gets checked.tsv, the rows of the manifest whose text is
heard and nothing else, and dropped.tsv with the reason for each of the others.
"""

from __future__ import annotations

import argparse
import csv
import os
import time
import zlib
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import speak_moods as moods
from speak_plan import MOST_TOKENS, Job, plan, read_jobs, write_jobs

KOKORO_RATE, RATE = 24_000, 16_000
FIELDS = ("path", "dataset", "speaker", "text", "seconds", "licence", "note")
PAD_S = (0.05, 0.1)
"""Silence that is left at either end."""
LOUDEST = 0.7
_worker: dict[str, Any] = {}


def pack_voices(folder: Path, out: Path) -> None:
    """Each voice's table as float16, only the rows that short texts need."""
    tables = {file.stem: np.fromfile(file, np.float32).reshape(-1, 256) for file in sorted(folder.glob("*.bin"))}
    np.savez_compressed(out, **{name: table[:MOST_TOKENS].astype(np.float16) for name, table in tables.items()})


def style(voices: dict[str, np.ndarray], blend: str, tokens: int) -> np.ndarray:
    """The 256 numbers of a voice or a blend `a*0.60+b*0.40` for a text of so many symbols."""
    parts = [part.partition("*") for part in blend.split("+")]
    shares = np.array([float(share or 1) for _, _, share in parts])
    rows = np.stack([voices[name][min(tokens, MOST_TOKENS) - 1].astype(np.float32) for name, _, _ in parts])
    return (shares / shares.sum()) @ rows


def finish(sound: np.ndarray, job: Job) -> np.ndarray:
    """Kokoro's sound at 24 kHz -> the recording at 16 kHz, in the job's mood. Empty where the voice said nothing."""
    rng = np.random.default_rng(zlib.crc32(job.name.encode()))
    sound = moods.shift(sound.astype(np.float32), KOKORO_RATE, RATE, np.array(job.semitones))
    sound = moods.trim(sound, RATE, *rng.uniform(*PAD_S, 2))
    if not len(sound):
        return sound
    if job.mood == "whispered":
        sound = moods.whisper(sound, RATE, rng.uniform(0.75, 1), rng)
    elif job.mood == "called":
        sound = moods.call_out(sound)
    return (sound * (LOUDEST * 10 ** (rng.uniform(-12, 0) / 20) / np.abs(sound).max())).astype(np.float32)


def render(network: Path, voices: Path, jobs: Path, out: Path, minutes: float, workers: int) -> None:
    """Make what is missing of the jobs, in their order, until the time is up."""
    manifest = out / "manifest.tsv"
    out.mkdir(parents=True, exist_ok=True)
    done = _mend(manifest)
    todo = [job for job in read_jobs(jobs) if job.name not in done]
    stop = time.time() + minutes * 60
    print(f"{len(done)} done before, {len(todo)} to do, {workers} processes", flush=True)
    context = get_context("spawn")
    with (
        open(manifest, "a", encoding="utf-8", newline="") as lines,
        context.Pool(workers, _start, (network, voices, out, stop)) as pool,
    ):
        rows = csv.DictWriter(lines, FIELDS, delimiter="\t", lineterminator="\n")
        if not lines.tell():
            rows.writeheader()
        made, seconds, silent, started = 0, 0.0, 0, time.time()
        for job, length in pool.imap(_make, todo, chunksize=4):
            if length is None:
                break
            rows.writerow(_row(job, length))
            made, seconds, silent = made + 1, seconds + length, silent + (not length)
            if made % 500 == 0:
                lines.flush()
                pace = made / (time.time() - started) * 60
                print(f"{made} made, {pace:.0f} a minute, {seconds / 3600:.2f} h, {silent} silent", flush=True)
        pace = made / max(time.time() - started, 1e-6) * 60
    print(
        f"{made} made, {pace:.0f} a minute, {seconds / 3600:.2f} h, {silent} silent; {len(todo) - made} left",
        flush=True,
    )


def _start(network: Path, voices: Path, out: Path, stop: float) -> None:
    """In each process: one thread each, for many processes share the cores."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    _worker["session"] = onnxruntime.InferenceSession(network, options, providers=["CPUExecutionProvider"])
    with np.load(voices) as tables:
        _worker["voices"] = dict(tables)
    _worker["out"], _worker["stop"] = out, stop


def _make(job: Job) -> tuple[Job, float | None]:
    """The job and its seconds: 0 where the voice said nothing, None where the time is up."""
    import soundfile

    if time.time() > _worker["stop"]:
        return job, None
    given = {
        "tokens": np.array([[0, *job.tokens, 0]], np.int64),
        "style": style(_worker["voices"], job.voice, len(job.tokens)).astype(np.float32)[None],
        "speed": np.array([job.speed], np.float32),
    }
    sound = finish(_worker["session"].run(None, given)[0].ravel(), job)
    if not len(sound):
        return job, 0.0
    path = _worker["out"] / _path(job)
    path.parent.mkdir(exist_ok=True)
    part = path.with_suffix(".part")
    soundfile.write(part, sound, RATE, format="OGG", subtype="OPUS", compression_level=0.92)
    part.replace(path)
    return job, len(sound) / RATE


def _path(job: Job) -> Path:
    return Path(job.name[:-3]) / f"{job.name}.opus"


def _row(job: Job, length: float) -> dict[str, str]:
    return dict(
        zip(
            FIELDS,
            (str(_path(job)), "speak", job.voice, job.text, f"{length:.2f}", "Apache-2.0", f"synthetic {job.mood}"),
            strict=True,
        )
    )


def _mend(manifest: Path) -> set[str]:
    """Names of the recordings made before; a line cut off by a crash is taken out of the manifest."""
    if not manifest.exists():
        return set()
    text = manifest.read_text(encoding="utf-8")
    whole = text[: text.rfind("\n") + 1]
    if whole != text:
        manifest.write_text(whole, encoding="utf-8")
    return {Path(line.split("\t")[0]).stem for line in whole.splitlines()[1:]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    steps = parser.add_subparsers(dest="step", required=True)
    packing = steps.add_parser("voices")
    packing.add_argument("folder", type=Path)
    packing.add_argument("out", type=Path)
    planning = steps.add_parser("plan")
    planning.add_argument("voices", type=Path)
    planning.add_argument("jobs", type=Path)
    planning.add_argument("--seed", type=int, default=1)
    planning.add_argument("--test-voices", action="store_true")
    rendering = steps.add_parser("render")
    for name in ("network", "voices", "jobs", "out"):
        rendering.add_argument(name, type=Path)
    rendering.add_argument("--minutes", type=float, default=1e6)
    checking = steps.add_parser("check")
    for name in ("spoken", "model"):
        checking.add_argument(name, type=Path)
    for step in (rendering, checking):
        step.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args()
    if given.step == "voices":
        pack_voices(given.folder, given.out)
    elif given.step == "plan":
        with np.load(given.voices) as tables:
            jobs = plan(list(tables), given.seed, given.test_voices)
        write_jobs(jobs, given.jobs)
        print(f"{len(jobs)} jobs, {len({job.text for job in jobs})} texts, {len({job.voice for job in jobs})} voices")
    elif given.step == "check":
        from speak_check import check

        check(given.spoken, given.model, given.workers)
    else:
        render(given.network, given.voices, given.jobs, given.out, given.minutes, given.workers)


if __name__ == "__main__":
    main()
