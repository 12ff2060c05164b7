"""How well a second look tells words apart by itself, without an ear: Speech Commands (Warden 2018), one plan.

    python -m tests.bench.second_look models/twin/second --data FOLDER

FOLDER is that of tests/bench/ear. A word's place is found by its level; which of the plan's phrases is likeliest there?
For each half of the people: the share of recordings in which it is the one that was said, in all and by word.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np

from handsfree.edges.second_look import SecondLook
from handsfree.listening import pronouncer
from tests.bench.ear import clips, listen
from tests.bench.ear.plans import COMMANDS, PLANS, phrases
from tests.bench.ear.sounds import RATE, read

sys.path.append(str(clips.ROOT / "models" / "training" / "second_look"))
from examples import loud_part  # noqa: E402
from held_out import HALVES  # noqa: E402

MARGIN_S = 0.025


def judged(look: SecondLook, clip: clips.Clip, ways: list) -> int:
    """Which of the phrases is likeliest."""
    sound = listen.pcm(read(clip.path))
    start, end = loud_part(sound)
    before, after, margin = (round(s * RATE) for s in (look.before_s, look.after_s, MARGIN_S))
    padded = np.pad(sound, (before, after))
    odds = look.judge(padded.tobytes(), before + start - margin, before + end + margin, ways).odds
    return int(odds.argmax())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--data", type=Path, help=f"folder of recordings [default: {clips.DATA_VARIABLE}]")
    given = parser.parse_args()
    look, data = SecondLook(given.folder), clips.recordings(given.data)
    plan, how_said = sorted(phrases("commands")), pronouncer(PLANS["commands"])
    ways = [how_said.phrase(text).phones for text in plan]
    print(f"| half | of | all | {' | '.join(COMMANDS)} |\n{'|---' * (3 + len(COMMANDS))}|")
    for half in HALVES:
        words = clips.collect(data, (), half, lambda line: None).words
        said, right = Counter(clip.text for clip in words), Counter()
        for number, clip in enumerate(words, start=1):
            print(f"{number} of {len(words)} heard", end="\r", file=sys.stderr, flush=True)
            right[clip.text] += plan[judged(look, clip, ways)] == clip.text
        shares = [sum(right.values()) / len(words), *(right[word] / said[word] for word in COMMANDS)]
        print(f"| {half} | {len(words)} | {' | '.join(f'{100 * share:.1f}' for share in shares)} |", flush=True)


if __name__ == "__main__":
    main()
