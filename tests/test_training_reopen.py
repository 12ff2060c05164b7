"""What ships becomes checkpoints again, to go on training from."""

from __future__ import annotations

import importlib
import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

torch = pytest.importorskip("torch")

ROOT = Path(__file__).parents[1]
TRAINING = ROOT / "models" / "training"


@pytest.fixture
def stages(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    monkeypatch.syspath_prepend(str(TRAINING / "second_look"))
    monkeypatch.syspath_prepend(str(TRAINING))
    names = ("export", "network", "reopen", "second_export")
    return SimpleNamespace(**{name: importlib.import_module(name) for name in names})


def ear(stages: SimpleNamespace, phones: list[str], seed: int):
    """A network with random weights, whose batch-norm has heard something, and its checkpoint."""
    torch.manual_seed(seed)
    network = stages.network.Network(stages.network.Shape(width=24), 2 * len(phones), dropout=0.0)
    network.mu, network.sd = torch.randn(40), torch.rand(40) + 0.5
    network.train()
    with torch.no_grad():
        for _ in range(20):
            network(3 * torch.randn(2, 60, 40))
    bigram = np.zeros((len(phones) + 1, len(phones) + 1))
    return network.eval(), network.checkpoint(phones, bigram)


def test_two_ears_come_back_as_they_were_but_for_eight_bits(stages, tmp_path, monkeypatch):
    """Each with features' normalisation and batch-norm apart again, its phones in the order of the recordings'."""
    phones, features = ["SIL", "AA", "N", "SPN"], torch.randn(1, 50, 40)
    made = [ear(stages, phones, seed) for seed in (1, 2)]
    stages.export.export([checkpoint for _, checkpoint in made], tmp_path)
    found = stages.reopen.ears(tmp_path)
    assert [one["layers"] for one in found] == [checkpoint["layers"] for _, checkpoint in made]
    told = {f"layer{i}": (torch.randn(24), torch.rand(24) + 0.1) for i in range(len(made[0][1]["layers"]))}
    monkeypatch.setattr(stages.reopen, "_statistics", lambda *_: told)
    kept = ["SIL", "N", "AA"]
    trainer = SimpleNamespace(
        corpus=SimpleNamespace(phones=kept),
        network=SimpleNamespace(mu=torch.randn(40), sd=torch.rand(40) + 0.5),
        log_bigram=np.zeros((4, 4)),
    )
    for (network, _), one in zip(made, found, strict=True):
        again = stages.reopen.unfolded(one, trainer)
        assert again["phones"] == kept
        reopened = stages.network.Network(stages.network.Shape(width=24), 2 * len(kept), dropout=0.0).eval()
        reopened.load_state_dict(again["net"], strict=False)
        with torch.no_grad():
            was, now = network(features)[..., [0, 1, 4, 5, 2, 3]], reopened(features)
        assert (was - now).abs().max() < 0.05 * was.std()
        assert torch.equal(reopened.get_submodule("layer3").bn.running_mean, told["layer3"][0])


def test_statistics_are_those_of_what_is_heard(stages):
    """Of all batches together."""
    network, checkpoint = ear(stages, ["SIL", "AA"], 3)
    sounds = [torch.randn(2, 60, 40) for _ in range(stages.reopen.BATCHES)]
    trainer = SimpleNamespace(device="cpu", batches=lambda seed: iter(sounds), hear=lambda plan: (None, plan))
    found = stages.reopen._statistics(checkpoint["net"], checkpoint["layers"], trainer)
    said = []
    network.layer4.lin.register_forward_hook(lambda _module, _given, out: said.append(out.flatten(0, 1)))
    with torch.no_grad():
        for sound in sounds:
            network(sound)
    centre, variance = found["layer4"]
    assert torch.allclose(centre, torch.cat(said).mean(0), atol=1e-4)
    assert torch.allclose(variance, torch.cat(said).var(0, correction=0), rtol=1e-3)
    assert set(found) == {name for name, _, _ in checkpoint["layers"]}


def test_a_second_look_comes_back_to_the_bit(stages, tmp_path):
    folder = ROOT / "models" / "twin" / "second"
    torch.save(stages.reopen.second_look(folder), tmp_path / "second.pt")
    stages.second_export.export(tmp_path / "second.pt", tmp_path)
    was, now = stages.second_export.read(folder), stages.second_export.read(tmp_path)
    assert was.keys() == now.keys()
    large = [name for name in was if f"{name}.scale" in was]
    assert len(large) > 10
    for name in was:
        if not name.startswith("voice."):
            assert np.array_equal(was[name], now[name]), name


def test_the_models_that_ship_can_be_reopened(stages):
    for model in ("en", "twin"):
        found = stages.reopen.ears(ROOT / "models" / model)
        phones = json.loads((ROOT / "models" / model / "phones.json").read_text())["phones"]
        small = stages.network.SHAPES["small"]
        assert [one["layers"] for one in found] == [small.layers()] * 2
        assert all(one["net"]["out.weight"].shape == (2 * len(phones), small.width) for one in found)
