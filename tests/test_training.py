"""The training pipeline: what may be trained on, what is computed, and that a small network learns."""

from __future__ import annotations

import csv
import importlib
import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

torch = pytest.importorskip("torch")

ROOT = Path(__file__).parents[1]
CLIPS = ROOT / "tests" / "data" / "clips"
MODULES = (
    "augment",
    "chain",
    "corpus",
    "export",
    "features",
    "held_out",
    "lexicon",
    "network",
    "prepare",
    "teacher",
    "train",
    "whisper_encoder",
)
PHONES = 6


@pytest.fixture(scope="module")
def code() -> Iterator[SimpleNamespace]:
    """The modules of models/training, which are scripts beside each other and no package."""
    sys.path.insert(0, str(ROOT / "models" / "training"))
    torch.set_num_threads(2)
    yield SimpleNamespace(**{name: importlib.import_module(name) for name in MODULES})
    sys.path.pop(0)
    for name in MODULES:
        sys.modules.pop(name, None)


def manifest(folder: Path, **changes: dict[str, str]) -> Path:
    """The clips of tests/data as a manifest; `changes` are by word."""
    fields = ("path", "dataset", "speaker", "text", "seconds", "licence", "note")
    with open(folder / "manifest.tsv", "w", encoding="utf-8", newline="") as out:
        rows = csv.DictWriter(out, fields, delimiter="\t")
        rows.writeheader()
        for clip in sorted(CLIPS.glob("*.opus")):
            word, speaker = clip.stem.split("_")
            seconds = soundfile.info(clip).duration
            row = dict(zip(fields, (clip, "clips", speaker, word, f"{seconds:.2f}", "CC BY 4.0", ""), strict=True))
            rows.writerow(row | changes.get(word, {}))
    return folder / "manifest.tsv"


def prepared(code: SimpleNamespace, folder: Path, **changes: dict[str, str]) -> Path:
    noise = folder / "noise"
    noise.mkdir()
    rng = np.random.default_rng(0)
    for name in ("hiss.wav", "rumble.wav"):
        soundfile.write(noise / name, rng.normal(0, 0.05, 32_000), 16_000)
    rows = manifest(folder, **changes)
    code.lexicon.write([rows], folder / "lexicon.txt")
    code.prepare.prepare(code.prepare.Sources([rows], folder / "lexicon.txt", noise), folder / "prepared")
    return folder / "prepared"


def test_rows_that_may_not_be_trained_on_are_skipped_with_their_reason(code: SimpleNamespace, tmp_path: Path) -> None:
    broken = tmp_path / "broken.opus"
    broken.write_bytes(b"OggS, or so it says")
    out = prepared(
        code,
        tmp_path,
        yes={"note": "test_only"},
        no={"licence": "CC BY-NC 4.0"},
        go={"speaker": "am_adam*0.4+bf_emma*0.6"},
        up={"text": ""},
        left={"path": str(tmp_path / "nowhere.opus")},
        right={"path": str(broken)},
        stop={"dataset": "speech_commands_v0.01", "note": "split=test"},
        down={"seconds": "3.00"},
    )
    reasons = [line.split("\t")[1] for line in (out / "skipped.tsv").read_text().splitlines()]
    for reason in (
        "noted test_only",
        "licence CC BY-NC 4.0",
        "speaker held out",
        "no text",
        "missing",
        "unreadable",
        "test split of Speech Commands",
        "not as long as the manifest says",
    ):
        assert reasons.count(reason) == 1
    assert [clip.words for clip in code.corpus.load(out).train if not clip.noise] != []


def test_features_are_kaldis(code: SimpleNamespace) -> None:
    """Against kaldi-native-fbank, an independent C++ port of Kaldi's feature extraction."""
    knf = pytest.importorskip("kaldi_native_fbank")
    sound, _ = soundfile.read(CLIPS / "yes_18f8afd5.opus", dtype="float32")
    options = knf.MfccOptions()
    options.frame_opts.dither = 0
    options.use_energy = False
    options.num_ceps = options.mel_opts.num_bins = 40
    options.mel_opts.low_freq, options.mel_opts.high_freq = 20, 7600
    theirs = knf.OnlineMfcc(options)
    theirs.accept_waveform(16_000, (sound * 32767).tolist())
    theirs.input_finished()
    expected = np.stack([theirs.get_frame(i) for i in range(theirs.num_frames_ready)])
    assert np.allclose(code.features.Mfcc()(torch.tensor(sound)[None] * 32767)[0], expected, atol=5e-3)


def some_graphs(code: SimpleNamespace, rng: np.random.Generator) -> list:
    def word() -> list:
        return [list(rng.integers(1, PHONES, rng.integers(1, 4))) for _ in range(rng.integers(1, 4))]

    def text(words: int) -> list:
        return [word() for _ in range(words)]

    texts = [code.chain.text_graph(text(int(rng.integers(0, 3))), 0) for _ in range(8)]
    return [code.chain.join(pair) for pair in zip(texts[::2], texts[1::2], strict=True)] + texts[:2]


def all_paths(graph, log_bigram: np.ndarray, outputs: np.ndarray) -> float:
    """Log sum over every path, each written out: the definition, without dynamic programming."""
    total = -np.inf
    paths = [([k], log_bigram[-1, graph.phone[k]]) for k in np.flatnonzero(graph.first)]
    for _ in range(1, len(outputs)):
        longer = []
        for nodes, score in paths:
            longer.append(
                ([*nodes, nodes[-1]], score)
            )  # stay: no node is entered from itself, so the two are told apart
            for k in np.flatnonzero((graph.before == nodes[-1]).any(1)):
                longer.append(([*nodes, k], score + log_bigram[graph.phone[nodes[-1]], graph.phone[k]]))
        paths = longer
    for nodes, score in paths:
        if graph.last[nodes[-1]]:
            entered = [True, *(a != b for a, b in zip(nodes, nodes[1:], strict=False))]
            pdfs = [2 * graph.phone[k] + (not new) for k, new in zip(nodes, entered, strict=True)]
            spoken = sum(outputs[t, pdf] for t, pdf in enumerate(pdfs))
            total = np.logaddexp(total, score + log_bigram[graph.phone[nodes[-1]], -1] + spoken)
    return float(total)


def test_numerator_is_the_sum_over_all_paths(code: SimpleNamespace) -> None:
    rng = np.random.default_rng(1)
    graphs = some_graphs(code, rng)
    log_bigram = code.chain.estimate_bigram(graphs, PHONES, rng)
    batch = code.chain.collate(graphs, log_bigram).double()
    outputs, lengths = rng.normal(size=(len(graphs), 6, 2 * PHONES)), rng.integers(3, 7, len(graphs))
    found = code.chain.numerator(torch.tensor(outputs), torch.tensor(lengths), batch)
    for row, graph in enumerate(graphs):
        expected = all_paths(graph, log_bigram, outputs[row, : lengths[row]])
        if np.isfinite(expected):
            assert float(found[row]) == pytest.approx(expected, rel=1e-5)
        else:
            assert found[row] < -1e20
            assert lengths[row] < graph.least_frames()


def test_denominator_is_a_markov_chains_likelihood(code: SimpleNamespace) -> None:
    """Against the matrix form of the forward algorithm (Rabiner 1989, eq. 19-21)."""
    rng = np.random.default_rng(2)
    bigram = rng.dirichlet(np.ones(PHONES + 1), PHONES + 1)
    outputs = rng.normal(size=(5, PHONES, 2))
    entered, stayed = bigram[-1, :-1] * np.exp(outputs[0, :, 0]), np.zeros(PHONES)
    for frame in np.exp(outputs[1:]):
        entered, stayed = ((entered + stayed) @ bigram[:-1, :-1]) * frame[:, 0], (entered + stayed) * frame[:, 1]
    expected = np.log((entered + stayed) @ bigram[:-1, -1])
    given = torch.tensor(outputs.reshape(1, 5, -1)), torch.tensor([5]), torch.tensor(np.log(bigram))
    assert float(code.chain.denominator(*given)[0]) == pytest.approx(expected)


def test_fused_kernels_agree_with_the_plain_recursion() -> None:
    """The same code that a GPU runs, in Triton's interpreter, which must be chosen before Triton is first imported."""
    pytest.importorskip("triton")
    call = [sys.executable, "-c", "from tests.test_training import compare_kernels; compare_kernels()"]
    paths = os.pathsep.join([str(ROOT), str(ROOT / "models" / "training")])
    subprocess.run(call, check=True, cwd=ROOT, env=os.environ | {"TRITON_INTERPRET": "1", "PYTHONPATH": paths})


def compare_kernels() -> None:
    """Scores, posteriors and gradient against PyTorch's own gradients of chain.py in double precision."""
    chain, chain_gpu = (importlib.import_module(name) for name in ("chain", "chain_gpu"))
    rng = np.random.default_rng(3)
    graphs = [graph for graph in some_graphs(SimpleNamespace(chain=chain), rng) if graph.least_frames() <= 25]
    log_bigram = chain.estimate_bigram(graphs, PHONES, rng)
    batch = chain.collate(graphs, log_bigram)
    outputs = torch.tensor(rng.normal(0, 3, (len(graphs), 30, 2 * PHONES)), requires_grad=True)
    lengths = torch.tensor([30, *rng.integers(25, 31, len(graphs) - 1)])
    exact = chain.scores(outputs, lengths, batch.double(), torch.tensor(log_bigram))
    (exact_gradient,) = torch.autograd.grad((2 * exact[0] - exact[1]).sum(), outputs)
    fused = chain_gpu.Scores.apply(outputs, lengths, batch, torch.tensor(log_bigram))
    (gradient,) = torch.autograd.grad((2 * fused[0] - fused[1]).sum(), outputs)
    for found, expected in (*zip(fused, exact, strict=True), (gradient, exact_gradient)):
        error = float((found - expected).norm() / expected.norm())
        assert error < 1e-4, error


def test_network_cut_anywhere_says_the_same(code: SimpleNamespace) -> None:
    """Time-delay layers: what a frame says depends on its neighbourhood alone, never on where the recording begins."""
    torch.manual_seed(0)
    network = code.network.Network(code.network.Shape(width=16), 2 * PHONES).eval()
    features = torch.randn(1, 240, 40)
    whole, part = network(features), network(features[:, 30:])
    assert network.right == 13
    margin = -(-network.left // 3)
    assert torch.allclose(whole[:, 10 + margin : 70], part[:, margin:60], atol=1e-5)


def test_the_model_that_ships_may_hear_held_out_readers_but_no_held_out_voice(
    code: SimpleNamespace, tmp_path: Path
) -> None:
    rows = manifest(tmp_path, yes={"speaker": "ls118"}, no={"speaker": "bf_emma"}, go={"note": "test_only"})
    code.lexicon.write([rows], tmp_path / "lexicon.txt")
    folder = tmp_path / "commands" / "down"
    folder.mkdir(parents=True)
    (folder / "0123abcd_nohash_0.opus").write_bytes((CLIPS / "yes_18f8afd5.opus").read_bytes())
    (tmp_path / "noise").mkdir()
    lexicon, noise = tmp_path / "lexicon.txt", tmp_path / "noise"
    twin = code.prepare.Sources([rows], lexicon, noise)
    ships = code.prepare.Sources([rows], lexicon, noise, everything=True, commands=tmp_path / "commands")
    heard = {}
    for name, sources in (("twin", twin), ("ships", ships)):
        code.prepare.prepare(sources, tmp_path / name)
        clips = json.loads((tmp_path / name / "clips.json").read_text())["clips"]
        heard[name] = {(clip["text"], clip["speaker"]) for clip in clips}
    assert heard["ships"] - heard["twin"] == {("yes", "ls118"), ("down", "sc_0123abcd")}
    assert not {text for text, _ in heard["ships"]} & {"no", "go"}


def test_a_prepared_folder_is_made_anew_for_other_options_only(
    code: SimpleNamespace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = manifest(tmp_path, yes={"speaker": "ls118"})
    code.lexicon.write([rows], tmp_path / "lexicon.txt")
    (tmp_path / "noise").mkdir()
    given = ([rows], tmp_path / "lexicon.txt", tmp_path / "noise")
    made = []
    for everything in (False, False, True):
        capsys.readouterr()
        code.prepare.prepare(code.prepare.Sources(*given, everything=everything), tmp_path / "out")
        made.append("up to date" not in capsys.readouterr().out)
    assert made == [True, False, True]
    assert "ls118" in (tmp_path / "out" / "clips.json").read_text()


def test_of_the_people_of_the_benches_one_half_alone_may_be_heard(code: SimpleNamespace, tmp_path: Path) -> None:
    """What more recordings of the words are worth is measured on the other half."""
    rows = manifest(tmp_path, yes={"speaker": "ls118"}, no={"speaker": "p1"})
    code.lexicon.write([rows], tmp_path / "lexicon.txt")
    folder = tmp_path / "commands" / "yes"
    folder.mkdir(parents=True)
    speakers = {
        half: next(f"{i:08x}" for i in range(99) if code.held_out.half(f"{i:08x}") == half)
        for half in code.held_out.HALVES
    }
    for speaker in speakers.values():
        (folder / f"{speaker}_nohash_0.opus").write_bytes((CLIPS / "yes_18f8afd5.opus").read_bytes())
    (tmp_path / "noise").mkdir()
    sources = code.prepare.Sources(
        [rows], tmp_path / "lexicon.txt", tmp_path / "noise", commands=tmp_path / "commands", half="tune"
    )
    code.prepare.prepare(sources, tmp_path / "out")
    heard = {clip["speaker"] for clip in json.loads((tmp_path / "out" / "clips.json").read_text())["clips"]}
    assert {f"sc_{speakers['tune']}", "p1"} <= heard
    assert not heard & {f"sc_{speakers['test']}", "ls118"}  # the other half, and a reader who is held out


def test_a_teacher_is_foretold_frame_by_frame(code: SimpleNamespace, tmp_path: Path) -> None:
    """Loss 1 for an ear that knows nothing, 0 for one that has in it what is wanted; what comes after the sound of a
    recording does not matter."""
    torch.manual_seed(0)
    torch.save(code.whisper_encoder.Encoder().state_dict(), tmp_path / "whisper.pt")
    teacher = code.teacher.Teacher(tmp_path / "whisper.pt", code.whisper_encoder.WIDTH)
    sound = 1000 * torch.randn(2, 24_000) * torch.linspace(0, 1, 24_000).sin()
    teacher.measure(sound)
    said = teacher.says(sound, 50)
    lengths = torch.tensor([50, 20])
    torch.nn.init.zeros_(teacher.foretell.weight), torch.nn.init.zeros_(teacher.foretell.bias)
    assert float(teacher.loss(sound, said, torch.tensor([50, 50])).detach()) == pytest.approx(1, abs=0.05)
    teacher.foretell.weight.data = torch.diag(1 / teacher.deviation)
    teacher.foretell.bias.data = -teacher.mean / teacher.deviation
    said[1, 20:] = 7
    assert float(teacher.loss(sound, said, lengths).detach()) < 1e-6
    assert float(teacher.loss(sound, said.roll(1, 1), lengths).detach()) > 0.01


def test_words_of_running_speech_are_found_between_their_silences(code: SimpleNamespace) -> None:
    """Three words of one phone: entered at frames 2, 20, 25, the silence at 10; the third is not sure at first."""
    graph = code.chain.text_graph([[[1]], [[2]], [[3]]], 0)
    frame = np.array([0, 2, 10, 20, 24, 25, 30])  # silence, word, silence, word, silence, word, silence
    likely = np.array([1, 1, 1, 1, 0.1, 0.3, 1])
    spans = code.train.word_spans(graph, likely, frame, 40 * 480)
    assert spans == ((2 * 480 - 320, 10 * 480), (-1, -1), (-1, -1))
    likely[5] = 0.9
    spans = code.train.word_spans(graph, likely, frame, 40 * 480)
    assert spans[1:] == ((20 * 480 - 320, 25 * 480), (25 * 480 - 320, 30 * 480))
    likely[1], frame[2] = 0.9, 18  # 480 ms for one phone: something else was said
    assert code.train.word_spans(graph, likely, frame, 40 * 480)[0] == (-1, -1)
    clip = code.corpus.Clip(0, 40 * 480, (((1,),), ((2,),), ((3,),)), spans=spans)
    assert clip.pauses == [(1, (10 * 480 + 20 * 480 - 320) // 2)]


def test_no_word_comes_too_often_and_words_are_cut_out_of_speech(code: SimpleNamespace) -> None:
    """1,500 recordings of one word come 300 times, 20 of another 40 times; every rare word of speech is cut out."""
    corpus, rng = code.corpus, np.random.default_rng(0)
    often, rare, said = (((1,),),), (((2,),),), (((3,),), ((4,),))
    clips = [corpus.Clip(0, 8_000, often)] * 1500 + [corpus.Clip(0, 8_000, rare)] * 20
    clips += [corpus.Clip(0, 64_000, said * 3, spans=((0, 8_000), (8_000, 16_000)) * 3)] * 4
    rows = corpus._rows(clips, corpus.Mix(), rng)
    counts = Counter(words for row in rows for words in row.words)
    assert counts[often] == pytest.approx(2 * 60 * (1500 / 60) ** 0.5, rel=0.15)
    assert counts[rare] == pytest.approx(50, abs=12)
    assert counts[said[:1]] + counts[said[1:]] >= 12
    rows = corpus._rows(clips, corpus.Mix(cut_words=False), rng)
    assert {words for row in rows for words in row.words} == {often, rare, said * 3}


def test_a_small_network_learns_and_its_export_is_whole(
    code: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(code.corpus, "MOST_PIECES", 1)  # short rows: the plain recursion walks frame by frame
    corpus = code.corpus.load(prepared(code, tmp_path))
    corpus.train.extend(corpus.validation)
    shape = code.network.Shape(width=48)
    trainer = code.train.Trainer(corpus, shape, dropout=0.0, seconds=8, workers=0)
    stream = trainer.batches(seed=0)
    losses = []
    for _ in range(60):
        loss, frames = trainer.step(next(stream), rate=3e-3)
        losses.append(float(loss / frames))
    assert np.mean(losses[-20:]) < 0.8 * np.mean(losses[:2])
    trainer.save(tmp_path, "model.pt")
    code.export.export([torch.load(tmp_path / "model.pt")], tmp_path / "exported")
    matrices = sum(value.numel() for value in trainer.average.parameters() if value.dim() == 2)
    assert matrices < (tmp_path / "exported" / "am" / "final.mdl").stat().st_size < 1.5 * matrices  # a byte a weight
    trainer.resume(tmp_path / "last.pt")
    assert trainer.steps == 60
    other = code.train.Trainer(corpus, shape, seconds=8)
    other.begin_with(tmp_path / "model.pt")
    assert torch.equal(other.network.out.weight, trainer.average.out.weight)
    with pytest.raises(SystemExit, match="another shape"):
        code.train.Trainer(corpus, code.network.SHAPES["short"], seconds=8).begin_with(tmp_path / "model.pt")
