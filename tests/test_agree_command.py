"""The command, its output and its page, from log and files."""

from __future__ import annotations

import base64
import io
import json
import re
import sys
import wave
from datetime import timedelta
from html.parser import HTMLParser

import numpy as np
import pytest
from click.testing import CliRunner

from handsfree import agreeing, places
from handsfree.cli import handsfree
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock, Correction, EndReason, Outcome
from handsfree.edges.kept_sound import KeptSound
from handsfree.edges.store import Store
from tests.logs import STARTED, marked_rep, start

OBSERVER = "onset_s,behaviour,outcome\n10.2,sit,correct\n20.1,sit,incorrect\n55,sit,correct\n"


@pytest.fixture
def log(tmp_path):
    """Reps cued at 10, 20, 30 and 40 s, the last undone; and one marked at 50.5 s without a cue."""
    path = tmp_path / "log.db"
    with Store.open(path) as store:
        session_id = store.begin(start())
        for number in range(1, 5):
            store.add_rep(marked_rep(number))
        store.add_rep(marked_rep(5, 49.1, cue=None))
        store.add_correction(Correction(4, Outcome.CORRECT, None, "undo", 44.0))
        store.end(session_id, EndReason.ASKED, 60.0)
    return path


@pytest.fixture
def observer(tmp_path):
    path = tmp_path / "observer.csv"
    path.write_text(OBSERVER, encoding="utf-8")
    return path


def run(*args):
    return CliRunner().invoke(handsfree, ["agree", *map(str, args)])


def figures(*args):
    result = run(*args, "--json")
    assert result.exit_code == 0, result.exception
    return json.loads(result.stdout)


def refusal(*args):
    result = run(*args)
    assert isinstance(result.exception, UserError)
    assert "\n" not in str(result.exception)
    return str(result.exception)


def test_a_session_against_an_observer(log, observer):
    found = figures("last", observer, "--log", log)
    assert (found["a"]["events"], found["b"]["events"], found["matched"]) == (4, 3, 2)
    assert found["total_count"] == {"percent": 75.0, "agreed": 3, "of": 4}
    assert found["trial_by_trial"] == {"percent": 20.0, "agreed": 1, "of": 5}
    assert found["intervals"] == 6  # of 10 s, in a session of 60 s
    assert found["kappa"]["behaviour"]["kappa"] is None  # both only ever saw one
    assert found["times_b_minus_a"]["bias_s"] == pytest.approx(0.15)
    assert [one["at_s"] for one in found["disagreements"]] == [20, 30, 50.5, 55]
    assert found["disagreements"][0]["differ_in"] == ["outcome"]
    assert found["disagreements"][3]["b"]["line"] == 4


def test_an_uncued_rep_is_where_its_marker_is_and_raw_reps_are_as_counted_live(log, observer):
    found = figures("last", "last", "--raw", "--log", log)
    assert found["matched"] == 5
    assert figures("last", observer, "--within", "5", "--log", log)["matched"] == 3


def test_text_fits_eighty_columns(log, observer):
    result = run("last", observer, "--log", log)
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "2 matched within 1 s, 2 only in A, 1 only in B" in result.stdout
    assert re.search(r"total count +75.0 %  3 of 4", result.stdout)
    assert re.search(r"0:55.0  only in B +sit correct", result.stdout)


def test_a_long_list_of_disagreements_is_cut_in_the_text_and_whole_elsewhere(tmp_path):
    (tmp_path / "a.csv").write_text("onset_s\n" + "\n".join(str(10 * n) for n in range(130)) + "\n")
    (tmp_path / "b.csv").write_text("onset_s\n")
    files = tmp_path / "a.csv", tmp_path / "b.csv"
    assert "... and 30 more; --json and --html have them all" in run(*files).stdout
    assert len(figures(*files)["disagreements"]) == 130


def test_names_cannot_steer_the_terminal(tmp_path):
    (tmp_path / "a.csv").write_text("onset_s,behaviour,\x1b[2Jodd\n1,s\x1b[31mit,x\n", encoding="utf-8")
    (tmp_path / "b.csv").write_text('onset_s,behaviour\n9,"two\nlines"\n', encoding="utf-8")
    result = run(tmp_path / "a.csv", tmp_path / "b.csv")
    assert "\x1b" not in result.stdout + result.stderr
    assert "two lines" in result.stdout


def test_text_of_records_that_agree_and_of_empty_ones(tmp_path, log):
    assert "no disagreements" in run("last", "last", "--log", log).stdout
    (tmp_path / "none.csv").write_text("onset_s\n")
    text = run(tmp_path / "none.csv", tmp_path / "none.csv").stdout
    assert "0 matched" in text
    assert "n/a" in text
    assert "0.0 %" not in text


def test_two_observers_with_different_clocks(tmp_path):
    for name, offset in (("ann.tsv", "+02:00"), ("bob.tsv", "+00:00")):
        hours = 11 if offset == "+02:00" else 9
        (tmp_path / name).write_text(f"onset_at\tbehaviour\n2026-05-04T{hours:02d}:30:20.5{offset}\tsit\n")
    found = figures(tmp_path / "ann.tsv", tmp_path / "bob.tsv")
    assert (found["matched"], found["intervals"]) == (1, 1)


def test_wall_times_against_a_session(tmp_path, log):
    at = (STARTED + timedelta(seconds=10.2)).isoformat()
    (tmp_path / "wall.csv").write_text(f"onset_at,behaviour\n{at},sit\n")
    found = figures("last", tmp_path / "wall.csv", "--log", log)
    assert found["times_b_minus_a"]["bias_s"] == pytest.approx(0.2)
    (tmp_path / "plain.csv").write_text("onset_s\n1\n")
    (tmp_path / "old.csv").write_text("onset_at,behaviour\n2016-12-31T23:59:60Z,sit\n")
    complaint = refusal("last", tmp_path / "old.csv", "--log", log)
    assert "old.csv, line 2: this is 3," in complaint
    assert "days before the other record begins" in complaint
    complaint = refusal(tmp_path / "wall.csv", tmp_path / "plain.csv")
    assert "wall.csv has wall times, but plain.csv counts from its start" in complaint


def test_milliseconds_called_seconds_are_noticed(tmp_path, log):
    (tmp_path / "ms.csv").write_text("onset_s\n10200\n20100\n")
    assert "ms.csv goes on to 20100 s, session" in refusal("last", tmp_path / "ms.csv", "--log", log)


def test_video_time_is_brought_to_session_time(tmp_path, log):
    lines = [f"{1.0001 * at_s + 7.5:.4f},sit" for at_s in (10, 20, 30)]
    (tmp_path / "video.csv").write_text("onset_s,behaviour\n" + "\n".join(lines) + "\n")
    found = figures("last", tmp_path / "video.csv", "--shift-s", "7.5", "--stretch", "1.0001", "--log", log)
    assert found["times_b_minus_a"]["bias_s"] == pytest.approx(0, abs=1e-4)
    assert found["matched"] == 3


@pytest.mark.parametrize(
    ("format_name", "file"),
    [
        ("csv", "out/reps.csv"),
        ("jsonl", "out/reps.jsonl"),
        ("datapackage", "out/reps.csv"),
        ("bids", "out/**/*_events.tsv"),
        ("vtt", "out.vtt"),
    ],
)
@pytest.mark.parametrize("raw", [False, True])
def test_a_session_agrees_with_its_own_export(tmp_path, log, format_name, file, raw):
    target = tmp_path / ("out.vtt" if format_name == "vtt" else "out")
    made = CliRunner().invoke(handsfree, ["export", "--format", format_name, str(target), "--log", str(log)])
    assert made.exit_code == 0, made.exception
    (path,) = tmp_path.glob(file)
    result = run("last", path, "--log", log, "--json", "--within", "0.01", *["--raw"] * raw)
    assert result.stderr == ""
    found = json.loads(result.stdout)
    assert found["trial_by_trial"] == {"percent": 100.0, "agreed": 5 if raw else 4, "of": 5 if raw else 4}
    assert found["labels_compared"] == ["behaviour", "outcome"]
    assert found["times_b_minus_a"]["bias_s"] == 0


def test_one_behaviour_only(tmp_path, log):
    (tmp_path / "two.csv").write_text("onset_s,behaviour\n10,SIT\n12,down\n")
    assert figures("last", tmp_path / "two.csv", "--behaviour", "Sit", "--log", log)["b"]["events"] == 1
    assert "there are: SIT, down, sit" in refusal("last", tmp_path / "two.csv", "--behaviour", "bow", "--log", log)


def test_oddities_of_a_file_are_told_on_stderr(tmp_path, log):
    (tmp_path / "odd.csv").write_text("onset_s,behaviour,mood\n20,sit,good\n10,sit,good\n")
    result = run("last", tmp_path / "odd.csv", "--log", log, "--json")
    assert result.stderr.splitlines() == [
        "handsfree: odd.csv: not used: mood",
        "handsfree: odd.csv: not in order of time; sorted",
    ]
    json.loads(result.stdout)


def test_what_is_refused(tmp_path, log, observer):
    assert "there is no file nosuch.csv; a session is named by" in refusal("last", "nosuch.csv", "--log", log)
    assert "no session 'abc'" in refusal("abc", observer, "--log", log)
    assert "an interval is longer than 0 s" in refusal("last", observer, "--interval", "0", "--log", log)
    assert "--sound: the sound goes into the page" in refusal("last", observer, "--sound", "x.wav", "--log", log)
    assert "--within nan: give a number" in refusal("last", observer, "--within", "nan", "--log", log)
    assert "--shift-s and --stretch: give the numbers" in refusal("last", observer, "--shift-s", "inf", "--log", log)
    page = tmp_path / "page.html"
    page.write_text("mine")
    assert "page.html exists" in refusal("last", observer, "--html", page, "--log", log)
    assert page.read_text() == "mine"
    missing = tmp_path / "no folder" / "page.html"
    assert "cannot be written" in refusal("last", observer, "--html", missing, "--log", log)


def test_without_scipy(log, observer, monkeypatch):
    monkeypatch.setitem(sys.modules, "scipy.sparse", None)
    assert "pip install 'handsfree[research]'" in refusal("last", observer, "--log", log)


class Page(HTMLParser):
    """Tags with their attributes, checked to be closed in order; and the text."""

    VOID = ("meta", "line", "circle", "link", "img", "br")

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.words = [], [], []
        self.feed(text)
        assert not self.open

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def test_the_page_needs_nothing_else_and_plays_the_disagreements(tmp_path, log, observer):
    page = tmp_path / "page.html"
    sound = places.shipped("demo") / "session.ogg"
    result = run("last", observer, "--html", page, "--sound", sound, "--log", log)
    assert result.exit_code == 0
    text = page.read_text(encoding="utf-8")
    found = Page(text)
    assert {tag for tag, _ in found.tags}.isdisjoint({"script", "link", "img", "iframe", "form"})
    addresses = [value for _, some in found.tags for key, value in some.items() if key in ("src", "href", "action")]
    assert all(value.startswith("data:audio/wav;base64,") for value in addresses)
    assert "http" not in re.sub(r"http-equiv", "", text)
    assert "url(" not in text
    policy = next(some["content"] for tag, some in found.tags if some.get("http-equiv"))
    assert policy.startswith("default-src 'none'")
    assert sum(tag == "circle" for tag, _ in found.tags) == 2  # the matched pairs
    assert len(addresses) == 4
    for address in addresses:
        with wave.open(io.BytesIO(base64.b64decode(address.split(",")[1]))) as clip:
            assert (clip.getframerate(), clip.getnframes()) == (SAMPLE_RATE, 5 * SAMPLE_RATE)
    assert list(tmp_path.glob("*.part")) == []


def test_the_page_plays_what_was_kept_of_the_session(tmp_path, log, observer, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path / "home"))
    page = tmp_path / "page.html"
    assert "no sound is kept of session" in refusal("last", observer, "--html", page, "--sound", "kept", "--log", log)
    assert "is no session of the log" in refusal(observer, "last", "--html", page, "--sound", "kept", "--log", log)
    with Store.open(log, read_only=True) as store:
        session_id = store.session().id
    file = KeptSound(places.sound_dir()).open_rep(session_id, 14, 1, 19.5)  # they disagree at 20, 30, 50.5, 55
    noise = np.random.default_rng(2).integers(-9000, 9000, SAMPLE_RATE, dtype=np.int16)
    file.write(noise.astype("<i2").tobytes())
    file.finish()
    assert run("last", observer, "--html", page, "--sound", "kept", "--log", log).exit_code == 0
    found = Page(page.read_text(encoding="utf-8"))
    assert [tag for tag, _ in found.tags].count("audio") == 1


def test_names_cannot_break_the_page(tmp_path):
    evil = '<script>alert(1)</script>"&'
    (tmp_path / "a.jsonl").write_text(json.dumps({"onset_s": 1, "behaviour": evil}))
    (tmp_path / "b.jsonl").write_text(json.dumps({"onset_s": 1, "behaviour": "앉아"}))
    page = tmp_path / "page.html"
    assert run(tmp_path / "a.jsonl", tmp_path / "b.jsonl", "--html", page).exit_code == 0
    found = Page(page.read_text(encoding="utf-8"))
    assert "script" not in {tag for tag, _ in found.tags}
    assert {evil, "앉아"} <= set(found.words)


def test_the_plot_puts_points_and_lines_to_scale(tmp_path):
    """Bland & Altman 1986: the difference over the mean, with the mean difference and the limits of agreement."""
    (tmp_path / "a.csv").write_text("onset_s\n10\n20\n30\n")
    (tmp_path / "b.csv").write_text("onset_s\n10.1\n20.3\n30.2\n")
    page = tmp_path / "page.html"
    found = figures(tmp_path / "a.csv", tmp_path / "b.csv", "--html", page)
    tags = Page(page.read_text(encoding="utf-8")).tags
    points = [(float(some["cx"]), float(some["cy"])) for tag, some in tags if tag == "circle"]
    lines = {some["class"]: [] for tag, some in tags if tag == "line"}
    for tag, some in tags:
        if tag == "line":
            lines[some["class"]].append(float(some["y1"]))
    scale = (points[1][1] - points[0][1]) / 0.2  # pixels a second, downwards
    assert (points[2][1] - points[0][1]) / 0.1 == pytest.approx(scale, rel=0.02)
    assert points[1][0] - points[0][0] == pytest.approx(points[2][0] - points[1][0], rel=0.02)
    assert lines["line bias"] == [pytest.approx(points[2][1], abs=0.2)]  # 0.2 s is the mean
    low, high = found["times_b_minus_a"]["limits_s"]
    assert lines["line"][1] - lines["line"][0] == pytest.approx((low - high) * scale, rel=0.02)


def test_clips_are_cut_where_they_belong():
    """Each sample holds its own number, so that a clip says where it came from."""
    samples = np.arange(5 * SAMPLE_RATE) % 32768
    sound = [AudioBlock(n / 4, samples[n * 4000 : (n + 1) * 4000].astype("<i2").tobytes()) for n in range(20)]
    windows = [(3.1, 3.6), (0.0, 1.0), (4.9, 7.0), (9.0, 10.0), (0.5, 3.2)]
    for (begin_s, end_s), pcm in zip(windows, agreeing.cut(iter(sound), windows), strict=True):
        expected = samples[round(begin_s * SAMPLE_RATE) : round(end_s * SAMPLE_RATE)]
        assert np.array_equal(np.frombuffer(pcm, "<i2"), expected)
