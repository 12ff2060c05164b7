"""Takes of words from sessions that were corrected: their kept sound, where it bears out what the reps now say.

A take is sound that passes as the word she must have said. What was heard as a word and by the correction was none is a
mistake that the ear must not make again; so is what should have been another word and passes as neither. What passes
only as the word that it was heard as is refused, since then the dog was judged anew and not the ear.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from handsfree.core.errors import UserError
from handsfree.core.events import SessionEvent
from handsfree.core.plan import Plan
from handsfree.core.said import Said, said
from handsfree.edges.adaptation import find_stretches
from handsfree.edges.report.words import many
from handsfree.edges.store import Store
from handsfree.reviewing import Desk, desk
from handsfree.takes import AROUND_S, TakeFinder, cut

Samples = npt.NDArray[np.int16]
Takes = Mapping[str, Sequence[Samples]]

MOST_TAKES = 30
"""Of a word, the newest ones, whether anybody corrected them or not: so the trial meets what was heard wrongly as often
as it happens, and does not learn it at the cost of all that was heard rightly."""
NO_SOUND, NOT_FOUND, SOUNDS_RIGHT, OTHERWISE = (
    "without kept sound",
    "where nothing sounds like the word",
    "that do sound like the word they were heard as",
    "that do not sound like their word",
)


@dataclass
class FromCorrections:
    """`takes`, `mistaken`: phrase -> its takes, and what was wrongly heard as it, the newest last.

    refused  why a word was not used -> how often
    """

    takes: dict[str, list[Samples]] = field(default_factory=dict)
    mistaken: dict[str, list[Samples]] = field(default_factory=dict)
    refused: Counter[str] = field(default_factory=Counter)
    sessions: int = 0

    def __str__(self) -> str:
        takes, mistaken = (sum(map(len, some.values())) for some in (self.takes, self.mistaken))
        sessions = many(self.sessions, "corrected session")
        line = f"{sessions}: {many(takes, 'take')}, {mistaken} wrongly heard, {self.refused.total()} refused"
        whys = ", ".join(f"{count} {why}" for why, count in self.refused.most_common())
        return f"{line}: {whys}" if whys else line


def takes_from_corrections(store: Store, plan: Plan, finder: TakeFinder, phrases: Sequence[str]) -> FromCorrections:
    """What the corrected sessions of the plan's dog with the plan's handler give for `phrases`.

    Raises UserError where nothing was corrected, no sound is kept, or none of it bears out what was said.
    """
    found = FromCorrections()
    whose = f"{plan.dog} with {plan.handler}" if plan.handler else plan.dog
    desks = list(_corrected(store, plan))
    if not desks:
        raise UserError(f"no session of {whose} was corrected yet; `handsfree review` goes through one")
    for one in desks:
        silent = found.refused[NO_SOUND]
        claims = [claim for claim in said(one.log, plan) if {*claim.words, claim.heard} & set(phrases)]
        for claim in claims:
            judge(found, one, claim, finder, phrases)
        found.sessions += found.refused[NO_SOUND] - silent < len(claims)
    if not found.sessions:
        raise UserError(
            f"no sound is kept of the sessions of {whose} that were corrected; `keep_sound` in the plan keeps it, for "
            "`keep_days`"
        )
    found.refused = +found.refused
    if not found.takes:
        raise UserError(f"nothing to learn from in {found}")
    return found


def add_to(kept: Takes, found: Takes) -> tuple[dict[str, list[Samples]], dict[str, list[Samples]]]:
    """Of what was kept of earlier times and what was found now: the first to go on with, and what is new in the second.

    Together they are MOST_TAKES of a phrase at most.
    """
    older: dict[str, list[Samples]] = {}
    new: dict[str, list[Samples]] = {}
    for phrase in {**kept, **found}:
        before = list(kept.get(phrase, ()))
        known = {one.tobytes() for one in before}
        new[phrase] = [one for one in found.get(phrase, ()) if one.tobytes() not in known][-MOST_TAKES:]
        older[phrase] = before[max(0, len(before) + len(new[phrase]) - MOST_TAKES) :]
    return older, new


def _corrected(store: Store, plan: Plan) -> Iterator[Desk]:
    """Sessions in which something was corrected, oldest first. Those that still run are left out."""
    for totals in reversed(store.sessions(plan.dog)):
        session = totals.session
        corrections, _, _, over = store.revision(session.id)
        if corrections and over and session.handler.casefold() == plan.handler.casefold():
            yield desk(store, session.id, None, None)


def judge(found: FromCorrections, session: Desk, claim: Said, finder: TakeFinder, phrases: Sequence[str]) -> None:
    """Find what was said in the sound of its session, and add it to `found`."""
    pieces = _pieces(session, claim)
    if pieces is None:
        found.refused[NO_SOUND] += 1
        return
    words = [word for word in claim.words if word in phrases]
    rated = [(finder.fits(word, piece), at, word) for at, piece in enumerate(pieces) for word in words]
    fit, at, word = max(rated, default=(-1.0, 0, ""))
    if fit >= 0:
        found.takes.setdefault(word, []).append(pieces[at])
    elif claim.stands:
        found.refused[OTHERWISE] += 1
    elif claim.heard is None:
        found.refused[NOT_FOUND] += 1
    elif claim.heard in phrases and (not claim.words or finder.fits(claim.heard, pieces[0]) < 0):
        found.mistaken.setdefault(claim.heard, []).append(pieces[0])
    else:
        found.refused[SOUNDS_RIGHT] += 1


def _pieces(session: Desk, claim: Said) -> list[Samples] | None:
    """Where the word may lie: exactly where one was heard, or in each stretch of sound without a word that counted."""
    try:
        pcm, start_s = session.pcm(claim.rep, max(0.0, claim.from_s - AROUND_S), claim.to_s + AROUND_S)
    except UserError:
        return None
    samples = np.frombuffer(pcm, "<i2")
    if claim.heard is not None:
        return [cut(samples, claim.from_s - start_s, claim.to_s - start_s)]
    counted = [entry.heard.word for entry in session.log.words if isinstance(entry.heard, SessionEvent)]
    return [
        cut(samples, from_s, to_s)
        for from_s, to_s in find_stretches(samples)
        if not any(word.start_s < start_s + to_s and word.end_s > start_s + from_s for word in counted)
    ]
