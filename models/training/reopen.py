"""A model that ships, back to checkpoints to go on training from, where those that it was made of are lost.

    python models/training/reopen.py models/twin PREPARED OUT

OUT/ear0.pt, OUT/ear1.pt: one for each of its ears, as train.py --begin-with and export.py read them, 8 bits a weight as
they are stored; OUT/second.pt: its second look (MODEL/second, or the folder `second` beside MODEL), for second_train.py
--begin-with. PREPARED is what prepare.py wrote: export.py folds the features' mean and the batch-norm into the weights,
and training wants them apart again, with statistics of sound as it trains on.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from pathlib import Path
from typing import Any

import corpus as corpora
import numpy as np
import torch
from network import BN_EPSILON, Shape, reopened
from torch import Tensor
from train import Trainer

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from handsfree.edges.adaptation import nnet3  # noqa: E402
from handsfree.edges.second_look import FILE  # noqa: E402

BATCHES, BATCH_S = 12, 200
LEAST_VARIANCE = 1e-4
_OFFSET = re.compile(r"Offset\([\w.]+, (-?\d+)\)|[\w.]+")
_SKIP = re.compile(r"Scale\(([\d.]+),")


def ears(model: Path) -> list[dict[str, Any]]:
    """A checkpoint for each ear of the model, everything folded into its weights: features as they come, and
    batch-norm that changes nothing."""
    kaldi, table = nnet3.read(model / "am" / "final.mdl"), json.loads((model / "phones.json").read_text())
    arrays = {c.name: (c.array(*nnet3.WEIGHTS), c.array(nnet3.BIAS)) for c in kaldi.components}
    inputs = {line["name"]: line["input"] for line in nnet3.node_lines(kaldi.lines) if "input" in line}
    names = sorted({name.split(".")[0] for name in arrays})
    return [_ear(name, len(names), arrays, inputs, table) for name in names]


def _ear(name: str, of: int, arrays: dict, inputs: dict[str, str], table: dict[str, Any]) -> dict[str, Any]:
    net: dict[str, Tensor] = {}
    layers: list[tuple[str, list[int], float]] = []
    while (here := f"{name}.layer{len(layers)}") + ".affine" in arrays:
        layer, (weight, bias) = f"layer{len(layers)}", arrays[f"{here}.affine"]
        appended = inputs[f"{here}.affine"].removeprefix("Append(").removesuffix(")")
        offsets = [int(found[1] or 0) for found in _OFFSET.finditer(appended)]
        skip = _SKIP.search(inputs.get(f"{here}.sum", ""))
        layers.append((layer, offsets, float(skip[1]) if skip else 0.0))
        net |= {f"{layer}.lin.weight": torch.tensor(weight), f"{layer}.lin.bias": torch.tensor(bias)}
        one, none = torch.ones(len(bias)), torch.zeros(len(bias))
        net |= {f"{layer}.bn.weight": one, f"{layer}.bn.bias": none, f"{layer}.bn.running_mean": none}
        net |= {f"{layer}.bn.running_var": one - BN_EPSILON}
    weight, bias = arrays[f"{name}.out.affine"]
    width = net["layer0.lin.weight"].shape[1] // len(layers[0][1])
    net |= {"out.weight": of * torch.tensor(weight), "out.bias": of * torch.tensor(bias)}  # export.py scaled them
    net |= {"mu": torch.zeros(width), "sd": torch.ones(width)}
    bigram = torch.tensor(table["log_bigram"])
    return {"phones": table["phones"], "log_bigram": bigram, "net": net, "layers": layers, "bn_epsilon": BN_EPSILON}


def unfolded(ear: dict[str, Any], trainer: Trainer) -> dict[str, Any]:
    """The same network with the features' mean and deviation, and what each layer's batch-norm would have measured, as
    of the trainer's recordings; its outputs in the order of their phones."""
    net, phones = dict(ear["net"]), trainer.corpus.phones
    rows = [2 * ear["phones"].index(phone) + further for phone in phones for further in (0, 1)]
    net["out.weight"], net["out.bias"] = net["out.weight"][rows], net["out.bias"][rows]
    mean, deviation = trainer.network.mu.cpu(), trainer.network.sd.cpu()
    first, frames = net["layer0.lin.weight"], len(ear["layers"][0][1])
    net["layer0.lin.bias"] = net["layer0.lin.bias"] + first @ mean.repeat(frames)
    net["layer0.lin.weight"] = first * deviation.repeat(frames)
    net["mu"], net["sd"] = mean, deviation
    for layer, (centre, variance) in _statistics(net, ear["layers"], trainer).items():
        net |= {f"{layer}.bn.running_mean": centre, f"{layer}.bn.bias": centre, f"{layer}.bn.running_var": variance}
        net[f"{layer}.bn.weight"] = (variance + BN_EPSILON).sqrt()
    return ear | {"phones": phones, "log_bigram": torch.as_tensor(trainer.log_bigram), "net": net}


@torch.no_grad()
def _statistics(net: dict[str, Tensor], layers: list, trainer: Trainer) -> dict[str, tuple[Tensor, Tensor]]:
    """Mean and variance of what each layer's matrix gives, over some batches as training has them."""
    network = reopened({"net": net, "layers": layers}).to(trainer.device)
    parts: dict[str, list[Tensor]] = {}
    for layer, _, _ in layers:

        def note(_module: Any, _given: Any, said: Tensor, layer: str = layer) -> None:
            flat = said.flatten(0, 1).double()
            parts.setdefault(layer, []).append(torch.stack([flat.mean(0), flat.square().mean(0)]))

        network.get_submodule(layer).lin.register_forward_hook(note)
    stream = trainer.batches(seed=0)
    for _ in range(BATCHES):
        network(trainer.hear(next(stream))[1])
    found = {}
    for layer, each in parts.items():
        centre, square = torch.stack(each).mean(0).cpu()
        found[layer] = centre.float(), (square - centre.square()).clamp(min=LEAST_VARIANCE).float()
    return found


def second_look(folder: Path) -> dict[str, Any]:
    """The checkpoint of a second look, without its layer that tells a voice."""
    weights = {}
    with np.load(folder / FILE) as arrays:
        for name in arrays.files:
            if name == "phones" or name.endswith(".scale") or name.startswith("voice."):
                continue
            value = arrays[name].astype(np.float32)
            if arrays[name].dtype == np.int8:
                value = value * arrays[f"{name}.scale"].astype(np.float32)
            tensor = torch.tensor(value)  # stored [..., inputs, outputs]
            weights[name] = (
                tensor.permute(-1, -2, *range(tensor.dim() - 2)).contiguous() if tensor.dim() > 1 else tensor
            ).half()
        phones = [str(phone) for phone in arrays["phones"]]
    return {"phones": phones, "weights": weights}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("model", "prepared", "out"):
        parser.add_argument(name, type=Path)
    given = parser.parse_args()
    found = ears(given.model)
    width = len(found[0]["net"]["layer0.lin.bias"])
    trainer = Trainer(corpora.load(given.prepared), Shape(width), seconds=BATCH_S, loudness="moderate")
    given.out.mkdir(parents=True, exist_ok=True)
    for number, ear in enumerate(found):
        torch.save(unfolded(ear, trainer), given.out / f"ear{number}.pt")
    second = next((f for f in (given.model / "second", given.model.parent / "second") if f.is_dir()), None)
    if second:
        torch.save(second_look(second), given.out / "second.pt")
    print(f"{len(found)} ears{' and a second look' if second else ''} in {given.out}")


if __name__ == "__main__":
    main()
