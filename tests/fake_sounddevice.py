"""A stand-in for the library sounddevice: devices as told, streams that the test drives by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np


class PortAudioError(Exception):
    pass


class FakeSoundDevice:
    """Put it into sys.modules["sounddevice"]. `refuse`: (rate, channels) pairs that no device accepts."""

    PortAudioError = PortAudioError

    def __init__(self, devices: list[dict[str, Any]], refuse: set[tuple[int, int]] = frozenset()) -> None:
        self.devices, self.refuse = devices, refuse
        self.broken = ""
        self.inputs: list[FakeStream] = []
        self.outputs: list[FakeStream] = []

    def _exit_handler(self) -> None: ...

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": "ALSA"}, {"name": "Pulse"}]

    def query_devices(self, kind: str | None = None) -> Any:
        rows = [
            {"index": i, "hostapi": 0, "default_samplerate": 44100.0, "max_input_channels": 1, "max_output_channels": 0}
            | device
            for i, device in enumerate(self.devices)
        ]
        if kind is None:
            return rows
        for row in rows:
            if row[f"max_{kind}_channels"]:
                return row
        raise PortAudioError("Error querying device -1", -1)

    def check_input_settings(self, device: int, channels: int, dtype: str, samplerate: float) -> None:
        if (samplerate, channels) in self.refuse:
            raise PortAudioError("Invalid sample rate", -9997)

    check_output_settings = check_input_settings

    def RawInputStream(self, **options: Any) -> FakeStream:
        return self._stream(self.inputs, options)

    def RawOutputStream(self, **options: Any) -> FakeStream:
        return self._stream(self.outputs, options)

    def _stream(self, streams: list[FakeStream], options: dict[str, Any]) -> FakeStream:
        if self.broken:
            raise PortAudioError(f"Error opening RawInputStream: {self.broken}", -9985)
        streams.append(FakeStream(options))
        return streams[-1]


class FakeStream:
    latency = 0.05

    def __init__(self, options: dict[str, Any]) -> None:
        self.options = options
        self.callback, self.finished = options["callback"], options["finished_callback"]
        self.closed = False

    def start(self) -> None: ...

    def abort(self, ignore_errors: bool) -> None: ...

    def close(self, ignore_errors: bool) -> None:
        self.closed = True

    def deliver(self, samples: np.ndarray, at_s: float, overflow: bool = False, adc: bool = True) -> None:
        """Call the input callback as a driver does: in memory that is overwritten right after."""
        memory = bytearray(samples.astype("<i2").tobytes())
        clock = SimpleNamespace(inputBufferAdcTime=at_s if adc else 0.0, currentTime=at_s + 0.02)
        self.callback(memoryview(memory), len(samples), clock, SimpleNamespace(input_overflow=overflow))
        memory[:] = b"\x55" * len(memory)

    def take(self, frames: int) -> np.ndarray:
        """Call the output callback; shape (frames, channels)."""
        channels = self.options["channels"]
        memory = bytearray(b"\x55" * (frames * channels * 2))
        self.callback(memoryview(memory), frames, None, None)
        return np.frombuffer(bytes(memory), "<i2").reshape(frames, channels)
