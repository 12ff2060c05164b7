"""Count the words of transcripts; write the most frequent with pronunciations: the decoys of the decoding graph.

    python models/training/common_words.py MANIFEST.tsv CMUDICT.txt.gz OUT.txt

Manifest: tab-separated, with columns `text` and `note`. Each different text of more than two words counts once, so that
a phrase recorded by hundreds of people weighs no more than another. Output: "word PH OW N Z", most frequent first; a
further line of the same word is a variant.
"""

from __future__ import annotations

import argparse
import collections
import csv
import gzip
from pathlib import Path

WORDS = 3000
TALK = (
    "yeah yep yup nope uh um hmm hm ah aw ooh wow hi bye okay alright hey oh ok gonna wanna gotta kinda lemme maybe "
    "actually really basically anyway guys stuff sorry please thanks puppy puppies dog dogs treat treats leash collar"
)
"""Talk around a dog that read sentences lack."""
MOST_VARIANTS = 3


def write(manifest: Path, dictionary: Path, out: Path) -> None:
    pronunciations = collections.defaultdict(list)
    with gzip.open(dictionary, "rt", encoding="utf-8") as lines:
        for line in lines:
            word, phones = line.rstrip("\n").split(" ", 1)
            pronunciations[word].append(phones)
    with open(manifest, encoding="utf-8") as rows:
        texts = {row["text"].lower() for row in csv.DictReader(rows, delimiter="\t") if "CHECK" not in row["note"]}
    counts = collections.Counter(word for text in texts if len(text.split()) > 2 for word in text.split())
    by_count = sorted(counts, key=lambda word: (-counts[word], word))
    kept = [word for word in dict.fromkeys(TALK.split() + by_count) if word in pronunciations]
    with open(out, "w", encoding="utf-8", newline="\n") as lines:
        for word in kept[:WORDS]:
            lines.writelines(f"{word} {phones}\n" for phones in pronunciations[word][:MOST_VARIANTS])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("MANIFEST.tsv", "CMUDICT.txt.gz", "OUT.txt"):
        parser.add_argument(name, type=Path)
    write(*vars(parser.parse_args()).values())


if __name__ == "__main__":
    main()
