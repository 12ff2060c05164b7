"""The decoding graph of one plan: its phrases, common words as decoys, a phone filler and silence.

The graph is a weighted transducer from Kaldi transition ids to words, written in OpenFst's binary format
(https://www.openfst.org, `fst.h`: FstHeader, then states, each followed by its arcs). A folder that holds it beside the
acoustic model is a complete model for Vosk; it is kept in the cache under a hash of everything it is made from.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import re
import shutil
import struct
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH
from handsfree.core.phones import PAUSE, Phones

# Costs are negative natural logarithms, added once where a word begins (or at the phone named).
PHRASE_COST = 2.0
"""A phrase of the plan. Below the decoys': a plan word is likelier than any one other word."""
DECOY_COST = 6.5
"""One of the common words. The higher, the more words of the plan are heard, right and wrong; their confidence then
tells these apart. With the filler, from 5 and 2 to 6.5 and 3, on people never heard: plan words that count 92.9 -> 93.7
%, another one 1.7 -> 1.2 %, unknown words that give one 3.5 % either way. Words of the dictionary one phone away from
a plan word as more decoys: 1 % of the plan's words fewer, no unknown word fewer; so there are none."""
FILLER_COST = 3.0
"""Any other speech, phone by phone; each phone then pays for itself by the phone bigram."""
FILLER_STAY_COST, FILLER_END_COST, FILLER_SINGLE_COST = 0.2, 1.5, 3.0
"""A further phone in the same stretch; the last one; a stretch of one phone (breath and clicks look like one)."""
SILENCE_COST = 0.5
LEAST_LOG_BIGRAM = -8.0
"""Pairs of phones hardly seen in training are no rarer than this."""

_CHUNK = re.compile(r"--frames-per-chunk=\d+")

_LAYOUT = 1
"""Counts changes to what this file writes, so that older cached graphs are not taken for new ones."""


def build(
    phrases: Mapping[str, Sequence[Phones]], model_dir: Path, cache_dir: Path, frames_per_chunk: int | None = None
) -> Path:
    """A complete Vosk model directory for `phrases`, made or found in `cache_dir`.

    phrases    text -> its pronunciations; PAUSE in them marks where silence may lie. A phrase comes out as one word
    model_dir  am/final.mdl, conf/, phones.json and common_words.txt
    frames_per_chunk  of 10 ms, that the network is to take at once, instead of what the model's conf/ says; words come
               later, and with 60 instead of 15 the processor has two fifths less to do

    Raises UserError where the cache cannot be written or the model is incomplete.
    """
    try:
        key = _key(phrases, model_dir, frames_per_chunk)
    except OSError as error:
        raise UserError(f"{model_dir}: the model lacks {error.filename}; install handsfree again") from error
    home = cache_dir / "graphs" / key
    if _is_whole(home):
        return home
    try:
        home.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=f"{key}-", dir=home.parent))
        try:
            _write(phrases, model_dir, made, frames_per_chunk)
            _put_in_place(made, home)
        finally:
            shutil.rmtree(made, ignore_errors=True)
    except OSError as error:
        raise UserError(
            f"{cache_dir}: the cache cannot be written ({error.strerror}); "
            "make room or mend its permissions, or set HANDSFREE_HOME to a folder that can be written"
        ) from error
    return home


def _key(phrases: Mapping[str, Sequence[Phones]], model_dir: Path, frames_per_chunk: int | None) -> str:
    digest = hashlib.sha256()
    for name in ("am/final.mdl", "conf/mfcc.conf", "conf/model.conf", "phones.json", "common_words.txt"):
        digest.update((model_dir / name).read_bytes())
    costs = [PHRASE_COST, DECOY_COST, FILLER_COST, FILLER_STAY_COST, FILLER_END_COST, FILLER_SINGLE_COST]
    spoken = sorted((text, list(p)) for text, p in phrases.items())
    made_from = [_LAYOUT, costs, SILENCE_COST, LEAST_LOG_BIGRAM, spoken, frames_per_chunk]
    digest.update(json.dumps(made_from).encode())
    return digest.hexdigest()[:24]


def _is_whole(home: Path) -> bool:
    """Whether a cached directory holds what was once written there."""
    try:
        return (
            (home / "checksum").read_text() == _checksum(home)
            and (home / "am" / "final.mdl").is_file()
            and (home / "conf" / "model.conf").is_file()
        )
    except (OSError, UnicodeDecodeError):
        return False


def _checksum(home: Path) -> str:
    digest = hashlib.sha256()
    for name in ("HCLG.fst", "words.txt", "phones/word_boundary.int"):
        digest.update((home / "graph" / name).read_bytes())
    return digest.hexdigest()


def _put_in_place(made: Path, home: Path) -> None:
    """Rename; two processes may do so at once, and the loser takes the winner's (they are equal)."""
    if home.exists() and not _is_whole(home):
        with contextlib.suppress(FileNotFoundError):
            broken = Path(tempfile.mkdtemp(prefix="broken-", dir=home.parent))
            home.rename(broken / "graph")
        shutil.rmtree(broken, ignore_errors=True)
    try:
        made.rename(home)
    except OSError:
        if not _is_whole(home):
            raise


def _write(phrases: Mapping[str, Sequence[Phones]], model_dir: Path, home: Path, frames_per_chunk: int | None) -> None:
    _link_or_copy(model_dir.resolve() / "am", home / "am")
    if frames_per_chunk is None:
        _link_or_copy(model_dir.resolve() / "conf", home / "conf")
    else:
        shutil.copytree(model_dir / "conf", home / "conf")
        options = home / "conf" / "model.conf"
        options.write_text(_CHUNK.sub(f"--frames-per-chunk={frames_per_chunk}", options.read_text()))
    table = json.loads((model_dir / "phones.json").read_text())
    words = ["<eps>", OTHER_SPEECH, *sorted(phrases), "#0", "<s>", "</s>"]
    graph = home / "graph"
    (graph / "phones").mkdir(parents=True)
    (graph / "HCLG.fst").write_bytes(_compile(phrases, words, table, _read_decoys(model_dir / "common_words.txt")))
    # Vosk splits this file at white space, so a phrase is written with NO-BREAK SPACE (see recogniser.py).
    lines = "".join(f"{word.replace(' ', NO_BREAK_SPACE)} {i}\n" for i, word in enumerate(words))
    (graph / "words.txt").write_text(lines, encoding="utf-8", newline="\n")
    boundaries = "".join(f"{i} {position}\n" for i, position in enumerate(table["positions"]) if i)
    (graph / "phones" / "word_boundary.int").write_text(boundaries, newline="\n")
    (home / "checksum").write_text(_checksum(home))


NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"


def _link_or_copy(source: Path, target: Path) -> None:
    try:
        target.symlink_to(source, target_is_directory=True)
    except OSError:  # Windows without the privilege, or a file system without links
        shutil.copytree(source, target)


def _read_decoys(path: Path) -> set[Phones]:
    """Pronunciations of two phones or more; a single phone is the filler's business."""
    decoys = (tuple(line.split()[1:]) for line in path.read_text(encoding="utf-8").splitlines())
    return {phones for phones in decoys if len(phones) > 1}


def _compile(phrases: Mapping[str, Sequence[Phones]], words: list[str], table: dict, decoys: set[Phones]) -> bytes:
    """The graph as an OpenFst file. Paths lead from one hub through a phrase, decoy, filler or silence back to it."""
    ids = {word: i for i, word in enumerate(words)}
    graph = _Transducer(table["graph_phones"])
    hub = graph.start
    graph.arc(graph.phone(hub, "SIL", 0, SILENCE_COST), 0, 0, 0.0, hub)
    own = set()
    for text in sorted(phrases):
        for phones in phrases[text]:
            _add_phrase(graph, phones, ids[text])
            own.add(tuple(phone for phone in phones if phone != PAUSE))
    _add_decoys(graph, decoys - own, ids[OTHER_SPEECH])  # a decoy that sounds like a plan word would swallow it
    _add_filler(graph, table, ids[OTHER_SPEECH])
    return graph.to_bytes()


def _add_phrase(graph: _Transducer, phones: Phones, word: int) -> None:
    state, paused = graph.start, None
    last = len(phones) - 1
    for i, phone in enumerate(phones):
        if phone == PAUSE:
            paused = graph.phone(state, "SIL_I", 0, SILENCE_COST)
            continue
        name = phone + _position(i, last)
        after = graph.phone(state, name, word if i == 0 else 0, PHRASE_COST if i == 0 else 0.0)
        if paused is not None:
            graph.enter(paused, name, 0, 0.0, after)
        state, paused = after, None
    graph.arc(state, 0, 0, 0.0, graph.start)


def _add_decoys(graph: _Transducer, decoys: Iterable[Phones], word: int) -> None:
    """A tree that shares beginnings."""
    states: dict[tuple[str, ...], int] = {(): graph.start}
    for phones in sorted(decoys):
        names: tuple[str, ...] = ()
        for i, phone in enumerate(phones):
            before, names = names, (*names, phone + _position(i, len(phones) - 1))
            if names not in states:
                first = not before
                states[names] = graph.phone(states[before], names[-1], word * first, DECOY_COST * first)
                if names[-1].endswith("_E"):
                    graph.arc(states[names], 0, 0, 0.0, graph.start)


def _add_filler(graph: _Transducer, table: dict, word: int) -> None:
    """Any string of phones, each paying its bigram cost given the one before."""
    log_bigram, names, hub = table["log_bigram"], table["phones"], graph.start
    phones = [i for i, name in enumerate(names) if name != "SIL"]
    begin, middle, end = {}, {}, {}
    for i in phones:
        single = graph.phone(hub, names[i] + "_S", word, FILLER_COST + FILLER_SINGLE_COST)
        graph.arc(single, 0, 0, 0.0, hub)
        first_cost = FILLER_COST - max(log_bigram[-1][i], LEAST_LOG_BIGRAM)
        begin[i] = graph.phone(hub, names[i] + "_B", word, first_cost)
        middle[i] = graph.looping(names[i] + "_I")
        end[i] = graph.looping(names[i] + "_E")
        graph.arc(end[i], 0, 0, 0.0, hub)
    for i, j in itertools.product(phones, phones):
        cost = -max(log_bigram[i][j], LEAST_LOG_BIGRAM)
        for state in (begin[i], middle[i]):
            graph.enter(state, names[j] + "_I", 0, cost + FILLER_STAY_COST, middle[j])
            graph.enter(state, names[j] + "_E", 0, cost + FILLER_END_COST, end[j])


def _position(index: int, last: int) -> str:
    return "_S" if last == 0 else "_B" if index == 0 else "_E" if index == last else "_I"


class _Transducer:
    """States and arcs. Phone number i is entered by transition id 2i and stays by 2i-1 (see the model's export)."""

    def __init__(self, phones: Sequence[str]) -> None:
        self._number = {name: i for i, name in enumerate(phones)}
        self._arcs: list[list[bytes]] = [[]]
        self.start = 0

    def arc(self, source: int, transition: int, word: int, cost: float, target: int) -> None:
        self._arcs[source].append(struct.pack("<iifi", transition, word, cost, target))

    def looping(self, phone: str) -> int:
        """A new state that stays in `phone`."""
        self._arcs.append([])
        state = len(self._arcs) - 1
        self.arc(state, 2 * self._number[phone] - 1, 0, 0.0, state)
        return state

    def enter(self, source: int, phone: str, word: int, cost: float, target: int) -> None:
        self.arc(source, 2 * self._number[phone], word, cost, target)

    def phone(self, source: int, phone: str, word: int, cost: float) -> int:
        """A new state reached from `source` by `phone`."""
        state = self.looping(phone)
        self.enter(source, phone, word, cost, state)
        return state

    def to_bytes(self) -> bytes:
        """OpenFst: a "vector" transducer with "standard" (tropical) arcs, version 2; only the start is final."""
        magic, version, flags, expanded_and_mutable, arcs_uncounted = 2125659606, 2, 0, 3, 0
        header = (
            struct.pack("<i", magic)
            + (struct.pack("<i", 6) + b"vector" + struct.pack("<i", 8) + b"standard")
            + struct.pack("<iiQqqq", version, flags, expanded_and_mutable, self.start, len(self._arcs), arcs_uncounted)
        )
        parts = [header]
        for state, arcs in enumerate(self._arcs):
            parts.append(struct.pack("<fq", 0.0 if state == self.start else float("inf"), len(arcs)))
            parts += arcs
        return b"".join(parts)
