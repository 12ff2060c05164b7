"""The level meter against ITU-T P.56 (12/2011), method B, and signals whose levels are known by construction."""

from __future__ import annotations

import math

import numpy as np
import pytest

from handsfree.core.events import SAMPLE_RATE
from handsfree.edges.level import LevelMeter, Reading

RNG = np.random.default_rng(5)


def sine(seconds: float, level_dbov: float, hz: float = 1000.0) -> np.ndarray:
    """A sine whose power is `level_dbov` below a full-scale square wave's."""
    amplitude = math.sqrt(2) * 10 ** (level_dbov / 20)
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(seconds * SAMPLE_RATE)) / SAMPLE_RATE)


def bursts(on_s: float, off_s: float, level_dbov: float, count: int = 6, noise_dbov: float = -90.0) -> np.ndarray:
    one = np.concatenate([sine(on_s, level_dbov), np.zeros(round(off_s * SAMPLE_RATE))])
    whole = np.tile(one, count)
    return whole + RNG.normal(size=len(whole)) * 10 ** (noise_dbov / 20)


def pcm(sound: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(sound * 32768), -32768, 32767).astype("<i2")


def read(sound: np.ndarray, block: int = 800) -> Reading:
    meter = LevelMeter()
    data = pcm(sound)
    for start in range(0, len(data), block):
        meter.feed(data[start : start + block].tobytes())
    return meter.reading()


def p56(sound: np.ndarray) -> tuple[float, list[int]]:
    """Active speech level in dBov and the activity counts, sample by sample, written from the Recommendation: magnitude
    smoothed twice with 0.03 s, fifteen thresholds from one 16-bit step's power of two to half of full scale, hangover
    0.2 s, margin 15.9 dB, straight line between the two thresholds around the margin.
    """
    g = math.exp(-1 / (SAMPLE_RATE * 0.03))
    hangover = round(SAMPLE_RATE * 0.2)
    thresholds = [2.0**-k for k in range(15, 0, -1)]
    active, since = [0] * 15, [hangover] * 15
    p = q = energy = 0.0
    for x in pcm(sound) / 32768:
        energy += x * x
        p = g * p + (1 - g) * abs(x)
        q = g * q + (1 - g) * p
        for j, threshold in enumerate(thresholds):
            since[j] = 0 if q >= threshold else since[j] + 1
            active[j] += since[j] <= hangover  # never before the first crossing, because of how `since` starts
    levels = [10 * math.log10(energy / a) if a else math.nan for a in active]
    above = [level - 20 * math.log10(c) - 15.9 for level, c in zip(levels, thresholds, strict=True)]
    j = next(j for j in range(1, 15) if above[j] <= 0)
    return levels[j - 1] + above[j - 1] / (above[j - 1] - above[j]) * (levels[j] - levels[j - 1]), active


@pytest.mark.parametrize("block", [1, 79, 800, 16000])
def test_agrees_with_p56_sample_by_sample_whatever_the_blocks(block):
    sound = bursts(0.4, 0.7, -26.0, count=2, noise_dbov=-60.0)
    expected, active = p56(sound)
    meter = LevelMeter()
    data = pcm(sound)
    for start in range(0, len(data), block):
        meter.feed(data[start : start + block].tobytes())
    assert meter._active.tolist() == active
    assert meter.reading().speech_db == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("level", [-10.0, -26.0, -40.0])
def test_steady_tone_is_active_throughout(level):
    """-26 dBov is the nominal speech level of the P-series Recommendations."""
    reading = read(sine(10.0, level))
    assert reading.speech_db == pytest.approx(level, abs=0.1)
    assert reading.rms_db == pytest.approx(level, abs=0.01)
    assert reading.activity == pytest.approx(1.0, abs=0.02)


def test_full_scale_sine_is_3_db_below_full_scale_square():
    """0 dBov is the power of a full-scale square wave (as in ITU-T G.191's meter), so a sine reads 10 log10(1/2)."""
    assert read(np.sign(sine(1.0, -3.0)) * 32767 / 32768).rms_db == pytest.approx(0.0, abs=0.01)
    reading = read(sine(1.0, 10 * math.log10(0.5)))
    assert reading.rms_db == pytest.approx(-3.0103, abs=0.01)
    assert reading.peak_db == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(("on_s", "off_s"), [(2.0, 2.0), (1.0, 3.0), (3.0, 1.0), (0.5, 1.5)])
def test_pauses_do_not_lower_the_speech_level(on_s, off_s):
    """What P.56 must give for tone bursts, by hand. The envelope of a sine stands at 2 sqrt(2)/pi of its RMS and moves
    as 1-(1+u)e^-u and (1+u)e^-u, u = t/0.03 s; activity runs from its rise to its fall through the threshold 15.9 dB
    below the level found, plus the 0.2 s hangover.
    """
    from scipy.optimize import brentq

    def active_s(level_below_rms_db: float) -> float:
        ratio = 10 ** ((level_below_rms_db - 15.9) / 20) / (2 * math.sqrt(2) / math.pi)
        rise = brentq(lambda u: 1 - (1 + u) * math.exp(-u) - ratio, 0, 20)
        fall = brentq(lambda u: (1 + u) * math.exp(-u) - ratio, 0, 20)
        return on_s + 0.2 + 0.03 * (fall - rise)

    below = brentq(lambda db: db - 10 * math.log10(on_s / active_s(db)), -10, 0)
    reading = read(bursts(on_s, off_s, -26.0))
    assert reading.speech_db == pytest.approx(-26.0 + below, abs=0.1)
    assert reading.activity * (on_s + off_s) == pytest.approx(active_s(below), rel=0.03)
    assert reading.rms_db == pytest.approx(-26.0 + 10 * math.log10(on_s / (on_s + off_s)), abs=0.1)


def test_speech_level_rises_one_for_one():
    levels = [read(bursts(0.5, 0.5, level)).speech_db for level in (-36.0, -26.0, -16.0)]
    assert np.diff(levels) == pytest.approx([10.0, 10.0], abs=0.2)


def test_noise_floor_is_that_of_the_gaps():
    reading = read(bursts(0.5, 0.5, -26.0, noise_dbov=-55.0))
    assert reading.noise_db == pytest.approx(-55.0, abs=1.0)


def test_newest_block_peak_and_clipping():
    meter = LevelMeter()
    meter.feed(pcm(sine(1.0, -20.0)).tobytes())
    meter.feed(pcm(np.array([0.0, 1.5, -1.5, 1.5])).tobytes())
    meter.feed(pcm(sine(0.05, -40.0)).tobytes())
    reading = meter.reading()
    assert reading.clipped == 3
    assert reading.peak_db == pytest.approx(0.0, abs=0.01)
    assert reading.now_db == pytest.approx(-40.0, abs=0.1)
    assert reading.seconds == pytest.approx(1.05, abs=0.001)


@pytest.mark.parametrize("sound", [np.zeros(0), np.zeros(16000)])
def test_silence_has_no_speech_level(sound):
    reading = read(sound)
    assert reading.speech_db is None
    assert (reading.activity, reading.clipped) == (0.0, 0)
    assert reading.rms_db == -100.0
    assert reading.noise_db == (-100.0 if len(sound) else None)
