"""Train the acoustic network from a flat start; write checkpoints that export.py reads.

    python models/training/train.py PREPARED_FOLDER OUT_FOLDER --minutes 20

OUT gets model.pt (running average of the weights, the one to export), last.pt (all that `--resume` needs) and log.tsv.
Loss columns: LF-MMI per 30 ms frame (chain.py), lower is better; `watched`: of speakers kept aside, without
augmentation, in running speech and in single words. Uses a GPU where there is one. The length of training is a time,
because time is what a rented machine costs; the learning rate falls to nothing over it.
"""

from __future__ import annotations

import argparse
import copy
import math
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import chain
import corpus as corpora
import numpy as np
import torch
import torch.nn.functional as F
from augment import LOUDNESS, augment, mask_bands
from features import Mfcc
from network import SHAPES, Network, Shape
from teacher import Teacher
from torch import Tensor, nn
from torch.utils.data import DataLoader

PEAK_RATE, LAST_RATE, WARM_UP = 2e-3, 2e-5, 0.03
WEIGHT_DECAY, LARGEST_GRADIENT = 0.01, 2.0
OUTPUT_COST = 1e-4
"""On the square of the outputs: they have no natural scale."""
CROSS_ENTROPY = 0.05
"""Weight of a second output layer that learns each frame's likely outputs given the text (Povey et al. 2016, 4.2)."""
TEACHING = 0.1
"""Weight of foretelling what Whisper would say of the sound without the room and the noise, with --teacher."""
AVERAGING = 0.999
FRAME, LEAD = 480, 320
"""Samples: of a 30 ms frame; left before a word that is cut out (the sound fades in over half of it)."""
ENOUGH_FOUND, TRY_AGAIN = 0.5, 0.1
"""Share of the words; after which part of the training to look for them again where fewer were found."""
LONGEST_PHONE_S = 0.2
"""On average over a word and a silence; where it lasts longer something else was said."""


class Trainer:
    """Everything that changes while training."""

    def __init__(
        self,
        corpus: corpora.Corpus,
        shape: Shape,
        dropout: float = 0.1,
        seconds: float = 600,
        workers: int = 0,
        mix: corpora.Mix = corpora.USUAL_MIX,
        peak_rate: float = PEAK_RATE,
        teacher: Path | None = None,
        loudness: str = "loud",
    ) -> None:
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        torch.manual_seed(0)
        self.corpus, self.seconds, self.workers, self.mix = corpus, seconds, workers, mix
        self.peak_rate, self.loudness = peak_rate, LOUDNESS[loudness]
        graphs = [chain.text_graph(clip.words, 0) for clip in corpus.train[:: max(1, len(corpus.train) // 8000)]]
        self.log_bigram = chain.estimate_bigram(graphs, len(corpus.phones), np.random.default_rng(0))
        self.bigram = torch.tensor(self.log_bigram, dtype=torch.float32, device=self.device)
        self.recordings = corpus.samples.to(self.device)
        self.noise = self.recordings[corpus.noise_start :]
        self.mfcc = Mfcc().to(self.device)
        outputs = 2 * len(corpus.phones)
        self.network = Network(shape, outputs, dropout=dropout).to(self.device)
        self.guide = nn.Linear(shape.width, outputs).to(self.device)  # the second output layer; not exported
        self.teacher = Teacher(teacher, shape.width).to(self.device) if teacher else None
        self.average = copy.deepcopy(self.network).eval()
        parameters = [*self.network.parameters(), *self.guide.parameters()]
        parameters += self.teacher.foretell.parameters() if self.teacher else []
        fused = self.device.type == "cuda"
        self.optimiser = torch.optim.AdamW(parameters, PEAK_RATE, weight_decay=WEIGHT_DECAY, fused=fused)
        self.parameters = parameters
        self.steps, self.heard_s, self.refused = 0, 0.0, 0
        self.watched = self._watched()
        self._measure_features()

    def batches(self, seed: int) -> Any:
        """An endless iterator of plans."""
        stream = corpora.Batches(self.corpus.train, self.log_bigram, self.seconds, seed, self.mix)
        pinned = self.device.type == "cuda"
        return iter(DataLoader(stream, batch_size=None, num_workers=self.workers, pin_memory=pinned))

    @torch.no_grad()
    def hear(self, plan: corpora.Plan) -> tuple[Tensor, Tensor]:
        """The sound of a batch as it was recorded, and features of it as training hears it."""
        clean = corpora.render(plan.pieces, plan.samples, self.recordings)
        sound = augment(clean, self.noise, self.loudness)
        return clean, self.mfcc.cepstra(mask_bands(self.mfcc.log_mel(sound), chance=0.35))

    def step(self, plan: corpora.Plan, rate: float) -> tuple[Tensor, Tensor]:
        """One update: (sum of the loss, frames)."""
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        self.network.train()
        clean, features = self.hear(plan)
        loss, lengths = self._loss(self.network, features, plan, clean)
        self.optimiser.zero_grad(set_to_none=True)
        loss[0].backward()
        size = nn.utils.clip_grad_norm_(self.parameters, LARGEST_GRADIENT)
        if torch.isfinite(size):
            self.optimiser.step()
            self._follow()
        else:
            self.refused += 1
        self.steps += 1
        return loss[1].detach(), lengths

    def _loss(self, network: Network, features: Tensor, plan: corpora.Plan, clean: Tensor | None) -> tuple:
        """((what is minimised, LF-MMI summed over frames), frames). `clean`: the sound before augmentation, while the
        other output layers learn as well."""
        cuda = self.device.type == "cuda"
        with torch.autocast(self.device.type, torch.bfloat16, enabled=cuda):
            hidden = network.hidden(features)
        hidden = hidden.float()
        outputs = network.out(hidden)
        lengths = plan.lengths.to(self.device, non_blocking=True).clamp(max=outputs.shape[1])
        possible = plan.possible.to(self.device, non_blocking=True)
        spoken, anything, posteriors = chain.scores(outputs, lengths, plan.graphs.to(self.device), self.bigram)
        total = torch.where(possible, anything - spoken, 0.0).sum()
        frames = torch.where(possible, lengths, 0).sum()
        minimised = total / frames + OUTPUT_COST * outputs.square().mean()
        if clean is not None:
            told = (posteriors * possible[:, None, None] * F.log_softmax(self.guide(hidden), -1)).sum()
            minimised = minimised - CROSS_ENTROPY * told / frames
            if self.teacher:
                minimised = minimised + TEACHING * self.teacher.loss(clean, hidden, lengths)
        return (minimised, total), frames

    @torch.no_grad()
    def _follow(self) -> None:
        """The average follows the weights; slowly once there is something worth keeping."""
        speed = 1 - min(AVERAGING, (1 + self.steps) / (10 + self.steps))
        mine = [value for value in self.average.state_dict().values() if value.is_floating_point()]
        its = [value for value in self.network.state_dict().values() if value.is_floating_point()]
        torch._foreach_lerp_(mine, its, speed)

    @torch.no_grad()
    def _measure_features(self) -> None:
        """Mean and deviation of each coefficient, over a few batches as they will be heard."""
        stream = iter(corpora.Batches(self.corpus.train, self.log_bigram, self.seconds, 1, self.mix))
        features = []
        for plan, _ in zip(stream, range(5), strict=False):
            clean = corpora.render(plan.pieces, plan.samples, self.recordings)
            if self.teacher and not features:
                self.teacher.measure(clean)
            features.append(self.mfcc(augment(clean, self.noise, self.loudness)).flatten(0, 1))
        heard = torch.cat(features)
        for network in (self.network, self.average):
            network.mu.copy_(heard.mean(0))
            network.sd.copy_(heard.std(0))

    def _watched(self) -> list[tuple[str, corpora.Plan]]:
        plans = []
        for name, short in (("running", False), ("single", True)):
            clips = sorted((c for c in self.corpus.validation if c.short == short), key=lambda c: c.samples)[::2]
            for at in range(0, len(clips), 64):
                rows = [corpora.whole(clip, 4000) for clip in clips[at : at + 64]]
                plans.append((name, corpora.plan(rows, self.log_bigram)))
        return plans

    @torch.no_grad()
    def watch(self) -> dict[str, float]:
        """Loss a frame of the averaged network on the speakers kept aside."""
        sums: dict[str, list[float]] = {"running": [0.0, 0.0], "single": [0.0, 0.0]}
        for name, plan in self.watched:
            sound = corpora.render(plan.pieces, plan.samples, self.recordings)
            with torch.enable_grad():
                (_, total), frames = self._loss(self.average, self.mfcc(sound + torch.randn_like(sound)), plan, None)
            sums[name][0] += float(total.detach())
            sums[name][1] += float(frames)
        return {name: total / frames if frames else math.nan for name, (total, frames) in sums.items()}

    @torch.no_grad()
    def align(self) -> float:
        """Note in every running clip where each word is said: there it may be cut. Which share of them was found."""
        clips = self.corpus.train
        running = [i for i, clip in enumerate(clips) if not clip.short and not clip.noise]
        running.sort(key=lambda i: clips[i].samples)
        found = 0
        for at in range(0, len(running), 48):
            members = running[at : at + 48]
            plan = corpora.plan([corpora.whole(clips[i]) for i in members], self.log_bigram)
            sound = corpora.render(plan.pieces, plan.samples, self.recordings)
            outputs = self.average(self.mfcc(sound + torch.randn_like(sound))).float()
            graphs = plan.graphs.to(self.device)
            lengths = plan.lengths.to(self.device).clamp(max=outputs.shape[1])
            entry = chain.entry_probabilities(outputs, lengths, graphs)
            likely, frame = (part.cpu().numpy() for part in entry.max(1))
            for row, i in enumerate(members):
                if not plan.possible[row]:
                    continue
                spans = word_spans(chain.text_graph(clips[i].words, 0), likely[row], frame[row], clips[i].samples)
                found += sum(start >= 0 for start, _ in spans)
                clips[i] = replace(clips[i], spans=spans)
        return found / max(1, sum(len(clips[i].words) for i in running))

    def save(self, out: Path, name: str) -> None:
        """Write model.pt, and last.pt to resume from; each replaces its forerunner only when whole."""
        checkpoint = self.average.checkpoint(self.corpus.phones, self.log_bigram)
        _replace(checkpoint, out / name)
        state = {
            "network": self.network.state_dict(), "average": self.average.state_dict(),
            "guide": self.guide.state_dict(), "optimiser": self.optimiser.state_dict(),
            "steps": self.steps, "heard_s": self.heard_s,
        }  # fmt: skip
        if self.teacher:
            state["foretell"] = self.teacher.foretell.state_dict()
        _replace(state, out / "last.pt")

    def begin_with(self, path: Path) -> None:
        """Take the weights of a model.pt of the same shape and phones, made with other recordings or fewer of them."""
        checkpoint = torch.load(path, map_location=self.device)
        if checkpoint["phones"] != self.corpus.phones or checkpoint["layers"] != self.network.layout:
            raise SystemExit(f"{path}: trained with other phones or another shape; give one of the same")
        weights = {name: value.float() for name, value in checkpoint["net"].items()}
        for network in (self.network, self.average):
            network.load_state_dict(weights, strict=False)  # batch-norm's counters are not in it

    def resume(self, path: Path) -> None:
        """Go on from what `save` wrote."""
        state = torch.load(path, map_location=self.device)
        for part in ("network", "average", "guide", "optimiser"):
            getattr(self, part).load_state_dict(state[part])
        if self.teacher:
            self.teacher.foretell.load_state_dict(state["foretell"])
        self.steps, self.heard_s = state["steps"], state["heard_s"]


def word_spans(graph: chain.Graph, likely: np.ndarray, frame: np.ndarray, samples: int) -> tuple[tuple[int, int], ...]:
    """For each word the samples from and up to which it is said; (-1, -1) where its beginning or end is not sure.

    `likely`, `frame` [K]: how likely each node is entered at its likeliest frame. Silences stand in the graph in order
    of the words; a word ends where the silence after it is entered, or the next word.
    """
    silences = np.flatnonzero((graph.phone == 0) & (graph.word < 0))
    entered: list[int] = []
    for word in range(len(silences) - 1):
        ways = [frame[k] for k in np.flatnonzero(graph.word == word) if likely[k] > 0.5]
        entered.append(int(ways[0]) if ways else -1)
    spans = []
    for word, start in enumerate(entered):
        silence = silences[word + 1]
        following = entered[word + 1] if word + 1 < len(entered) else -(-samples // FRAME)
        end = int(frame[silence]) if likely[silence] > 0.5 else following
        phones = silence - np.flatnonzero(graph.word == word)[-1]  # of the last pronunciation
        longest = (1 + phones) * LONGEST_PHONE_S * corpora.RATE
        sure = start >= 0 and 0 < (end - start) * FRAME < longest
        spans.append((max(0, start * FRAME - LEAD), min(samples, end * FRAME)) if sure else (-1, -1))
    return tuple(spans)


def _replace(content: dict[str, Any], path: Path) -> None:
    torch.save(content, path.with_suffix(".part"))
    path.with_suffix(".part").replace(path)


def rate_at(done: float, peak: float) -> float:
    """Learning rate after that part of the training: up in a straight line, down along a cosine."""
    if done < WARM_UP:
        return peak * (done + 0.002) / WARM_UP
    return LAST_RATE + (peak - LAST_RATE) * 0.5 * (1 + math.cos(math.pi * min(1.0, done)))


def train(trainer: Trainer, out: Path, minutes: float, report_s: float, cut_after: float) -> None:
    """Run for `minutes`; after the part `cut_after` of them, running speech is also used in parts.

    From a flat start the loss stands still for a minute or two: until it has fallen hardly a word is found, and finding
    them is put off.
    """
    out.mkdir(parents=True, exist_ok=True)
    begin = reported = time.monotonic()
    stream = trainer.batches(seed=trainer.steps)
    total, frames = torch.zeros((), device=trainer.device), torch.zeros((), device=trainer.device)
    while (done := (time.monotonic() - begin) / 60 / minutes) < 1:
        if done > cut_after:
            found = trainer.align()
            print(f"{found:.0%} of the words of running speech found", flush=True)
            stream = trainer.batches(seed=trainer.steps)
            cut_after = done + TRY_AGAIN if found < ENOUGH_FOUND else 1.0
        plan = next(stream)
        loss, count = trainer.step(plan, rate_at(done, trainer.peak_rate))
        total, frames = total + loss, frames + count
        trainer.heard_s += len(plan.lengths) * plan.samples / corpora.RATE
        if time.monotonic() - reported > report_s:
            reported = time.monotonic()
            _report(trainer, out, reported - begin, float(total / frames))
            total, frames = total * 0, frames * 0
    _report(trainer, out, time.monotonic() - begin, float(total / frames.clamp(min=1)))


def _report(trainer: Trainer, out: Path, seconds: float, loss: float) -> None:
    watched = trainer.watch()
    trainer.save(out, "model.pt")
    line = f"{seconds:.0f} s\t{trainer.steps} steps\t{trainer.heard_s / 3600:.1f} h heard\tloss {loss:.4f}\t"
    line += "\t".join(f"watched {name} {value:.4f}" for name, value in watched.items())
    line += f"\tforetold off by {trainer.teacher.off:.3f}" if trainer.teacher else ""
    line += f"\t{trainer.refused} refused" if trainer.refused else ""
    print(line, flush=True)
    with open(out / "log.tsv", "a", encoding="utf-8") as log:
        log.write(line + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("prepared", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--shape", choices=SHAPES, default="usual")
    parser.add_argument("--width", type=int, help="of the layers, instead of the shape's own")
    parser.add_argument("--peak-rate", type=float, default=PEAK_RATE, help="of learning; less after --begin-with")
    parser.add_argument("--noise-share", type=float, default=corpora.Mix.noise)
    parser.add_argument("--loudness", choices=LOUDNESS, default="loud", help="of other sounds under speech")
    parser.add_argument("--no-cut-words", action="store_true")
    parser.add_argument("--dropout", type=float, default=0.1)
    parser.add_argument("--batch-seconds", type=float, default=600)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--report-seconds", type=float, default=60)
    parser.add_argument("--cut-after", type=float, default=0.3)
    parser.add_argument("--teacher", type=Path, metavar="WHISPER.pt", help="learn to foretell Whisper as well")
    parser.add_argument("--begin-with", type=Path, metavar="MODEL.pt", help="take its weights to begin with")
    parser.add_argument("--resume", action="store_true", help="go on from OUT/last.pt")
    options = parser.parse_args()
    corpus = corpora.load(options.prepared)
    hours = sum(clip.samples for clip in corpus.train) / corpora.RATE / 3600
    print(f"{len(corpus.train)} clips, {hours:.1f} h, {len(corpus.validation)} watched, {len(corpus.phones)} phones")
    shape = SHAPES[options.shape]
    if options.width:
        shape = replace(shape, width=options.width)
    mix = corpora.Mix(options.noise_share, not options.no_cut_words)
    given = (options.dropout, options.batch_seconds, options.workers, mix, options.peak_rate)
    trainer = Trainer(corpus, shape, *given, options.teacher, options.loudness)
    print(f"{sum(p.numel() for p in trainer.network.parameters())} parameters on {trainer.device}", flush=True)
    if options.begin_with:
        trainer.begin_with(options.begin_with)
    if options.resume and (options.out / "last.pt").exists():
        trainer.resume(options.out / "last.pt")
    train(trainer, options.out, options.minutes, options.report_seconds, options.cut_after)


if __name__ == "__main__":
    sys.exit(main())
