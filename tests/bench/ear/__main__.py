"""How well the ear hears: one table, for people and voices that no training run may hear.

    python -m tests.bench.ear                     the ear that ships
    python -m tests.bench.ear --model FOLDER      another one, laid out as models/en
    python -m tests.bench.ear --peers             general speech libraries on the same recordings besides
    python -m tests.bench.ear --dump FILE         keep what was heard (JSON Lines); --heard FILE judges that again

The recordings are not in this repository: --data (or HANDSFREE_EAR_DATA) names a folder with speech_commands_dev/
(test split of Speech Commands, WORD/SPEAKER_nohash_N.opus), speech/manifest.tsv (as for models/training/prepare.py) and
noise/; --voices a manifest of words and phrases by the synthetic voices that are kept for testing. What is not there is
left out and named.

Two columns. `counts`: what a session would take, by its own graph, recogniser, standing-alone rule and thresholds;
praise and names are taken when they are heard. `raw`: every word of the plan that the ear gives out (with
--least-second 0.1 0.5, a column each for those the second look thinks at least so likely). People are split
in two halves by name; the table is of `test`, thresholds are tuned on `tune`. The place of a word is known by energy.
Chance is seeded by the recordings' names.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date
from pathlib import Path

from tests.bench.ear import clips, listen, peers, plans, speed
from tests.bench.ear.cases import Case, cases
from tests.bench.ear.listen import Heard
from tests.bench.ear.measures import Answer
from tests.bench.ear.rows import Row, markdown
from tests.bench.ear.table import Table

SHIPPED = clips.ROOT / "models" / "en"


def main() -> None:
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    options = _options()
    options.data = clips.recordings(options.data)
    began = time.monotonic()
    collection = clips.collect(options.data, options.voices, options.split, _say)
    every = [
        case
        for case in cases(collection, options.full, options.share)
        if any(only in case.row for only in options.only)
    ]
    if not every:
        sys.exit("nothing to hear")
    if options.heard:
        heard = listen.load(options.heard)
    else:
        heard = listen.hear_all(every, options.model, options.second, options.jobs, options.dump)
    columns = _columns(every, heard, options.sensitivity, options.least_second)
    if options.peers:
        tuning = cases(clips.collect(options.data, (), "tune", _say), False)
        columns |= peers.columns(every, tuning, options.jobs, _say)
    table = Table(every, columns)
    rows = list(table.rows())
    if options.speed:
        rows += speed.rows(options.model)
    _print(options, list(columns), rows, table, sum(one.seconds for one in heard.values()), time.monotonic() - began)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--model", type=Path, help="instead of models/en")
    parser.add_argument("--second", default="", metavar="FOLDER", help="another second look, or off")
    parser.add_argument("--data", type=Path, help=f"folder of recordings [default: {clips.DATA_VARIABLE}]")
    parser.add_argument("--voices", type=Path, action="append", default=[], metavar="MANIFEST")
    parser.add_argument("--split", choices=("test", "tune"), default="test")
    parser.add_argument("--sensitivity", type=float, nargs="*", default=[], help="columns with the dial elsewhere")
    parser.add_argument("--least-second", type=float, nargs="*", default=[], help="columns by the second look alone")
    parser.add_argument("--peers", action="store_true", help="general speech libraries besides")
    parser.add_argument("--full", action="store_true", help="all recordings, where a sample is taken otherwise")
    parser.add_argument("--share", type=float, default=1.0, help="of the recordings, for a first look")
    parser.add_argument("--only", nargs="*", default=[""], help="only kinds of sound with one of these in their name")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--no-speed", dest="speed", action="store_false", help="without times and sizes")
    parser.add_argument("--dump", type=Path, metavar="FILE", help="keep what was heard")
    parser.add_argument("--heard", type=Path, metavar="FILE", help="from --dump, instead of listening")
    parser.add_argument("--json", action="store_true", help="figures as JSON")
    return parser.parse_args()


def _columns(
    every: Sequence[Case], heard: Mapping[str, Heard], dials: Sequence[float], least_second: Sequence[float]
) -> dict[str, dict[str, Answer]]:
    """What counts as the plan stands and at other sensitivities; what the ear gave out, all of it and where the second
    look agrees."""
    there = [(case, heard[case.key]) for case in every if case.key in heard]
    columns = {}
    for dial in (None, *dials):
        at = {} if dial is None else {"sensitivity": dial}
        vocabularies = {name: plans.vocabulary(name, **at) for name in plans.PLANS}
        name = "counts" if dial is None else f"at sensitivity {dial:g}"
        columns[name] = {case.key: listen.counted(one, vocabularies[case.plan]) for case, one in there}
    for least in (0.0, *least_second):
        name = f"raw, second look {least:g}" if least else "raw"
        columns[name] = {case.key: listen.raw(one, least) for case, one in there}
    return columns


def _say(text: str) -> None:
    print(text, file=sys.stderr)


def _print(
    options: argparse.Namespace,
    columns: Sequence[str],
    rows: Sequence,
    table: Table,
    sound_s: float,
    took_s: float,
) -> None:
    model = options.model or SHIPPED
    if options.json:
        found = {"model": str(model), "split": options.split, "heard_them": heard_them(model), "columns": columns}
        figures = [asdict(row) | ({"met": row.met} if isinstance(row, Row) else {}) for row in rows]
        lists = {"rows": figures, "reliability": table.confidence("raw")}
        print(json.dumps(found | lists, indent=1))
        return
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {date.today()}"
    print(
        f"{model.name}: {sound_s / 3600:.1f} h of sound, half `{options.split}`, in {took_s / 60:.0f} min; {machine}."
    )
    print(f"{CAVEATS[heard_them(model)]}\n")
    print("\n".join(markdown(rows, columns)))
    print("\n| confidence of raw words, single recordings | words | mean | right |\n|---|---|---|---|")
    for low, high, count, mean, right in table.confidence("raw"):
        print(f"| {low:g} to {high:g} | {count} | {mean:.3f} | {right:.3f} |")


def heard_them(model: Path) -> bool | None:
    """Whether the model was trained on the people of these rows: `heard_held_out` in its training.json; None where that
    does not say."""
    path = model / "training.json"
    return json.loads(path.read_text(encoding="utf-8")).get("heard_held_out") if path.is_file() else None


CAVEATS = {
    True: "**This model was trained on these very people and recordings: the figures flatter it.**",
    False: "This model has heard none of these people, voices and noises.",
    None: "**Whether this model was trained on these people is not known: it has no training.json that says so.**",
}


if __name__ == "__main__":
    main()
