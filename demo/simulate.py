"""A log of training that never took place. Dog, people, places and every rep are invented, by chance from a seed.

    python -m demo.simulate domino.db                        four weeks of Domino, a relapse in the third
    python -m demo.simulate own.db --plan bruno.toml         the same of a dog of yours, up to yesterday
    python -m demo.simulate big.db --sessions 20000 --reps 1000000 --dogs 500     for benches

The words are invented; what follows from them is not: they go through the program's own rep machine and rules, and its
prompts answer. So such a log holds what a real one holds, and may be replayed. The same seed gives the same sessions.

Domino learns: her skill at a behaviour grows with every rep, more with a success. Harder steps, the street and the
less practised handler cost her some. In the third week water begins to run in the kitchen, and backing up falls apart.
"""

from __future__ import annotations

import argparse
import hashlib
import math
import random
import sys
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, timezone
from functools import lru_cache, partial
from itertools import islice
from pathlib import Path

from handsfree import __version__, places
from handsfree.core.errors import UserError
from handsfree.core.events import (
    Choice,
    EndReason,
    HeardWord,
    Ignored,
    Instruction,
    Reason,
    Role,
    SessionEvent,
)
from handsfree.core.log import JudgedRep, MadeCorrection, SaidPrompt, Session, SessionLog, TrainedBehaviour
from handsfree.core.plan import Behaviour, Plan, Tag
from handsfree.core.replay import counted
from handsfree.core.sitting import Sitting
from handsfree.edges import planfile
from handsfree.edges.promptbook import PromptBook, load_prompts
from handsfree.edges.store import Store

SOURCE = "simulated"
"""Stands where a session's source stands: nobody can take such a log for a real one."""
MODEL = "none: simulated words"
FIRST_DAY = datetime(2026, 3, 2)
SUMMER_TIME = datetime(2026, 3, 29)  # in central Europe; a log should live through such a day
HANDLERS = ("Ottilie", "Jannis")
PLACES = ("a client's kitchen", "the garden", "the street")
WEEKS, RELAPSE_DAY, RELAPSE_OF = 4, 15, "reverse"
DISTINCT = 50
"""Dogs of the big mode that are simulated one by one."""
BATCH = 500
"""Sessions written in one transaction."""


@dataclass
class Learner:
    """A dog. `skill` is the log-odds of a success at the first step, in a quiet place, with the usual handler."""

    skill: dict[str, float] = field(default_factory=dict)

    def chance(self, behaviour: str, step: int, trouble: float) -> float:
        return 1 / (1 + math.exp(-(self.skill.get(behaviour, 0.6) - 0.9 * (step - 1) - trouble)))

    def learn(self, behaviour: str, success: bool) -> None:
        skill = self.skill.get(behaviour, 0.6)
        self.skill[behaviour] = min(4.5, skill + (0.035 if success else 0.01))

    def relapse(self, behaviour: str) -> None:
        self.skill[behaviour] = self.skill.get(behaviour, 0.6) - 3.0


@dataclass
class Imagined:
    """One session as it is made up, word by word. Times are session seconds."""

    sitting: Sitting
    book: PromptBook
    learner: Learner
    chance: random.Random
    trouble: float
    now_s: float = 2.0
    effects: list = field(default_factory=list)
    prompts: list[SaidPrompt] = field(default_factory=list)

    def say(self, text: str, length_s: float, role: Role | None, after_s: float, **what: object) -> None:
        """A word that is heard `after_s` from now. `reason`: it is not to count."""
        start_s = round(self.now_s + after_s, 2)
        word = HeardWord(text, start_s, round(start_s + length_s, 2), round(1 - 0.3 * self.chance.random() ** 3, 4))
        reason = what.pop("reason", None)
        one = Ignored(word, role, reason, **what) if reason else SessionEvent(word, role, **what)
        self.effects += self.sitting.take(one)
        self.now_s = word.end_s

    def rep(self, behaviour: Behaviour) -> None:
        """One opportunity, from the cue to her answer and the prompt that may follow."""
        chance, words = self.chance, self.sitting.plan.words
        if chance.random() < 0.15:
            self.say(words.names[0], 0.4, Role.NAME, 0.3, reason=Reason.NAME)
        self.say(behaviour.cues[0], 0.45, Role.CUE, 0.3, behaviour=behaviour.name)
        p = self.learner.chance(behaviour.name, self.sitting.trial.steps[behaviour.name], self.trouble)
        success = chance.random() < p
        hold_s = 5.0 if behaviour.tag is Tag.DURATION else 0.0
        if success:
            self.say(words.marker[0], 0.3, Role.MARKER, hold_s + min(1.8, chance.lognormvariate(-0.1 - p / 3, 0.4)))
            if chance.random() < 0.3 and words.praise:
                self.say(words.praise[0], 0.5, Role.PRAISE, 0.1, reason=Reason.PRAISE)
        elif chance.random() < 0.6:
            self.say(words.error[0], 0.5, Role.ERROR, chance.uniform(0.6, 2.0))
        else:
            self.now_s += behaviour.response_window_s + chance.uniform(0.2, 1.5)
        self.learner.learn(behaviour.name, success)
        if success and hold_s:
            self.say(words.release[0], 0.6, Role.RELEASE, 0.5)
        if chance.random() < 0.02:
            undo = f"{words.address} {self.book.instructions[Instruction.UNDO]}"
            self.say(undo, 1.1, Role.INSTRUCTION, 1.0, instruction=Instruction.UNDO)
        if chance.random() < 0.08:
            self.say(behaviour.cues[0], 0.4, Role.CUE, 1.5, behaviour=behaviour.name, reason=Reason.IN_A_SENTENCE)
        self.now_s = round(self.now_s + chance.uniform(1.2, 2.6), 2)
        self.effects += self.sitting.wait(self.now_s)
        while (say := self.sitting.due()) is not None:
            text = self.book.fill(say.key, **dict(say.fields))
            until_s = round(self.now_s + 0.4 + 0.07 * len(text), 2)
            name = next((str(value) for key, value in say.fields if key == "behaviour"), None)
            self.sitting.prompt_played(self.now_s, until_s)
            self.prompts.append(SaidPrompt(say.key, text, self.now_s, until_s, behaviour=name))
            self.now_s = until_s

    def run(self, quota: int | None) -> EndReason:
        """Until the quota is full; without one, until the program closes the session or she has done enough."""
        behaviours = self.sitting.plan.behaviours
        wanted = self.chance.sample(behaviours, min(3, len(behaviours)))
        reps = self.chance.randint(18, 36) if quota is None else quota
        for number in range(reps):
            self.rep(wanted[number * len(wanted) // reps])
            self.effects += self.sitting.wait(self.now_s)
            why = self.sitting.finished(self.now_s) if quota is None else None
            if why is None and quota is None and self.sitting.progress.ending and self.chance.random() < 0.5:
                why = EndReason.ASKED
            if why is not None:
                return why
        return EndReason.ASKED


def simulated_session(
    plan: Plan,
    text: str,
    started_at: datetime,
    learner: Learner,
    steps: dict[str, int],
    chance: random.Random,
    quota: int | None = None,
    raised_today: Collection[str] = (),
) -> SessionLog:
    """One session. `steps` are those reached before, and are moved on."""
    book = _book(plan.prompts.language)
    trouble = 0.5 * (plan.place == PLACES[2]) + 0.3 * (plan.handler == HANDLERS[1])
    imagined = Imagined(Sitting(plan, {}, steps, raised_today), book, learner, chance, trouble)
    began_at = dict(imagined.sitting.trial.steps)
    reason = imagined.run(quota)
    end_s = round(imagined.now_s + 5.0, 2)
    made = counted([*imagined.effects, *imagined.sitting.end(end_s, reason)])
    steps.update(imagined.sitting.trial.steps)
    judged = {correction.rep_number: correction.after for correction in made.corrections}
    session = Session(
        id=_new_id(chance),
        dog=plan.dog,
        handler=plan.handler,
        place=plan.place,
        started_at=started_at,
        plan_text=text,
        plan_sha256=hashlib.sha256(text.encode()).hexdigest(),
        tool_version=__version__,
        model=MODEL,
        model_sha256="",
        source=SOURCE,
        behaviours=tuple(
            TrainedBehaviour(b.name, b.tag, b.start_step, b.steps, began_at[b.name], b.name in raised_today)
            for b in plan.behaviours
        ),
        ended_s=end_s,
        end_reason=reason,
    )
    return SessionLog(
        session=session,
        words=made.words,
        reps=tuple(JudgedRep(rep, judged.get(rep.number, rep.outcome)) for rep in made.reps),
        rewards=made.rewards,
        decisions=made.decisions,
        prompts=tuple(imagined.prompts),
        corrections=tuple(
            MadeCorrection(c, "voice", started_at + timedelta(seconds=round(c.at_s, 3))) for c in made.corrections
        ),
    )


def domino(weeks: int = WEEKS, seed: int = 7, own: Path | None = None) -> Iterator[SessionLog]:
    """Domino's sessions in order: up to three a day, none on some days.

    With a plan of your own those of its dog, up to yesterday by this machine's clock; the first behaviour has the
    relapse. Raises UserError for what is no plan.
    """
    handlers, where, relapse_of, moment = HANDLERS, PLACES, RELAPSE_OF, _moment
    if own is not None:
        text = planfile.read_text(own)
        dogs = planfile.parse(text, own)
        handlers, where = (dogs.handler or HANDLERS[0], HANDLERS[1]), (dogs.place or PLACES[0], *PLACES[1:])
        relapse_of, moment = dogs.behaviours[0].name, partial(_moment_up_to_yesterday, 7 * weeks)
    calendar, chance = random.Random(f"{seed}/calendar"), random.Random(seed)
    learner, steps = Learner(), {}
    for day in range(7 * weeks):
        if day == RELAPSE_DAY:
            learner.relapse(relapse_of)
        raised_today: set[str] = set()
        for number in range(calendar.choice((0, 1, 1, 2, 2, 3))):
            handler, place = calendar.choices(handlers, (3, 1))[0], calendar.choices(where, (3, 2, 1))[0]
            if own is None:
                plan, text = plan_of("Domino", handler, place)
            else:
                plan = replace(dogs, handler=handler, place=place)
            started_at = moment(day, 8.0 + 4.5 * number + 3 * calendar.random())
            log = simulated_session(plan, text, started_at, learner, steps, chance, None, frozenset(raised_today))
            raised_today |= {one.behaviour for one in log.decisions if one.choice is Choice.RAISE and one.behaviour}
            yield log


def many(sessions: int, reps: int, dogs: int, seed: int = 7) -> Iterator[SessionLog]:
    """`reps` reps in `sessions` sessions of `dogs` dogs, a session a day each; the limits of the plan are lifted.

    Of more than DISTINCT dogs the others live through the same as those, some minutes later: made quickly, since the
    rep machine need not run again. Raises ValueError unless dogs share sessions and reps equally.
    """
    if sessions % dogs or reps % dogs:
        raise ValueError(f"{sessions} sessions and {reps} reps cannot be shared equally among {dogs} dogs")
    days = sessions // dogs
    for model in range(min(dogs, DISTINCT)):
        chance = random.Random(f"{seed}/{model}")
        learner, steps = Learner(), {}
        marks = sorted(chance.uniform(0.5, 1.5) + day for day in range(days - 1))
        shares = [0, *(round(mark * reps / dogs / days) for mark in marks), reps // dogs]
        for day in range(days):
            if day == RELAPSE_DAY:
                learner.relapse(RELAPSE_OF)
            plan, text = plan_of(f"Domino {model + 1}", HANDLERS[model % 2], PLACES[day % 3], unlimited=True)
            started_at = _moment(day, 9.0 + 8 * chance.random())
            quota = shares[day + 1] - shares[day]
            log = simulated_session(plan, text, started_at, learner, steps, chance, quota)
            yield log
            for dog in range(model + DISTINCT, dogs, DISTINCT):
                yield _relived(log, f"Domino {dog + 1}", chance, timedelta(minutes=dog // DISTINCT))


def _relived(log: SessionLog, dog: str, chance: random.Random, later: timedelta) -> SessionLog:
    text = log.session.plan_text.replace(f'"{log.session.dog}"', f'"{dog}"')
    session = replace(
        log.session,
        id=_new_id(chance),
        dog=dog,
        started_at=log.session.started_at + later,
        plan_text=text,
        plan_sha256=hashlib.sha256(text.encode()).hexdigest(),
    )
    corrections = tuple(replace(made, made_at=made.made_at + later) for made in log.corrections)
    return replace(log, session=session, corrections=corrections)


def _new_id(chance: random.Random) -> str:
    return f"{chance.getrandbits(128):032x}"


@lru_cache(maxsize=1000)
def plan_of(dog: str, handler: str, place: str, unlimited: bool = False) -> tuple[Plan, str]:
    """The demo's plan for another dog, handler and place, and its text."""
    path = places.shipped("demo") / "plan.toml"
    text = planfile.read_text(path)
    changes = {'"Domino"': f'"{dog}"', '"Ottilie"': f'"{handler}"', f'"{PLACES[0]}"': f'"{place}"'}
    if unlimited:
        changes |= {"time_s = 300": "time_s = 86400\nhandling_time_s = 86400", "behaviour = 12": "behaviour = 10000"}
    for old, new in changes.items():
        assert old in text, f"{path}: no longer has {old}"
        text = text.replace(old, new)
    return planfile.parse(text, path), text


@lru_cache(maxsize=1)
def _book(language: str) -> PromptBook:
    return load_prompts(language, places.shipped("prompts"))


def _moment(day: int, hour: float) -> datetime:
    """Wall time with the offset of that day, to the millisecond."""
    local = FIRST_DAY + timedelta(days=day, seconds=round(3600 * hour))
    return local.replace(tzinfo=timezone(timedelta(hours=2 if local >= SUMMER_TIME else 1)))


def _moment_up_to_yesterday(days: int, day: int, hour: float) -> datetime:
    """The same in the last `days` days, by the clock and time zone of this machine."""
    today = datetime.now().replace(hour=0, minute=0, second=0, microsecond=0)
    return (today + timedelta(days=day - days, seconds=round(3600 * hour))).astimezone()


def write(path: Path, logs: Iterable[SessionLog]) -> tuple[int, int]:
    """Append to the log at `path`; (sessions, reps) written."""
    logs = iter(logs)
    sessions = reps = 0
    with Store.open(path) as store:
        while batch := list(islice(logs, BATCH)):
            sessions += store.add_whole(batch)
            reps += sum(len(log.reps) for log in batch)
    return sessions, reps


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("log", type=Path, help="a new database")
    parser.add_argument("--weeks", type=int, default=WEEKS, help="of training [%(default)s]")
    parser.add_argument("--plan", type=Path, help="of a dog of your own, instead of Domino's")
    parser.add_argument("--seed", type=int, default=7, help="[%(default)s]")
    parser.add_argument("--sessions", type=int, help="big mode: so many sessions")
    parser.add_argument("--reps", type=int, help="big mode: so many reps in all [50 a session]")
    parser.add_argument("--dogs", type=int, default=1, help="big mode: of so many dogs [%(default)s]")
    options = parser.parse_args()
    if options.log.exists():
        sys.exit(f"{options.log} exists: name a new file, so that invented sessions stay apart from real ones")
    if options.sessions:
        if options.plan:
            parser.error("--plan goes with weeks, not with --sessions")
        if options.sessions % options.dogs or (options.reps or 0) % options.dogs:
            parser.error("--sessions and --reps must be multiples of --dogs")
        logs = many(options.sessions, options.reps or 50 * options.sessions, options.dogs, options.seed)
    else:
        try:
            if options.plan:
                planfile.load(options.plan)  # before there is a file that holds nothing
        except UserError as error:
            sys.exit(str(error))
        logs = domino(options.weeks, options.seed, options.plan)
    sessions, reps = write(options.log, logs)
    print(f"{options.log}: {sessions} sessions, {reps} reps, all invented")


if __name__ == "__main__":
    main()
