"""A log with everything in it that has broken an export somewhere, and the export command in one line."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

from click.testing import CliRunner, Result

from handsfree.cli import handsfree
from handsfree.core.errors import UserError
from handsfree.core.events import (
    OTHER_SPEECH,
    Because,
    Choice,
    Correction,
    Decision,
    EndReason,
    Ignored,
    LogWord,
    Outcome,
    OweReward,
    Reason,
    Role,
    SessionEvent,
)
from handsfree.core.log import Gap, Note, SaidPrompt
from handsfree.core.plan import Behaviour
from handsfree.edges.store import Store
from tests.helpers import heard
from tests.logs import STARTED, marked_rep, start

FORMULA = "=cmd|' /C calc'!A0"
ARROW = 'sit --> down\n<b>"now"</b>,\tBram & co'
SECRETS = ("bram", "пёс", "ottilie", "kitchen", "secret remark", "note-1.wav", "walk.mp4", "palm in front")
DST = datetime(2026, 3, 29, 1, 59, 0, tzinfo=timezone(timedelta(hours=1)))
"""A minute before summer time begins in central Europe (02:00 becomes 03:00)."""


def fill(path: Path) -> list[str]:
    """Four sessions: a full one, an empty one, a dog in Cyrillic over a change to summer time, one still running.

    Returns their ids.
    """
    ids = []
    with Store.open(path) as store:
        behaviours = (
            Behaviour("sit", ("sit",), steps=("palm in front of her nose", "one", "two")),
            Behaviour(ARROW, ("down",), steps=("a\rb", FORMULA)),
        )
        ids.append(
            store.begin(start(behaviours=behaviours, handler="Ottilie", place=FORMULA + " kitchen", source="walk.mp4"))
        )
        for number in (1, 2, 3):
            rep = marked_rep(number)
            store.add_word(LogWord(SessionEvent(rep.cue, Role.CUE, "sit"), number))
            store.add_word(LogWord(SessionEvent(rep.outcome_word, Role.MARKER), number))
            store.add_rep(rep)
            store.add_reward(OweReward(number, rep.outcome_word.start_s))
        store.add_rep(marked_rep(4, behaviour=ARROW, step=1, outcome=Outcome.INCORRECT))
        silent = marked_rep(5, outcome=Outcome.NO_RESPONSE, cue=None, outcome_word=None, end_s=50.0)
        store.add_rep(silent)  # nothing heard, and no length: ends where it begins
        store.add_word(LogWord(Ignored(heard("bram", 60), Role.NAME, Reason.NAME)))
        store.add_word(LogWord(Ignored(heard(OTHER_SPEECH, 61), None, Reason.PRAISE)))
        store.add_decision(Decision(Choice.RAISE, Because.WINDOW, 61.0, "sit", 2, 3, (1, 2, 3), 3, FORMULA))
        store.add_decision(Decision(Choice.END, Because.TIME, 62.0))
        store.add_prompt(SaidPrompt("raise", "Bram, step 3.", 62.1, 63.2, "decision", "sit"))
        store.add_correction(Correction(2, Outcome.CORRECT, None, "secret remark", 25.0))
        store.add_correction(Correction(3, Outcome.CORRECT, Outcome.INCORRECT, "-", 35.0), who="Ottilie")
        store.add_note(Note(64.0, 5.0, "note-1.wav"))
        store.add_gap(Gap(70.0, 2.5))
        store.end(ids[-1], EndReason.ASKED, 80.0)
        ids.append(store.begin(start(STARTED + timedelta(days=40), dog="BRAM")))
        store.end(ids[-1], EndReason.ASKED, 0.0)
        ids.append(store.begin(start(DST, dog="Пёс", handler="Ottilie")))
        store.add_rep(marked_rep(1, start_s=30.0))
        store.add_rep(marked_rep(2, start_s=90.0))
        store.end(ids[-1], EndReason.ASKED, 120.0)
        ids.append(store.begin(start(STARTED + timedelta(days=41))))
        store.add_rep(marked_rep(1))
    return ids


def export(log: Path, target: Path, format: str, *more: str) -> Result:
    """`handsfree export`; a UserError is the result's exception."""
    arguments = ["export", "--format", format, "--log", str(log), str(target), *more]
    return CliRunner().invoke(handsfree, arguments)


def exported(log: Path, target: Path, format: str, *more: str) -> Path:
    """The same, when it must succeed."""
    result = export(log, target, format, *more)
    if result.exception:
        raise result.exception
    assert result.exit_code == 0, result.output
    return target


def refusal(result: Result) -> str:
    """What the person is told."""
    assert isinstance(result.exception, UserError), result
    message = str(result.exception)
    assert "\n" not in message
    return message


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {str(file.relative_to(folder)): file.read_bytes() for file in sorted(folder.rglob("*")) if file.is_file()}
