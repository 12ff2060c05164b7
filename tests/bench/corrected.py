"""Are the takes true that `handsfree words --from-corrections` finds? Sessions of real people, known word by word.

    python -m tests.bench.corrected                    the sessions in tests/data/sessions
    python -m tests.bench.corrected --only 94de6a6a    one of them

Each session runs with its sound kept; its truth corrects the reps as a reviewer would (right, wrong, no response, no
rep, another behaviour). Then each word that a rep tells of is looked for in the kept sound. Prints a Markdown table:
what became of the words, and of the takes how many lie where the truth has that word.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from collections import Counter
from datetime import datetime
from pathlib import Path

from handsfree.core.agreement import match, read_truth
from handsfree.core.corrections import OUTCOME_OF, Kind
from handsfree.core.said import Said, said
from handsfree.edges import planfile
from handsfree.edges.store import Store
from handsfree.running import run_session
from handsfree.watching import Nobody

SESSIONS = Path(__file__).resolve().parents[1] / "data" / "sessions"
KIND_OF = {outcome: kind for kind, outcome in OUTCOME_OF.items()}


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--only", default="", help="names of sessions, with commas between")
    chosen = options.parse_args().only.split(",")
    names = [path.stem for path in sorted(SESSIONS.glob("*.ogg")) if chosen == [""] or path.stem in chosen]
    with tempfile.TemporaryDirectory() as home:
        os.environ["HANDSFREE_HOME"] = home
        show([row for name in names for row in one_session(name)])


def one_session(name: str) -> list[tuple[str, str, bool]]:
    """(what was to be found, what became of it, whether the truth has that word there) for each word told of."""
    from handsfree import places
    from handsfree.corrected import FromCorrections, judge
    from handsfree.learning import Teacher
    from handsfree.reviewing import desk
    from handsfree.takes import TakeFinder

    plan = planfile.load(SESSIONS / "plan.toml")
    log, truth = places.default_log(), (SESSIONS / f"{name}.jsonl").read_text(encoding="utf-8").splitlines()
    session = run_session(
        plan,
        plan_text="",
        log_path=log,
        watcher=Nobody(),
        started_at=datetime.now().astimezone(),
        recording=SESSIONS / f"{name}.ogg",
        fast=True,
        sound_dir=places.sound_dir(),
    )
    words = [row for row in map(json.loads, truth) if row["kind"] == "spoken"]
    teacher = Teacher(plan)
    phrases = teacher.phrases(())
    finder = TakeFinder(teacher.learner, {phrase: teacher.usual_ways(phrase) for phrase in phrases})
    rows = []
    with Store.open(log) as store:
        one = desk(store, session.session_id, "truth", None)
        agreement = match(read_truth(truth), list(one.log.live_reps))
        changes = [(Kind.BEHAVIOUR, c, t.behaviour) for t, c in agreement.matched if t.behaviour != c.behaviour]
        changes += [(KIND_OF[t.outcome], c, None) for t, c in agreement.matched if t.outcome is not c.outcome]
        changes += [(Kind.NO_REP, c, None) for c in agreement.invented]
        for kind, rep, behaviour in changes:
            one.make(kind.value, rep.number, len(one.log.corrections), behaviour=behaviour)
        for claim in said(one.log, plan):
            found = FromCorrections()
            judge(found, one, claim, finder, phrases)
            near = {row["words"] for row in words if row["start_s"] < claim.to_s and row["end_s"] > claim.from_s}
            became = next(iter(found.refused), "take" if found.takes else "mistake of the ear")
            true = not set(found.mistaken) & near if found.mistaken else set(found.takes) <= near
            rows.append((_sought(claim), became, true))
    return rows


def _sought(claim: Said) -> str:
    if claim.heard is None:
        return "missed"
    return "heard rightly" if claim.stands else "heard as another" if claim.words else "heard, not said"


def show(rows: list[tuple[str, str, bool]]) -> None:
    counts, true = Counter(row[:2] for row in rows), Counter(row[:2] for row in rows if row[2])
    print("| words | became | how many | true |\n|---|---|---|---|")
    for (sought, became), count in sorted(counts.items()):
        kept = became in ("take", "mistake of the ear")
        known = true[sought, became] if kept else ""
        print(f"| {sought} | {became if kept else f'refused: {became}'} | {count} | {known} |")


if __name__ == "__main__":
    main()
