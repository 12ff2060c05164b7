"""The Python interface: old sessions as typed values, and the ear and the rules as functions. See demo/PYTHON.md.

Times are seconds of session time. What goes wrong through the caller's input raises UserError, with one clear line.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from os import PathLike, fspath
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from handsfree import places, replaying
from handsfree.core import replay as _replay
from handsfree.core.errors import UserError
from handsfree.core.events import Decision, HeardWord, Ignored, Rep, SessionEvent
from handsfree.core.exporting.cells import COLUMNAR
from handsfree.core.exporting.rows import Selection, contexts, rows
from handsfree.core.exporting.tables import Column, Values, layouts
from handsfree.core.log import JudgedRep, Session, SessionLog
from handsfree.core.operating import Characteristics
from handsfree.core.plan import PRESETS, Plan, Rule
from handsfree.core.replay import Counted, Rules
from handsfree.edges import planfile
from handsfree.edges.store import Store

if TYPE_CHECKING:
    import pandas
    import polars

File = str | PathLike[str]


class Log:
    """A log, open for reading. Close it, or use it in a `with`; it belongs to the thread that opened it.

    Iterating gives every session with all that is written down about it, oldest first, one in memory at a time.
    """

    def __init__(self, store: Store) -> None:
        self._store = store

    def __enter__(self) -> Log:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        self._store.close()

    def __iter__(self) -> Iterator[SessionLog]:
        for session in self.sessions():
            yield self._store.session_log(session.id)

    def sessions(self, dog: str | None = None) -> list[Session]:
        """The sessions, or those of one dog (its name in any case), oldest first."""
        return [totals.session for totals in reversed(self._store.sessions(dog))]

    def session(self, reference: str = "last") -> SessionLog:
        """All about one session: the last, or the only one whose id starts so. Raises UserError if there is none."""
        return self._store.session_log(reference)

    def reps(self, dog: str | None = None) -> Iterator[tuple[Session, JudgedRep]]:
        """Every rep with its session: as counted live (`rep`) and its outcome after corrections (`outcome`)."""
        for session in self.sessions(dog):
            for judged in self._store.reps(session.id):
                yield session, judged

    def to_pandas(self, table: str = "reps", dog: str | None = None) -> pandas.DataFrame:
        """A table of the export as a data frame of pandas; missing values are NA, moments are in UTC."""
        from handsfree.edges import frames

        return frames.to_pandas(*self._table(table, dog))

    def to_polars(self, table: str = "reps", dog: str | None = None) -> polars.DataFrame:
        """The same as a data frame of Polars; missing values are null."""
        from handsfree.edges import frames

        return frames.to_polars(*self._table(table, dog))

    def _table(self, name: str, dog: str | None) -> tuple[tuple[Column, ...], Iterator[tuple[object, ...]]]:
        known = {layout.table.name: layout for layout in layouts(Values.BOTH, False)}
        if name not in known:
            raise UserError(f"no table {name!r}; there are: {', '.join(known)}")
        layout = known[name]

        def all_rows() -> Iterator[tuple[object, ...]]:
            for context in contexts(self._store.streams.chosen(Selection(dog=dog)), Values.BOTH, form=COLUMNAR):
                found = self._store.streams.rows(layout.source, layout.table.fields, context.chosen.id)
                yield from rows(layout, context, found)

        return layout.columns, all_rows()


def open_log(path: File | None = None) -> Log:
    """The log at `path`, or the one that sessions are written to. Raises UserError."""
    return Log(Store.open(Path(fspath(path)) if path is not None else places.default_log(), read_only=True))


def load_plan(path: File) -> Plan:
    """The plan in a file. Raises UserError naming file, line and key of the first fault."""
    return planfile.load(Path(fspath(path)))


def load_rules(path: File) -> Rules:
    """Rules to try on old sessions (as for `handsfree replay`). Raises UserError with a line for every fault."""
    return planfile.load_rules(Path(fspath(path)))


def decide(reps: Iterable[Rep | JudgedRep], rule: Rule | str) -> tuple[Decision, ...]:
    """What a rule, or the preset of that name, says after each rep: raise, hold or lower, each behaviour by itself.

    The rule alone, looking at the reps since it last called for a raise or lower, or since the recorded step changed;
    whether there is a step to go to is left open (`new_step` is None). Raises UserError for an unknown name.
    """
    if isinstance(rule, str):
        if rule not in PRESETS:
            raise UserError(f"no rule {rule!r}; there are: {', '.join(PRESETS)}")
        rule = PRESETS[rule]
    return _replay.decide(reps, rule)


def replay(session: SessionLog, rules: Rules | None = None) -> Counted:
    """A session's stored words once more: under its own plan, or as `rules` would have decided. Raises UserError."""
    return replaying.replayed(session, rules)


def operating_characteristics(rule: Rule, p: float) -> Characteristics:
    """How often a rule raises and lowers a dog that is right with probability `p`, and after how many reps."""
    return replaying.operating(rule, p)


def hear(plan: Plan | File, file: File, model: File | None = None) -> Iterator[SessionEvent | Ignored | HeardWord]:
    """Every word that the ear makes out in a recording, in order of time.

    SessionEvent: a word of the plan that counts; Ignored: one that does not, and why; HeardWord: other speech. `model`
    is a stock Vosk model directory instead of the plan's ear. Raises UserError.
    """
    from handsfree.edges.audio import read_file
    from handsfree.hearing import Hearing

    plan = plan if isinstance(plan, Plan) else load_plan(plan)
    return Hearing(plan, _path(model)).words(read_file(Path(fspath(file))))


def count(plan: Plan | File, file: File, model: File | None = None) -> Counted:
    """A whole recording heard as a session: words, reps, rewards, corrections and decisions. Nothing is stored."""
    from handsfree.edges.audio import read_file

    plan = plan if isinstance(plan, Plan) else load_plan(plan)
    return replaying.count_sound(plan, read_file(Path(fspath(file))), _path(model))


def _path(file: File | None) -> Path | None:
    return None if file is None else Path(fspath(file))
