"""Sound for the bench: pieces laid out in time, rooms, noise, telephones. Samples are float32 in -1..1 at 16 kHz."""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

RATE = 16_000
FRAME = RATE // 100
BEFORE_S, AFTER_S = 0.5, 0.8
"""Faint noise around each case, so that its first and last words have a pause beside them."""
FAINT = 3 / 32768
PAUSE_S = 0.15
VOICED = 0.6
"""So much of a voiced sound is the same a period later."""

Samples = NDArray[np.float32]


def read(path: Path | str) -> Samples:
    """Mono samples. Raises ValueError where the file is not what it should be."""
    import soundfile

    try:
        sound, rate = soundfile.read(path, dtype="float32", always_2d=True)
    except RuntimeError as error:
        raise ValueError(f"{path}: unreadable") from error
    if rate != RATE or not len(sound):
        raise ValueError(f"{path}: {rate} Hz, {len(sound)} samples")
    return sound.mean(axis=1)


def chance(*key: object) -> np.random.Generator:
    """The same chance for the same key, on every machine."""
    return np.random.default_rng(zlib.crc32(repr(key).encode()))


def levels_db(samples: Samples) -> NDArray[np.float64]:
    """Of each frame of 10 ms, relative to full scale."""
    frames = samples[: len(samples) // FRAME * FRAME].reshape(-1, FRAME).astype(float)
    return 10 * np.log10(np.square(frames).mean(axis=1) + 1e-12)


def active_level_db(samples: Samples) -> float:
    """Level of the frames within 25 dB of the loudest: of the speech, not of the pauses in it."""
    level = levels_db(samples)
    loud = level[level > level.max() - 25]
    return float(10 * np.log10(np.mean(10 ** (loud / 10))))


def word_span(samples: Samples) -> tuple[float, float] | None:
    """Where the one word of a recording begins and ends, seconds; None where that is not clear.

    By energy, as `word_in` of tests/data/make_sessions.py has it: 10 dB above the recording's own noise and within
    30 dB of its peak. A soft first or last consonant may lie outside.
    """
    from tests.data.make_sessions import word_in

    span = word_in(samples)
    return None if span is None else (span[0] / RATE, span[1] / RATE)


def pitch_hz(samples: Samples) -> float | None:
    """Of a voice, the median of its voiced frames; None where there is none. Autocorrelation (Rabiner 1977, IEEE
    Transactions on Acoustics, Speech, and Signal Processing 25, 24-33): 40 ms every 10 ms, 70 to 400 Hz."""
    size, longest, shortest = 4 * FRAME, RATE // 70, RATE // 400
    if len(samples) < size + FRAME:
        return None
    frames = np.lib.stride_tricks.sliding_window_view(samples.astype(float), size)[::FRAME]
    power = np.square(frames).mean(axis=1)
    frames = frames[power > power.max() * 10**-1.5]
    frames = (frames - frames.mean(axis=1, keepdims=True)) * np.hanning(size)
    spectra = np.abs(np.fft.rfft(frames, 2 * size)) ** 2
    alike = np.fft.irfft(spectra)[:, :longest] / np.maximum(np.square(frames).sum(axis=1, keepdims=True), 1e-12)
    window = np.fft.irfft(np.abs(np.fft.rfft(np.hanning(size), 2 * size)) ** 2)[:longest]
    alike /= window / window[0]  # a longer delay compares less of the window with itself
    peaks = np.where((alike[:, 1:-1] > alike[:, :-2]) & (alike[:, 1:-1] >= alike[:, 2:]), alike[:, 1:-1], 0)
    peaks[:, : shortest - 1] = 0
    highest = peaks.max(axis=1, keepdims=True)
    period = (peaks >= 0.9 * highest).argmax(axis=1) + 1  # after two or three periods it is as much the same
    voiced = period[highest[:, 0] > VOICED]
    return float(np.median(RATE / voiced)) if len(voiced) else None


def breaths(samples: Samples) -> list[Samples]:
    """Running speech cut in the middle of its pauses: 0.15 s or more, 25 dB below the speech."""
    level = levels_db(samples)
    quiet = np.flatnonzero(level < active_level_db(samples) - 25)
    runs = np.split(quiet, np.flatnonzero(np.diff(quiet) > 1) + 1) if len(quiet) else []
    cuts = [int(run[len(run) // 2]) * FRAME for run in runs if len(run) * FRAME >= PAUSE_S * RATE]
    edges = [0, *cuts, len(samples)]
    return [samples[a:b] for a, b in zip(edges, edges[1:], strict=False) if b - a >= 0.3 * RATE]


def shuffled_talk(recordings: list[Samples], rng: np.random.Generator) -> Samples:
    """Breaths of several people in turn, 0.05-0.6 s between them, as in a conversation."""
    parts = [part for recording in recordings for part in breaths(recording)]
    laid: list[Samples] = []
    for i in rng.permutation(len(parts)):
        laid += [parts[i], faint(rng.uniform(0.05, 0.6), rng)]
    return np.concatenate(laid)


def faint(seconds: float, rng: np.random.Generator) -> Samples:
    """The hiss of a sound card."""
    return rng.normal(0, FAINT, round(seconds * RATE)).astype(np.float32)


def far(samples: Samples, metres: float, rng: np.random.Generator) -> Samples:
    """From so far in a living room of 60 m3 with a reverberation time of 0.5 s.

    The direct sound falls as 1/distance from what it is at 0.3 m; the reverberation, exponentially decaying noise, is
    as strong as it at the critical distance 0.057 sqrt(V/T) (Kuttruff, Room Acoustics), and the same everywhere.
    """
    from scipy.signal import fftconvolve

    volume_m3, decay_s, near_m = 60.0, 0.5, 0.3
    critical_m = 0.057 * np.sqrt(volume_m3 / decay_s)
    t = np.arange(round(decay_s * RATE)) / RATE
    room = rng.standard_normal(len(t)) * 10 ** (-3 * t / decay_s)
    room[: RATE // 400] = 0
    room *= near_m / critical_m / np.sqrt(np.square(room).sum())
    room[0] = near_m / metres
    return fftconvolve(samples, room)[: len(samples)].astype(np.float32)


def with_noise(samples: Samples, noise: Samples, snr_db: float, rng: np.random.Generator) -> Samples:
    """A stretch of the noise under all of it; both levels are those of the loud parts (`active_level_db`)."""
    noise = np.resize(noise, max(len(noise), len(samples) + RATE))
    starts = rng.integers(0, len(noise) - len(samples), 5)
    stretches = [noise[at : at + len(samples)] for at in starts]
    stretch = max(stretches, key=lambda one: float(np.square(one).sum()))  # not the pause between two barks
    gain_db = active_level_db(samples) - active_level_db(stretch) - snr_db
    return samples + stretch * np.float32(10 ** (gain_db / 20))


def telephone(samples: Samples) -> Samples:
    """300-3400 Hz, 8 kHz, 8 bits after the mu law (ITU-T G.711, as a formula, not its table)."""
    spectrum = np.fft.rfft(samples)
    hertz = np.fft.rfftfreq(len(samples), 1 / RATE)
    edges = np.clip((hertz - 200) / 100, 0, 1) * np.clip((3700 - hertz) / 300, 0, 1)
    narrow = np.clip(np.fft.irfft(spectrum * edges, len(samples))[::2], -1, 1)
    mu = 255
    coded = np.round(np.sign(narrow) * np.log1p(mu * np.abs(narrow)) / np.log1p(mu) * 127) / 127
    decoded = np.sign(coded) * np.expm1(np.abs(coded) * np.log1p(mu)) / mu
    wide = np.fft.rfft(decoded)
    full = np.zeros(len(samples) // 2 + 1, complex)
    full[: len(wide)] = wide
    full[hertz > 3700] = 0
    return (2 * np.fft.irfft(full, len(samples))).astype(np.float32)
