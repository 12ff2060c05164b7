"""Reps of a session one after another in a terminal: a few lines each, a key an answer. Reads well over ssh and aloud.

Nothing is drawn over: reps and answers are new lines, so that a screen reader, a pipe and a slow line keep up.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from handsfree.core import corrections, stats, sureness
from handsfree.core.clock import clock
from handsfree.core.corrections import OUTCOME_OF, Change, Kind, Overtaken
from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH, Ignored, Outcome
from handsfree.core.log import JudgedRep, SessionLog
from handsfree.core.summary import warning_sign

OUTCOMES = {
    Outcome.CORRECT: "correct",
    Outcome.INCORRECT: "incorrect",
    Outcome.NO_RESPONSE: "no response",
    None: "no rep",
}
JUDGING = {
    "r": Kind.RIGHT,
    "w": Kind.WRONG,
    "n": Kind.NO_RESPONSE,
    "x": Kind.NO_REP,
    "s": Kind.SPLIT,
    "m": Kind.MERGE,
    "u": Kind.UNDO,
}
NEXT, PREVIOUS = ("\x1b[C", "\x1b[B", "\xe0M", "\xe0P", "\r", "\n"), ("\x1b[D", "\x1b[A", "\xe0K", "\xe0H")
"""What terminals send for the arrows right and down, left and up (ECMA-48; Windows' own codes), and for Enter."""
QUIT = ("q", "\x04")
UNSURE_BELOW = 0.9
HELP = (
    "r right, w wrong, n no response, x not a rep, s split, m merge with the next, b other behaviour, u undo; "
    "space plays or stops, arrows or Enter move, o only unsure ones, q ends"
)
AROUND_S = 1.0
"""Words so near a rep are shown with it."""


class Desk(Protocol):
    log: SessionLog

    def refresh(self) -> SessionLog: ...

    def make(
        self, kind: str, number: int, seen: int, at_s: float | None = None, behaviour: str | None = None
    ) -> Change: ...


class Review:
    """`read_key` gives one key press, "" when there are no more; `play` sounds a rep, and says what hinders it."""

    def __init__(
        self, desk: Desk, read_key: Callable[[], str], show: Callable[[str], None], play: Callable[[JudgedRep], str]
    ) -> None:
        self.desk, self.read_key, self.show, self.play = desk, read_key, show, play
        self.seen = len(desk.log.corrections)
        self.only_unsure = False
        self.number = 0

    def run(self) -> None:
        """Until `q`, or until the keys end."""
        session = self.desk.log.session
        self.show(f"{session.dog}, {session.started_at:%a %d %b %Y, %H:%M}. {score(self.desk.log)}.")
        if caution := warning_sign(self.desk.log):
            self.show(f"CAUTION  {caution}")
        self.show(HELP)
        self._go_to(self.order()[:1])
        while True:
            key = self.read_key()
            if not key or key in QUIT:
                return
            self._obey(key if key.startswith(("\x1b", "\xe0")) else key.lower())

    def order(self) -> list[int]:
        """Numbers of the reps gone through: by their start; or only unsure ones, the least sure first."""
        reps = corrections.shown(self.desk.log)
        if not self.only_unsure:
            return [one.rep.number for one in reps]
        doubts = sureness.doubts(reps, self.desk.log.words)
        sure = {one.rep.number: sureness.confidence(one.rep) or 0.0 for one in reps}
        unsure = [number for number in sure if number in doubts or sure[number] < UNSURE_BELOW]
        return sorted(unsure, key=lambda number: (sure[number], number))

    def _obey(self, key: str) -> None:
        if key in NEXT or key in PREVIOUS:
            self._move(1 if key in NEXT else -1)
        elif key in JUDGING:
            self._change(JUDGING[key])
        elif key == "b":
            self._other_behaviour()
        elif key == "o":
            self.only_unsure = not self.only_unsure
            self.show("only unsure reps, the least sure first" if self.only_unsure else "all reps")
            self._go_to(self.order()[:1])
        elif key == " ":
            one = self._rep()
            trouble = self.play(one) if one else "there is no rep here"
            if trouble:
                self.show(f"  {trouble}")
        elif key == "?":
            self.show(HELP)

    def _rep(self) -> JudgedRep | None:
        return next((one for one in corrections.shown(self.desk.log) if one.rep.number == self.number), None)

    def _move(self, by: int) -> None:
        order = self.order()
        at = order.index(self.number) + by if self.number in order else 0
        if 0 <= at < len(order):
            self._go_to(order[at : at + 1])
        else:
            self.show(f"  that was the {'last' if by > 0 else 'first'} rep")

    def _go_to(self, numbers: Sequence[int]) -> None:
        if not numbers:
            self.show("no rep is unsure" if self.only_unsure else "this session has no reps")
            return
        self.number = numbers[0]
        one = self._rep()
        if one is not None:
            for line in described(self.desk.log, one):
                self.show(line)

    def _change(self, kind: Kind, behaviour: str | None = None) -> None:
        one = self._rep()
        if one is None and kind is not Kind.UNDO:
            return self.show("  there is no rep here")
        if one is not None and kind in OUTCOME_OF and OUTCOME_OF[kind] is one.outcome:
            return self.show(f"  rep {one.rep.number} is {OUTCOMES[one.outcome]} already")
        try:
            change = self.desk.make(kind.value, self.number, self.seen, behaviour=behaviour)
        except Overtaken as error:
            self.seen = len(self.desk.refresh().corrections)
            self.show(f"  {error}")
            return self._go_to([self.number])
        except UserError as error:
            return self.show(f"  {error}")
        self.seen = len(self.desk.log.corrections)
        numbers = {one.rep_number for one in change.corrections}
        changed = [one for one in corrections.shown(self.desk.log) if one.rep.number in numbers]
        for one in changed:
            self.show(f"  {kind.value}: rep {one.rep.number}, {one.rep.behaviour}, {OUTCOMES[one.outcome]}")
        if self._rep() is None and changed:  # gone with its split: back to the one it was split off
            self.number = changed[0].rep.number
        return self.show(f"  {score(self.desk.log)}")

    def _other_behaviour(self) -> None:
        names = [one.name for one in self.desk.log.session.behaviours][:9]
        self.show(
            "  which? " + ", ".join(f"{at} {name}" for at, name in enumerate(names, start=1)) + "; other keys: none"
        )
        key = self.read_key()
        if key.isdigit() and 1 <= int(key) <= len(names):
            self._change(Kind.BEHAVIOUR, names[int(key) - 1])
        else:
            self.show("  left as it is")


def score(log: SessionLog) -> str:
    """The session's count: "31 of 40 correct, 78 % (95 % interval 62 to 88 %)"."""
    outcomes = [one.outcome for one in log.reps if one.outcome is not None]
    correct, count = outcomes.count(Outcome.CORRECT), len(outcomes)
    interval = stats.wilson(correct, count)
    if interval is None:
        return "no reps"
    low, high = (f"{100 * share:.0f}" for share in interval)
    return f"{correct} of {count} correct, {100 * correct / count:.0f} % (95 % interval {low} to {high} %)"


def described(log: SessionLog, one: JudgedRep) -> list[str]:
    """A rep in a few lines: what it is, and the words heard in it and just around it."""
    rep = one.rep
    numbers = [judged.rep.number for judged in corrections.shown(log)]
    place = f"{numbers.index(rep.number) + 1} of {len(numbers)}"
    lines = [
        "",
        f"rep {rep.number} ({place})  {rep.behaviour}, step {rep.step}: {OUTCOMES[one.outcome]}",
    ]
    until_s = corrections.extents(log.words, [one])[rep.number]
    for entry in log.words:
        heard, word = entry.heard, entry.heard.word
        if rep.start_s - AROUND_S <= word.start_s <= until_s + AROUND_S:
            text = "talk" if word.text == OTHER_SPEECH else word.text
            passed_over = f", not counted: {heard.reason.replace('_', ' ')}" if isinstance(heard, Ignored) else ""
            role = f" ({heard.role})" if heard.role else ""
            lines.append(f"  {clock(word.start_s, 1)}  {text}{role}, confidence {word.confidence:.2f}{passed_over}")
    if one.live is None:
        lines.append("  not counted live: split off by a reviewer")
    elif one.live.outcome is not one.outcome:
        lines.append(f"  counted live: {OUTCOMES[one.live.outcome]}")
    return lines
