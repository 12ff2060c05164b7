"""Train the second look; write OUT.pt, which second_export.py reads, each minute.

    python models/training/second_look/second_train.py PREPARED EXAMPLES.npz WHISPER.pt OUT.pt --minutes 10

PREPARED  what ../prepare.py wrote; EXAMPLES.npz and WHISPER.pt: of examples.py and ../whisper_weights.py
--begin-with  take the weights of another OUT.pt to begin with

The same weights spell and judge: stretches are learnt beside texts that match and texts that do not, each by itself (is
it that word?) and all of a word together (which is it?), and what was said is spelt out as well (CTC). Whisper's own
layers learn more slowly than what is new. Wants a GPU.
"""

from __future__ import annotations

import argparse
import copy
import math
import sys
import time
from pathlib import Path

import torch
import torch.nn.functional as F
from second_network import Speller, near, positions
from stretches import START, Batch, Batches, Examples, collate, sound_of
from torch import Tensor, nn
from torch.utils.data import DataLoader

sys.path.insert(0, str(Path(__file__).parents[1]))

import corpus as corpora  # noqa: E402
from augment import mask_bands  # noqa: E402
from whisper_encoder import LogMel  # noqa: E402

PEAK_RATE, ITS_SHARE, WARM_UP, WEIGHT_DECAY = 1e-3, 0.1, 0.05, 0.02
"""Of learning: what is new, and by how much less for what is Whisper's."""
MATCHES, WHICH, SPELLING = 2.5, 1.0, 0.3
"""Weight of texts that match against those that do not; of the other two parts of the loss."""
AVERAGING = 0.998
REPORT_S = 60


class Trainer:
    """The network, its running average, and the recordings on the device that learns."""

    def __init__(self, prepared: Path, examples: Path, whisper: Path, size: int, workers: int) -> None:
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        corpus = corpora.load(prepared)
        self.recordings = corpus.samples.to(self.device)
        self.noise = self.recordings[corpus.noise_start :]
        given = (examples, corpus.noise_start, len(corpus.samples) - corpus.noise_start)
        self.examples = Examples(*given, seed=0)
        rows = sorted(self.examples.watched, key=lambda row: row[1] - row[0])
        words = [self.examples.word(row) for row in rows]
        self.watched = [collate(words[at : at + 256]) for at in range(0, len(words), 256)]
        self.alone = torch.tensor([bool(row[5]) for row in rows])
        self.batches = iter(DataLoader(Batches(*given, size), batch_size=None, num_workers=workers))
        torch.manual_seed(0)
        self.network = Speller(len(self.examples.phones)).to(self.device)
        its = {name: value.float() for name, value in torch.load(whisper).items()}
        self.network.load_state_dict(its, strict=False)
        self.mel = LogMel().to(self.device)
        self.average = copy.deepcopy(self.network).eval()
        named = list(self.network.named_parameters())
        groups = [([p for n, p in named if (n in its) == old], ITS_SHARE if old else 1.0) for old in (True, False)]
        self.optimiser = torch.optim.AdamW(
            [{"params": group, "share": share} for group, share in groups], PEAK_RATE, weight_decay=WEIGHT_DECAY
        )
        self.steps = 0

    def losses(self, network: Speller, batch: Batch, rough: bool) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """The three parts of the loss, and the log-odds [B, K]."""
        cuda = self.device.type == "cuda"
        with torch.no_grad():
            sound, end, frames = sound_of(batch, self.recordings, self.noise, rough)
            mel = self.mel(sound)
            mel = mask_bands(mel, chance=0.35) if rough else mel
            start = torch.full_like(end, START)
            where = positions((mel.shape[1] + 1) // 2, start, end)
        texts, lengths, match = (part.to(self.device) for part in (batch.texts, batch.lengths, batch.match))
        with torch.autocast(self.device.type, torch.bfloat16, enabled=cuda):
            spelt = network.spell(mel, where, frames)
        spelt, count = near(spelt.float(), start, end, frames)
        odds, said = network.judge(spelt, count, texts, lengths)
        truth = torch.zeros_like(odds)
        truth[:, 0] = match.float()
        judged = F.binary_cross_entropy_with_logits(odds, truth, weight=1 + (MATCHES - 1) * truth)
        which = (torch.logsumexp(odds, 1) - odds[:, 0])[match].mean()
        return judged, which, -(said[:, 0] / lengths[:, 0])[match].mean(), odds

    def step(self, done: float) -> Tensor:
        """One update after that part of the training; the loss."""
        rate = min(1.0, (done + 0.002) / WARM_UP) * 0.5 * (1 + math.cos(math.pi * min(1.0, done)))
        for group in self.optimiser.param_groups:
            group["lr"] = PEAK_RATE * group["share"] * rate
        self.network.train()
        judged, which, spelling, _ = self.losses(self.network, next(self.batches), rough=True)
        loss = judged + WHICH * which + SPELLING * spelling
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        size = nn.utils.clip_grad_norm_(self.network.parameters(), 2.0)
        if torch.isfinite(size):
            self.optimiser.step()
        self.steps += 1
        with torch.no_grad():
            speed = 1 - min(AVERAGING, (1 + self.steps) / (10 + self.steps))
            torch._foreach_lerp_(list(self.average.parameters()), list(self.network.parameters()), speed)
        return loss.detach()

    @torch.no_grad()
    def watch(self) -> str:
        """Of speakers kept aside: the parts of the loss; how often what was said is likelier than eleven other texts,
        of all words and of those said by themselves."""
        parts, first = [], []
        for batch in self.watched:
            *losses, odds = self.losses(self.average, batch, rough=False)
            parts.append(torch.stack(losses))
            first.append((odds.argmax(1) == 0).cpu())
        means, right = torch.stack(parts).mean(0).tolist(), torch.cat(first).float()
        return (
            f"watched: judged {means[0]:.4f}\twhich {means[1]:.4f}\tspelling {means[2]:.4f}"
            f"\tfirst {right.mean():.4f}\talone {right[self.alone].mean():.4f}"
        )

    def save(self, out: Path) -> None:
        weights = {name: weight.half().cpu() for name, weight in self.average.state_dict().items()}
        torch.save({"phones": self.examples.phones, "weights": weights}, out.with_suffix(".part"))
        out.with_suffix(".part").replace(out)


def train(trainer: Trainer, out: Path, minutes: float) -> None:
    begin = reported = time.monotonic()
    total, count = torch.zeros((), device=trainer.device), 0
    while (done := (time.monotonic() - begin) / 60 / minutes) < 1:
        total, count = total + trainer.step(done), count + 1
        if time.monotonic() - reported > REPORT_S:
            reported = time.monotonic()
            trainer.save(out)
            told = f"{reported - begin:.0f} s\t{trainer.steps} steps\tloss {float(total) / count:.4f}\t"
            print(told + trainer.watch(), flush=True)
            total, count = total * 0, 0
    trainer.save(out)
    print(f"{time.monotonic() - begin:.0f} s\t{trainer.steps} steps\t{trainer.watch()}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("prepared", "examples", "whisper", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--batch", type=int, default=256, help="stretches an update")
    parser.add_argument("--workers", type=int, default=8, help="processes that draw stretches")
    parser.add_argument("--begin-with", type=Path, metavar="OUT.pt")
    given = parser.parse_args()
    trainer = Trainer(given.prepared, given.examples, given.whisper, given.batch, given.workers)
    if given.begin_with:
        weights = {name: value.float() for name, value in torch.load(given.begin_with)["weights"].items()}
        for network in (trainer.network, trainer.average):
            network.load_state_dict(weights)
    print(
        f"{len(trainer.examples.words)} words said, {len(trainer.examples.watched)} watched, "
        f"{sum(p.numel() for p in trainer.network.parameters())} weights on {trainer.device}",
        flush=True,
    )
    train(trainer, given.out, given.minutes)


if __name__ == "__main__":
    main()
