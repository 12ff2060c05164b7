"""Libraries kept quiet: those that write to file descriptor 2 behind Python's back (Kaldi, libsndfile's decoders,
ALSA), and numpy's threads."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def quiet_stderr() -> Iterator[None]:
    """What goes straight to file descriptor 2 inside the block is thrown away. Nests; not for two threads at once.

    What went wrong reaches the program as an exception or a return value; the lines only puzzle.
    """
    if sys.stderr is not None:
        sys.stderr.flush()
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def one_thread() -> None:
    """For numpy's products, in a process that has not imported numpy yet, and in its children.

    They would take a thread a core, and these spin while they wait: on two busy cores `hear` took 18 to 23 s of the
    processor for the demo's 200 s of sound instead of 7 to 8, and `words` 60 s instead of 18, and neither was faster.
    A limit that the user has set stays.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
