"""Recordings -> blocks: every format and rate, faithful in time, pitch and level; bad files as one clear line."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections import deque
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE
from handsfree.edges.audio import read_file

HZ = 440.0


def tone(rate: int, seconds: float, hz: float = HZ, amplitude: float = 0.3) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(rate * seconds)) / rate)


def samples(path: Path, **options) -> np.ndarray:
    return np.frombuffer(b"".join(block.pcm for block in read_file(path, **options)), "<i2")


def strongest_hz(pcm: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(pcm * np.hanning(len(pcm))))
    return float(np.argmax(spectrum) * SAMPLE_RATE / len(pcm))


def rms_db(pcm: np.ndarray) -> float:
    return float(10 * np.log10(np.mean((pcm / 32768.0) ** 2)))


RATES = [8000, 11025, 16000, 22050, 32000, 44100, 48000, 96000, 192000]


@pytest.mark.parametrize("rate", RATES)
def test_any_rate_keeps_length_pitch_and_level(tmp_path, rate):
    soundfile.write(tmp_path / "a.wav", tone(rate, 4.0), rate)
    pcm = samples(tmp_path / "a.wav")
    assert len(pcm) == 4 * SAMPLE_RATE
    assert strongest_hz(pcm) == pytest.approx(HZ, abs=0.25)  # the FFT's own step
    assert rms_db(pcm) == pytest.approx(20 * np.log10(0.3) - 3.0103, abs=0.05)


@pytest.mark.parametrize("rate", [8000, 22050, 44100, 48000])
def test_agrees_with_the_resampler_of_scipy(tmp_path, rate):
    """Outside check: scipy.signal.resample_poly on the whole file, noise below 3 kHz. Any shift in time would show."""
    from scipy.signal import firwin, lfilter, resample_poly

    noise = np.random.default_rng(1).normal(size=rate * 3) * 0.1
    sound = lfilter(firwin(201, 3000, fs=rate), 1.0, noise)
    soundfile.write(tmp_path / "a.wav", sound, rate, subtype="FLOAT")
    gcd = np.gcd(rate, SAMPLE_RATE)
    expected = resample_poly(sound, SAMPLE_RATE // gcd, rate // gcd, window=("kaiser", 12.0))
    middle = slice(2000, -2000)
    error = samples(tmp_path / "a.wav")[middle] / 32768 - expected[middle]
    assert 20 * np.log10(error.std() / expected[middle].std()) < -45


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW"])
def test_any_sample_format(tmp_path, subtype):
    soundfile.write(tmp_path / "a.wav", tone(SAMPLE_RATE, 1.0), SAMPLE_RATE, subtype=subtype)
    pcm = samples(tmp_path / "a.wav")
    coarse = subtype in ("PCM_U8", "ULAW")
    assert np.abs(pcm / 32768 - tone(SAMPLE_RATE, 1.0)).max() < (0.02 if coarse else 2 / 32768)


def test_16_bit_mono_at_16_khz_passes_bit_for_bit(tmp_path):
    every_value = np.arange(-32768, 32768).astype(np.int16)
    soundfile.write(tmp_path / "a.wav", every_value, SAMPLE_RATE)
    assert np.array_equal(samples(tmp_path / "a.wav"), every_value)


@pytest.mark.parametrize(
    ("suffix", "subtype", "slack_s"),
    [("flac", None, 0.0), ("ogg", "VORBIS", 0.0), ("ogg", "OPUS", 0.0), ("mp3", None, 0.1), ("aiff", None, 0.0)],
)
def test_compressed_formats(tmp_path, suffix, subtype, slack_s):
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, tone(48000, 3.0), 48000, subtype=subtype)
    notes: list[str] = []
    pcm = samples(path, note=notes.append)
    assert len(pcm) / SAMPLE_RATE == pytest.approx(3.0, abs=slack_s + 1e-9)
    assert strongest_hz(pcm) == pytest.approx(HZ, abs=0.5)
    assert notes == []


def test_stereo_is_averaged(tmp_path):
    left, right = tone(SAMPLE_RATE, 1.0, 300), tone(SAMPLE_RATE, 1.0, 900)
    soundfile.write(tmp_path / "a.wav", np.stack([left, right], axis=1), SAMPLE_RATE)
    assert np.abs(samples(tmp_path / "a.wav") / 32768 - (left + right) / 2).max() < 2 / 32768


def test_overload_and_non_numbers_in_a_float_file_are_tamed(tmp_path):
    sound = np.array([0.0, 3.0, -3.0, np.nan, np.inf, -np.inf, 0.5] * 1000)
    soundfile.write(tmp_path / "a.wav", sound, SAMPLE_RATE, subtype="FLOAT")
    assert list(samples(tmp_path / "a.wav")[:7]) == [0, 32767, -32768, 0, 32767, -32768, 16384]


def test_blocks_follow_one_another_without_seam(tmp_path):
    soundfile.write(tmp_path / "a.wav", tone(44100, 2.03), 44100)
    blocks = list(read_file(tmp_path / "a.wav"))
    assert {len(block.pcm) for block in blocks[:-1]} == {1600}
    assert all(block.start_s == pytest.approx(i * 0.05) for i, block in enumerate(blocks))
    assert sum(block.duration_s for block in blocks) == pytest.approx(2.03)
    whole = b"".join(block.pcm for block in blocks)
    assert whole == b"".join(block.pcm for block in read_file(tmp_path / "a.wav", block_s=0.013))
    second_difference = np.diff(np.frombuffer(whole, "<i2")[200:-200].astype(float), 2)
    largest = 0.3 * 32768 * (2 * np.pi * HZ / SAMPLE_RATE) ** 2  # of a pure tone; a click would exceed it
    assert np.abs(second_difference).max() < 1.1 * largest + 2


def test_silence_is_fine(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(8000), 8000)
    pcm = samples(tmp_path / "a.wav")
    assert len(pcm) == SAMPLE_RATE
    assert not pcm.any()


def test_a_very_short_file_is_not_lost_in_the_filter(tmp_path):
    soundfile.write(tmp_path / "a.wav", tone(44100, 0.01), 44100)
    assert len(samples(tmp_path / "a.wav")) == 160


def test_three_hours_need_no_more_memory_than_a_minute(tmp_path):
    resource = pytest.importorskip("resource")
    with soundfile.SoundFile(tmp_path / "a.flac", "w", 8000, 1) as file:
        minute = np.zeros(8000 * 60)
        for _ in range(180):
            file.write(minute)
    blocks = read_file(tmp_path / "a.flac", block_s=1.0)
    for _ in range(60):
        next(blocks)
    unit = 1 if sys.platform == "darwin" else 1024  # bytes there, kilobytes elsewhere
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
    (last,) = deque(blocks, maxlen=1)
    assert last.start_s + last.duration_s == pytest.approx(3 * 3600)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit - before < 30e6


def test_pace_hands_blocks_out_as_they_were_spoken(tmp_path):
    soundfile.write(tmp_path / "a.wav", tone(SAMPLE_RATE, 0.5), SAMPLE_RATE)
    began = time.monotonic()
    for block in read_file(tmp_path / "a.wav", pace=True):
        assert time.monotonic() - began >= block.start_s + block.duration_s - 0.001


# Bad files


def refusal(path: Path) -> str:
    """What the person reads. It must be one line, and come before anything is handed out."""
    with pytest.raises(UserError) as caught:
        read_file(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_missing_file(tmp_path):
    assert "there is no file" in refusal(tmp_path / "none.wav")


def test_folder(tmp_path):
    assert "is a folder" in refusal(tmp_path)


def test_empty_file(tmp_path):
    (tmp_path / "a.wav").touch()
    assert "is empty" in refusal(tmp_path / "a.wav")


@pytest.mark.skipif(sys.platform == "win32", reason="permissions work differently")
def test_unreadable_file(tmp_path):
    path = tmp_path / "loop.wav"
    path.symlink_to(path)  # unreadable even for root
    assert "cannot be read" in refusal(path)


def test_header_without_samples(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(0), SAMPLE_RATE)
    assert "holds no sound" in refusal(tmp_path / "a.wav")


def test_not_audio(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))  # no ffmpeg there
    (tmp_path / "a.wav").write_text("this is a letter\n" * 50)
    assert "install the program ffmpeg" in refusal(tmp_path / "a.wav")
    (tmp_path / "b.wav").write_bytes(np.random.default_rng(0).bytes(5000))
    assert "no sound file" in refusal(tmp_path / "b.wav")


@pytest.mark.parametrize(("suffix", "subtype"), [("wav", "PCM_16"), ("flac", None), ("mp3", None)])
def test_cut_off_file_is_used_as_far_as_it_goes_and_said_once(tmp_path, suffix, subtype):
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, np.random.default_rng(0).normal(size=44100 * 6) * 0.1, 44100, subtype=subtype)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    notes: list[str] = []
    assert len(samples(path, note=notes.append)) / SAMPLE_RATE == pytest.approx(3.0, abs=0.2)
    assert len(notes) == 1
    assert "cut off or damaged after" in notes[0]


def test_cut_off_inside_the_header(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    soundfile.write(tmp_path / "a.wav", tone(SAMPLE_RATE, 1.0), SAMPLE_RATE)
    (tmp_path / "a.wav").write_bytes((tmp_path / "a.wav").read_bytes()[:30])
    assert "no sound file" in refusal(tmp_path / "a.wav")


def test_wav_of_unannounced_length_is_whole(tmp_path):
    """A program that writes a WAV to a pipe cannot know its length and announces the largest number."""
    soundfile.write(tmp_path / "a.wav", tone(SAMPLE_RATE, 1.0), SAMPLE_RATE)
    raw = bytearray((tmp_path / "a.wav").read_bytes())
    at = raw.index(b"data") + 4
    raw[at : at + 4] = b"\xff\xff\xff\xff"
    (tmp_path / "a.wav").write_bytes(raw)
    notes: list[str] = []
    assert len(samples(tmp_path / "a.wav", note=notes.append)) == SAMPLE_RATE
    assert notes == []


# Other containers, through the real ffmpeg program where there is one


@pytest.fixture
def ffmpeg():
    if shutil.which("ffmpeg") is None:
        pytest.skip("the program ffmpeg is not installed")

    def run(*arguments: str) -> None:
        subprocess.run(["ffmpeg", "-v", "error", "-y", *arguments], check=True, stdin=subprocess.DEVNULL)

    return run


PICTURE = ("-f", "lavfi", "-i", "testsrc=d=4:s=160x120")
SOUND = ("-f", "lavfi", "-i", f"sine={HZ}:d=4:r=44100")
VIDEO = ("-c:v", "mpeg4", "-c:a", "aac", "-movflags", "+faststart")


def test_sound_of_a_video(tmp_path, ffmpeg):
    ffmpeg(*PICTURE, *SOUND, *VIDEO, str(tmp_path / "a.mp4"))
    pcm = samples(tmp_path / "a.mp4")
    assert len(pcm) / SAMPLE_RATE == pytest.approx(4.0, abs=0.1)
    assert strongest_hz(pcm) == pytest.approx(HZ, abs=0.5)


def test_sound_of_a_video_that_starts_late_keeps_the_times_of_the_picture(tmp_path, ffmpeg):
    ffmpeg(*PICTURE, "-itsoffset", "1", *SOUND, *VIDEO, str(tmp_path / "a.mp4"))
    first = np.argmax(np.abs(samples(tmp_path / "a.mp4")) > 1000)
    assert first / SAMPLE_RATE == pytest.approx(1.0, abs=0.05)


def test_video_without_sound(tmp_path, ffmpeg):
    ffmpeg(*PICTURE, "-c:v", "mpeg4", str(tmp_path / "a.mp4"))
    assert "holds no sound" in refusal(tmp_path / "a.mp4")


def test_video_cut_off(tmp_path, ffmpeg):
    ffmpeg(*PICTURE, *SOUND, *VIDEO, str(tmp_path / "a.mp4"))
    whole = (tmp_path / "a.mp4").read_bytes()
    (tmp_path / "a.mp4").write_bytes(whole[: len(whole) // 2])
    notes: list[str] = []
    assert 0.5 < len(samples(tmp_path / "a.mp4", note=notes.append)) / SAMPLE_RATE < 3.5
    assert len(notes) == 1


def test_neither_sound_nor_video_for_ffmpeg_either(tmp_path, ffmpeg):
    (tmp_path / "a.mp4").write_text("this is a letter\n" * 50)
    assert "no sound that can be read" in refusal(tmp_path / "a.mp4")


def test_a_video_left_early_leaves_no_child_behind(tmp_path, ffmpeg):
    ffmpeg("-f", "lavfi", "-i", "sine=440:d=600", "-c:a", "aac", str(tmp_path / "a.mp4"))
    blocks = read_file(tmp_path / "a.mp4")
    next(blocks)
    blocks.close()
    children = Path("/proc/self/task").glob("*/children")
    assert [pid for file in children for pid in file.read_text().split()] == []
