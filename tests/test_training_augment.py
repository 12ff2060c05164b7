"""What is done to recordings in training so that they sound as a headset in a house hears them."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

torch = pytest.importorskip("torch")

RATE = 16_000


@pytest.fixture(scope="module")
def augment() -> Iterator[ModuleType]:
    folder = str(Path(__file__).parents[1] / "models" / "training")
    sys.path.insert(0, folder)
    yield importlib.import_module("augment")
    sys.path.remove(folder)
    sys.modules.pop("augment", None)


def level_db(x: torch.Tensor) -> np.ndarray:
    """Of each row."""
    return (10 * x.square().mean(-1).log10()).numpy()


def tone(hertz: float, seconds: float = 2.0, loud: float = 3000.0) -> torch.Tensor:
    t = torch.arange(int(seconds * RATE)) / RATE
    return loud * torch.sin(2 * np.pi * hertz * t).expand(64, -1)


def test_a_tilted_voice_keeps_its_bass_and_loses_as_much_again_with_each_octave(augment: ModuleType) -> None:
    torch.manual_seed(0)
    kept = {}
    for hertz in (250, 2000, 4000):
        torch.manual_seed(0)  # the same tilts for each tone
        kept[hertz] = level_db(augment.tilt(tone(hertz), 1.0)) - level_db(tone(hertz))
    assert np.abs(kept[250]).max() < 0.1
    octave = kept[2000] - kept[4000]
    assert 1.9 <= octave.min() < 3
    assert 8 < octave.max() <= 9.1
    assert torch.equal(augment.tilt(tone(2000), 0.0), tone(2000))


def test_suppressed_noise_is_fainter_between_words_and_the_word_is_not(augment: ModuleType) -> None:
    """A second of hiss, a tone 20 dB above it for half a second, hiss again."""
    torch.manual_seed(0)
    sound = 100 * torch.randn(64, 2 * RATE)
    word = slice(RATE, RATE + RATE // 2)
    sound[:, word] += tone(1000, 0.5, 1500)
    made = augment.suppress_noise(sound, 1.0)
    inside, before = slice(RATE + 1600, RATE + RATE // 2 - 1600), slice(3200, RATE - 3200)
    assert made.shape == sound.shape
    assert np.abs(level_db(made[:, inside]) - level_db(sound[:, inside])).max() < 1
    fainter = level_db(sound[:, before]) - level_db(made[:, before])
    assert np.median(fainter) > 8
    torch.manual_seed(0)
    assert torch.equal(augment.suppress_noise(sound, 0.0), sound)
