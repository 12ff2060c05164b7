"""Make the ear's confidence calibrated: learn its weights from the half that is for tuning, report on the other.

    python models/training/confidence.py MODEL                  listen, fit, write MODEL/confidence.json, report
    python models/training/confidence.py MODEL --keep FOLDER    keep what was heard there; a further run takes it up
    python models/training/confidence.py TWIN --into MODEL      for a model that was trained on these very people
    python models/training/confidence.py TWIN --second FOLDER  with another second look, for the same reason

MODEL is laid out as models/en. Recordings, plans and halves are those of tests/bench/ear, whose --data this has too.
Fitted on: single words that are in the plan and ones that are not, words beside one another, words falsely heard in
running speech; each only where a pause lies before it, since others never count. A plan's word inside a sentence is
left out: it was said, and yet it must not count. With words in noise and noise alone besides, whole sessions counted 5
reps of 479 more right and 5 more that nobody did.

Prints, for the half `test`, how sure and how right words are, and what each `sensitivity` of a plan gives.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
import tempfile
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from logistic import logistic  # noqa: E402

from handsfree.core.confidence import FEATURES, LOOKED_AT, Evidence, Took, Weighing, Weights  # noqa: E402
from handsfree.core.phones import PAUSE  # noqa: E402
from handsfree.core.plan import Ear  # noqa: E402
from handsfree.core.vocabulary import Vocabulary  # noqa: E402
from handsfree.edges.weights import NAME, write_weights  # noqa: E402
from handsfree.listening import open_ear, prompt_book  # noqa: E402
from tests.bench.ear import clips, listen, measures  # noqa: E402
from tests.bench.ear.cases import Case, Piece, cases  # noqa: E402
from tests.bench.ear.listen import Heard  # noqa: E402
from tests.bench.ear.plans import PLANS, counting, parse, phrases  # noqa: E402

ROWS = ("words", "unknown word", "silence", "beside, people", "talk", "talk, several speakers")
RIDGE = 0.3
"""Weights are drawn towards 0 by so much: enough to hold them where a feature tells nothing."""
SENSITIVITIES = (0.0, 0.25, 0.5, 0.75, 1.0)

Pair = tuple[Case, Heard]
Phones = Mapping[str, Mapping[str, int]]
"""Plan -> phrase -> how many."""


def chosen(split: str, data: Path, part: int) -> list[Case]:
    """Every `part`th case. Besides the bench's own: its words by people heard with the other plan, which has few of
    them."""
    them = clips.collect(data, (), split, lambda line: None)
    trade = phrases("trade")
    more = [
        Case("words", "trade", (Piece(clip, (clip.text,)),), clip.text)
        if clip.text in trade
        else Case("unknown word", "trade", (Piece(clip),), clip.text)
        for clip in them.words
    ]
    every = [case for case in cases(them, False) if case.row in ROWS] + more
    some = [case for case in every if zlib.crc32(case.key.encode()) % part == 0]
    return sorted(some, key=lambda case: case.plan)


def hear(model: Path, split: str, options: argparse.Namespace) -> list[Pair]:
    """With the decoder's own posterior as confidence: through a copy of the model without its weights."""
    every = chosen(split, options.data, options.part)
    kept = options.keep / f"{split}.jsonl" if options.keep else None
    if kept and kept.exists():
        heard = listen.load(kept)
    else:
        if kept:
            kept.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory() as folder:
            for path in model.resolve().iterdir():
                if path.name != NAME:
                    (Path(folder) / path.name).symlink_to(path)
            heard = listen.hear_all(every, Path(folder), options.second, options.jobs, kept)
    return [(case, heard[case.key]) for case in every if case.key in heard]


def examples(pairs: Iterable[Pair], phones: Phones) -> Iterator[tuple[Evidence, bool]]:
    """Each word of a plan that may have been said, and whether it was."""
    nothing = Weights(dict.fromkeys(FEATURES, 0.0), None)
    for case, heard in pairs:
        weighing, left = Weighing(nothing, phones[case.plan]), list(case.said)
        inside = parse(case.text, counting(case.plan)) if case.row.startswith("talk") else ()
        for report in heard.reports:
            for _, ways in weighing.evidence(report.breath):
                for text, evidence in ways.items():
                    if text not in inside and evidence.before_s >= Ear().pause_before_s:
                        yield evidence, text in left
                if found := next((text for text in ways if text in left), None):
                    left.remove(found)


def fit(known: Sequence[tuple[Evidence, bool]], features: Sequence[str]) -> dict[str, float]:
    """Logistic regression: the weights under which what was said is likeliest."""
    x = np.array([[evidence.features[name] for name in features] for evidence, _ in known])
    found = logistic(x, np.array([said for _, said in known]), RIDGE)
    return dict(zip(features, found.round(4).tolist(), strict=True))


def fitted(known: Sequence[tuple[Evidence, bool]]) -> Weights:
    by_the_ear = [one for one in known if one[0].took is Took.IT]
    looked_at = [one for one in known if one[0].second is not None]
    return Weights(fit(by_the_ear, FEATURES), fit(looked_at, LOOKED_AT) if looked_at else None)


def calibrated(pairs: Iterable[Pair], phones: Phones, weights: Weights) -> list[Pair]:
    """The same, each word as sure as the weights say."""
    found = []
    for case, heard in pairs:
        weighing = Weighing(weights, phones[case.plan])
        reports = [replace(report, breath=weighing.weigh(report.breath)) for report in heard.reports]
        found.append((case, replace(heard, reports=reports)))
    return found


def curve(pairs: Sequence[Pair], sensitivities: Iterable[float] = SENSITIVITIES) -> Iterator[str]:
    """Lines of a table: what each sensitivity gives."""
    yield "| sensitivity | word heard | another word | unknown word gives a word | beside another word, heard |"[
        :-1
    ] + (" | false an hour in running speech | words inside sentences ignored |")
    yield "|---" * 7 + "|"
    for sensitivity in sensitivities:
        words, unknown, beside, talk = [], [], [], []
        for case, heard in pairs:
            answer = listen.counted(heard, vocabulary(case.plan, sensitivity))
            that_count = counting(case.plan)
            if case.row == "words":
                words.append((measures.heard(case, answer), measures.another(case, answer, that_count)))
            elif case.row == "unknown word":
                unknown.append(measures.another(case, answer, that_count))
            elif case.row.startswith("beside"):
                beside += [text in answer.texts(that_count) for text in case.said]
            elif case.row.startswith("talk"):
                said = len(parse(case.text, that_count))
                false = len(measures.false_words(case, answer, that_count))
                talk.append((answer.seconds, false, said, len(measures.passed(case, answer, that_count))))
        seconds, false, said, passed = map(sum, zip(*talk, strict=True))
        shares = [100 * float(np.mean(kind)) for kind in (*zip(*words, strict=True), unknown, beside)]
        cells = [f"{share:.1f} %" for share in shares]
        cells += [
            f"{false / (seconds / 3600):.1f} ({false} in {seconds / 3600:.1f} h)",
            f"{100 - 100 * passed / said:.1f} %",
        ]
        yield f"| {sensitivity:g} | {' | '.join(cells)} |"


def vocabulary(plan: str, sensitivity: float) -> Vocabulary:
    changed = replace(PLANS[plan], ear=replace(PLANS[plan].ear, sensitivity=sensitivity))
    return Vocabulary(changed, prompt_book("en").instructions)


def reliability(known: Iterable[tuple[Evidence, bool]], weights: Weights) -> Iterator[str]:
    yield "| confidence | words | mean | right |\n|---|---|---|---|"
    for low, high, count, mean, right in measures.reliability((weights.confidence(e), said) for e, said in known):
        yield f"| {low:g} to {high:g} | {count} | {mean:.3f} | {right:.3f} |"


def main() -> None:
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("model", type=Path)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--into", type=Path, metavar="MODEL", help="write the weights there as well")
    parser.add_argument("--second", default="", metavar="FOLDER", help="instead of models/second")
    parser.add_argument("--part", type=int, default=1, metavar="N", help="listen to every Nth case only")
    parser.add_argument("--keep", type=Path, metavar="FOLDER")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    options = parser.parse_args()
    options.data = clips.recordings(options.data)
    phones = {name: phone_counts(name, options.model) for name in PLANS}
    tune = hear(options.model, "tune", options)
    known = list(examples(tune, phones))
    weights = fitted(known)
    sha256 = hashlib.sha256((options.model / "am" / "final.mdl").read_bytes()).hexdigest()
    for folder in filter(None, (options.model, options.into)):
        write_weights(folder, weights, {"learnt_with_sha256": sha256, "words": len(known)})
        print(f"{folder / NAME} is written")
    print(f"{len(known)} words heard, {sum(said for _, said in known)} of them said\n")
    test = hear(options.model, "test", options)
    for name, pairs in (("tune", tune), ("test", test)):
        print(f"Half `{name}`:\n")
        print("\n".join(reliability(examples(pairs, phones), weights)), "\n")
        print("\n".join(curve(calibrated(pairs, phones, weights))), "\n")


def phone_counts(plan: str, model: Path) -> dict[str, int]:
    """Of each phrase, in its shortest pronunciation."""
    said = open_ear(PLANS[plan], every(plan), model).pronunciations
    return {text: min(sum(phone != PAUSE for phone in way) for way in ways) for text, ways in said.items()}


def every(plan: str) -> tuple[str, ...]:
    """All phrases that a session with the plan listens for."""
    return vocabulary(plan, 0.5).phrases


if __name__ == "__main__":
    main()
