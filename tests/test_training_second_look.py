"""The second look's training: Whisper's weights read, stretches drawn, and from recordings to what the program loads.

Sound: words of tests/data/sessions (Speech Commands v0.02, Warden 2018, arXiv:1804.03209). Random weights in a file of
the same format stand for Whisper's.
"""

from __future__ import annotations

import csv
import importlib
import itertools
import json
import struct
import sys
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from handsfree.edges.second_look import SecondLook
from tests.test_training_smoke import RATE, SESSIONS, TRAINING, command

torch = pytest.importorskip("torch")

MODULES = ("second_network", "whisper_encoder", "whisper_weights", "stretches", "second_train", "voice", "corpus")
KINDS = {np.dtype(np.float32): 0, np.dtype(np.int32): 3, np.dtype(np.float16): 4}
AROUND = round(0.15 * RATE)
STEPS = 18
CLAP = 4 * RATE
"""Where a noise is suddenly loud."""
FIELDS = ("path", "dataset", "speaker", "text", "seconds", "licence", "note")


@pytest.fixture(scope="module")
def code() -> Iterator[SimpleNamespace]:
    """The modules of models/training/second_look, which are scripts beside each other and no package."""
    before, path = set(sys.modules), list(sys.path)
    sys.path.insert(0, str(TRAINING / "second_look"))
    torch.set_num_threads(1)
    yield SimpleNamespace(**{name: importlib.import_module(name) for name in MODULES})
    sys.path[:] = path
    for name in set(sys.modules) - before:
        if str(TRAINING) in str(getattr(sys.modules[name], "__file__", "")):
            del sys.modules[name]


def ctranslate2_file(path: Path, variables: dict[str, np.ndarray], version: int = 6) -> Path:
    """Whatever CTranslate2 writes before each variable: its name, shape, type, and how many bytes it takes."""

    def name(text: str) -> bytes:
        return struct.pack("<H", len(text) + 1) + text.encode() + b"\0"

    with open(path, "wb") as file:
        file.write(struct.pack("<I", version) + name("WhisperSpec") + struct.pack("<II", 3, len(variables)))
        for key, value in variables.items():
            file.write(name(key) + struct.pack(f"<B{value.ndim}I", value.ndim, *value.shape))
            file.write(struct.pack("<BI", KINDS[value.dtype], value.nbytes) + value.tobytes())
    return path


def test_ctranslate2s_variables_are_read(code: SimpleNamespace, tmp_path: Path) -> None:
    given = {
        "encoder/num_heads": np.array(6, np.int32),
        "encoder/conv1/weight": np.arange(12, dtype=np.float16).reshape(2, 2, 3),
        "encoder/layer_norm/gamma": np.array([0.5, -3], np.float32),
    }
    found = code.whisper_weights.read(ctranslate2_file(tmp_path / "model.bin", given))
    assert found.keys() == given.keys()
    for name, value in given.items():
        assert found[name].dtype == value.dtype
        assert np.array_equal(found[name], value)
    with pytest.raises(SystemExit, match="version 5"):
        code.whisper_weights.read(ctranslate2_file(tmp_path / "old.bin", given, version=5))


def toy_examples(path: Path, recordings: list[tuple[int, bool]]) -> Path:
    """A second of sound for each of these recordings of word 0, 1, ..: how many there are, whether the word is said by
    itself. A word has one pronunciation of as many phones as its number and two more; trainers use the last word."""
    kinds = [(word, alone) for word, (count, alone) in enumerate(recordings) for _ in range(count)]
    begin = RATE * np.arange(len(kinds))
    said, alone = np.array(kinds).T
    rows = np.stack([begin + 4000, begin + 12_000, begin, begin + RATE, said, alone, 0 * said], 1)
    words = len(recordings)
    texts = np.zeros((words, 24), np.int8)
    for word, text in enumerate(texts):
        text[: word + 2] = 1 + np.arange(word + 2) % 5
    near = np.stack([np.roll(np.arange(words), -word)[1:] for word in range(words)])
    parts = np.array([[20_000, 26_000, 16_000, 32_000, *np.arange(8) % words]])
    np.savez(
        path, words=rows, texts=texts, lengths=np.arange(words) + 2, variants=np.arange(words)[:, None], near=near,
        plan=np.full((words, 1), words - 1), parts=parts, phones=np.array(list("abcdef")), names=np.arange(words),
    )  # fmt: skip
    return path


def test_each_word_said_alone_comes_as_often_as_another(code: SimpleNamespace, tmp_path: Path) -> None:
    """Of the others, root n times as often as another one a word with n times as many recordings."""
    path = toy_examples(tmp_path / "toy.npz", [(200, True), (20, True), (2, True), (64, False), (4, False), (7, True)])
    examples = code.stretches.Examples(path, 0, 10 * RATE, seed=0)
    drawn = [examples.draw() for _ in range(20_000)]
    counts = Counter(len(one.texts[0]) - 2 for one in drawn if one.match)
    alone, speech = [counts[word] for word in (0, 1, 2, 5)], [counts[word] for word in (3, 4)]
    assert np.array(alone) / sum(alone) == pytest.approx([0.2, 0.2, 0.2, 0.4], rel=0.08)
    assert speech[0] / speech[1] == pytest.approx(4, rel=0.08)
    assert sum(alone) / counts.total() == pytest.approx(0.35, abs=0.015)


def test_stretches_are_the_sound_around_a_word_beside_twelve_texts(code: SimpleNamespace, tmp_path: Path) -> None:
    path = toy_examples(tmp_path / "toy.npz", [(3, True), (3, False), (3, True)])
    recordings = torch.randint(-9000, 9000, (20 * RATE,), generator=torch.Generator().manual_seed(0)).short()
    noise = recordings[10 * RATE :]
    batch = next(iter(code.stretches.Batches(path, 10 * RATE, 10 * RATE, size=16)))
    assert batch.texts.shape[:2] == batch.lengths.shape == (16, 12)
    assert batch.lengths.max() <= batch.texts.shape[2]
    for rough in (False, True):
        sound, end, frames = code.stretches.sound_of(batch, recordings, noise, rough)
        assert sound.shape == (16, batch.samples)
        assert torch.isfinite(sound).all()
        assert (end > code.stretches.START).all()
        assert (end < batch.samples).all()
        mel = code.whisper_encoder.LogMel()(sound)
        assert frames.max() <= (mel.shape[1] + 1) // 2
    examples = code.stretches.Examples(path, 10 * RATE, 10 * RATE, seed=0)
    batch = code.stretches.collate([examples.word(row) for row in examples.words])
    sound, end, _ = code.stretches.sound_of(batch, recordings, noise, rough=False)
    before = code.stretches.START - 4000  # of a recording there are 4000 samples before its word, and as many after
    assert not sound[:, :before].any()
    assert torch.equal(sound[2, before : before + RATE - 1], recordings[2 * RATE : 3 * RATE - 1].float())
    assert not sound[:, before + RATE :].any()
    assert (end == code.stretches.START + 8000).all()


@pytest.mark.parametrize("samples", [400, 559, 560, 720, 721, 16_000, 16_123])
def test_frames_are_counted_as_the_network_makes_them(code: SimpleNamespace, samples: int) -> None:
    mel = code.whisper_encoder.LogMel()(torch.zeros(1, samples))
    made = code.second_network.Speller(1).conv2(torch.zeros(1, code.whisper_encoder.WIDTH, mel.shape[1]))
    assert int(code.stretches.frames_of(torch.tensor(samples))) == made.shape[2]


def recordings(folder: Path) -> None:
    """Words of the sessions, and pairs of them joined, with a manifest; spans.json: where the words of pairs are said.
    The first person is one who is only watched."""
    watched = next(name for n in itertools.count() if not zlib.crc32((name := f"person{n}").encode()) % 50)
    rows, spans = [], {}
    for number, truth in enumerate(sorted(SESSIONS.glob("*.jsonl"))[:6]):
        sound, _ = soundfile.read(truth.with_suffix(".ogg"), dtype="int16")
        words = []
        for row in map(json.loads, truth.read_text(encoding="utf-8").splitlines()):
            if row["kind"] == "spoken" and row["words"].isalpha():
                first, last = (round(RATE * row[name]) for name in ("start_s", "end_s"))
                words.append((row["words"], sound[first - AROUND : last + AROUND]))
        for (text, one), (following, other) in itertools.pairwise(words[:8]):
            end = len(one) - AROUND
            both = np.concatenate([one[:end], other[AROUND:]])
            for said, pcm in ((text, one), (f"{text} {following}", both)):
                path = folder / f"{len(rows)}.flac"
                soundfile.write(path, pcm, RATE)
                speaker = truth.stem if number else watched
                rows.append([path, "sessions", speaker, said, f"{len(pcm) / RATE:.2f}", "CC BY 4.0", ""])
            spans[str(path)] = [[AROUND, end], [end, len(both) - AROUND]]
    with open(folder / "manifest.tsv", "w", encoding="utf-8", newline="") as out:
        csv.writer(out, delimiter="\t").writerows([FIELDS, *rows])
    (folder / "spans.json").write_text(json.dumps(spans))


def noise(folder: Path) -> Path:
    folder.mkdir()
    for seed, name in enumerate(("hiss.wav", "rumble.wav")):
        sound = np.random.default_rng(seed).normal(0, 0.05, 8 * RATE)
        sound[CLAP : CLAP + RATE // 10] *= 8
        soundfile.write(folder / name, sound.clip(-1, 1), RATE)
    return folder


def random_encoder(code: SimpleNamespace, path: Path) -> dict[str, np.ndarray]:
    """A file with all that is taken of Whisper's, by CTranslate2's names, and what nobody asks for; its variables."""
    torch.manual_seed(0)
    ours = {name: value.half().numpy() for name, value in code.whisper_encoder.Encoder().state_dict().items()}
    variables = {f"encoder/conv{n}/{kind}": ours[f"conv{n}.{kind}"] for n in (1, 2) for kind in ("weight", "bias")}
    parts = {"linear_0": "ask", "linear_1": "answer"}, {"linear_0": "widen", "linear_1": "narrow"}
    norms = {"encoder/layer_norm": "last"}
    for i in range(code.whisper_encoder.LAYERS):
        for block, linears, norm in (("self_attention", parts[0], "attention"), ("ffn", parts[1], "think")):
            norms[f"encoder/layer_{i}/{block}/layer_norm"] = f"layers.{i}.before_{norm}"
            for its, our in linears.items():
                for kind in ("weight", "bias"):
                    variables[f"encoder/layer_{i}/{block}/{its}/{kind}"] = ours[f"layers.{i}.{our}.{kind}"]
    for its, our in norms.items():
        variables |= {f"{its}/gamma": ours[f"{our}.weight"], f"{its}/beta": ours[f"{our}.bias"]}
    ctranslate2_file(path, variables | {"decoder/embeddings/weight": np.ones((5, 4), np.float16)})
    return variables


def test_what_is_trained_is_what_the_program_loads(
    code: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The commands of models/training/README.md, but for where words are said, which is known here, and training, which
    takes a fixed number of steps."""
    recordings(tmp_path)
    manifest, lexicon = tmp_path / "manifest.tsv", tmp_path / "lexicon.txt"
    prepared, examples = tmp_path / "prepared", tmp_path / "examples.npz"
    command("lexicon", lexicon, manifest)
    command("prepare", prepared, "--lexicon", lexicon, "--noise", noise(tmp_path / "noise"), manifest)
    command("second_look/examples", prepared, tmp_path / "spans.json", examples)
    variables = random_encoder(code, tmp_path / "model.bin")
    command("whisper_weights", tmp_path / "model.bin", tmp_path / "whisper.pt")
    given = torch.load(tmp_path / "whisper.pt")
    assert sum(value.numel() for value in given.values()) == sum(value.size for value in variables.values())
    monkeypatch.setattr(code.second_train, "PEAK_RATE", 2e-3)
    trainer = code.second_train.Trainer(prepared, examples, tmp_path / "whisper.pt", size=8, workers=0)
    weights = trainer.network.state_dict()
    taken = {name: value for name, value in given.items() if not name.startswith("layers.3.")}
    assert all(torch.equal(weights[name], value.float()) for name, value in taken.items())
    before = trainer.losses(trainer.average, trainer.watched[0], rough=False)[2]
    for done in range(STEPS):
        trainer.step(done / STEPS)
    after = trainer.losses(trainer.network.eval(), trainer.watched[0], rough=False)[2]
    assert after < 0.6 * before
    trainer.save(tmp_path / "second.pt")
    command("second_look/second_export", tmp_path / "second.pt", tmp_path / "exported")
    look = SecondLook(tmp_path / "exported")
    batch, sound = trainer.watched[0], np.pad(trainer.recordings.numpy(), (RATE, RATE))
    with torch.no_grad():
        expected = trainer.losses(trainer.average, batch, rough=False)[3].numpy()
    found = []
    for (start, end, first, last), texts, lengths in zip(batch.places, batch.texts, batch.lengths, strict=True):
        heard = np.zeros_like(sound)
        heard[first + RATE : last - 1 + RATE] = sound[first + RATE : last - 1 + RATE]
        ways = [(tuple(trainer.examples.phones[p] for p in t[:n]),) for t, n in zip(texts, lengths, strict=True)]
        found.append(look.judge(heard.tobytes(), int(start) + RATE, int(end) + RATE, ways).odds)
    assert expected.std() > 0.05
    assert np.array(found) == pytest.approx(expected, abs=0.05 * float(expected.std()))
    command("second_look/voice", prepared, examples, tmp_path / "exported", "--stretches", 160, "--jobs", 1)
    taught = SecondLook(tmp_path / "exported")
    corpus = code.corpus.load(prepared)
    stretches = code.voice.Stretches(examples, corpus, seed=9)
    drawn = [stretches.draw() for _ in range(200)]
    assert all(one.end <= corpus.noise_start for one, spoken in drawn if spoken)
    starts = np.array([one.start for one, spoken in drawn if not spoken]) - corpus.noise_start
    assert 60 < len(starts) < 140
    assert starts.min() >= 0
    # of the two noises of 8 s one after the other
    assert 0.4 < np.mean([min(abs(start - CLAP - at) for at in (0, 8 * RATE)) < 1600 for start in starts]) < 0.85
    voices: dict[bool, list[float]] = {True: [], False: []}
    for stretch, spoken in drawn[:60]:
        pcm = sound[RATE:-RATE][stretch.first : stretch.last].astype(np.int16).tobytes()
        place = stretch.start - stretch.first, stretch.end - stretch.first
        assert look.judge(pcm, *place, [(("Y", "EH", "S"),)]).voice == 10  # before it was taught
        voices[spoken].append(taught.judge(pcm, *place, [(("Y", "EH", "S"),)]).voice)
    assert np.median(voices[True]) > 1
    assert np.median(voices[False]) < -1


def test_what_is_suddenly_loud_is_found(code: SimpleNamespace) -> None:
    """Faint hiss and two claps."""
    rng = np.random.default_rng(0)
    hiss, claps = rng.normal(0, 30, 12 * RATE), (4 * RATE, 7 * RATE + 80)
    for clap in claps:
        hiss[clap : clap + 1600] += rng.normal(0, 3000, 1600)
    found = code.voice.suddenly_loud(torch.from_numpy(hiss.astype(np.int16)))
    assert [min(abs(found - clap)) <= 160 for clap in claps] == [True, True]
    assert all(min(abs(at - clap) for clap in claps) < 1600 for at in found)
