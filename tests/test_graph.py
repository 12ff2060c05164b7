"""The decoding graph: a file that OpenFst reads, that accepts what was asked for, and a cache that mends itself."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from handsfree.core.errors import UserError
from handsfree.core.phones import PAUSE, Phones
from handsfree.edges import graph
from handsfree.places import shipped

MODEL = shipped("models") / "en"
PHRASES: dict[str, tuple[Phones, ...]] = {
    "yes": (("Y", "EH", "S"),),
    "leave it": (("L", "IY", "V", PAUSE, "IH", "T"),),
    "tomato": (("T", "AH", "M", "EY", "T", "OW"), ("T", "AH", "M", "AA", "T", "OW")),
}

# OpenFst's own library (kaldifst wraps it) must never share a process with Vosk, which carries another copy.
READ_WITH_OPENFST = """
import json, sys
import kaldifst

fst = kaldifst.StdVectorFst.read(sys.argv[1])
fst.write(sys.argv[2])
answers = []
for labels in json.loads(sys.argv[3]):
    line = kaldifst.make_linear_acceptor(labels)
    kaldifst.arcsort(line, "olabel")
    best = kaldifst.shortest_path(kaldifst.compose(line, fst))
    if best.num_states == 0:
        answers.append(None)
        continue
    _, _, words, cost = kaldifst.get_linear_symbol_sequence(best)
    answers.append([list(words), cost.value])
print(json.dumps({"states": fst.num_states, "start": fst.start, "answers": answers}))
"""


def test_openfst_reads_the_graph_and_finds_the_words_at_their_cost(tmp_path: Path) -> None:
    home = graph.build(PHRASES, MODEL, tmp_path)
    said = [
        ["Y_B", "EH_I", "S_E"],
        ["SIL", "L_B", "IY_I", "V_I", "IH_I", "T_E", "SIL"],
        ["L_B", "IY_I", "V_I", "SIL_I", "IH_I", "T_E"],
        ["Y_B", "EH_I", "S_E", "Y_B", "EH_I", "S_E"],
        ["Y_B", "EH_I"],
        ["DH_B", "AE_I", "T_E"],
        ["SH_S"],
    ]
    answer = read_with_openfst(home, [transitions(phones) for phones in said], tmp_path)
    words = (home / "graph" / "words.txt").read_text(encoding="utf-8").splitlines()
    id_of = {line.split(" ")[0].replace(graph.NO_BREAK_SPACE, " "): int(line.split(" ")[1]) for line in words}
    yes, leave, other = id_of["yes"], id_of["leave it"], id_of["[unk]"]
    expected = [
        ([yes], graph.PHRASE_COST),
        ([leave], graph.PHRASE_COST + 2 * graph.SILENCE_COST),
        ([leave], graph.PHRASE_COST + graph.SILENCE_COST),
        ([yes, yes], 2 * graph.PHRASE_COST),
        None,
        ([other], graph.DECOY_COST),  # "that", one of the common words
        ([other], graph.FILLER_COST + graph.FILLER_SINGLE_COST),
    ]
    for phones, found, wanted in zip(said, answer["answers"], expected, strict=True):
        if wanted is None:
            assert found is None, phones
        else:
            assert found == [wanted[0], pytest.approx(wanted[1], abs=1e-4)], phones


def test_openfst_writes_the_same_bytes_but_for_the_property_bits(tmp_path: Path) -> None:
    home = graph.build(PHRASES, MODEL, tmp_path)
    read_with_openfst(home, [], tmp_path)
    ours, theirs = (home / "graph" / "HCLG.fst").read_bytes(), (tmp_path / "again.fst").read_bytes()
    properties = slice(34, 42)  # fst.h: magic 4, "vector" 4+6, "standard" 4+8, version 4, flags 4; then these 8
    assert ours[: properties.start] == theirs[: properties.start]
    assert len(ours) == len(theirs)
    assert ours[properties.stop :] == theirs[properties.stop :]


def test_a_common_word_that_sounds_like_a_plan_word_is_no_decoy(tmp_path: Path) -> None:
    """Else "to" and "too" would be taken from a plan that says "two"."""
    two = {"two": (("T", "UW"),)}
    answer = read_with_openfst(graph.build(two, MODEL, tmp_path), [transitions(["T_B", "UW_E"])], tmp_path)
    words, cost = answer["answers"][0]
    assert words == [2]  # after epsilon and [unk], the only phrase
    assert cost == pytest.approx(graph.PHRASE_COST)


def test_a_phrase_is_written_as_one_symbol(tmp_path: Path) -> None:
    lines = (graph.build(PHRASES, MODEL, tmp_path) / "graph" / "words.txt").read_text(encoding="utf-8").splitlines()
    assert all(len(line.split(" ")) == 2 for line in lines)
    assert f"leave{graph.NO_BREAK_SPACE}it 2" in lines


def test_the_cache_is_used_again_and_every_ingredient_changes_it(tmp_path: Path) -> None:
    first = graph.build(PHRASES, MODEL, tmp_path)
    before = (first / "graph" / "HCLG.fst").stat().st_mtime_ns
    assert graph.build(PHRASES, MODEL, tmp_path) == first
    assert (first / "graph" / "HCLG.fst").stat().st_mtime_ns == before
    assert graph.build({**PHRASES, "yes": (("Y", "AE", "S"),)}, MODEL, tmp_path) != first
    assert graph.build({"yes": PHRASES["yes"]}, MODEL, tmp_path) != first


def test_costs_are_ingredients(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = graph.build(PHRASES, MODEL, tmp_path)
    monkeypatch.setattr(graph, "DECOY_COST", graph.DECOY_COST + 1)
    assert graph.build(PHRASES, MODEL, tmp_path) != first


def test_where_nobody_waits_the_network_takes_more_at_once(tmp_path: Path) -> None:
    usual, patient = graph.build(PHRASES, MODEL, tmp_path), graph.build(PHRASES, MODEL, tmp_path, frames_per_chunk=60)
    options, changed = ((home / "conf" / "model.conf").read_text() for home in (usual, patient))
    assert changed == options.replace("--frames-per-chunk=15\n", "--frames-per-chunk=60\n") != options
    assert (MODEL / "conf" / "model.conf").read_text() == options
    for name in ("am/final.mdl", "conf/mfcc.conf", "graph/HCLG.fst"):
        assert (patient / name).read_bytes() == (usual / name).read_bytes()


@pytest.mark.parametrize("name", ["graph/HCLG.fst", "graph/words.txt", "graph/phones/word_boundary.int", "checksum"])
@pytest.mark.parametrize("damage", ["cut", "gone", "changed"])
def test_a_damaged_cache_is_made_again(tmp_path: Path, name: str, damage: str) -> None:
    home = graph.build(PHRASES, MODEL, tmp_path)
    good = (home / name).read_bytes()
    if damage == "gone":
        (home / name).unlink()
    else:
        (home / name).write_bytes(good[: len(good) // 2] if damage == "cut" else b"\xff" + good[1:])
    assert graph.build(PHRASES, MODEL, tmp_path) == home
    assert (home / name).read_bytes() == good
    assert [path.name for path in home.parent.iterdir()] == [home.name]


def test_many_at_once_make_one(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        homes = list(pool.map(lambda _: graph.build(PHRASES, MODEL, tmp_path), range(16)))
    assert len(set(homes)) == 1
    assert [path.name for path in (tmp_path / "graphs").iterdir()] == [homes[0].name]
    assert (homes[0] / "am" / "final.mdl").read_bytes() == (MODEL / "am" / "final.mdl").read_bytes()


def test_without_links_the_model_is_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError("A required privilege is not held by the client")

    monkeypatch.setattr(Path, "symlink_to", refuse)
    home = graph.build(PHRASES, MODEL, tmp_path)
    assert not (home / "am").is_symlink()
    assert (home / "am" / "final.mdl").read_bytes() == (MODEL / "am" / "final.mdl").read_bytes()


def test_a_cache_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("not a folder")
    with pytest.raises(UserError, match=r"file: the cache cannot be written .*HANDSFREE_HOME"):
        graph.build(PHRASES, MODEL, in_the_way)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_cache_is_named(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(UserError, match="Permission denied"):
        graph.build(PHRASES, MODEL, tmp_path)


def test_an_incomplete_model_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"lacks .*final\.mdl"):
        graph.build(PHRASES, tmp_path, tmp_path / "cache")


def transitions(phones: list[str]) -> list[int]:
    """Transition ids of phones that last 60 ms each: entered once (2i), stayed in once (2i-1)."""
    names = json.loads((MODEL / "phones.json").read_text())["graph_phones"]
    return [label for phone in phones for label in (2 * names.index(phone), 2 * names.index(phone) - 1)]


def read_with_openfst(home: Path, sequences: list[list[int]], scratch: Path) -> dict:
    fst, again = str(home / "graph" / "HCLG.fst"), str(scratch / "again.fst")
    call = [sys.executable, "-c", READ_WITH_OPENFST, fst, again, json.dumps(sequences)]
    done = subprocess.run(call, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])
