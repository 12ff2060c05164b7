"""Sound out: prompts and tones into the headset, through sounddevice (PortAudio)."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from handsfree.core.devices import Device
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE
from handsfree.edges.audio.portaudio import let_go, portaudio, reason

TONE_LEVEL = 0.1
"""Amplitude of the tones, full scale 1: an RMS of -23 dBFS at its peak, like the prompts."""
SILENT_S = 2.0
"""An output that asks for no sound for so long is lost."""
TONES: Mapping[str, tuple[tuple[float, float], ...]] = {
    "counted": ((990.0, 0.09),),
    "unsure": ((1200.0, 0.035), (0.0, 0.04), (1200.0, 0.035)),
}
"""Name -> pips of (Hz, seconds), 0 Hz for a gap. All steady: our own ear once took a gliding one for a word."""


def tone(name: str) -> npt.NDArray[np.int16]:
    """A short tone at 16 kHz; each pip swells and fades like half a sine, so that it does not click."""
    pips = []
    for hz, seconds in TONES[name]:
        t = np.arange(round(seconds * SAMPLE_RATE)) / SAMPLE_RATE
        pips.append(TONE_LEVEL * np.sin(np.pi * t / seconds) * np.sin(2 * np.pi * hz * t))
    return np.rint(32767 * np.concatenate(pips)).astype(np.int16)


class Player:
    """Plays one sound at a time without waiting for it. A new sound cuts off the one still playing.

    The output stays open, silent between sounds: opening it for each would delay a tone by up to a second on wireless
    headsets.
    """

    def __init__(self, device: Device, volume: float = 1.0) -> None:
        """`volume` multiplies every sample, 0-1. Raises UserError if the device cannot be opened."""
        self._sounddevice = sounddevice = portaudio()
        self._volume = volume
        self._rate = device.rate
        self._channels = 1
        self._rest = b""  # what is still to be played
        self._lock = threading.Lock()
        self._until = 0.0
        self._asked = time.monotonic()  # when the driver last wanted sound
        self._ended = False
        try:
            sounddevice.check_output_settings(device=device.number, channels=1, dtype="int16", samplerate=device.rate)
        except sounddevice.PortAudioError:
            self._channels = min(2, device.outputs)  # some interfaces take nothing but stereo
        try:
            self._stream = sounddevice.RawOutputStream(
                device=device.number,
                samplerate=device.rate,
                channels=self._channels,
                dtype="int16",
                callback=self._fill,
                finished_callback=self._finished,
            )
            self._stream.start()
        except sounddevice.PortAudioError as error:
            raise UserError(
                f"cannot play on {device.name!r} ({reason(error)}); choose another output (`handsfree devices`)"
            ) from None

    def _fill(self, outdata: Any, frames: int, clock: Any, status: Any) -> None:
        self._asked = time.monotonic()
        with self._lock:
            now, self._rest = self._rest[: len(outdata)], self._rest[len(outdata) :]
        outdata[: len(now)] = now
        outdata[len(now) :] = bytes(len(outdata) - len(now))

    def _finished(self) -> None:
        self._ended = True

    @property
    def lost(self) -> bool:
        """Whether the device has gone. Not every driver says so; all stop asking for sound."""
        return self._ended or time.monotonic() - self._asked > SILENT_S

    def play(self, pcm: npt.NDArray[np.int16], rate: int) -> float:
        """Start playing mono `pcm`, shape (n,). Returns in how many seconds the last of it will have been heard (the
        output's delay included); 0.0 if the device has gone.
        """
        import soxr

        if self.lost:
            return 0.0
        sound = pcm.astype(np.float32) * np.float32(self._volume)
        if rate != self._rate:
            sound = soxr.resample(sound, rate, self._rate)
        frames = np.clip(np.rint(sound), -32768, 32767).astype(np.int16)
        with self._lock:
            self._rest = np.repeat(frames, self._channels).tobytes()
        seconds = len(frames) / self._rate + float(self._stream.latency)
        self._until = time.monotonic() + seconds
        return seconds

    @property
    def busy(self) -> bool:
        """Whether the last sound can still be heard."""
        return not self.lost and time.monotonic() < self._until

    def stop(self) -> None:
        """Fall silent at once."""
        with self._lock:
            self._rest = b""
        self._until = 0.0

    def close(self) -> None:
        let_go(self._sounddevice, self._stream)


class NoPlayer:
    """Stands in where nothing can or should be heard: no output device, a session from a file."""

    busy = False

    def play(self, pcm: npt.NDArray[np.int16], rate: int) -> float:
        return 0.0

    def stop(self) -> None: ...

    def close(self) -> None: ...
