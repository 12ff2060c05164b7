"""Takes compared by dynamic time warping: the sums, and what they tell of people's recordings."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree import comparing
from handsfree.core.confidence import A_DISTANCE, AS_FAR, LEAST_ALIKE, MOST_ALIKE, Weighing, Weights, alike, log_odds
from handsfree.core.events import OTHER_SPEECH, Breath, HeardWord
from handsfree.edges.likeness import Examples
from handsfree.edges.second_look import SecondLook

ROOT = Path(__file__).resolve().parents[1]
RATE = 16_000


def rows(length: int, seed: int) -> np.ndarray:
    found = np.random.default_rng(seed).standard_normal((length, 8)).astype(np.float32)
    return found / np.linalg.norm(found, axis=1, keepdims=True)


def by_recursion(one: np.ndarray, other: np.ndarray) -> float:
    """The recursion of Sakoe & Chiba 1978 without slope constraint, each step of equal weight, as it stands."""
    sums = np.full((len(one) + 1, len(other) + 1), np.inf)
    sums[0, 0] = 0
    for i in range(len(one)):
        for j in range(len(other)):
            apart = 1 - float(one[i] @ other[j])
            sums[i + 1, j + 1] = apart + min(sums[i, j], sums[i, j + 1], sums[i + 1, j])
    return sums[-1, -1] / (len(one) + len(other))


@pytest.mark.parametrize("length", [1, 2, 9, 30])
def test_distances_are_those_of_the_recursion(length):
    takes = {"sit": [rows(12, 1), rows(3, 2)], "down": [rows(1, 3)], "stay": [rows(40, 4)]}
    said = rows(length, 5)
    found = Examples(takes).far(said)
    assert found == {
        phrase: pytest.approx(min(by_recursion(one, said) for one in some), abs=1e-5) for phrase, some in takes.items()
    }


def test_how_fast_it_is_said_makes_no_difference():
    said = rows(10, 1)
    for paced in (said, said.repeat(2, axis=0), said.repeat(3, axis=0)):
        assert Examples({"sit": [said]}).far(paced)["sit"] == pytest.approx(0, abs=1e-6)


def takes_of(person: str) -> dict[str, list[np.ndarray]]:
    """Speech Commands (Warden 2018, arXiv:1804.03209) as in a recorded session, each with a quarter second around."""
    path = ROOT / "tests" / "data" / "sessions" / f"{person}.jsonl"
    sound, _ = soundfile.read(path.with_suffix(".ogg"), dtype="int16")
    found: dict[str, list[np.ndarray]] = {}
    for row in map(json.loads, path.read_text(encoding="utf-8").splitlines()):
        if row["kind"] == "spoken" and row["role"] in ("cue", "marker", "error"):
            first, last = round((row["start_s"] - 0.25) * RATE), round((row["end_s"] + 0.25) * RATE)
            found.setdefault(row["words"], []).append(sound[max(0, first) : last])
    return found


def test_a_word_is_nearest_to_other_takes_of_it_by_the_same_person():
    look = SecondLook(ROOT / "models" / "twin" / "second")  # never heard any of them
    nearest = tried = near = 0
    for person in ("18f8afd5", "837a0f64", "9a69672b"):
        takes = takes_of(person)
        for word, some in takes.items():
            for at in range(len(some) if len(some) > 1 else 0):
                rest = takes | {word: some[:at] + some[at + 1 :]}
                examples, alone = comparing.examples(look, rest), comparing.examples(look, {word: [some[at]]})
                far = examples.far(alone._frames[0])
                nearest += min(far, key=far.__getitem__) == word
                near += far[word] < AS_FAR
                tried += 1
    assert tried >= 80
    assert nearest >= 0.9 * tried
    assert near >= 0.9 * tried


def test_only_the_last_takes_of_a_phrase_are_compared():
    class Look:
        def frames(self, pcm: bytes, start: int, end: int) -> np.ndarray:
            return np.full((2, 3), np.frombuffer(pcm, "<i2").max(), np.float32)

    def take(loud: int) -> np.ndarray:
        return np.full(RATE // 2, loud, np.int16)

    found = comparing.examples(Look(), {"sit": [take(n) for n in range(1, 9)], "down": []})
    assert found._phrases == ["sit"] * comparing.MOST_TAKES
    assert found._frames[:, 0, 0].tolist() == list(range(9 - comparing.MOST_TAKES, 9))
    assert comparing.examples(Look(), {"down": []}) is None


@pytest.mark.parametrize(
    ("far", "odds"),
    [(AS_FAR, 0), (AS_FAR - 0.01, 0.01 * A_DISTANCE), (0, MOST_ALIKE), (1, LEAST_ALIKE), (AS_FAR + 0.1, -4)],
)
def test_the_nearer_to_her_own_takes_the_likelier(far, odds):
    assert alike(far) == pytest.approx(odds)
    none = dict.fromkeys(("bias", "posterior", "short", "long", "one_or_two_phones", "second_look"), 0.0)
    weights = Weights(none, none | {"taken_for_another": 0.0, "taken_for_none": 0.0, "against": 0.0})
    word = HeardWord("sit", 1.0, 1.4, 0.9, {"sit": 0.5, "stay": 0.5}, 0.5, {"sit": far})
    (after,) = Weighing(weights, {"sit": 3, "stay": 3}).weigh(Breath((word,), 2.0)).words
    assert {text: log_odds(sure) for text, sure in after.readings.items()} == {
        "sit": pytest.approx(odds),
        "stay": pytest.approx(0),
    }
    assert after.text == ("sit" if odds >= 0 else "stay")


def test_other_speech_has_no_takes():
    word = HeardWord(OTHER_SPEECH, 1.0, 1.4, 0.9, {"sit": 0.5}, 0.5, {"sit": 0.0})
    weights = Weights({}, {"second_look": 1.0})
    (after,) = Weighing(weights, {"sit": 3}).weigh(Breath((word,), 2.0)).words
    assert after.text == "sit"
    assert after.readings[OTHER_SPEECH] == 0.9
