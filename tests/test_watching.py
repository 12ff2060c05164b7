"""What a person sees while a session runs, and is told."""

from __future__ import annotations

import os
import sys

import pytest

from handsfree.core.events import AudioBlock
from handsfree.running import DEAF_S, _not_deaf
from tests.terminals import read_to_end

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")

SCRIPT = """
import os
from handsfree.commands.session import _tell
from handsfree.watching.screen import Screen
with Screen():
    os.write(2, b"ALSA lib: underrun")
    _tell("the disk is nearly full")
os.write(2, b"afterwards")
"""


def on_a_terminal(script: str) -> str:
    import pty

    child, terminal = pty.fork()
    if child == 0:
        os.execve(sys.executable, [sys.executable, "-c", script], os.environ | {"TERM": "xterm"})
    shown = read_to_end(terminal)
    assert os.waitpid(child, 0)[1] == 0, shown
    return shown.decode()


def test_the_screen_shows_what_is_told_and_not_the_chatter_of_sound_libraries():
    shown = on_a_terminal(SCRIPT)
    assert "handsfree: the disk is nearly full" in shown
    assert "underrun" not in shown
    assert "afterwards" in shown


def sound(*samples: int) -> list[AudioBlock]:
    return [AudioBlock(i / 10, sample.to_bytes(2, "little") * 1600) for i, sample in enumerate(samples)]


def test_a_microphone_that_sends_only_zeros_is_told_once_and_its_sound_goes_on():
    told: list[str] = []
    blocks = sound(*[0] * 100)
    passed = []
    for block in _not_deaf(iter(blocks), "headset", told.append):
        passed.append(block)
        assert bool(told) == (block.start_s + block.duration_s >= DEAF_S)
    assert passed == blocks
    (line,) = told
    assert "headset" in line


def test_a_quiet_room_is_not_taken_for_a_dead_microphone():
    told: list[str] = []
    list(_not_deaf(iter(sound(*[0] * 20, 1, *[0] * 100)), "headset", told.append))
    assert told == []
