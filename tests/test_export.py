"""The exported model files say in Kaldi's binary form what the checkpoint says."""

from __future__ import annotations

import importlib.util
import struct
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def export() -> ModuleType:
    spec = importlib.util.spec_from_file_location("export", ROOT / "models" / "training" / "export.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def checkpoint(phones: tuple[str, ...] = ("SIL", "AA", "T"), width: int = 5) -> dict:
    """A network too small to hear, whose every part is there."""
    rng = np.random.default_rng(0)
    layers = [("first", [-1, 0, 1], 0.0), ("second", [-3, 0], 0.5)]
    net = {"mu": rng.normal(size=40), "sd": rng.uniform(0.5, 2, 40)}
    inputs = 40
    for name, offsets, _ in layers:
        net[f"{name}.lin.weight"] = rng.normal(size=(width, inputs * len(offsets)))
        for part in ("lin.bias", "bn.weight", "bn.bias", "bn.running_mean"):
            net[f"{name}.{part}"] = rng.normal(size=width)
        net[f"{name}.bn.running_var"] = rng.uniform(0.5, 2, width)
        inputs = width
    net |= {"out.weight": rng.normal(size=(2 * len(phones), width)), "out.bias": rng.normal(size=2 * len(phones))}
    bigram = np.log(np.full((len(phones) + 1,) * 2, 1 / (len(phones) + 1)))
    return {"phones": list(phones), "log_bigram": bigram, "net": net, "layers": layers}


def matrices(model: bytes) -> list[np.ndarray]:
    """Every two-byte compressed matrix in a file, decoded by the formula of Kaldi's compressed-matrix.h:
    value = min + range * integer / 65535."""
    found = []
    for piece in model.split(b"CM2 ")[1:]:
        low, span, rows, columns = struct.unpack("<ffii", piece[:16])
        integers = np.frombuffer(piece[16 : 16 + 2 * rows * columns], "<u2").reshape(rows, columns)
        found.append(low + span * integers / 65535)
    return found


def test_folded_layers_compute_what_the_network_computes(export: ModuleType, tmp_path: Path) -> None:
    """First layer by the definition of batch normalisation (Ioffe & Szegedy 2015) against the one folded matrix."""
    given = checkpoint()
    export.export(given, tmp_path)
    model = (tmp_path / "am" / "final.mdl").read_bytes()
    weight = matrices(model)[0]
    bias_at = model.index(b"<BiasParams> FV ") + len(b"<BiasParams> FV ") + 5
    bias = np.frombuffer(model[bias_at : bias_at + 4 * 5], "<f4")
    net, frames = given["net"], np.random.default_rng(1).normal(size=(3, 40))
    linear = net["first.lin.weight"] @ ((frames - net["mu"]) / net["sd"]).ravel() + net["first.lin.bias"]
    normal = (linear - net["first.bn.running_mean"]) / np.sqrt(net["first.bn.running_var"] + 1e-3)
    expected = normal * net["first.bn.weight"] + net["first.bn.bias"]
    assert weight @ frames.ravel() + bias == pytest.approx(expected, abs=0.02)


def test_weights_are_within_half_a_step(export: ModuleType, tmp_path: Path) -> None:
    given = checkpoint()
    export.export(given, tmp_path)
    out = matrices((tmp_path / "am" / "final.mdl").read_bytes())[-1]
    true = given["net"]["out.weight"]
    assert np.abs(out - true).max() <= 0.51 * np.ptp(true) / 65535 + 1e-6


def test_context_is_the_sum_of_the_layers(export: ModuleType, tmp_path: Path) -> None:
    export.export(checkpoint(), tmp_path)
    tail = (tmp_path / "am" / "final.mdl").read_bytes().split(b"</Nnet3> ")[1]
    assert tail.startswith(b"<LeftContext> \x04" + struct.pack("<i", 4) + b"<RightContext> \x04" + struct.pack("<i", 1))


def test_the_shipped_model_is_small(export: ModuleType) -> None:
    shipped = ROOT / "models" / "en"
    assert sum(path.stat().st_size for path in shipped.rglob("*") if path.is_file()) <= 12e6


def test_conf_files_hold_what_the_exporter_writes(export: ModuleType) -> None:
    """So that nobody tunes the shipped files by hand and loses it at the next training."""
    conf = ROOT / "models" / "en" / "conf"
    assert (conf / "model.conf").read_text() == export._options(export.DECODER)
    assert (conf / "mfcc.conf").read_text() == export._options(export.FEATURES)
