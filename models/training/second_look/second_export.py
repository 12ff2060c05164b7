"""A trained second look as the program loads it: OUT/second_look.npz and its checksum.

    python models/training/second_look/second_export.py model.pt OUT

Matrices are stored [inputs, outputs], convolutions [time, inputs, outputs]; the large ones in 8 bits, with a scale for
each output in `NAME.scale`, everything else in 16.
"""

import hashlib
import sys
from pathlib import Path

import numpy as np
import torch

LARGE = 10_000
"""Numbers."""


def main() -> None:
    checkpoint, out = torch.load(sys.argv[1], map_location="cpu"), Path(sys.argv[2])
    arrays = {"phones": np.array(checkpoint["phones"])}
    for name, value in checkpoint["weights"].items():
        array = value.permute(*range(2, value.dim()), 1, 0).contiguous().numpy() if value.dim() > 1 else value.numpy()
        if array.size > LARGE:
            scale = np.abs(array.astype(np.float32)).max(tuple(range(array.ndim - 1))) / 127
            arrays[f"{name}.scale"] = scale = np.maximum(scale, 1e-6).astype(np.float16)
            array = np.rint(array.astype(np.float32) / scale.astype(np.float32)).clip(-127, 127).astype(np.int8)
        arrays[name] = array
    out.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(out / "second_look.npz", **arrays)
    digest = hashlib.sha256((out / "second_look.npz").read_bytes()).hexdigest()
    (out / "second_look.sha256").write_text(f"{digest}  second_look.npz\n")
    print(f"{digest}, {(out / 'second_look.npz').stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
