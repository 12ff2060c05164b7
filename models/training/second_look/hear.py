"""What Google's embedding says of stretches of sound, worn as a headset in a house would hear them.

    python models/training/second_look/hear.py PREPARED EXAMPLES.npz GOOGLE.pt OUT.npz --stretches 6000 --seed 1
    python models/training/second_look/hear.py PREPARED EXAMPLES.npz GOOGLE.pt OUT.npz --watched

OUT  `frames` [F, 869]: the embedding (864) and where in the word each frame lies (5), stretch after stretch; `counts`,
     `match`, `row` [S] (of Examples.words, or -1), `texts` [S, 6, 24], `lengths` [S, 6]: see stretches.py
--watched: words of the speakers kept aside, as they are. About 25 ms of one core for each stretch.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch
from second_network import FFT, FIELD, HOP, MOST_PHONES, NEAR_S, RATE, STRIDE, Embedding, LogMel, positions
from stretches import START, WAYS, Examples, Stretch, collate, sound_of

AT_ONCE = 16


@torch.no_grad()
def hear(stretches: list[Stretch], recordings: torch.Tensor, noise: torch.Tensor, embedding: Embedding, rough: bool):
    """Frames [n, 869] of each stretch."""
    sound, finish, until = sound_of(collate(stretches), recordings, noise, rough)
    deep = embedding(LogMel()(sound))
    where = positions(deep.shape[1], torch.full_like(finish, START), finish)
    centre = (torch.arange(deep.shape[1]) * STRIDE + FIELD / 2) * HOP + FFT / 2
    for i in range(len(stretches)):
        near = (centre > START - NEAR_S * RATE) & (centre < torch.minimum(finish[i] + NEAR_S * RATE, until[i]))
        yield torch.cat([deep[i, near], where[i, near]], 1).half().numpy()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("prepared", "examples", "google", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--stretches", type=int, default=6000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--watched", action="store_true")
    given = parser.parse_args()
    torch.manual_seed(given.seed)
    speech, sounds = (np.fromfile(given.prepared / f"{name}.pcm", np.int16) for name in ("speech", "noise"))
    recordings = torch.from_numpy(np.concatenate([speech, sounds]))
    examples = Examples(given.examples, len(speech), len(sounds), given.seed)
    embedding = Embedding().eval()
    embedding.load_state_dict(torch.load(given.google))
    if given.watched:
        rows = examples.rng.permutation(len(examples.watched))[: given.stretches]
        drawn = [examples.word(examples.watched[row]) for row in rows]
    else:
        drawn = [examples.draw() for _ in range(given.stretches)]
    drawn.sort(key=lambda one: one.end - one.start)
    frames: list[np.ndarray] = []
    for at in range(0, len(drawn), AT_ONCE):
        some = drawn[at : at + AT_ONCE]
        frames += hear(some, recordings, recordings[len(speech) :], embedding, rough=not given.watched)
        print(f"{at + len(some)} of {len(drawn)}", end="\r", flush=True)
    texts, lengths = np.zeros((len(drawn), WAYS, MOST_PHONES), np.int8), np.zeros((len(drawn), WAYS), np.int8)
    for i, one in enumerate(drawn):
        for k, text in enumerate(one.texts):
            texts[i, k, : len(text)], lengths[i, k] = text, len(text)
    np.savez(
        given.out, frames=np.concatenate(frames), counts=np.array([len(one) for one in frames]), texts=texts,
        lengths=lengths, match=np.array([one.match for one in drawn]), row=np.array([one.row for one in drawn]),
    )  # fmt: skip


if __name__ == "__main__":
    main()
