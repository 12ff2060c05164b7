"""Where each word of the prepared recordings is said, found by an ear: SPANS.json for examples.py.

    python models/training/second_look/align.py PREPARED EAR.pt SPANS.json

PREPARED  what ../prepare.py wrote;  EAR.pt  a checkpoint of ../train.py that has heard nobody who is held out
SPANS     path of a recording -> [start, end] of each of its words in samples, [-1, -1] where that is not sure
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import torch

sys.path.insert(0, str(Path(__file__).parents[1]))

import chain  # noqa: E402
import corpus as corpora  # noqa: E402
from features import Mfcc  # noqa: E402
from network import reopened  # noqa: E402
from train import word_spans  # noqa: E402

BATCH_S = 240


@torch.no_grad()
def align(prepared: Path, ear: Path) -> dict[str, list[tuple[int, int]]]:
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    checkpoint = torch.load(ear, map_location="cpu")
    phones = checkpoint["phones"]
    network, mfcc = reopened(checkpoint).to(device), Mfcc().to(device)
    recordings = corpora.load(prepared).samples.to(device)
    table = json.loads((prepared / "clips.json").read_text())
    number = {phone: i for i, phone in enumerate(phones)}
    ways = {word: tuple(tuple(number[p] for p in way) for way in ways) for word, ways in table["lexicon"].items()}
    rows = sorted((row for row in table["clips"] if " " in row["text"]), key=lambda row: row["samples"])
    spans, at = {}, 0
    while at < len(rows):
        count = 1
        while at + count < len(rows) and (count + 1) * rows[at + count]["samples"] < BATCH_S * corpora.RATE:
            count += 1
        members, at = rows[at : at + count], at + count
        clips = [
            corpora.Clip(row["start"], row["samples"], tuple(ways[w] for w in row["text"].split())) for row in members
        ]
        plan = corpora.plan([corpora.whole(clip) for clip in clips], checkpoint["log_bigram"].numpy())
        sound = corpora.render(plan.pieces, plan.samples, recordings)
        outputs = network(mfcc(sound + torch.randn_like(sound))).float()
        lengths = plan.lengths.to(device).clamp(max=outputs.shape[1])
        entered = chain.entry_probabilities(outputs, lengths, plan.graphs.to(device)).max(1)
        likely, frame = (part.cpu().numpy() for part in entered)
        for i, (row, clip) in enumerate(zip(members, clips, strict=True)):
            if plan.possible[i]:
                found = word_spans(chain.text_graph(clip.words, 0), likely[i], frame[i], clip.samples)
                spans[row["path"]] = [(int(start), int(end)) for start, end in found]
        print(f"{at} of {len(rows)} recordings", end="\r", flush=True)
    return spans


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("prepared", "ear", "spans"):
        parser.add_argument(name, type=Path)
    given = parser.parse_args()
    spans = align(given.prepared, given.ear)
    given.spans.write_text(json.dumps(spans))
    words = [start >= 0 for places in spans.values() for start, _ in places]
    print(f"\n{sum(words)} of {len(words)} words found in {len(spans)} recordings")


if __name__ == "__main__":
    main()
