"""The exported model files say in Kaldi's binary form what the checkpoint says."""

from __future__ import annotations

import importlib.util
import struct
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from handsfree.edges.adaptation import nnet3
from handsfree.edges.adaptation.network import Network

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def export() -> ModuleType:
    spec = importlib.util.spec_from_file_location("export", ROOT / "models" / "training" / "export.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def checkpoint(
    phones: tuple[str, ...] = ("SIL", "AA", "T"), width: int = 5, seed: int = 0, second: tuple[int, ...] = (-3, 0)
) -> dict:
    """A network too small to hear, whose every part is there. `second`: offsets of the second layer."""
    rng = np.random.default_rng(seed)
    layers = [("first", [-1, 0, 1], 0.0), ("second", list(second), 0.5)]
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


def decoded(data: bytes) -> np.ndarray:
    """A matrix as Kaldi's compressed-matrix.h documents kOneByteWithColHeaders: the smallest value, the range, rows and
    columns; for each column its percentiles 0, 25, 75 and 100 as shares of the range in 65,535ths; then the bytes of
    each column: 0-64 from the first percentile to the second, 64-192 on to the third, 192-255 on to the fourth."""
    low, span, rows, columns = struct.unpack_from("<ffii", data)
    marks = struct.unpack_from(f"<{4 * columns}H", data, 16)
    values = np.empty((rows, columns))
    for column in range(columns):
        shares = marks[4 * column : 4 * column + 4]
        assert shares[0] < shares[1] < shares[2] < shares[3]  # as Kaldi's own writer takes care of
        p0, p25, p75, p100 = (low + span * share / 65535 for share in shares)
        for row in range(rows):
            byte = data[16 + 8 * columns + column * rows + row]
            if byte <= 64:
                values[row, column] = p0 + (p25 - p0) * byte / 64
            elif byte <= 192:
                values[row, column] = p25 + (p75 - p25) * (byte - 64) / 128
            else:
                values[row, column] = p75 + (p100 - p75) * (byte - 192) / 63
    return values


def allowed(true: np.ndarray) -> np.ndarray:
    """The error that the format allows in each column: half a step of its widest interval, and one of the 65,535ths.

    A percentile is rounded by half of one, and moved by three at most where percentiles would coincide. That shifts
    values at the ends by half of one, and widens half a step by 7 / 2 / 63 of one: less than one together.
    """
    ordered, quarter = np.sort(true, axis=0), len(true) // 4
    p0, p25, p75, p100 = ordered[0], ordered[quarter], ordered[3 * quarter], ordered[-1]
    widest = np.max([(p25 - p0) / 64, (p75 - p25) / 128, (p100 - p75) / 63], axis=0)
    return widest / 2 + (np.ptp(true) or 1.0) / 65535 + 1e-6 * np.abs(true).max()  # the last: single precision


def first_layer(net: dict, frames: np.ndarray) -> np.ndarray:
    """By the definition of batch normalisation (Ioffe & Szegedy 2015). Frames [3, 40]."""
    linear = net["first.lin.weight"] @ ((frames - net["mu"]) / net["sd"]).ravel() + net["first.lin.bias"]
    normal = (linear - net["first.bn.running_mean"]) / np.sqrt(net["first.bn.running_var"] + 1e-3)
    return normal * net["first.bn.weight"] + net["first.bn.bias"]


def arrays(model: Path, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Weights and biases of a component."""
    piece = model.read_bytes().split(f"<ComponentName> {name} <AffineComponent> ".encode())[1]
    weight = decoded(piece.split(b"<LinearParams> CM ", 1)[1])
    bias = piece.split(b"<BiasParams> FV \x04", 1)[1]
    (count,) = struct.unpack_from("<i", bias)
    return weight, np.frombuffer(bias, "<f4", count, 4)


def test_folded_layers_compute_what_the_network_computes(export: ModuleType, tmp_path: Path) -> None:
    """The answer to zeros is the folded bias; what one input adds to it is a column of the folded matrix."""
    given = checkpoint(width=12)
    export.export([given], tmp_path)
    weight, bias = arrays(tmp_path / "am" / "final.mdl", "ear0.layer0.affine")
    silent = first_layer(given["net"], np.zeros((3, 40)))
    true = np.stack([first_layer(given["net"], one.reshape(3, 40)) - silent for one in np.eye(120)], axis=1)
    assert (np.abs(weight - true) <= allowed(true)).all()
    assert bias == pytest.approx(silent, abs=1e-5)


COLUMNS = np.random.default_rng(0)
MATRICES = {
    "many rows": COLUMNS.normal(size=(320, 30)),
    "a few far off": COLUMNS.standard_t(2, (320, 30)),
    "columns unlike each other": COLUMNS.normal(size=(50, 30)) * 10.0 ** np.linspace(-5, 2, 30),
    "equal columns": np.tile([[-3.0, 1e-7, 0.0, 2.5, 2.5]], (40, 1)),
    "equal columns among others": np.column_stack([COLUMNS.normal(size=(40, 3)), np.full((40, 2), [-7.0, 7.0])]),
    "two values": COLUMNS.integers(0, 2, (40, 20)) * 3.0,
    "one value": np.full((7, 3), 0.25),
    "nothing but zeros": np.zeros((6, 4)),
}
MATRICES |= {f"{rows} rows": COLUMNS.normal(size=(rows, 20)) for rows in range(1, 10)}


@pytest.mark.parametrize("true", MATRICES.values(), ids=MATRICES)
def test_weights_are_as_near_as_the_format_allows(export: ModuleType, true: np.ndarray) -> None:
    written = export._compressed_matrix(true)
    assert written.startswith(b"CM ")
    assert len(written) == 3 + 16 + 8 * true.shape[1] + true.size
    assert (np.abs(decoded(written[3:]) - true) <= allowed(true)).all()


def test_several_ears_give_the_mean_of_theirs(export: ModuleType, tmp_path: Path) -> None:
    """Ears of unlike width and context. A matrix that is scaled keeps its bytes: what differs is single precision."""
    given = [checkpoint(), checkpoint(width=9, seed=1, second=(-2, 0, 4)), checkpoint(seed=2)]
    features = np.random.default_rng(3).normal(size=(50, 40)).astype(np.float32)

    def said(checkpoints: list[dict], name: str) -> np.ndarray:
        export.export(checkpoints, tmp_path / name)
        network = Network(nnet3.read(tmp_path / name / "am" / "final.mdl"), subsampling=1)
        return network.forward(features, network.lay_out([len(features)]))[0]

    alone = [said([one], f"ear{i}") for i, one in enumerate(given)]
    assert np.abs(alone[0] - alone[1]).mean() > 1
    assert said(given[:2], "two") == pytest.approx((alone[0] + alone[1]) / 2, abs=1e-3)
    assert said(given, "three") == pytest.approx(sum(alone) / 3, abs=1e-3)


def test_what_an_ear_has_no_phone_for_is_silence_to_it(export: ModuleType, tmp_path: Path) -> None:
    first, other = checkpoint(("SIL", "SPN", "AA", "T"), 12), checkpoint(("SIL", "T", "AA"), 12, seed=1)
    export.export([first, other], tmp_path)
    _, bias = arrays(tmp_path / "am" / "final.mdl", "ear1.out.affine")
    silence, t, aa = (other["net"]["out.bias"][at : at + 2] / 2 for at in (0, 2, 4))
    assert bias == pytest.approx(np.concatenate([silence, silence, aa, t]), abs=1e-6)


def test_an_ear_with_a_phone_that_the_first_lacks_is_refused(tmp_path: Path) -> None:
    torch = pytest.importorskip("torch")
    for name, phones in (("one", ("SIL", "AA", "T")), ("fewer", ("SIL", "AA")), ("more", ("SIL", "T", "AA", "IY"))):
        given = checkpoint(phones)
        net = {key: torch.tensor(value) for key, value in given["net"].items()}
        torch.save(given | {"net": net, "log_bigram": torch.tensor(given["log_bigram"])}, tmp_path / f"{name}.pt")
    one, fewer, more, out = (tmp_path / name for name in ("one.pt", "fewer.pt", "more.pt", "model"))
    call = [sys.executable, ROOT / "models" / "training" / "export.py"]
    refused = subprocess.run([*call, one, fewer, more, out], capture_output=True, text=True)
    assert refused.returncode == 1
    assert refused.stderr == f"{more}: {one} has no IY; give that first which has all phones\n"
    assert not out.exists()
    subprocess.run([*call, one, fewer, out], check=True)
    assert (out / "am" / "final.mdl").is_file()


def test_context_is_the_sum_of_the_layers_and_the_widest_of_the_ears(export: ModuleType, tmp_path: Path) -> None:
    for ears, left, right in (
        ([checkpoint()], 4, 1),
        ([checkpoint(second=(-2, 0, 4))], 3, 5),
        ([checkpoint(), checkpoint(second=(-2, 0, 4))], 4, 5),
    ):
        export.export(ears, tmp_path)
        tail = (tmp_path / "am" / "final.mdl").read_bytes().split(b"</Nnet3> ")[1]
        context = b"<LeftContext> \x04" + struct.pack("<i", left) + b"<RightContext> \x04" + struct.pack("<i", right)
        assert tail.startswith(context)


def test_the_shipped_model_is_small(export: ModuleType) -> None:
    shipped = ROOT / "models" / "en"
    assert sum(path.stat().st_size for path in shipped.rglob("*") if path.is_file()) <= 12e6


def test_conf_files_hold_what_the_exporter_writes(export: ModuleType) -> None:
    """So that nobody tunes the shipped files by hand and loses it at the next training."""
    conf = ROOT / "models" / "en" / "conf"
    assert (conf / "model.conf").read_text() == export._options(export.DECODER)
    assert (conf / "mfcc.conf").read_text() == export._options(export.FEATURES)
