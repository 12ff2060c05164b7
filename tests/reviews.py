"""A session to review: invented, with invented sound, and the program serving it in a process of its own."""

from __future__ import annotations

import contextlib
import os
import random
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np

from demo.simulate import Learner, plan_of, simulated_session
from handsfree.core.events import SAMPLE_RATE
from handsfree.core.log import JudgedRep, SessionLog
from handsfree.edges.store import Store
from tests.logs import STARTED

ROOT = Path(__file__).parent.parent


def invented(reps: int, seed: int = 5, name: str = "Domino") -> SessionLog:
    """A session of so many reps in which nothing is corrected yet."""
    plan, text = plan_of(name, "Ottilie", "the garden", unlimited=True)
    log = simulated_session(plan, text, STARTED, Learner(), {}, random.Random(seed), reps)
    live = tuple(JudgedRep(rep, rep.outcome) for rep in log.live_reps)
    return replace(log, reps=live, corrections=())


def write(path: Path, *logs: SessionLog) -> str:
    """A log of these sessions, a day apart; the id of the last."""
    later = [
        replace(log, session=replace(log.session, started_at=log.session.started_at + timedelta(days=day)))
        for day, log in enumerate(logs)
    ]
    with Store.open(path) as store:
        store.add_whole(later)
    return logs[-1].session.id


def sound_of(log: SessionLog) -> np.ndarray:
    """A swelling tone wherever a word was heard, over a little noise: int16, 16 kHz."""
    length = round(SAMPLE_RATE * (log.session.ended_s or 0.0))
    sound = np.random.default_rng(1).normal(0, 60, length).astype(np.float32)
    for entry in log.words:
        first, last = (round(SAMPLE_RATE * at_s) for at_s in (entry.heard.word.start_s, entry.heard.word.end_s))
        at = np.arange(last - first)
        sound[first:last] += 8000 * np.sin(2 * np.pi * 220 * at / SAMPLE_RATE) * np.sin(np.pi * at / (last - first))
    return sound.astype(np.int16)


class Link(str):
    """A link with the process behind it."""

    pid: int

    def cpu_s(self) -> float:
        """Processor time that the process has used (Linux: proc_pid_stat(5))."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def serving(log: Path, *options: str) -> Iterator[Link]:
    """`handsfree review --no-browser`; the link it prints."""
    command = [sys.executable, "-m", "handsfree.cli", "review", "--no-browser", "--log", str(log), *options]
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    assert process.stdout is not None
    try:
        said = ""
        while (found := re.search(r"http://127\.0\.0\.1:\d+/\S+/", said)) is None:
            line = process.stdout.readline()
            if not line:
                raise AssertionError(f"{command} ended: {said}")
            said += line
        link = Link(found[0])
        link.pid = process.pid
        yield link
        assert process.poll() is None, process.stdout.read()
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(10)
        finally:
            process.kill()
            process.stdout.close()
