"""Turn training checkpoints into the files that Kaldi's online nnet3 decoder (inside Vosk) loads.

    python models/training/export.py CHECKPOINT [CHECKPOINT...] OUTDIR

Several checkpoints become one network whose outputs are the mean of theirs; phones and their bigram are those of the
first, and what another has no phone for (noise) is silence to it. Matrices are stored in 8 bits a weight: two ears take
the room of one at 16.

Checkpoint (a dict saved by torch.save; tensors of any float type):

    phones      list of P names, "SIL" among them; their order is the order of the network's outputs
    log_bigram  [P+1, P+1] natural log of P(next phone | phone); the last row is "start", the last column "end"
    net         state dict: mu, sd [40] (feature mean and deviation); for each layer <name>.lin.{weight,bias} and
                <name>.bn.{weight,bias,running_mean,running_var}; out.weight [2P, H], out.bias [2P]. Output 2p
                scores the first 30 ms frame of phone p, 2p+1 its further frames (the one-state chain topology)
    layers      list of (name, offsets, skip): inputs in 10 ms frames relative to the layer's own time, and the
                factor by which the layer's input is added to its output (0: not at all).
                Layer = relu(batch-norm(linear(input)))
    bn_epsilon  epsilon of the batch-norm (1e-3 if absent)

Formats: Kaldi's binary conventions (https://kaldi-asr.org/doc/io.html) for TransitionModel, Nnet3 and CompressedMatrix.
"""

from __future__ import annotations

import argparse
import json
import math
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

WORD_POSITIONS = {"_B": "begin", "_E": "end", "_I": "internal", "_S": "singleton"}

FEATURES = {
    "use-energy": "false",
    "num-mel-bins": 40,
    "num-ceps": 40,
    "low-freq": 20,
    "high-freq": 7600,
    "dither": 0,  # as in training; Kaldi's own default adds random noise, and the same file is never heard twice alike
}

DECODER = {
    "min-active": 20,  # 200, Kaldi's default, keeps the search busy in silence: a twentieth more of the processor
    "max-active": 3000,
    "beam": 9.0,  # wider ones hear nothing more; in noise 11 takes a fifth more of the processor
    # Alternatives within this are what a word's posterior is made of. Wider ones tell right from wrong a little
    # better, and stall: in talk across a room the slowest block of 50 ms takes 0.02 s at 3, 1.4 s at 5, seconds at 6.
    # Determinising phones first, Kaldi's default, explodes on the phone filler from 4 on.
    "lattice-beam": 3.0,
    "phone-determinize": "false",
    "max-mem": 20_000_000,
    "acoustic-scale": 1.0,  # chain models are trained at scale 1
    "frame-subsampling-factor": 3,
    "frames-per-chunk": 15,  # 0.15 s; at 0.09 s words come 10 ms sooner for a third more work
    "endpoint.silence-phones": 1,
    # Silence that ends a breath: where a word is surely over, probably over, inside a phrase ("leave ... it").
    "endpoint.rule2.min-trailing-silence": 0.12,
    "endpoint.rule3.min-trailing-silence": 0.3,
    "endpoint.rule4.min-trailing-silence": 0.6,
    "endpoint.rule5.min-utterance-length": 10.0,  # talk without a pause is reported at least this often
}


def export(checkpoints: Sequence[dict[str, Any]], out: Path) -> None:
    """Write am/final.mdl, conf/*.conf and phones.json under `out`. The first has all phones of the others."""
    first = checkpoints[0]
    phones, positions, base = _with_word_positions(first["phones"])
    for folder in ("am", "conf"):
        (out / folder).mkdir(parents=True, exist_ok=True)
    (out / "am" / "final.mdl").write_bytes(b"\0B" + _transition_model(base) + _acoustic_model(checkpoints))
    (out / "conf" / "mfcc.conf").write_text(_options(FEATURES))
    (out / "conf" / "model.conf").write_text(_options(DECODER))
    bigram = np.asarray(first["log_bigram"], dtype=float).round(3).tolist()
    table = {"phones": first["phones"], "graph_phones": phones, "positions": positions, "log_bigram": bigram}
    (out / "phones.json").write_text(json.dumps(table) + "\n")


def _options(values: dict[str, Any]) -> str:
    return "".join(f"--{name}={value}\n" for name, value in values.items())


def _with_word_positions(phones: list[str]) -> tuple[list[str], list[str], list[int]]:
    """Graph phones (index 0 is epsilon), where in a word each stands, and the index of the plain phone behind each.

    SIL_I is a pause inside a phrase that the graph treats as one word.
    """
    silence = phones.index("SIL")
    names, positions, base = ["<eps>", "SIL", "SIL_I"], ["", "nonword", "internal"], [silence, silence]
    for index, phone in enumerate(phones):
        if phone == "SIL":
            continue
        for suffix, position in WORD_POSITIONS.items():
            names.append(phone + suffix)
            positions.append(position)
            base.append(index)
    return names, positions, base


def _transition_model(base: list[int]) -> bytes:
    """One emitting state a phone. Phone i owns transition ids 2i-1 (stay) and 2i (enter), each with its pdf."""
    count = len(base)
    topology = (
        _token("<Topology>")
        + _int_vector(range(1, count + 1))
        + _int_vector([-1] + [0] * count)
        + _int(-1)  # "forward and self-loop pdf classes differ"
        + _int(1)  # one topology entry, of two states
        + _int(2)
        + (_int(0) + _int(1) + _int(2) + _int(0) + _float(0.5) + _int(1) + _float(0.5))
        + (_int(-1) + _int(-1) + _int(0))
        + _token("</Topology>")
    )
    tuples = b"".join(_int(i + 1) + _int(0) + _int(2 * phone) + _int(2 * phone + 1) for i, phone in enumerate(base))
    log_probs = _vector(np.array([0.0] + [math.log(0.5)] * (2 * count)))
    return (
        _token("<TransitionModel>")
        + topology
        + (_token("<Tuples>") + _int(count) + tuples + _token("</Tuples>"))
        + (_token("<LogProbs>") + log_probs + _token("</LogProbs>"))
        + _token("</TransitionModel>")
    )


def _acoustic_model(checkpoints: Sequence[dict[str, Any]]) -> bytes:
    """The ears side by side; each one's last layer is scaled, so that the sum of their outputs is the mean."""
    share, phones = 1 / len(checkpoints), checkpoints[0]["phones"]
    ears = [_ear(f"ear{i}", checkpoint, share, phones) for i, checkpoint in enumerate(checkpoints)]
    graph = ["input-node name=input dim=40", *(line for ear in ears for line in ear.graph)]
    outputs = ", ".join(ear.output for ear in ears)
    mean = outputs if len(ears) == 1 else f"Sum({outputs})"
    graph.append(f"output-node name=output input={mean} objective=linear")
    components = [component for ear in ears for component in ear.components]
    left, right = max(ear.left for ear in ears), max(ear.right for ear in ears)
    return (
        _token("<Nnet3>")
        + ("\n" + "\n".join(graph) + "\n\n").encode()
        + (_token("<NumComponents>") + _int(len(components)) + b"".join(components) + _token("</Nnet3>"))
        + (_token("<LeftContext>") + _int(left) + _token("<RightContext>") + _int(right))
        + (_token("<Priors>") + _vector(np.zeros(0)))
    )


class _Ear(NamedTuple):
    """One checkpoint's part of the network: lines of the graph, components, the node that scores, frames of context."""

    graph: list[str]
    components: list[bytes]
    output: str
    left: int
    right: int


def _ear(ear: str, checkpoint: dict[str, Any], share: float, phones: list[str]) -> _Ear:
    """`share`: factor of its outputs, which come in the order of `phones`."""
    net = {name: np.asarray(value, dtype=np.float64) for name, value in checkpoint["net"].items()}
    epsilon = checkpoint.get("bn_epsilon", 1e-3)
    graph, components, source, left, right = [], [], "input", 0, 0
    for index, (name, offsets, skip) in enumerate(checkpoint["layers"]):
        weight, bias = _fold_batch_norm(net, name, epsilon)
        if index == 0:
            weight, bias = _fold_normalisation(weight, bias, net["mu"], net["sd"], len(offsets))
        here = f"{ear}.layer{index}"
        inputs = ", ".join(f"Offset({source}, {offset})" if offset else source for offset in offsets)
        graph.append(f"component-node name={here}.affine component={here}.affine input=Append({inputs})")
        graph.append(f"component-node name={here}.relu component={here}.relu input={here}.affine")
        components += [_affine(f"{here}.affine", weight, bias), _relu(f"{here}.relu", len(bias))]
        if skip:
            components.append(_no_op(f"{here}.sum", len(bias)))
            sum_of = f"Sum(Scale({skip}, {source}), {here}.relu)"
            graph.append(f"component-node name={here}.sum component={here}.sum input={sum_of}")
        source = f"{here}.sum" if skip else f"{here}.relu"
        left, right = left - min(offsets), right + max(offsets)
    output = f"{ear}.out.affine"
    own = checkpoint["phones"]
    rows = [2 * own.index(phone if phone in own else "SIL") + further for phone in phones for further in (0, 1)]
    components.append(_affine(output, share * net["out.weight"][rows], share * net["out.bias"][rows]))
    graph.append(f"component-node name={output} component={output} input={source}")
    return _Ear(graph, components, output, left, right)


def _fold_batch_norm(net: dict[str, np.ndarray], name: str, epsilon: float) -> tuple[np.ndarray, np.ndarray]:
    """Linear layer + batch-norm (its running statistics) as one linear layer."""
    scale = net[f"{name}.bn.weight"] / np.sqrt(net[f"{name}.bn.running_var"] + epsilon)
    bias = (net[f"{name}.lin.bias"] - net[f"{name}.bn.running_mean"]) * scale + net[f"{name}.bn.bias"]
    return net[f"{name}.lin.weight"] * scale[:, None], bias


def _fold_normalisation(
    weight: np.ndarray, bias: np.ndarray, mean: np.ndarray, deviation: np.ndarray, frames: int
) -> tuple[np.ndarray, np.ndarray]:
    weight = weight / np.tile(deviation, frames)
    return weight, bias - weight @ np.tile(mean, frames)


def _affine(name: str, weight: np.ndarray, bias: np.ndarray) -> bytes:
    return (
        _token("<ComponentName>")
        + _token(name)
        + (_token("<AffineComponent>") + _token("<LearningRate>") + _float(0.001))
        + (_token("<LinearParams>") + _compressed_matrix(weight) + _token("<BiasParams>") + _vector(bias))
        + _token("</AffineComponent>")
    )


def _relu(name: str, dim: int) -> bytes:
    empty = _vector(np.zeros(0))
    return (
        _token("<ComponentName>")
        + _token(name)
        + (_token("<RectifiedLinearComponent>") + _token("<Dim>") + _int(dim))
        + (_token("<ValueAvg>") + empty + _token("<DerivAvg>") + empty + _token("<Count>") + _float(0.0))
        + (_token("<OderivRms>") + empty + _token("<OderivCount>") + _float(0.0))
        + _token("</RectifiedLinearComponent>")
    )


def _no_op(name: str, dim: int) -> bytes:
    return (
        _token("<ComponentName>")
        + _token(name)
        + (_token("<NoOpComponent>") + _token("<Dim>") + _int(dim) + _token("<BackpropScale>") + _float(1.0))
        + _token("</NoOpComponent>")
    )


def _token(text: str) -> bytes:
    return text.encode() + b" "


def _int(value: int) -> bytes:
    return struct.pack("<bi", 4, value)


def _float(value: float) -> bytes:
    return struct.pack("<bf", 4, value)


def _int_vector(values: Any) -> bytes:
    array = np.asarray(list(values), dtype="<i4")
    return struct.pack("<bi", 4, len(array)) + array.tobytes()


def _vector(values: np.ndarray) -> bytes:
    return _token("FV") + _int(len(values)) + values.astype("<f4").tobytes()


def _compressed_matrix(values: np.ndarray) -> bytes:
    """Kaldi's CompressedMatrix of one byte a value, each column between percentiles of its own.

    The percentiles 0, 25, 75 and 100 are stored in 65,536 even steps from the smallest value of all to the largest, and
    lie at bytes 0, 64, 192 and 255; bytes between are even steps. Kaldi wants the four to ascend strictly.
    """
    low, span = float(values.min()), float(values.max() - values.min()) or 1.0
    quarter, apart = len(values) // 4, np.arange(4)[:, None]
    marks = np.sort(values, axis=0)[[0, quarter, 3 * quarter, -1]]
    marks = np.maximum.accumulate(np.minimum(np.round((marks - low) / span * 65535) - apart, 65532)) + apart
    header = struct.pack("<ffii", low, span, *values.shape) + marks.T.astype("<u2").tobytes()
    columns = zip(values.T, (low + marks / 65535 * span).T, strict=True)
    steps = np.round([np.interp(column, at, (0, 64, 192, 255)) for column, at in columns])
    return _token("CM") + header + steps.astype("u1").tobytes()


def main() -> None:
    import torch

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("checkpoints", nargs="+", metavar="CHECKPOINT")
    parser.add_argument("out", type=Path, metavar="OUTDIR")
    given = parser.parse_args()
    checkpoints = [torch.load(path, map_location="cpu") for path in given.checkpoints]
    for path, checkpoint in zip(given.checkpoints, checkpoints, strict=True):
        if more := set(checkpoint["phones"]) - set(checkpoints[0]["phones"]):
            raise SystemExit(
                f"{path}: {given.checkpoints[0]} has no {', '.join(sorted(more))}; give that first which has all phones"
            )
    export(checkpoints, given.out)


if __name__ == "__main__":
    main()
