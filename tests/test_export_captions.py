"""Captions obey the grammar of WebVTT (W3C, "WebVTT: The Web Video Text Tracks Format", 4) and others read them."""

from __future__ import annotations

import json
import re

import pytest

from handsfree.core.exporting.captions import Cue, captions, timestamp, vtt_text
from handsfree.core.exporting.tables import Values
from handsfree.edges.store import Store
from tests.exports import export, exported, fill, refusal

TIMING = re.compile(r"(\d{2,}:)?([0-5]\d):([0-5]\d)\.(\d{3})[ \t]+-->[ \t]+(\d{2,}:)?([0-5]\d):([0-5]\d)\.(\d{3})$")


def grammar(text: str) -> list[tuple[float, float, str]]:
    """Cues of a WebVTT file as (start, end, payload), seconds; AssertionError where the grammar is broken.

    The rules of the standard's section 4.1: signature, blank line, blocks parted by blank lines, "-->" in timing lines
    only, full stop and three digits, end after start, starts in order, identifiers unique.
    """
    assert re.match(r"WEBVTT([ \t][^\n]*)?\n\n", text)
    assert "\r" not in text
    cues, names = [], set()
    for block in re.split(r"\n{2,}", text.rstrip("\n"))[1:]:
        lines = block.split("\n")
        if lines[0].startswith("NOTE"):
            assert "-->" not in block
            continue
        if "-->" not in lines[0]:
            assert lines[0] not in names
            names.add(lines.pop(0))
        found = TIMING.match(lines[0])
        assert found, lines[0]
        parts = [int((part or "0").rstrip(":")) for part in found.groups()]
        start, end = (3600 * h + 60 * m + s + ms / 1000 for h, m, s, ms in (parts[:4], parts[4:]))
        assert end > start
        assert not cues or start >= cues[-1][0]
        payload = "\n".join(lines[1:])
        assert payload
        assert "-->" not in payload
        assert not re.search(r"<|&(?!amp;|lt;|gt;)", payload)
        cues.append((start, end, payload))
    return cues


@pytest.fixture
def log(tmp_path):
    fill(tmp_path / "log.db")
    return tmp_path / "log.db"


def first_session(log):
    with Store.open(log, read_only=True) as store:
        return store.sessions("Bram")[-1].session.id


@pytest.mark.parametrize("bad", ["WEBVTT\n00:01.000 --> 00:02.000\nx", "WEBVTT\n\n00:01.000 --> 00:01.000\nx",
                                 "WEBVTT\n\n00:01,000 --> 00:02.000\nx", "WEBVTT\n\n00:60.000 --> 01:02.000\nx",
                                 "WEBVTT\n\n00:01.000 --> 00:02.000\na --> b"])  # fmt: skip
def test_the_grammar_refuses(bad):
    with pytest.raises(AssertionError):
        grammar(bad)


def test_captions_of_a_session(log, tmp_path):
    target = exported(log, tmp_path / "walk.vtt", "vtt", first_session(log))
    cues = grammar(target.read_text(encoding="utf-8"))
    assert [text for _, _, text in cues][:4] == [
        "1 sit, step 2: correct",
        "2 sit, step 2: no rep (counted correct)",
        "3 sit, step 2: incorrect (counted correct)",
        '4 sit --&gt; down &lt;b&gt;"now"&lt;/b&gt;, Bram &amp; co, step 1: incorrect',
    ]
    assert (50.0, 51.0, "5 sit, step 2: no response") in cues  # a rep without length
    assert (70.0, 72.5, "sound lost") in cues
    chapters = grammar((tmp_path / "walk.chapters.vtt").read_text(encoding="utf-8"))
    assert [text for _, _, text in chapters][::2] == ["sit, step 2", "sit, step 2"]
    assert all(before[1] <= after[0] for before, after in zip(chapters, chapters[1:], strict=False))


def test_another_reader_reads_the_same(log, tmp_path):
    """webvtt-py, a reader of its own making."""
    webvtt = pytest.importorskip("webvtt")
    target = exported(log, tmp_path / "walk.vtt", "vtt", first_session(log))
    cues = grammar(target.read_text(encoding="utf-8"))
    read = webvtt.read(str(target))
    assert [(one.start, one.end) for one in read] == [
        (timestamp(round(start * 1000)), timestamp(round(end * 1000))) for start, end, _ in cues
    ]
    exported(log, tmp_path / "walk.srt", "srt", first_session(log))
    assert [(one.start, one.end) for one in webvtt.from_srt(str(tmp_path / "walk.srt"))] == [
        (one.start, one.end) for one in read
    ]
    assert "-->" not in "".join(one.text for one in webvtt.from_srt(str(tmp_path / "walk.srt")))
    assert json.loads((tmp_path / "walk.srt.json").read_text())["handsfree"]["models"]


@pytest.mark.parametrize(("seconds", "text"), [(0, "00:00:00.000"), (3661.5, "01:01:01.500"), (59.9996, "00:01:00.000"),
                                               (359_999.9996, "100:00:00.000")])  # fmt: skip
def test_timestamps_round_before_they_split(seconds, text):
    """Values worked out by hand from the timestamp rules of the standard."""
    assert timestamp(round(seconds * 1000)) == text


@pytest.mark.parametrize("text", ["-->", "--->", "<!-->", "a\n\nb --> c", "&amp;-->"])
def test_text_holds_no_arrow_and_no_blank_line(text):
    assert "-->" not in vtt_text(text)
    assert "\n" not in vtt_text(text)


def test_video_time(log):
    """What lies before the video is left out; what began before it is cut."""
    with Store.open(log, read_only=True) as store:
        session = store.session_log(first_session(log))
    cues = captions(session, Values.RAW, at=lambda at_s: at_s - 20.5)
    assert cues[0] == Cue("rep-2", 0, cues[0].end_ms, "2 sit, step 2: correct")
    assert cues[1].start_ms == 9500


def test_a_session_without_reps(log, tmp_path):
    with Store.open(log, read_only=True) as store:
        empty = next(one.session.id for one in store.sessions() if one.reps == 0)
    target = exported(log, tmp_path / "empty.vtt", "vtt", empty)
    assert grammar(target.read_text(encoding="utf-8")) == []


def test_captions_are_of_one_session(log, tmp_path):
    assert "one session" in refusal(export(log, tmp_path / "all.vtt", "vtt", "--all"))


def test_captions_are_moved_to_the_time_of_the_video(log, tmp_path):
    plain = grammar(exported(log, tmp_path / "a.vtt", "vtt").read_text(encoding="utf-8"))
    moved = exported(log, tmp_path / "b.vtt", "vtt", "--shift-s", "12.5", "--stretch", "1.01")
    for (start, _, text), (there, _, same) in zip(plain, grammar(moved.read_text(encoding="utf-8")), strict=True):
        assert there == pytest.approx(1.01 * start + 12.5, abs=0.002)
        assert same == text


def test_only_captions_can_be_moved(log, tmp_path):
    assert "only for --format vtt" in refusal(export(log, tmp_path / "t", "csv", "--shift-s", "3"))
    assert "between 0.5 and 2" in refusal(export(log, tmp_path / "t.vtt", "vtt", "--stretch", "0"))
