"""How every word of the transcripts is said: CMUdict, else espeak-ng's letter rules.

    python models/training/lexicon.py OUT.txt MANIFEST.tsv...

Manifest: tab-separated, with a column `text`. Output: "word PH OW N Z", usual pronunciation first; a further line of
the same word is a variant. A word that nobody can say is named on stderr; its clips are then skipped by prepare.py.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).parents[2]
MOST_VARIANTS = 3
"""The dictionary's rarer variants are mostly noise, and each costs room in the training graph."""


def write(manifests: list[Path], out: Path) -> None:
    """Write the lexicon of the words in the manifests."""
    sys.path.insert(0, str(ROOT))
    from handsfree.core.errors import UserError
    from handsfree.edges.pronounce import Pronouncer

    words: set[str] = set()
    for manifest in manifests:
        with open(manifest, encoding="utf-8") as rows:
            words.update(word for row in csv.DictReader(rows, delimiter="\t") for word in row["text"].lower().split())
    pronouncer = Pronouncer({}, "en", ROOT / "models" / "en" / "cmudict.txt.gz")
    with open(out, "w", encoding="utf-8", newline="\n") as lines:
        for word in sorted(words):
            try:
                variants = pronouncer.word(word).phones
            except UserError as error:
                print(f"{word}: {error}", file=sys.stderr)
                continue
            lines.writelines(f"{word} {' '.join(phones)}\n" for phones in variants[:MOST_VARIANTS])


def read(path: Path) -> dict[str, list[tuple[str, ...]]]:
    """Word -> its pronunciations."""
    lexicon = defaultdict(list)
    for line in path.read_text(encoding="utf-8").splitlines():
        word, *phones = line.split()
        lexicon[word].append(tuple(phones))
    return dict(lexicon)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path, metavar="OUT.txt")
    parser.add_argument("manifests", type=Path, nargs="+", metavar="MANIFEST.tsv")
    given = parser.parse_args()
    write(given.manifests, given.out)


if __name__ == "__main__":
    main()
