"""Prepared recordings -> what the second look learns from: where words are said, and what they might be taken for.

    python models/training/second_look/examples.py PREPARED SPANS.json OUT.npz

PREPARED  what ../prepare.py wrote
SPANS     where each word of a recording begins and ends (align.py); single words without it are found by their level
OUT.npz   `words` [W, 7]: start, end, start and end of its recording, all in samples of speech.pcm, the word, whether it
          was recorded by itself, whether its speaker is kept aside to watch the loss;
          `texts` [V, 24], `lengths` [V]: pronunciations; `variants` [words, 3]: those of each word, -1 for none;
          `near` [words, 48], `plan` [words, 16]: pronunciations of other words that sound like it, of all words and of
          those that trainers use, nearest first; `parts` [P, 4 + 8]: stretches that are no whole word, and
          pronunciations that a hasty ear could take them for
"""

from __future__ import annotations

import argparse
import functools
import json
import multiprocessing
import sys
import zlib
from collections import Counter
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[3]
sys.path.insert(0, str(ROOT))

from handsfree.core import phones as sounds  # noqa: E402

RATE = 16_000
PHONES = sorted(sounds.PHONES)
MOST_PHONES, VARIANTS, NEAR, PLAN, PART = 24, 3, 48, 16, 8
WATCHED_SHARE = 50
"""One speaker in so many is not trained on."""
TOO_NEAR = 0.12
"""Words that sound so alike are not told apart by anyone."""
FAR = 0.75
PLAN_WORDS = Path(__file__).with_name("plan_words.txt").read_text().split()
"""Common practice, no source; what is tested on these is said by people and voices that training never hears."""


def text_table(lexicon: dict[str, list[list[str]]]) -> tuple[list[str], np.ndarray, np.ndarray, np.ndarray]:
    """(words, texts, lengths, variants)."""
    number = {phone: i for i, phone in enumerate(PHONES)}
    words, texts, variants = [], [], []
    for word, ways in lexicon.items():
        usable = [way for way in ways if len(way) <= MOST_PHONES // 2][:VARIANTS]
        ids = list(range(len(texts), len(texts) + len(usable)))
        texts += [[number[phone] for phone in way] for way in usable]
        words.append(word)
        variants.append((ids + [-1] * VARIANTS)[:VARIANTS])
    table = np.zeros((len(texts), MOST_PHONES), np.int8)
    for row, text in zip(table, texts, strict=True):
        row[: len(text)] = text
    return words, table, np.array([len(text) for text in texts]), np.array(variants)


def exchange_costs() -> np.ndarray:
    """`sounds.distance` of single phones, as its edit distance uses them."""
    return np.array([[sounds.distance((a,), (b,)) for b in PHONES] for a in PHONES], np.float32)


def distances(text: np.ndarray, texts: np.ndarray, lengths: np.ndarray, costs: np.ndarray) -> np.ndarray:
    """`sounds.distance` from one pronunciation to many, at once."""
    longest = int(lengths.max())
    row = [np.full(len(texts), sounds.INDEL * j, np.float32) for j in range(longest + 1)]
    for i, phone in enumerate(text, start=1):
        above, row = row, [np.full(len(texts), sounds.INDEL * i, np.float32)]
        for j in range(longest):
            step = np.minimum(above[j + 1], row[j]) + np.float32(sounds.INDEL)
            row.append(np.minimum(step, above[j] + costs[phone, texts[:, j]]))
    total = np.stack(row)[lengths, np.arange(len(texts))]
    return np.minimum(1.0, total / np.maximum(lengths, len(text)))


def nearest(ways: list[np.ndarray], texts: np.ndarray, lengths: np.ndarray, costs: np.ndarray) -> np.ndarray:
    """How far every text is from the nearest of these pronunciations of one word."""
    return np.min([distances(way, texts, lengths, costs) for way in ways], 0).astype(np.float16)


def loud_part(sound: np.ndarray) -> tuple[int, int]:
    """From and up to which sample somebody speaks: within 28 dB of the loudest 20 ms, 20 ms more on both sides."""
    power = np.square(sound[: len(sound) // 320 * 320].astype(float)).reshape(-1, 320).mean(1)
    loud = np.flatnonzero(power > max(power.max() * 10**-2.8, 3 * np.percentile(power, 10)))
    if not len(loud):
        return 0, len(sound)
    return max(0, (loud[0] - 1) * 320), min(len(sound), (loud[-1] + 2) * 320)


def spoken_words(prepared: Path, spans: dict[str, list[list[int]]], number: dict[str, int]) -> np.ndarray:
    """`words` as above; those whose place is not sure are left out."""
    pcm = np.memmap(prepared / "speech.pcm", np.int16)
    found = []
    for clip in json.loads((prepared / "clips.json").read_text())["clips"]:
        said, first, last = clip["text"].split(), clip["start"], clip["start"] + clip["samples"]
        places = spans.get(clip["path"])
        aside = zlib.crc32(clip["speaker"].encode()) % WATCHED_SHARE == 0
        if places is None and len(said) == 1:
            places = [loud_part(pcm[first:last])]
        for word, (start, end) in zip(said, places or [], strict=False):
            if start >= 0 and 0.08 * RATE <= end - start <= 1.3 * RATE:
                found.append((first + start, first + end, first, last, number[word], len(said) == 1, aside))
    return np.array(found, np.int64)


def halves(words: np.ndarray, variants: np.ndarray, texts: np.ndarray, lengths: np.ndarray, rng: np.random.Generator):
    """Stretches that are no whole word: the second half of one and the first of the next; with their phones."""
    for i in rng.permutation(len(words) - 1)[:30_000]:
        (start, end, clip, last, word), (next_start, next_end, next_clip, _, next_word) = words[i : i + 2, :5]
        if (
            clip != next_clip
            or not -800 <= next_start - end <= 800
            or min(variants[word, 0], variants[next_word, 0]) < 0
        ):
            continue
        a, b = rng.uniform(0.3, 0.7, 2)
        left, right = (texts[t, : lengths[t]] for t in (variants[word, 0], variants[next_word, 0]))
        phones = np.concatenate([left[round(a * len(left)) :], right[: round(b * len(right))]])
        place = (int(start + a * (end - start)), int(next_start + b * (next_end - next_start)), clip, last)
        if len(phones) >= 2 and place[1] - place[0] >= 0.12 * RATE:
            yield place, phones


def write(prepared: Path, spans: Path, out: Path) -> None:
    from handsfree.edges.pronounce import Pronouncer

    lexicon = json.loads((prepared / "clips.json").read_text())["lexicon"]
    pronouncer = Pronouncer({}, "en", ROOT / "models" / "en" / "cmudict.txt.gz")
    for word in PLAN_WORDS:
        lexicon.setdefault(word, [list(way) for way in pronouncer.word(word).phones])
    words, texts, lengths, variants = text_table(lexicon)
    number = {word: i for i, word in enumerate(words)}
    spoken = spoken_words(prepared, json.loads(spans.read_text()), number)
    spoken = spoken[variants[spoken[:, 4], 0] >= 0]
    print(f"{len(spoken)} words said, {len(np.unique(spoken[:, 4]))} different; {len(texts)} pronunciations")
    costs = exchange_costs()
    plan_texts = np.unique([t for word in PLAN_WORDS for t in variants[number[word]] if t >= 0])
    near = np.full((len(words), NEAR), -1, np.int32)
    plan = np.full((len(words), PLAN), -1, np.int32)
    said = np.unique(spoken[:, 4])
    ways = [[texts[t, : lengths[t]] for t in variants[word] if t >= 0] for word in said]
    with multiprocessing.Pool() as pool:
        measure = functools.partial(nearest, texts=texts, lengths=lengths, costs=costs)
        found = pool.map(measure, ways, chunksize=64)
    for word, apart in zip(said, found, strict=True):
        order = np.argsort(apart)[: 4 * NEAR]
        order = order[(apart[order] > TOO_NEAR) & (apart[order] < FAR)][:NEAR]
        near[word, : len(order)] = order
        order = plan_texts[np.argsort(apart[plan_texts])]
        order = order[apart[order] > TOO_NEAR][:PLAN]
        plan[word, : len(order)] = order
    common = Counter(spoken[:, 4].tolist()).most_common(600)
    short = [variants[word, 0] for word, _ in common if 2 <= lengths[variants[word, 0]] <= 5]
    pool = np.unique([*plan_texts, *short])
    parts = []
    for place, phones in halves(spoken, variants, texts, lengths, np.random.default_rng(0)):
        apart = distances(phones, texts[pool], lengths[pool], costs)
        order = pool[np.argsort(apart)]
        parts.append([*place, *order[np.sort(apart) > TOO_NEAR][:PART]])
    np.savez(
        out, words=spoken, texts=texts, lengths=lengths, variants=variants, near=near, plan=plan,
        parts=np.array(parts), phones=np.array(PHONES), names=np.array(words),
    )  # fmt: skip
    print(f"{len(parts)} stretches that are no word")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("prepared", "spans", "out"):
        parser.add_argument(name, type=Path)
    given = parser.parse_args()
    write(given.prepared, given.spans, given.out)


if __name__ == "__main__":
    main()
