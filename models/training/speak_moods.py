"""What is done to a synthetic voice so that it sounds called out, whispered, sung, or like a child; numpy alone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Sound = npt.NDArray[np.float32]
"""Mono samples, full scale 1."""

HALF_WIDTH = 16
"""Zero crossings of the interpolating sinc on each side."""
QUIETEST_DB = -42.0
"""Against the loudest 10 ms: what is quieter at either end counts as silence."""
PREDICTION_ORDER = 18
"""Enough for the formants of an adult at 16 kHz: two for each of four or five, and the tilt."""
WINDOW_S, HOP_S = 0.024, 0.006


def read_at(sound: Sound, places: npt.NDArray[np.float64], cutoff: float) -> Sound:
    """The sound at fractional sample numbers, by a windowed sinc that passes frequencies up to `cutoff` of its Nyquist
    frequency. One function for another rate, another pitch and a moving pitch. Outside the sound there is silence."""
    reach = int(np.ceil(HALF_WIDTH / cutoff))
    padded = np.pad(sound, reach + 1)
    whole = np.floor(places).astype(np.int64)
    taps = np.arange(-reach + 1, reach + 1)
    apart = (places - whole)[:, None] - taps
    kernel = cutoff * np.sinc(cutoff * apart) * np.cos(np.pi * apart / (2 * (reach + 1))) ** 2
    index = np.clip(whole[:, None] + taps + reach + 1, 0, len(padded) - 1)
    return np.einsum("nt,nt->n", padded[index], kernel.astype(np.float32)).astype(np.float32)


def shift(sound: Sound, rate: int, new_rate: int, semitones: npt.NDArray[np.float64]) -> Sound:
    """Another rate, and another pitch. Pitch, formants and pace move together, as from a smaller or larger person.

    semitones  the shift along the sound, at even distances; one number for the same all along
    """
    points = np.linspace(0, 1, max(2, len(sound) // (rate // 100)))
    along = np.interp(points, np.linspace(0, 1, len(semitones)), semitones) if len(semitones) > 1 else semitones[0]
    step = 2 ** (np.broadcast_to(along, points.shape) / 12) * rate / new_rate
    ends = np.concatenate([[0], np.cumsum(len(sound) / (len(points) - 1) / ((step[1:] + step[:-1]) / 2))])
    places = np.interp(np.arange(int(ends[-1])), ends, points * len(sound))
    return read_at(sound, places, min(1.0, 1 / float(step.max())) * 0.97)


def trim(sound: Sound, rate: int, before_s: float, after_s: float) -> Sound:
    """Without the silence at both ends but for these stretches, with edges that fade. Empty where all is silent."""
    frame = rate // 100
    level = np.array([np.sqrt(np.mean(part**2)) for part in np.array_split(sound, max(1, len(sound) // frame))])
    if level.max(initial=0) < 1e-4:
        return sound[:0]
    loud = np.flatnonzero(level > level.max() * 10 ** (QUIETEST_DB / 20))
    start, end = loud[0] * frame - int(before_s * rate), (loud[-1] + 1) * frame + int(after_s * rate)
    kept = np.pad(sound, (max(0, -start), max(0, end - len(sound))))[max(0, start) :][: end - start].copy()
    fade = np.linspace(0, 1, rate // 200, dtype=np.float32)
    kept[: len(fade)] *= fade
    kept[-len(fade) :] *= fade[::-1]
    return kept


def whisper(sound: Sound, rate: int, breath: float, rng: np.random.Generator) -> Sound:
    """Noise through the voice's resonances (linear prediction; Makhoul 1975), `breath` of it and the rest as it was.

    Whispering has no pitch and less of the low end than speaking, so the noise is brightened a little.
    """
    width, hop = int(WINDOW_S * rate), int(HOP_S * rate)
    window = np.hanning(width + 1)[:-1]
    padded = np.pad(sound, (width, width)).astype(np.float64)
    starts = np.arange(0, len(padded) - width, hop)
    frames = padded[starts[:, None] + np.arange(width)] * window
    powers = np.abs(np.fft.rfft(frames, 2 * width)) ** 2
    lags = np.fft.irfft(powers)[:, : PREDICTION_ORDER + 1]
    lags[:, 0] = lags[:, 0] * 1.0001 + 1e-9
    order = np.arange(PREDICTION_ORDER)
    predictor = np.linalg.solve(lags[:, np.abs(order[:, None] - order)], lags[:, 1:, None])[..., 0]
    gain = np.sqrt(np.maximum(lags[:, 0] - np.sum(predictor * lags[:, 1:], axis=1), 0))
    filters = np.concatenate([np.ones((len(starts), 1)), -predictor], axis=1)
    response = gain[:, None] / np.maximum(np.abs(np.fft.rfft(filters, 2 * width)), 1e-6)
    noise = rng.normal(0, 1, len(padded))
    excitation = np.fft.rfft(noise[starts[:, None] + np.arange(width)] * window, 2 * width)
    excitation *= np.linspace(0.4, 1.6, width + 1) / np.sqrt(np.sum(window**2))
    out = np.zeros(len(padded) + 2 * width)
    for start, piece in zip(starts, np.fft.irfft(excitation * response), strict=True):
        out[start : start + 2 * width] += piece
    breathed = out[width : width + len(sound)]
    level, own = np.sqrt(np.mean(sound**2)), np.sqrt(np.mean(breathed**2))
    return ((1 - breath) * sound + breath * breathed * level / max(own, 1e-9)).astype(np.float32)


def call_out(sound: Sound) -> Sound:
    """Effort: less low end against the high (a raised voice is flatter; Traunmüller & Eriksson 2000), peaks pressed."""
    bright = np.append(sound[:1], sound[1:] - 0.6 * sound[:-1])
    return np.tanh(3 * bright / max(float(np.abs(bright).max()), 1e-6)).astype(np.float32)
