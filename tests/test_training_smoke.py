"""The training pipeline from recordings to a word that Vosk hears: two words by ten people, a minute of them.

Sound: the words "yes" and "stop" of tests/data/sessions (Speech Commands v0.02, Warden 2018, arXiv:1804.03209). Every
stage is run by its command as models/training/README.md has it, but for training itself, which takes a fixed number of
steps here, and hears its recordings as they are: varied as for a real model, they would ask for hours.
"""

from __future__ import annotations

import csv
import importlib
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree.core.events import AudioBlock, HeardWord
from handsfree.edges import graph
from handsfree.edges.pronounce import Pronouncer
from handsfree.edges.recogniser import Recogniser

torch = pytest.importorskip("torch")

ROOT = Path(__file__).parents[1]
TRAINING = ROOT / "models" / "training"
SESSIONS = ROOT / "tests" / "data" / "sessions"
DICTIONARY = ROOT / "models" / "en" / "cmudict.txt.gz"
RATE = 16_000
WORDS = ("yes", "stop")
STEPS, LEARNING_RATE = 250, 4e-3


def command(name: str, *args: object) -> None:
    """One stage, as a person calls it."""
    call = [sys.executable, str(TRAINING / f"{name}.py"), *map(str, args)]
    done = subprocess.run(call, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def recordings(folder: Path) -> list[dict[str, str]]:
    """The words cut out of the sessions, each a file of its own, as rows of a manifest."""
    rows = []
    for truth in sorted(SESSIONS.glob("*.jsonl"))[:10]:
        sound, _ = soundfile.read(truth.with_suffix(".ogg"), dtype="int16")
        for number, line in enumerate(truth.read_text(encoding="utf-8").splitlines()):
            row = json.loads(line)
            if row["kind"] == "spoken" and row["words"] in WORDS:
                first, last = (round(RATE * at_s) for at_s in (row["start_s"] - 0.15, row["end_s"] + 0.15))
                path = folder / f"{truth.stem}-{number}.flac"
                soundfile.write(path, sound[first:last], RATE)
                seconds = f"{(last - first) / RATE:.2f}"
                said = {"path": path, "dataset": "sessions", "speaker": truth.stem, "text": row["words"]}
                rows.append(said | {"seconds": seconds, "licence": "CC BY 4.0", "note": ""})
    with open(folder / "manifest.tsv", "w", encoding="utf-8", newline="") as out:
        manifest = csv.DictWriter(out, list(rows[0]), delimiter="\t")
        manifest.writeheader()
        manifest.writerows(rows)
    return rows


def noise(folder: Path) -> Path:
    folder.mkdir()
    for seed, name in enumerate(("hiss.wav", "rumble.wav")):
        soundfile.write(folder / name, np.random.default_rng(seed).normal(0, 0.05, 2 * RATE), RATE)
    return folder


def train(prepared: Path, out: Path, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The loss a frame of each step."""
    monkeypatch.syspath_prepend(str(TRAINING))
    corpus, network, training = (importlib.import_module(name) for name in ("corpus", "network", "train"))
    monkeypatch.setattr(corpus, "MOST_PIECES", 1)  # short rows: the plain recursion walks frame by frame
    monkeypatch.setattr(training, "augment", lambda speech, *_: speech + 3 * torch.randn_like(speech))
    torch.set_num_threads(1)
    heard = corpus.load(prepared)
    trainer = training.Trainer(heard, network.Shape(width=96), dropout=0.0, seconds=20, workers=0)
    stream = trainer.batches(seed=0)
    losses = []
    for done in range(STEPS):
        loss, frames = trainer.step(next(stream), rate=LEARNING_RATE * min(1.0, 2 * (1 - done / STEPS) + 0.05))
        losses.append(float(loss / frames))
    trainer.save(out, "model.pt")
    return losses


def listen(model: Path, cache: Path, path: Path) -> list[HeardWord]:
    """What Vosk makes of a recording, with the trained ear, half a second of faint noise around."""
    said = Pronouncer({}, "en", DICTIONARY)
    folder = graph.build({word: said.phrase(word).phones for word in WORDS}, model, cache)
    ear = Recogniser(folder, WORDS, own=True)
    sound, _ = soundfile.read(path, dtype="int16")
    around = np.random.default_rng(0).normal(0, 3, RATE // 2).astype(np.int16)
    sound = np.concatenate([around, sound, around])
    breaths = [ear.feed(AudioBlock(at / RATE, sound[at : at + 1600].tobytes())) for at in range(0, len(sound), 1600)]
    return [word for some in (*breaths, ear.close()) for breath in some for word in breath.words]


def led_astray(model: dict, by: torch.Tensor, unused: int) -> dict:
    """The same ear, its scores wrong by so much for each output; looks at `unused` further frames before and after,
    and makes nothing of them."""
    (name, offsets, skip), *others = model["layers"]
    wider = [offsets[0] - unused, *offsets, offsets[-1] + unused]
    weight = torch.nn.functional.pad(model["net"][f"{name}.lin.weight"], (40, 40))
    net = model["net"] | {f"{name}.lin.weight": weight, "out.bias": model["net"]["out.bias"] + by}
    return model | {"net": net, "layers": [(name, wider, skip), *others]}


def assert_two_are_heard_as_their_mean(folder: Path, rows: list[dict[str, str]]) -> None:
    """The ear in `folder` led astray one way and the other: each errs, and together they are that ear again.

    They differ in biases alone, which are stored in single precision: 8 bits a weight cost them nothing.
    """
    given = torch.load(folder / "model.pt")
    by = 8 * torch.randn(len(given["net"]["out.bias"]), generator=torch.Generator().manual_seed(0))
    torch.save(led_astray(given, by, 2), folder / "one.pt")
    torch.save(led_astray(given, -by, 7), folder / "other.pt")
    command("export", folder / "one.pt", folder / "one")
    command("export", folder / "other.pt", folder / "other")
    command("export", folder / "one.pt", folder / "other.pt", folder / "both")
    said = {}
    for name in ("model", "one", "other", "both"):
        (folder / name / "common_words.txt").write_text("")
        said[name] = [listen(folder / name, folder / "cache", row["path"]) for row in rows]
    for mean, ear in zip(said["both"], said["model"], strict=True):
        assert [(word.text, word.start_s, word.end_s) for word in mean] == [
            (word.text, word.start_s, word.end_s) for word in ear
        ]
        assert [word.confidence for word in mean] == pytest.approx([word.confidence for word in ear], abs=0.01)
    for name in ("one", "other"):
        right = sum(row["text"] in {word.text for word in words} for row, words in zip(rows, said[name], strict=True))
        assert right < 0.5 * len(rows), name


@pytest.mark.ear
def test_words_that_were_trained_on_are_heard_by_vosk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = recordings(tmp_path)
    assert sum(float(row["seconds"]) for row in rows) > 50
    lexicon, manifest, model = tmp_path / "lexicon.txt", tmp_path / "manifest.tsv", tmp_path / "model"
    command("lexicon", lexicon, manifest)
    command("prepare", tmp_path / "prepared", "--lexicon", lexicon, "--noise", noise(tmp_path / "noise"), manifest)
    losses = train(tmp_path / "prepared", tmp_path, monkeypatch)
    assert np.mean(losses[-20:]) < 0.5 * np.mean(losses[:10])
    command("export", tmp_path / "model.pt", model)
    (model / "common_words.txt").write_text("")  # decoys need more phones than these two words have
    found = []
    for row in rows[::2]:
        words = {word.text for word in listen(model, tmp_path / "cache", row["path"])}
        found.append((row["text"], words & set(WORDS)))
    right = sum(word in words for word, words in found)
    wrong = sum(bool(words - {word}) for word, words in found)
    assert right > 0.7 * len(found)
    assert wrong < 0.2 * len(found)
    assert_two_are_heard_as_their_mean(tmp_path, rows[::4])
