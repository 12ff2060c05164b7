"""Train the second look; write OUT.pt, which second_export.py reads, each minute.

    python models/training/second_look/second_train.py PREPARED EXAMPLES.npz WHISPER.pt OUT.pt --minutes 10

PREPARED  what ../prepare.py wrote; EXAMPLES.npz and WHISPER.pt: of examples.py and ../whisper_weights.py
--begin-with  take the weights of another OUT.pt to begin with
--teacher     another OUT.pt, of a larger network, whose phones are learnt as well; while it is itself still trained
              it is read anew each minute

The same weights spell and judge: stretches are learnt beside texts that match and texts that do not, each by itself (is
it that word?) and all of a word together (which is it?), and what was said is spelt out as well (CTC). Whisper's own
layers learn more slowly than what is new. Wants a GPU.
"""

from __future__ import annotations

import argparse
import copy
import math
import os
import sys
import time
from pathlib import Path

import torch
import torch.nn.functional as F
from second_network import LAYERS, Speller, near, positions
from stretches import START, Batch, Batches, Examples, Sound, collate, sound_of
from torch import Tensor, nn
from torch.utils.data import DataLoader

sys.path.insert(0, str(Path(__file__).parents[1]))

import corpus as corpora  # noqa: E402
from augment import mask_bands  # noqa: E402
from whisper_encoder import Encoder, LogMel, size  # noqa: E402

PEAK_RATE, ITS_SHARE, WARM_UP, WEIGHT_DECAY = 1e-3, 0.1, 0.05, 0.02
"""Of learning: what is new, and by how much less for what is Whisper's."""
MATCHES, WHICH, SPELLING = 2.5, 1.0, 0.3
"""Weight of texts that match against those that do not; of the other two parts of the loss."""
TEACHING = float(os.environ.get("TEACHING", "3"))
"""Weight of how far its phones are from the teacher's, nats a frame."""
AVERAGING = 0.998
REPORT_S = 60


class Trainer:
    """The network, its running average, and the recordings on the device that learns."""

    def __init__(self, prepared: Path, examples: Path, whisper: Path, layers: int, batch: int, workers: int) -> None:
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
        self.batches = iter(DataLoader(Batches(*given, batch), batch_size=None, num_workers=workers))
        torch.manual_seed(0)
        its = {name: value.float() for name, value in torch.load(whisper).items()}
        self.network = Speller(len(self.examples.phones), layers, size(its)[1]).to(self.device)
        self.network.load_state_dict(its, strict=False)
        self.mel = LogMel().to(self.device)
        self.average = copy.deepcopy(self.network).eval()
        named = list(self.network.named_parameters())
        groups = [([p for n, p in named if (n in its) == old], ITS_SHARE if old else 1.0) for old in (True, False)]
        self.optimiser = torch.optim.AdamW(
            [{"params": group, "share": share} for group, share in groups], PEAK_RATE, weight_decay=WEIGHT_DECAY
        )
        self.steps = 0
        self.teacher: Speller | None = None
        self.hint: nn.Linear | None = None
        self.far = torch.zeros(())
        """How far from the teacher, of the last update."""

    def be_taught(self, by: Path) -> None:
        """From now on learn what that network says as well."""
        self.teacher = load(by, self.device).eval().requires_grad_(False)

    def be_hinted(self, by: Path) -> None:
        """From now on foretell what that Whisper's encoder says."""
        its = {name: value.float() for name, value in torch.load(by).items()}
        self.hinting = Encoder(*size(its)).to(self.device).eval().requires_grad_(False)
        self.hinting.load_state_dict(its)
        self.hint = nn.Linear(self.network.out.in_features, size(its)[1]).to(self.device)
        self.optimiser.add_param_group({"params": list(self.hint.parameters()), "share": 1.0})
        with torch.no_grad():
            batch = next(self.batches)
            sound = sound_of(batch, self.recordings, self.noise, True)
            said = self.hinting(self.mel(sound.clean), sound.frames)
            real = torch.arange(said.shape[1], device=self.device) < sound.frames[:, None]
            self.mean, self.deviation = said[real].mean(0), said[real].std(0).clamp(min=1e-3)

    def hinted(self, heard: Tensor, sound: Sound) -> Tensor:
        """How far what is foretold of `heard` [B, frames, width] is off: 1 when nothing is known."""
        with torch.no_grad(), torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
            said = self.hinting(self.mel(sound.clean), sound.frames)
        off = (self.hint(heard.float()) - (said.float() - self.mean) / self.deviation).clamp(-5, 5).square().mean(-1)
        real = torch.arange(said.shape[1], device=self.device) < sound.frames[:, None]
        return (off * real).sum() / real.sum()

    def losses(self, network: Speller, batch: Batch, rough: bool) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """The three parts of the loss, and the log-odds [B, K]."""
        cuda = self.device.type == "cuda"
        with torch.no_grad():
            sound = sound_of(batch, self.recordings, self.noise, rough)
            end, frames, mel = sound.end, sound.frames, self.mel(sound.samples)
            mel = mask_bands(mel, chance=0.35) if rough else mel
            start = torch.full_like(end, START)
            where = positions((mel.shape[1] + 1) // 2, start, end)
        texts, lengths, match = (part.to(self.device) for part in (batch.texts, batch.lengths, batch.match))
        with torch.autocast(self.device.type, torch.bfloat16, enabled=cuda):
            heard = network.hear(mel, where, frames)
            spelt = network.phones(heard)
        spelt, count = near(spelt.float(), start, end, frames)
        if rough and self.teacher is not None:
            self.far = self.off(spelt, count, sound)
        elif rough and self.hint is not None:
            self.far = self.hinted(heard, sound)
        odds, said = network.judge(spelt, count, texts, lengths)
        truth = torch.zeros_like(odds)
        truth[:, 0] = match.float()
        judged = F.binary_cross_entropy_with_logits(odds, truth, weight=1 + (MATCHES - 1) * truth)
        which = (torch.logsumexp(odds, 1) - odds[:, 0])[match].mean()
        return judged, which, -(said[:, 0] / lengths[:, 0])[match].mean(), odds

    def off(self, spelt: Tensor, count: Tensor, sound: Sound) -> Tensor:
        """How far phones [B, frames, phones + 1], of which so many are real, are from what the teacher says of the
        sound before room and noise, told where the word really is: Kullback-Leibler divergence, nats a frame."""
        with torch.no_grad(), torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
            mel = self.mel(sound.clean)
            where = positions((mel.shape[1] + 1) // 2, sound.start, sound.finish)
            wanted = self.teacher.spell(mel, where, sound.frames)
        wanted, _ = near(wanted.float(), torch.full_like(sound.end, START), sound.end, sound.frames)
        real = torch.arange(spelt.shape[1], device=spelt.device) < count[:, None]
        apart = F.kl_div(spelt, wanted, reduction="none", log_target=True).sum(-1)
        return (apart * real).sum() / real.sum()

    def step(self, done: float) -> Tensor:
        """One update after that part of the training; the loss."""
        rate = min(1.0, (done + 0.002) / WARM_UP) * 0.5 * (1 + math.cos(math.pi * min(1.0, done)))
        for group in self.optimiser.param_groups:
            group["lr"] = PEAK_RATE * group["share"] * rate
        self.network.train()
        judged, which, spelling, _ = self.losses(self.network, next(self.batches), rough=True)
        loss = judged + WHICH * which + SPELLING * spelling
        if self.teacher is not None or self.hint is not None:
            loss = loss + TEACHING * self.far
            self.far = self.far.detach()
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


def load(path: Path, device: torch.device) -> Speller:
    """A network that was saved."""
    saved = torch.load(path, map_location=device)
    network = Speller(len(saved["phones"]), *size(saved["weights"])).to(device)
    network.load_state_dict({name: value.float() for name, value in saved["weights"].items()})
    return network


def train(trainer: Trainer, out: Path, minutes: float, teacher: Path | None) -> None:
    begin = reported = time.monotonic()
    total, count = torch.zeros((), device=trainer.device), 0
    while (done := (time.monotonic() - begin) / 60 / minutes) < 1:
        total, count = total + trainer.step(done), count + 1
        if time.monotonic() - reported > REPORT_S:
            reported = time.monotonic()
            trainer.save(out)
            told = f"{reported - begin:.0f} s\t{trainer.steps} steps\tloss {float(total) / count:.4f}\t"
            if teacher and teacher.exists():
                trainer.be_taught(teacher)
            told += f"off {float(trainer.far):.4f}\t"
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
    parser.add_argument("--layers", type=int, default=LAYERS, help="of Whisper's, the first so many")
    parser.add_argument("--teacher", type=Path, metavar="OUT.pt")
    parser.add_argument("--hint", type=Path, metavar="WHISPER.pt")
    given = parser.parse_args()
    trainer = Trainer(given.prepared, given.examples, given.whisper, given.layers, given.batch, given.workers)
    if given.hint:
        trainer.be_hinted(given.hint)
    if given.begin_with:
        begun = load(given.begin_with, trainer.device).state_dict()
        for network in (trainer.network, trainer.average):
            network.load_state_dict(begun)
    print(
        f"{len(trainer.examples.words)} words said, {len(trainer.examples.watched)} watched, "
        f"{sum(p.numel() for p in trainer.network.parameters())} weights on {trainer.device}",
        flush=True,
    )
    train(trainer, given.out, given.minutes, given.teacher)


if __name__ == "__main__":
    main()
