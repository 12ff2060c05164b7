"""Microphone, player and the list of devices, against a stand-in for sounddevice that the test drives."""

from __future__ import annotations

import json
import queue
import sys
import time

import numpy as np
import pytest
from click.testing import CliRunner

from handsfree.core.devices import Device, find_device
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE
from handsfree.edges.audio import MicrophoneLost, Player, list_devices, microphone, tone
from tests.fake_sounddevice import FakeSoundDevice

HEADSET = {"name": "USB Headset", "max_output_channels": 2}
WEBCAM = {"name": "Webcam mic", "max_input_channels": 2, "default_samplerate": 48000.0}
SPEAKER = {"name": "Speaker", "max_input_channels": 0, "max_output_channels": 2}


@pytest.fixture
def use(monkeypatch):
    """Install a fake sound system and return it."""

    def install(*devices, refuse=frozenset()) -> FakeSoundDevice:
        fake = FakeSoundDevice(list(devices), refuse)
        monkeypatch.setitem(sys.modules, "sounddevice", fake)
        return fake

    return install


def ramp(count: int, start: int = 0) -> np.ndarray:
    return (np.arange(start, start + count) % 30000).astype(np.int16)


# Microphone


def test_blocks_are_copied_and_timed_by_samples(use):
    fake = use(HEADSET)
    with microphone() as blocks:
        stream = fake.inputs[0]
        assert (stream.options["samplerate"], stream.options["channels"]) == (SAMPLE_RATE, 1)
        stream.deliver(ramp(800), 100.0)
        stream.deliver(ramp(800, 800), 100.07)  # late by the clock, but nothing was lost
        first, second = next(blocks), next(blocks)
    assert first.pcm + second.pcm == ramp(1600).astype("<i2").tobytes()
    assert (first.start_s, second.start_s, second.lost_s) == (0.0, 0.05, 0.0)
    assert stream.closed


def test_overflow_moves_later_blocks_by_what_was_lost(use):
    fake = use(HEADSET)
    with microphone() as blocks:
        stream = fake.inputs[0]
        stream.deliver(ramp(800), 10.0)
        stream.deliver(ramp(800), 10.05 + 0.3, overflow=True)
        stream.deliver(ramp(800), 10.1 + 0.3)
        _, after, later = (next(blocks) for _ in range(3))
    assert after.lost_s == pytest.approx(0.3)
    assert after.start_s == pytest.approx(0.35)
    assert (later.lost_s, later.start_s) == (0.0, pytest.approx(0.4))


def test_gap_inside_the_flagged_block_shows_at_the_next(use):
    """PortAudio documents paInputOverflow as "data prior to one or more samples in the input buffer was discarded"."""
    fake = use(HEADSET)
    with microphone() as blocks:
        stream = fake.inputs[0]
        stream.deliver(ramp(800), 10.0)
        stream.deliver(ramp(800), 10.05, overflow=True)
        stream.deliver(ramp(800), 10.1 + 0.2)
        losses = [next(blocks).lost_s for _ in range(3)]
    assert losses == [0.0, 0.0, pytest.approx(0.2)]


def test_a_jittering_clock_does_not_add_up_to_lost_sound(use):
    """A loaded machine: the driver flags every third block though nothing is missing, and its clock is 25 ms off."""
    fake = use(HEADSET)
    jitter = np.random.default_rng(2).uniform(-0.025, 0.025, size=400)
    with microphone() as blocks:
        for i in range(400):
            fake.inputs[0].deliver(ramp(800), 50.0 + i * 0.05 + jitter[i], overflow=i % 3 == 2)
        lost_s = sum(next(blocks).lost_s for _ in range(400))
    assert lost_s < 0.06


def test_many_gaps_under_jitter_are_measured_as_a_whole(use):
    fake = use(HEADSET)
    random = np.random.default_rng(3)
    at_s, missing = 50.0, 0.0
    with microphone() as blocks:
        for i in range(400):
            gap = i % 20 == 10
            at_s += 0.1 * gap
            missing += 0.1 * gap
            fake.inputs[0].deliver(ramp(800), at_s + random.uniform(-0.01, 0.01), overflow=gap)
            at_s += 0.05
        lost_s = sum(next(blocks).lost_s for _ in range(400))
    assert lost_s == pytest.approx(missing, abs=0.06)


def test_without_capture_times_the_drivers_clock_measures_the_gap(use):
    fake = use(HEADSET)
    with microphone() as blocks:
        fake.inputs[0].deliver(ramp(800), 10.0, adc=False)
        fake.inputs[0].deliver(ramp(800), 10.25, overflow=True, adc=False)
        losses = [next(blocks).lost_s for _ in range(2)]
    assert losses == [0.0, pytest.approx(0.2)]


def test_what_a_full_queue_refuses_is_counted_exactly(use, monkeypatch):
    monkeypatch.setattr(sys.modules[microphone.__module__], "BACKLOG_S", 0.5)  # ten blocks
    fake = use(HEADSET)
    with microphone() as blocks:
        for i in range(14):
            fake.inputs[0].deliver(ramp(800, 800 * i), i * 0.05)
        got = [next(blocks) for _ in range(10)]
        fake.inputs[0].deliver(ramp(800, 800 * 14), 14 * 0.05)
        after = next(blocks)
    assert [block.lost_s for block in got] == [0.0] * 10
    assert after.lost_s == pytest.approx(4 * 0.05)
    assert after.start_s == pytest.approx(14 * 0.05)
    assert after.pcm == ramp(800, 800 * 14).astype("<i2").tobytes()


@pytest.mark.parametrize("channels", [1, 2])
def test_device_that_only_knows_44100_hz_is_converted(use, channels):
    refuse = {(SAMPLE_RATE, 1)} | ({(44100, 1)} if channels == 2 else set())
    fake = use(HEADSET | {"max_input_channels": 2}, refuse=refuse)
    with microphone() as blocks:
        stream = fake.inputs[0]
        assert (stream.options["samplerate"], stream.options["channels"]) == (44100, channels)
        sound = np.rint(9000 * np.sin(2 * np.pi * 440 * np.arange(44100 * 2) / 44100)).astype(np.int16)
        for i in range(40):
            part = sound[i * 2205 : (i + 1) * 2205]
            stream.deliver(np.repeat(part[:, None], channels, axis=1), i * 0.05)
        got = [next(blocks) for _ in range(40)]
    pcm = np.frombuffer(b"".join(block.pcm for block in got), "<i2")
    assert 1.95 < len(pcm) / SAMPLE_RATE <= 2.0  # the rest is still in the filter
    expected = 9000 * np.sin(2 * np.pi * 440 * np.arange(len(pcm)) / SAMPLE_RATE)
    assert np.abs(pcm - expected)[200:].max() < 5  # same time, same level
    for before, after in zip(got, got[1:], strict=False):
        assert after.start_s == pytest.approx(before.start_s + before.duration_s)


def test_gap_in_converted_sound_neither_loses_the_filters_rest_nor_shifts_time(use):
    fake = use(HEADSET, refuse={(SAMPLE_RATE, 1)})
    with microphone() as blocks:
        for i in range(20):
            fake.inputs[0].deliver(ramp(2205), 7.0 + i * 0.05)
        fake.inputs[0].deliver(ramp(2205), 7.0 + 20 * 0.05 + 1.0, overflow=True)
        got = [next(blocks) for _ in range(22)]  # one more than delivered: the rest before the gap
    assert got[-1].lost_s == pytest.approx(1.0)
    assert got[-1].start_s == pytest.approx(2.0, abs=0.001)
    assert sum(block.duration_s for block in got[:-1]) == pytest.approx(1.0, abs=0.001)


def test_microphone_that_falls_silent_is_lost(use, monkeypatch):
    module = sys.modules[microphone.__module__]
    monkeypatch.setattr(module, "SILENT_S", 0.1)
    fake = use(HEADSET)
    with microphone() as blocks:
        fake.inputs[0].deliver(ramp(800), 0.0)
        next(blocks)
        began = time.monotonic()
        with pytest.raises(MicrophoneLost, match="'USB Headset' stopped sending sound"):
            next(blocks)
        assert time.monotonic() - began < 1.0
    assert fake.inputs[0].closed


def test_microphone_whose_driver_stops_is_lost_at_once_after_what_came_before(use):
    fake = use(HEADSET)
    with microphone() as blocks:
        fake.inputs[0].deliver(ramp(800), 0.0)
        fake.inputs[0].finished()  # sounddevice calls it too when the callback has raised
        assert next(blocks).duration_s == pytest.approx(0.05)
        with pytest.raises(MicrophoneLost):
            next(blocks)


def test_an_error_in_the_session_closes_the_microphone(use):
    fake = use(HEADSET)
    with pytest.raises(ZeroDivisionError), microphone():
        raise ZeroDivisionError
    assert fake.inputs[0].closed


def test_a_driver_that_hangs_when_its_device_has_gone_does_not_hang_the_program(use, monkeypatch):
    """As PortAudio 19.6 did on JACK when its server was killed."""
    monkeypatch.setattr(sys.modules["handsfree.edges.audio.portaudio"], "LETTING_GO_S", 0.05)
    fake = use(HEADSET)
    never: queue.Queue = queue.Queue()
    with microphone():
        monkeypatch.setattr(fake.inputs[0], "abort", lambda ignore_errors: never.get())
        began = time.monotonic()
    assert time.monotonic() - began < 1.0
    never.put(None)


def test_microphone_that_cannot_be_opened(use):
    use(HEADSET).broken = "Device unavailable"
    with (
        pytest.raises(UserError, match=r"cannot listen to 'USB Headset' \(Device unavailable\); close other"),
        microphone(),
    ):
        pass


def test_no_microphone(use):
    use(SPEAKER)
    with pytest.raises(UserError, match="no microphone found"), microphone():
        pass


def test_without_portaudio_the_message_says_what_to_install(tmp_path, monkeypatch):
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    with pytest.raises(UserError, match="apt install libportaudio2"), microphone():
        pass
    with pytest.raises(UserError, match="recordings still work"):
        list_devices()


# Choosing


def device(number: int, name: str, host: str = "ALSA", inputs: int = 1, **more) -> Device:
    return Device(number, name, host, inputs, 0, 48000, **more)


DEVICES = [
    device(0, "Webcam mic"),
    device(3, "USB Headset", default_input=True),
    device(4, "USB Headset Pro"),
    device(5, "USB Headset", host="MME"),
    device(6, "Speaker", inputs=0),
]


@pytest.mark.parametrize(
    ("wanted", "number"),
    [(None, 3), ("", 3), (4, 4), ("4", 4), ("webcam", 0), ("MIC webcam", 0), ("pro", 4), ("usb headset", 3)],
)
def test_choosing_a_device(wanted, number):
    assert find_device(DEVICES, wanted, "input").number == number


@pytest.mark.parametrize(
    ("wanted", "message"),
    [
        ("guitar", "no microphone is called 'guitar'; there are: 0 = Webcam mic"),
        ("6", "no microphone has number 6"),
        ("99", "no microphone has number 99; there are: 0 = Webcam mic"),
        ("e", "'e' could be several devices; give the number of one: 0 = Webcam mic (ALSA), 3 = USB Headset"),
    ],
)
def test_device_that_cannot_be_told(wanted, message):
    with pytest.raises(UserError) as caught:
        find_device(DEVICES, wanted, "input")
    assert message in str(caught.value)


# The command


def test_devices_command(use):
    from handsfree.commands.devices import devices

    use(HEADSET, WEBCAM, SPEAKER)
    table = CliRunner().invoke(devices).output
    assert "USB Headset" in table
    assert "in and out" in table
    rows = json.loads(CliRunner().invoke(devices, ["--json"]).output)
    assert [(row["number"], row["name"], row["inputs"], row["outputs"], row["rate"]) for row in rows] == [
        (0, "USB Headset", 1, 2, 44100),
        (1, "Webcam mic", 2, 0, 48000),
        (2, "Speaker", 0, 2, 44100),
    ]
    assert rows[0]["default_input"]
    assert not rows[1]["default_input"]


def test_devices_command_without_devices(use):
    from handsfree.commands.devices import devices

    use()
    assert "No sound devices found" in CliRunner().invoke(devices).output


# Player


@pytest.fixture
def output(use):
    fake = use(HEADSET)
    player = Player(find_device(list_devices(), None, "output"), volume=0.5)
    return player, fake.outputs[0]


def test_player_plays_scaled_sound_then_silence(output):
    player, stream = output
    seconds = player.play(ramp(441, 1000), 44100)
    assert seconds == pytest.approx(0.01 + stream.latency)
    assert player.busy
    heard = np.concatenate([stream.take(256)[:, 0], stream.take(256)[:, 0]])
    assert np.array_equal(heard[:441], np.rint(ramp(441, 1000) * 0.5))
    assert not heard[441:].any()


def test_player_converts_the_rate_of_a_prompt(output):
    player, stream = output
    sound = np.rint(8000 * np.sin(2 * np.pi * 440 * np.arange(22050) / 22050)).astype(np.int16)
    assert player.play(sound, 22050) == pytest.approx(1.0 + stream.latency, abs=1e-3)
    heard = stream.take(44100)[:, 0]
    expected = 4000 * np.sin(2 * np.pi * 440 * np.arange(44100) / 44100)
    assert np.abs(heard - expected)[200:-200].max() < 5


def test_player_is_busy_as_long_as_it_is_heard_and_stops_when_told(output):
    player, stream = output
    assert not player.busy
    player.play(ramp(441), 44100)
    time.sleep(0.01 + stream.latency + 0.02)
    assert not player.busy
    player.play(ramp(44100), 44100)
    player.stop()
    assert not player.busy
    assert not stream.take(100).any()


def test_a_new_sound_cuts_off_the_old(output):
    player, stream = output
    player.play(np.full(1000, 1000, np.int16), 44100)
    stream.take(100)
    player.play(np.full(50, 2000, np.int16), 44100)
    assert list(np.unique(stream.take(50))) == [1000]
    assert not stream.take(50).any()


def test_stereo_only_output_gets_the_sound_on_both_sides(use):
    fake = use(HEADSET, refuse={(44100, 1)})
    player = Player(find_device(list_devices(), None, "output"))
    player.play(ramp(10, 5), 44100)
    heard = fake.outputs[0].take(10)
    assert np.array_equal(heard, np.stack([ramp(10, 5)] * 2, axis=1))


def test_output_that_has_gone_plays_nothing_and_says_so(output):
    player, stream = output
    stream.finished()
    assert player.play(ramp(10), 44100) == 0.0
    assert not player.busy


def test_output_that_no_longer_asks_for_sound_has_gone(output, monkeypatch):
    player, _ = output
    module = sys.modules[Player.__module__]
    monkeypatch.setattr(module, "SILENT_S", 0.01)
    time.sleep(0.02)
    assert player.play(ramp(10), 44100) == 0.0


@pytest.mark.parametrize("name", ["counted", "unsure"])
def test_tones_are_short_soft_and_level(name):
    sound = tone(name).astype(float) / 32768
    assert 0.08 <= len(sound) / SAMPLE_RATE <= 0.12
    assert np.abs(sound[:16]).max() < 0.01
    assert np.abs(sound[-16:]).max() < 0.01
    assert 0.08 < np.abs(sound).max() < 0.1001
