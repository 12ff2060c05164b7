"""Microphone and player on the real PortAudio, where a sound card can be made up: JACK's dummy driver.

Runs where the programs of JACK (Debian: `apt install jackd2 libportaudio2`) are installed and no server is running;
skipped elsewhere. The dummy driver keeps real time at 44.1 kHz, so the rate conversion is in the loop.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.skipif(
    shutil.which("jackd") is None or shutil.which("jack_lsp") is None, reason="JACK is not installed"
)

SCRIPT = """
import subprocess, sys, time
import numpy as np
from handsfree.core.devices import find_device
from handsfree.edges.audio import MicrophoneLost, Player, list_devices, microphone, tone

def jack(*command):
    return subprocess.run(command, capture_output=True, text=True).stdout.split()

player = Player(find_device(list_devices(), None, "output"), volume=0.5)
with microphone("system") as blocks:
    ports = jack("jack_lsp")
    (source,) = [port for port in ports if "PortAudio" in port and ":out" in port]
    (sink,) = [port for port in ports if "PortAudio" in port and ":in" in port]
    jack("jack_disconnect", "system:capture_1", sink)
    jack("jack_connect", source, sink)
    began, pcm, played_s = time.monotonic(), b"", None
    for block in blocks:
        assert block.lost_s == 0
        pcm += block.pcm
        if played_s is None and block.start_s > 1:
            played_s = block.start_s + block.duration_s
            seconds = player.play(tone("counted"), 16000)
        if block.start_s > 3:
            break
    print("wall", time.monotonic() - began, "sound", len(pcm) / 32000)
    loud = np.flatnonzero(np.abs(np.frombuffer(pcm, "<i2")) > 100) / 16000
    print("played", played_s, "seconds", seconds, "from", loud[0], "to", loud[-1])
    print("peak", np.abs(np.frombuffer(pcm, "<i2")).max())
    print("ready", flush=True)
    sys.stdin.readline()
    began = time.monotonic()
    try:
        for block in blocks:
            pass
    except MicrophoneLost as error:
        print("lost", time.monotonic() - began, error)
print("gone", player.play(tone("counted"), 16000))
player.close()
"""


@pytest.fixture
def server():
    jackd = subprocess.Popen(
        ["jackd", "-r", "-d", "dummy", "-r", "44100", "-p", "1024"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 10
    while not subprocess.run(["jack_lsp"], capture_output=True, text=True).stdout and time.monotonic() < deadline:
        time.sleep(0.2)
    yield jackd
    jackd.kill()
    jackd.wait()


def test_loop_from_player_to_microphone_and_a_device_that_goes(server):
    # a process of its own: PortAudio lists the devices once, when it is loaded
    child = subprocess.Popen(
        [sys.executable, "-c", SCRIPT], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    said = []
    for line in child.stdout:
        said.append(line.split())
        if line.startswith("ready"):
            break
    server.kill()
    rest, errors = child.communicate("\n", timeout=30)
    assert child.returncode == 0, errors
    facts = {words[0]: words[1:] for words in [*said, *(line.split() for line in rest.splitlines())] if words}
    wall_s, sound_s = float(facts["wall"][0]), float(facts["wall"][2])
    assert sound_s == pytest.approx(wall_s, abs=0.5)
    played_s, seconds, from_s, to_s = (float(word) for word in facts["played"][::2])
    assert played_s - 0.05 <= from_s < to_s <= played_s + seconds + 0.1
    assert to_s - from_s == pytest.approx(0.09, abs=0.02)
    assert int(facts["peak"][0]) == pytest.approx(0.5 * 0.1 * 32767, rel=0.1)
    assert 1.5 < float(facts["lost"][0]) < 3.0
    assert facts["gone"] == ["0.0"]
