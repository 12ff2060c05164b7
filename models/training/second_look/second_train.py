"""Train the second look on what hear.py wrote; write OUT.pt, which second_export.py reads.

    python models/training/second_look/second_train.py EXAMPLES.npz GOOGLE.pt OUT.pt WATCHED.npz HEARD.npz...

The same weights spell and judge: stretches are learnt beside texts that match and texts that do not, each by itself (is
it that word?) and all of a word together (which is it?), and what was said is spelt out as well (CTC).
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from second_network import DEPTHS, Speller
from stretches import Examples
from torch import Tensor, nn

PEAK_RATE, WARM_UP, WEIGHT_DECAY = 2e-3, 0.05, 0.05
BATCH, POOL = 64, 16
"""Stretches an update; so many batches of stretches of like length are made at once."""
MATCHES, WHICH, SPELLING = 2.5, 0.5, 0.3
"""Weight of texts that match against those that do not; of the other two parts of the loss."""
AVERAGING = 0.995


class Heard:
    """What some hear.py runs wrote."""

    def __init__(self, paths: list[Path], examples: Examples) -> None:
        files = [np.load(path) for path in paths]
        self.frames = np.concatenate([file["frames"] for file in files])
        self.counts, self.texts, self.lengths, self.match, self.row = (
            np.concatenate([file[name] for file in files]) for name in ("counts", "texts", "lengths", "match", "row")
        )
        self.starts = np.cumsum(self.counts) - self.counts
        self.examples = examples

    def batches(self, order: np.ndarray) -> Iterator[tuple[Tensor, ...]]:
        """Stretches of like length together: frames, counts, texts, lengths, match."""
        order = order[np.argsort(self.counts[order], kind="stable")]
        for at in self.examples.rng.permutation(range(0, len(order), BATCH)):
            yield self.batch(order[at : at + BATCH])

    def batch(self, members: np.ndarray) -> tuple[Tensor, ...]:
        """Words get new wrong texts each time."""
        counts, texts, lengths = self.counts[members], self.texts[members].copy(), self.lengths[members].copy()
        frames = np.zeros((len(members), counts.max(), self.frames.shape[1]), np.float32)
        for i, stretch in enumerate(members):
            frames[i, : counts[i]] = self.frames[self.starts[stretch] :][: counts[i]]
            if self.row[stretch] >= 0:
                for k, text in enumerate(self.examples.word(self.examples.words[self.row[stretch]]).texts):
                    texts[i, k, : len(text)], lengths[i, k] = text, len(text)
        arrays = (frames, counts, texts[..., : lengths.max()].astype(int), lengths.astype(int), self.match[members])
        return tuple(map(torch.from_numpy, arrays))


def losses(network: Speller, batch: tuple[Tensor, ...]) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """The three parts of the loss, and the log-odds [B, K]."""
    frames, counts, texts, lengths, match = batch
    spelt = network.spell(frames[..., :DEPTHS], frames[..., DEPTHS:], counts)
    odds, said = network.judge(spelt, counts, texts, lengths)
    truth = torch.zeros_like(odds)
    truth[:, 0] = match.float()
    judged = F.binary_cross_entropy_with_logits(odds, truth, weight=1 + (MATCHES - 1) * truth)
    if not match.any():
        return judged, judged * 0, judged * 0, odds
    which = F.cross_entropy(odds[match], torch.zeros(int(match.sum()), dtype=torch.long))
    return judged, which, -(said[:, 0] / lengths[:, 0])[match].mean(), odds


def train(heard: Heard, watched: Heard, minutes: float, phones: int) -> Speller:
    torch.manual_seed(0)
    network = Speller(phones)
    some = torch.from_numpy(heard.frames[:200_000, :DEPTHS].astype(np.float32))
    network.mean.copy_(some.mean(0))
    network.scale.copy_(1 / (some.std(0) + 0.1))
    average = copy.deepcopy(network).eval()
    learnt = [weight for weight in network.parameters() if weight.requires_grad]
    optimiser = torch.optim.AdamW(learnt, PEAK_RATE, weight_decay=WEIGHT_DECAY)
    begin, reported, step = time.monotonic(), time.monotonic(), 0
    while (done := (time.monotonic() - begin) / 60 / minutes) < 1:
        for batch in heard.batches(heard.examples.rng.permutation(len(heard.counts))[: BATCH * POOL]):
            rate = min(1.0, (done + 0.002) / WARM_UP) * 0.5 * (1 + math.cos(math.pi * min(1.0, done)))
            optimiser.param_groups[0]["lr"] = PEAK_RATE * rate
            network.train()
            judged, which, spelling, _ = losses(network, batch)
            (judged + WHICH * which + SPELLING * spelling).backward()
            nn.utils.clip_grad_norm_(learnt, 2.0)
            optimiser.step()
            optimiser.zero_grad(set_to_none=True)
            step += 1
            with torch.no_grad():
                speed = 1 - min(AVERAGING, (1 + step) / (10 + step))
                torch._foreach_lerp_(list(average.parameters()), list(network.parameters()), speed)
        if time.monotonic() - reported > 45:
            reported = time.monotonic()
            report(average, watched, reported - begin, step)
    report(average, watched, time.monotonic() - begin, step)
    return average


@torch.no_grad()
def report(network: Speller, watched: Heard, seconds: float, step: int) -> None:
    """Of speakers kept aside: the parts of the loss; how often what was said is likelier than five other texts."""
    parts = [losses(network, batch) for batch in watched.batches(np.arange(len(watched.counts)))]
    judged, which, spelling = (float(torch.stack([part[i] for part in parts]).mean()) for i in range(3))
    first = float((torch.cat([part[3] for part in parts]).argmax(1) == 0).float().mean())
    print(
        f"{seconds:.0f} s\t{step} steps\twatched: judged {judged:.4f}\twhich {which:.4f}\tspelling {spelling:.4f}"
        f"\tfirst {first:.4f}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("examples", "google", "out", "watched"):
        parser.add_argument(name, type=Path)
    parser.add_argument("heard", type=Path, nargs="+")
    parser.add_argument("--minutes", type=float, default=10)
    given = parser.parse_args()
    examples = Examples(given.examples, 0, 0, seed=0)
    heard, watched = Heard(given.heard, examples), Heard([given.watched], examples)
    print(f"{len(heard.counts)} stretches, {len(watched.counts)} watched", flush=True)
    network = train(heard, watched, given.minutes, len(examples.phones))
    embedding = {f"embedding.{name}": weight for name, weight in torch.load(given.google).items()}
    weights = {name: weight.half() for name, weight in (embedding | network.state_dict()).items()}
    torch.save({"phones": examples.phones, "weights": weights}, given.out)


if __name__ == "__main__":
    main()
