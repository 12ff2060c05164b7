"""One line for each thing that happens in a session."""

from __future__ import annotations

from collections.abc import Callable

from handsfree.core.clock import clock
from handsfree.core.events import AudioBlock, Choice, CorrectRep, Decided, Decision, Effect, Rep, SaveRep
from handsfree.core.sitting import Sitting
from handsfree.edges.report.words import OUTCOMES, why
from handsfree.watching import Nobody


class Lines(Nobody):
    """One line for each rep, decision, correction and spoken sentence."""

    def __init__(self, write: Callable[[str], None]):
        self._write = write
        self._now_s = 0.0

    def ready(self, microphone: str) -> None:
        self._write(f"Listening to {microphone}. Ctrl-C ends the session.")

    def block(self, block: AudioBlock, sitting: Sitting) -> None:
        self._now_s = block.start_s

    def effect(self, effect: Effect, sitting: Sitting) -> None:
        match effect:
            case SaveRep(rep):
                self._write(f"{clock(rep.end_s):>5}  {rep_line(rep)}")
            case CorrectRep(correction):
                after = OUTCOMES[correction.after] if correction.after else "no rep"
                self._write(f"{clock(correction.at_s):>5}  rep {correction.rep_number} corrected to {after}")
            case Decided(decision) if decision.choice is not Choice.HOLD:
                self._write(f"{clock(decision.at_s):>5}  {decision_line(decision)}")

    def said(self, text: str) -> None:
        self._write(f"{clock(self._now_s):>5}  says: {text}")


def rep_line(rep: Rep) -> str:
    details = []
    if rep.cue_to_marker_s is not None:
        details.append(f"cue to marker {rep.cue_to_marker_s:.1f} s")
    if rep.cue is None:
        details.append("uncued")
    if rep.recue:
        details.append("cue repeated")
    if rep.released:
        details.append("released")
    line = f"rep {rep.number:<3d} {rep.behaviour}, step {rep.step}: {OUTCOMES[rep.outcome]}"
    return f"{line} ({', '.join(details)})" if details else line


def decision_line(decision: Decision) -> str:
    what = f"{decision.behaviour}: {decision.choice}" if decision.behaviour else str(decision.choice)
    if decision.new_step not in (None, decision.step):
        what += f" to step {decision.new_step}"
    return f"{what}, {why(decision)}"
