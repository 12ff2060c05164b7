"""A trained second look as the program loads it: OUT/second_look.npz (half precision) and its checksum.

    python models/training/second_look/second_export.py model.pt OUT

Matrices are stored [inputs, outputs], convolutions [time, frequency, inputs, outputs].
"""

import hashlib
import sys
from pathlib import Path

import numpy as np
import torch


def main() -> None:
    checkpoint, out = torch.load(sys.argv[1], map_location="cpu"), Path(sys.argv[2])
    arrays = {"phones": np.array(checkpoint["phones"])}
    for name, value in checkpoint["weights"].items():
        if value.dim() > 1:
            value = value.permute(*range(2, value.dim()), 1, 0)
        arrays[name] = value.contiguous().numpy()
    out.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(out / "second_look.npz", **arrays)
    digest = hashlib.sha256((out / "second_look.npz").read_bytes()).hexdigest()
    (out / "second_look.sha256").write_text(f"{digest}  second_look.npz\n")
    print(f"{digest}, {(out / 'second_look.npz').stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
