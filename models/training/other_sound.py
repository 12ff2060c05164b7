"""Sound that holds none of a trainer's words, to hold an ear against that learns one voice: single words and talk.

    python models/training/other_sound.py MANIFEST.tsv OUT_FOLDER

Writes other_sound.opus (16 kHz, some three minutes) and other_sound.tsv (start_s, end_s, kind, source, words). Taken
are recordings under CC BY 4.0 or freer, none of people in held_out.txt, each once; the same ones each time.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import soundfile
from held_out import held_out
from prepare import manifest_rows, read

RATE = 16_000
WORDS, TALKS, TALK_S, PAUSE_S = 70, 24, 4.0, 0.5
FREE = ("CC BY 4.0", "CC-BY-4.0")


def pieces(manifest: Path):
    """(kind, source, words, samples)."""
    barred = held_out()
    rows = [row for row in manifest_rows(manifest) if row["licence"] in FREE]
    rows = [row for row in rows if row["speaker"] not in barred and "test" not in row["note"]]
    words = [row for row in rows if row["dataset"] == "speech_commands_v0.01"]
    talks = list({row["speaker"]: row for row in rows if row["dataset"] == "mini_librispeech"}.values())
    rng = np.random.default_rng(0)
    by_word: dict[str, list] = {}
    for i in rng.permutation(len(words)):
        by_word.setdefault(words[i]["text"], []).append(words[i])
    several = [row for rank in range(WORDS) for rows in by_word.values() for row in rows[rank : rank + 1]][:WORDS]
    for kind, chosen, longest in (("word", several, 2.0), ("talk", talks[:TALKS], TALK_S)):
        for row in chosen:
            sound = read(Path(row["path"]))[: int(longest * RATE)]
            yield kind, f"{row['dataset']} {Path(row['path']).stem}", row["text"], sound


def write(manifest: Path, out: Path) -> None:
    rng = np.random.default_rng(1)
    parts, lines, at = [], ["start_s\tend_s\tkind\tsource\twords"], 0
    for kind, source, words, sound in pieces(manifest):
        parts += [sound, rng.normal(0, 3, int(PAUSE_S * RATE))]
        lines.append(f"{at / RATE:.2f}\t{(at + len(sound)) / RATE:.2f}\t{kind}\t{source}\t{words}")
        at += len(sound) + int(PAUSE_S * RATE)
    together = np.concatenate(parts) / 32768
    path = out / "other_sound.opus"
    soundfile.write(path, together, RATE, format="OGG", subtype="OPUS", compression_level=0.93)
    (out / "other_sound.tsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"{len(lines) - 1} pieces, {at / RATE:.0f} s, {path.stat().st_size / 1e6:.2f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("MANIFEST.tsv", "OUT_FOLDER"):
        parser.add_argument(name, type=Path)
    write(*vars(parser.parse_args()).values())


if __name__ == "__main__":
    main()
