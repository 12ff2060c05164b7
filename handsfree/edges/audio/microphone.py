"""Microphones -> AudioBlocks, through sounddevice (PortAudio)."""

from __future__ import annotations

import queue
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, NamedTuple

import numpy as np

from handsfree.core.devices import Device, find_device
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock
from handsfree.edges.audio.convert import BLOCK_S, Converter
from handsfree.edges.audio.portaudio import let_go, list_devices, portaudio, reason

BACKLOG_S = 30.0
"""How far listening may fall behind the microphone before sound is lost (1 MB at 16 kHz)."""
SILENT_S = 2.0
"""A microphone that delivers no block for so long is lost. Blocks come even when the room is quiet."""
FIRST_BLOCK_S = 6.0
"""Longer patience for the first block: a wireless headset may have to switch to its call mode first."""


class MicrophoneLost(UserError):
    """The microphone stopped delivering sound (unplugged, switched off, taken by another program)."""


class _Arrival(NamedTuple):
    """What the sound driver's callback hands over."""

    pcm: bytes
    frames: int
    captured_s: float  # the driver's clock at the first frame
    overflow: bool  # the driver lost sound just before this
    refused: int  # frames that found the queue full just before this


@contextmanager
def microphone(device: str | int | None = None, *, block_s: float = BLOCK_S) -> Iterator[Iterator[AudioBlock]]:
    """Blocks of a microphone for as long as the context is open. `device`: number, words of its name, or the default.

    The driver's callback only copies and queues. Sound is lost when the driver says so or when the queue is full
    (BACKLOG_S behind); the next block then carries `lost_s` and its `start_s` is later by as much, so that later words
    keep their right times. A full queue is counted in frames, exactly; a gap in the driver is the step of its capture
    clock from one block to the next, less the sound delivered between.

    Raises UserError if there is no such device or it cannot be opened; iteration raises MicrophoneLost when no block
    has come for SILENT_S or the driver has stopped. Iteration never ends by itself.
    """
    sounddevice = portaudio()
    chosen = find_device(list_devices(), device, "input")
    rate, channels = _input_format(sounddevice, chosen)
    arrivals: queue.Queue[_Arrival | None] = queue.Queue(maxsize=max(2, round(BACKLOG_S / block_s)))
    refused = 0

    def callback(indata: Any, frames: int, clock: Any, status: Any) -> None:
        nonlocal refused
        captured_s = clock.inputBufferAdcTime or clock.currentTime  # some drivers leave the former at 0
        try:
            arrivals.put_nowait(_Arrival(bytes(indata), frames, captured_s, bool(status.input_overflow), refused))
            refused = 0
        except queue.Full:
            refused += frames

    def finished() -> None:
        with suppress(queue.Full):  # then the wait for a block runs out instead
            arrivals.put_nowait(None)

    try:
        stream = sounddevice.RawInputStream(
            device=chosen.number,
            samplerate=rate,
            channels=channels,
            dtype="int16",
            blocksize=round(rate * block_s),
            callback=callback,
            finished_callback=finished,
        )
        stream.start()
    except sounddevice.PortAudioError as error:
        raise UserError(
            f"cannot listen to {chosen.name!r} ({reason(error)}); close other programs that use it, "
            "or choose another with --device (`handsfree devices` lists them)"
        ) from None
    try:
        yield _listen(arrivals, rate, channels, chosen.name)
    finally:
        let_go(sounddevice, stream)


def _listen(arrivals: queue.Queue[_Arrival | None], rate: int, channels: int, name: str) -> Iterator[AudioBlock]:
    converter = Converter(rate)
    at_s = 0.0
    previous: _Arrival | None = None
    while True:
        try:
            arrival = arrivals.get(timeout=SILENT_S if previous else FIRST_BLOCK_S)
        except queue.Empty:
            arrival = None
        if arrival is None:
            raise MicrophoneLost(f"the microphone {name!r} stopped sending sound; is it plugged in and switched on?")
        lost_s = _lost_s(previous, arrival, rate) if previous else 0.0
        if lost_s:
            rest = AudioBlock(at_s, converter.finish())  # what the filter held belongs before the gap
            at_s += rest.duration_s + lost_s
            if rest.pcm:
                yield rest
        frames = np.frombuffer(arrival.pcm, "<i2").reshape(-1, channels).astype(np.float32) / np.float32(32768)
        block = AudioBlock(at_s, converter.convert(frames), lost_s)
        at_s += block.duration_s
        previous = arrival
        yield block


def _lost_s(previous: _Arrival, arrival: _Arrival, rate: int) -> float:
    """Seconds of sound missing between two blocks.

    PortAudio raises the overflow flag on the block the gap lies before *or within*; in the second case only the next
    block's capture time shows it. So both steps of the clock are looked at, and no other: it jitters.
    """
    lost_s = arrival.refused / rate
    if arrival.overflow or previous.overflow:
        lost_s = max(lost_s, arrival.captured_s - previous.captured_s - previous.frames / rate)
    return lost_s if lost_s > 0.001 else 0.0


def _input_format(sounddevice: Any, device: Device) -> tuple[int, int]:
    """(rate, channels) to open a microphone with: 16 kHz mono if it can, else its own rate, else two channels."""
    for rate, channels in ((SAMPLE_RATE, 1), (device.rate, 1), (device.rate, min(2, device.inputs))):
        try:
            sounddevice.check_input_settings(device=device.number, channels=channels, dtype="int16", samplerate=rate)
        except sounddevice.PortAudioError:
            continue
        return rate, channels
    return device.rate, device.inputs  # opening it says what is wrong
