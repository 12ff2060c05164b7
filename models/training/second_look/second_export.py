"""A trained second look as the program loads it: OUT/second_look.npz and its checksum.

    python models/training/second_look/second_export.py model.pt OUT

Until voice.py has taught it otherwise, all is a voice to it.

Matrices are stored [inputs, outputs], convolutions [time, inputs, outputs]; the large ones in 8 bits, with a scale for
each output in `NAME.scale`, everything else in 16.
"""

import argparse
import hashlib
import sys
from pathlib import Path

import numpy as np
import torch

sys.path.insert(0, str(Path(__file__).parents[3]))

from handsfree.edges.second_look import FILE, SUM  # noqa: E402

LARGE = 10_000
"""Numbers."""
SURE = 10.0
"""Log-odds."""


def export(model: Path, out: Path) -> None:
    checkpoint = torch.load(model, map_location="cpu")
    arrays = {"phones": np.array(checkpoint["phones"])}
    width = checkpoint["weights"]["out.weight"].shape[1]
    arrays |= {"voice.weight": np.zeros((width, 1), np.float32), "voice.bias": np.array([SURE], np.float32)}
    for name, value in checkpoint["weights"].items():
        array = value.permute(*range(2, value.dim()), 1, 0).contiguous().numpy() if value.dim() > 1 else value.numpy()
        if array.size > LARGE:
            scale = np.abs(array.astype(np.float32)).max(tuple(range(array.ndim - 1))) / 127
            arrays[f"{name}.scale"] = scale = np.maximum(scale, 1e-6).astype(np.float16)
            array = np.rint(array.astype(np.float32) / scale.astype(np.float32)).clip(-127, 127).astype(np.int8)
        arrays[name] = array
    write(arrays, out)


def read(folder: Path) -> dict[str, np.ndarray]:
    """All arrays of a second look."""
    with np.load(folder / FILE) as arrays:
        return {name: arrays[name] for name in arrays.files}


def write(arrays: dict[str, np.ndarray], folder: Path) -> None:
    """The second look and its checksum."""
    folder.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(folder / FILE, **arrays)
    digest = hashlib.sha256((folder / FILE).read_bytes()).hexdigest()
    (folder / SUM).write_text(f"{digest}  {FILE}\n")
    print(f"{digest}, {(folder / FILE).stat().st_size / 1e6:.2f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("model", "out"):
        parser.add_argument(name, type=Path)
    given = parser.parse_args()
    export(given.model, given.out)


if __name__ == "__main__":
    main()
