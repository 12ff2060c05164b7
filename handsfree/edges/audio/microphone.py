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
SHORTEST_GAP_S = 0.02
DRIFT_SHARE = 0.0005
"""How far each block moves the standard that gaps are measured against: fast enough for two clocks that drift apart by
0.1 ms a second, too slow to follow the errors of the gaps themselves."""


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
    keep their right times. What a full queue refuses is counted in frames; a gap in the driver by its capture clock.

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
    gaps = _Gaps(rate)
    at_s = 0.0
    first = True
    while True:
        try:
            arrival = arrivals.get(timeout=FIRST_BLOCK_S if first else SILENT_S)
        except queue.Empty:
            arrival = None
        if arrival is None:
            raise MicrophoneLost(f"the microphone {name!r} stopped sending sound; is it plugged in and switched on?")
        first = False
        lost_s = gaps.before(arrival)
        if lost_s:
            rest = AudioBlock(at_s, converter.finish())  # what the filter held belongs before the gap
            at_s += rest.duration_s + lost_s
            if rest.pcm:
                yield rest
        frames = np.frombuffer(arrival.pcm, "<i2").reshape(-1, channels).astype(np.float32) / np.float32(32768)
        block = AudioBlock(at_s, converter.convert(frames), lost_s)
        at_s += block.duration_s
        yield block


class _Gaps:
    """Finds out how much sound is missing before a block.

    A gap in the driver is how far its capture clock has run ahead of the sound delivered, compared with before. The
    clock jitters (by 25 ms on a loaded machine with JACK), so it is asked only when the driver reports a loss, and
    always against the same slowly moving standard: then errors stay within the jitter and do not add up.

    PortAudio raises its flag on the block the gap lies before *or within*; in the second case only the next block's
    capture time shows it. So both are looked at.
    """

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._taken_s = 0.0  # sound delivered and lost so far
        self._lead_s = 0.0  # capture clock less that, as it usually is
        self._seen = 0
        self._flagged = False

    def before(self, arrival: _Arrival) -> float:
        """Seconds missing before this block; call it once for each, in order."""
        lead_s = arrival.captured_s - self._taken_s
        lost_s = arrival.refused / self._rate
        if self._seen and (arrival.overflow or self._flagged):
            lost_s = max(lost_s, lead_s - self._lead_s)
        else:
            self._seen += 1
            self._lead_s += (lead_s - lost_s - self._lead_s) * max(1 / self._seen, DRIFT_SHARE)
        if lost_s < SHORTEST_GAP_S:
            lost_s = 0.0
        self._flagged = arrival.overflow
        self._taken_s += lost_s + arrival.frames / self._rate
        return lost_s


def _input_format(sounddevice: Any, device: Device) -> tuple[int, int]:
    """(rate, channels) to open a microphone with: 16 kHz mono if it can, else its own rate, else two channels."""
    for rate, channels in ((SAMPLE_RATE, 1), (device.rate, 1), (device.rate, min(2, device.inputs))):
        try:
            sounddevice.check_input_settings(device=device.number, channels=channels, dtype="int16", samplerate=rate)
        except sounddevice.PortAudioError:
            continue
        return rate, channels
    return device.rate, device.inputs  # opening it says what is wrong
