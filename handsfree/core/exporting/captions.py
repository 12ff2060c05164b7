"""A session as captions and chapters for its video: WebVTT (W3C) and SubRip.

`at` turns session time into video time, both in seconds; a video whose own sound was heard needs none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

from handsfree.core.events import Choice, Outcome, Rep
from handsfree.core.exporting.metadata import Provenance
from handsfree.core.exporting.tables import Values
from handsfree.core.log import JudgedRep, SessionLog

SHORTEST_CUE_S = 1.0
"""A caption stays at least this long: WebVTT knows no cue without length, and nobody reads faster."""
DECISION_S = 3.0

Clock = Callable[[float], float]


def as_heard(at_s: float) -> float:
    return at_s


@dataclass(frozen=True, slots=True)
class Cue:
    """A text on the screen; times in whole milliseconds of the video, `end_ms` after `start_ms`."""

    id: str
    start_ms: int
    end_ms: int
    text: str


def captions(log: SessionLog, values: Values, hide: Callable[[str], str] = str, at: Clock = as_heard) -> list[Cue]:
    """One cue a rep, decision to move or end, and gap, by start. What lies before the video is left out."""
    texts: list[tuple[str, float, float, str]] = []
    for judged in log.reps:
        rep, said = _seen(judged, values), _said(judged, values)
        if said:
            text = f"{rep.number} {hide(rep.behaviour)}, step {rep.step}: {said}"
            texts.append((f"rep-{rep.number}", rep.seen_s, rep.end_s, text))
    for number, decision in enumerate(log.decisions, start=1):
        if decision.choice is not Choice.HOLD:
            about = f"{hide(decision.behaviour)}: " if decision.behaviour else ""
            step = f" to step {decision.new_step}" if decision.new_step and decision.choice is not Choice.END else ""
            because = decision.because.value.replace("_", " ")
            text = f"{about}{decision.choice.value}{step} ({because})"
            texts.append((f"decision-{number}", decision.at_s, decision.at_s + DECISION_S, text))
    for number, gap in enumerate(log.gaps, start=1):
        texts.append((f"gap-{number}", gap.at_s, gap.at_s + gap.lost_s, "sound lost"))
    cues = [_cue(name, at(start_s), at(end_s), text) for name, start_s, end_s, text in texts if at(end_s) > 0]
    return sorted(cues, key=lambda cue: (cue.start_ms, cue.end_ms, cue.id))


def chapters(log: SessionLog, values: Values, hide: Callable[[str], str] = str, at: Clock = as_heard) -> list[Cue]:
    """One cue a run of reps of the same behaviour at the same step; each ends where the next begins, at the latest."""
    counted = [_seen(judged, values) for judged in log.reps if _said(judged, values)]
    runs = [list(run) for _, run in groupby(counted, key=lambda rep: (rep.behaviour, rep.step))]
    cues = []
    for number, run in enumerate(runs, start=1):
        end_s = runs[number][0].start_s if number < len(runs) else run[-1].end_s
        if at(end_s) > 0:
            title = f"{hide(run[0].behaviour)}, step {run[0].step}"
            cues.append(_cue(f"chapter-{number}", at(run[0].start_s), at(end_s), title, shortest_s=0.001))
    return cues


def _said(judged: JudgedRep, values: Values) -> str:
    """The outcome in words; "" for a rep that is left out."""
    live = _words(judged.live.outcome) if judged.live else ""
    if values is Values.RAW:
        return live
    if values is Values.CORRECTED:
        return _words(judged.outcome) if judged.outcome else ""
    now = _words(judged.outcome) if judged.outcome else "no rep"
    return now if now == live else f"{now} (counted {live})" if live else f"{now} (not counted)"


def _seen(judged: JudgedRep, values: Values) -> Rep:
    return judged.live if values is Values.RAW and judged.live else judged.rep


def _words(outcome: Outcome) -> str:
    return outcome.value.replace("_", " ")


def _cue(name: str, start_s: float, end_s: float, text: str, shortest_s: float = SHORTEST_CUE_S) -> Cue:
    start_ms = max(0, round(start_s * 1000))
    return Cue(name, start_ms, max(round(end_s * 1000), start_ms + round(shortest_s * 1000)), text)


def timestamp(ms: int, before_fraction: str = ".") -> str:
    """Whole milliseconds as hh:mm:ss.ttt: rounding comes before splitting, so that no field ever says 60."""
    seconds, fraction = divmod(ms, 1000)
    return f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}{before_fraction}{fraction:03}"


_NO_TAGS = str.maketrans("<>", "\u2039\u203a")
"""Angle quotation marks, for a format in which nothing can be escaped."""


def _one_line(text: str) -> str:
    return " ".join(text.split())


def vtt_text(text: str) -> str:
    """Cue text: one line, with the characters escaped that WebVTT gives a meaning; so no "-->" is left either."""
    return _one_line(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def webvtt(cues: Iterable[Cue], made: Provenance) -> Iterator[str]:
    """The blocks of a WebVTT file. Its first comment says where it comes from; comments, too, are free of "-->"."""
    yield "WEBVTT\n\n"
    yield "NOTE\n" + "".join(f"{_one_line(line).translate(_NO_TAGS)}\n" for line in origin(made)) + "\n"
    for cue in cues:
        yield f"{cue.id}\n{timestamp(cue.start_ms)} --> {timestamp(cue.end_ms)}\n{vtt_text(cue.text)}\n\n"


def subrip(cues: Iterable[Cue]) -> Iterator[str]:
    """The blocks of an .srt file: numbers from 1, decimal commas. It has no place for comments and no escapes."""
    for number, cue in enumerate(cues, start=1):
        span = f"{timestamp(cue.start_ms, ',')} --> {timestamp(cue.end_ms, ',')}"
        yield f"{number}\n{span}\n{_one_line(cue.text).translate(_NO_TAGS)}\n\n"


def origin(made: Provenance) -> list[str]:
    """Where the captions come from, a fact a line."""
    facts = made.as_dict()
    models = ", ".join(" ".join(model.values()) for model in facts["models"])
    return [
        f"made by {facts['tool']} {facts['version']}; counted by {', '.join(facts['counted_by_versions'])}",
        f"model {models}",
        f"plan {', '.join(facts['plan_sha256'])}",
        facts["values"],
    ]
