"""The ear's network in numpy: against Kaldi's own features, its file format, finite differences, and sums by hand."""

from __future__ import annotations

import itertools
import shutil
import struct
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from handsfree.core.errors import UserError
from handsfree.core.phones import PAUSE
from handsfree.edges.adaptation import (
    Learner,
    Stopped,
    Take,
    chain,
    find_stretches,
    nnet3,
    read_other_sound,
    write_model,
)
from handsfree.edges.adaptation.mfcc import Mfcc
from handsfree.edges.adaptation.network import Network
from handsfree.edges.audio import read_file
from handsfree.places import shipped

MODEL = shipped("models") / "en"


def clip(name: str) -> np.ndarray:
    pcm = b"".join(block.pcm for block in read_file(f"tests/data/clips/{name}"))
    return np.frombuffer(pcm, "<i2")


@pytest.fixture(scope="module")
def model() -> nnet3.Model:
    return nnet3.read(MODEL / "am" / "final.mdl")


def test_a_model_file_that_is_read_and_written_says_the_same(model: nnet3.Model, tmp_path) -> None:
    """To the byte, but for weights: those are kept in one byte each, and written in two."""
    path = tmp_path / "final.mdl"
    path.write_bytes(nnet3.to_bytes(model))
    again = nnet3.read(path)
    assert (again.head, again.lines, again.tail) == (model.head, model.lines, model.tail)
    for one, other in zip(model.components, again.components, strict=True):
        assert (one.name, one.kind) == (other.name, other.kind)
        for (token, value), (same, found) in zip(one.fields, other.fields, strict=True):
            step = 0 if isinstance(value, bytes) or value.ndim == 1 else np.ptp(value) / 65535
            assert token == same
            assert value == found if isinstance(value, bytes) else np.abs(value - found).max(initial=0) <= step
    assert nnet3.to_bytes(again) == path.read_bytes()


@pytest.mark.parametrize("cut", [0, 10, 5000, 1_000_000])
def test_a_file_cut_short_is_refused(tmp_path, cut: int) -> None:
    path = tmp_path / "final.mdl"
    path.write_bytes((MODEL / "am" / "final.mdl").read_bytes()[:cut])
    with pytest.raises(UserError, match=r"damaged or no nnet3 model; install handsfree again"):
        nnet3.read(path)


def test_matrices_of_kaldis_other_forms_are_read() -> None:
    """compressed-matrix.h of Kaldi: kOneByte is min + range / 255 * byte; kOneByteWithColHeaders goes through the
    percentiles 0, 25, 75, 100 of a column at bytes 0, 64, 192, 255."""
    header = struct.pack("<ffii", -1.0, 2.0, 2, 2)
    one_byte, _ = nnet3._read_steps(1, header + bytes([0, 255, 51, 102]), 0)
    assert one_byte == pytest.approx(np.array([[-1.0, 1.0], [-0.6, -0.2]]))
    marks = struct.pack("<4H4H", 0, 16384, 49151, 65535, 0, 0, 65535, 65535)
    columns, _ = nnet3._read_columns(header + marks + bytes([0, 64, 192, 128]), 0)
    assert columns == pytest.approx(np.array([[-1.0, 1.0], [-0.5, 0.0]]), abs=1e-3)


def test_features_are_kaldis() -> None:
    """kaldi-native-fbank, a port of Kaldi's feature extraction by others, where it is installed."""
    fbank = pytest.importorskip("kaldi_native_fbank")
    options = fbank.MfccOptions()
    options.frame_opts.dither, options.use_energy = 0, False
    options.mel_opts.num_bins = options.num_ceps = 40
    options.mel_opts.low_freq, options.mel_opts.high_freq = 20, 7600
    theirs = fbank.OnlineMfcc(options)
    samples = clip("yes_18f8afd5.opus")
    theirs.accept_waveform(16000, samples.astype(np.float32).tolist())
    theirs.input_finished()
    frames = np.array([theirs.get_frame(i) for i in range(theirs.num_frames_ready)])
    assert Mfcc(MODEL / "conf" / "mfcc.conf")(samples) == pytest.approx(frames, abs=0.01)


def test_other_features_than_these_are_refused(tmp_path) -> None:
    settings = tmp_path / "mfcc.conf"
    settings.write_text("--use-energy=true\n")
    with pytest.raises(UserError, match=r"mfcc.conf sets use-energy to true"):
        Mfcc(settings)


def test_recordings_heard_together_give_what_each_gives_alone(model: nnet3.Model) -> None:
    network, mfcc = Network(model, 3), Mfcc(MODEL / "conf" / "mfcc.conf")
    features = [mfcc(clip(name)) for name in ("up_e1469561.opus", "no_37dca74f.opus")]
    together, _ = network.forward(np.concatenate(features), network.lay_out([len(one) for one in features]))
    alone = [network.forward(one, network.lay_out([len(one)]))[0] for one in features]
    assert together == pytest.approx(np.concatenate(alone), abs=1e-3)


def test_gradients_are_those_of_finite_differences(model: nnet3.Model) -> None:
    network = Network(model, 3)
    network.weights = {name: [w.astype(float), b.astype(float)] for name, (w, b) in network.weights.items()}
    rng = np.random.default_rng(0)
    features = rng.normal(0, 10, (30, 40))
    layout = network.lay_out([30])
    scores, said = network.forward(features, layout)
    weight = rng.normal(size=scores.shape)
    found = network.backward(weight, layout, said, frozenset(network.weights))
    for name in list(network.weights)[1::4]:
        for array, gradient in zip(network.weights[name], found[name], strict=True):
            unit, was, sums = rng.normal(size=array.shape), array.copy(), []
            for step in (1e-7, -1e-7):
                array[:] = was + step * unit
                sums.append(float((network.forward(features, layout)[0] * weight).sum()))
            array[:] = was
            assert float((gradient * unit).sum()) == pytest.approx((sums[0] - sums[1]) / 2e-7, rel=1e-3)


def test_a_layer_that_is_not_known_is_refused(model: nnet3.Model) -> None:
    odd = nnet3.Component("odd", "LstmNonlinearityComponent", ())
    with pytest.raises(UserError, match="LstmNonlinearityComponent"):
        Network(nnet3.Model(model.head, model.lines, (*model.components, odd), model.tail), 3)


def paths(graph: chain.Graph, outputs: np.ndarray) -> list[float]:
    """The score of every path, by trying all of them: each frame a node, and whether it was entered anew."""
    frames, nodes = len(outputs), range(len(graph.phone))
    scores = []
    for way in itertools.product(itertools.product(nodes, (True, False)), repeat=frames):
        if not way[0][1]:
            continue
        score = graph.start[way[0][0]] + graph.end[way[-1][0]]
        for t, (node, entered) in enumerate(way):
            if t and entered:
                score += graph.step[way[t - 1][0], node]
            elif t and way[t - 1][0] != node:
                score = -np.inf
            score += outputs[t, 2 * graph.phone[node] + (not entered)]
        if np.isfinite(score):
            scores.append(float(score))
    return scores


def test_sums_and_best_paths_are_those_of_all_paths_counted() -> None:
    rng = np.random.default_rng(0)
    bigram = np.log(rng.dirichlet(np.ones(4), 4))
    outputs = rng.normal(size=(4, 6))
    for graph in (chain.any_phones(bigram), chain.spoken([[1, 2], [2]], 0, [[1], []], bigram)):
        every = paths(graph, outputs)
        total, likely = chain.sums(outputs, graph)
        assert total == pytest.approx(np.log(np.exp(every).sum()))
        assert chain.best(outputs, graph)[0] == pytest.approx(max(every))
        assert likely.sum(1) == pytest.approx(np.ones(4))  # in each frame exactly one score lies on the path
        nudge = np.zeros_like(outputs)
        nudge[2, 3] = 1e-5
        slope = (chain.sums(outputs + nudge, graph)[0] - chain.sums(outputs - nudge, graph)[0]) / 2e-5
        assert likely[2, 3] == pytest.approx(slope, abs=1e-6)


def test_a_word_longer_than_the_sound_fits_nowhere() -> None:
    bigram = np.log(np.full((4, 4), 0.25))
    total, likely = chain.sums(np.zeros((1, 6)), chain.spoken([[1, 2]], 0, [[]], bigram))
    assert total == -np.inf
    assert not likely.any()


@pytest.fixture(scope="module")
def learner() -> Learner:
    return Learner(MODEL)


YES, STOP = (("Y", "EH", "S"),), (("S", "T", "AA", "P"),)


def test_a_take_fits_its_own_word_best_and_lies_where_it_is_loud(learner: Learner) -> None:
    samples = clip("yes_18f8afd5.opus")
    scores = learner.scores(samples)
    assert learner.fit(scores, YES) > -2
    assert learner.fit(scores, STOP) < -10
    assert learner.heard(scores) == ("Y", "EH", "S")
    span = learner.span(scores, YES)
    ((start, end),) = find_stretches(samples)
    assert span == pytest.approx((start, end), abs=0.2)


def test_a_pause_inside_a_phrase_is_allowed(learner: Learner) -> None:
    quiet = np.random.default_rng(0).normal(0, 3, 6000).round().astype(np.int16)
    both = np.concatenate([clip("yes_18f8afd5.opus"), quiet, clip("stop_44715c1c.opus")])
    scores = learner.scores(both)
    assert learner.fit(scores, ((*YES[0], PAUSE, *STOP[0]),)) > learner.fit(scores, ((*YES[0], *STOP[0]),)) + 10


def test_learning_moves_the_ear_towards_a_take_and_leaves_other_sound(learner: Learner, tmp_path) -> None:
    """`stop` is taught as "wug": afterwards it fits, and a take of another word is heard as before. Learnt twice at
    once, in two threads: they do not touch each other."""
    wug = (("W", "AH", "G"),)
    samples, other = clip("stop_44715c1c.opus"), clip("yes_18f8afd5.opus")
    given = [Take(samples, wug)] * 4, [Take(other, YES)], [other], 0.05
    with ThreadPoolExecutor(2) as pool:
        taught, again = pool.map(lambda _: learner.adapt(*given), range(2))
    assert taught == again
    write_model(MODEL, taught, tmp_path / "model")
    after = Learner(tmp_path / "model")
    assert after.fit(after.scores(samples), wug) > learner.fit(learner.scores(samples), wug) + 3
    assert after.heard(after.scores(other)) == ("Y", "EH", "S")
    assert not (tmp_path / "model" / "other_sound.opus").exists()


def test_learning_ends_when_nobody_wants_it(learner: Learner) -> None:
    steps = iter([False, False, True])
    with pytest.raises(Stopped):
        learner.adapt([Take(clip("stop_44715c1c.opus"), STOP)] * 4, [], [], 0.05, lambda: next(steps))
    assert list(steps) == []


def test_other_sound_is_whole_and_holds_what_its_table_says(tmp_path) -> None:
    pieces = read_other_sound(MODEL)
    assert len(pieces) > 80
    assert all(len(piece.samples) > 3200 and piece.words for piece in pieces)
    shutil.copy(MODEL / "other_sound.tsv", tmp_path)
    with pytest.raises(UserError, match=r"other_sound cannot be read; install handsfree again"):
        read_other_sound(tmp_path)


def test_stretches_of_sound() -> None:
    rng = np.random.default_rng(0)
    sound = rng.normal(0, 5, 16000 * 5)
    for start, end in ((1.0, 1.5), (1.65, 1.9), (3.0, 3.05), (4.0, 4.4)):  # a gap inside a word; a click; a word
        sound[round(start * 16000) : round(end * 16000)] += rng.normal(0, 2000, round((end - start) * 16000))
    found = find_stretches(sound.round().astype(np.int16))
    assert [pytest.approx(one, abs=0.03) for one in ((1.0, 1.9), (4.0, 4.4))] == found


@pytest.mark.parametrize("level", [0, 3, 3000])
def test_silence_and_steady_noise_hold_no_stretch(level: int) -> None:
    sound = (
        np.random.default_rng(0).normal(0, level, 48000).round().astype(np.int16) if level else np.zeros(48000, "<i2")
    )
    assert find_stretches(sound) == []
    assert find_stretches(sound[:10]) == []
