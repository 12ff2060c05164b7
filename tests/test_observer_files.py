"""Observers' files: what is understood, and what is refused with a line that says why."""

import json
import sys

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from handsfree.core.errors import UserError
from handsfree.edges.observer_files import read


@pytest.fixture
def file(tmp_path):
    def write(content, name="observer.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        return path

    return write


def rows(found):
    return [(event.onset_s, event.duration_s, event.behaviour, event.outcome) for event in found.events]


PLAIN = "onset_s,duration_s,behaviour,outcome\n1.5,0.4,sit,correct\n9,,down,no_response\n"
SAME = [(1.5, 0.4, "sit", "correct"), (9.0, None, "down", "no_response")]


@pytest.mark.parametrize(
    "content",
    [
        PLAIN,
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";"),
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        "\ufeff" + PLAIN,
        PLAIN.encode("utf-16"),
        PLAIN.replace("onset_s,duration_s", "Onset [s], Duration (s)"),
        "onset_ms,duration_ms,behaviour,outcome\n1500,400,sit,correct\n9000,,down,no_response\n",
        "time,duration_s,behavior,outcome\n0:01.5,0.4,sit,correct\n0:09,,down,no_response\n",
        "start,duration_s,behaviour,outcome\n0:00:01.5,0.4,sit,correct\n0:00:09.00,,down,no_response\n",
        "onset\tduration\ttrial_type\toutcome\n1.5\t0.4\tsit\tcorrect\n9.0\tn/a\tdown\tno_response\n",  # names of BIDS
        PLAIN.replace(",", ";").replace(".", ","),
        '"onset_s","duration_s","behaviour","outcome"\n"1,5","0,4","sit","correct"\n"9","","down","no_response"\n',
        '{"onset_s": 1.5, "duration_s": 0.4, "behaviour": "sit", "outcome": "correct"}\n'
        '{"onset_s": 9, "behaviour": "down", "outcome": "no_response", "duration_s": null}\n',
        "\n" + PLAIN + "\n,,,\n",
    ],
    ids=["commas", "tabs", "semicolons", "CRLF", "CR only", "BOM", "UTF-16", "headings as people write them", "ms"]
    + ["mm:ss", "h:mm:ss", "BIDS", "decimal commas", "quoted decimal commas", "JSON lines", "empty lines"],
)
def test_the_same_two_events(file, content):
    found = read(file(content))
    assert rows(found) == SAME
    assert (found.wall, found.notes) == (False, ())


def test_captions(file):
    """The times of the format's own grammar: hours may be left out (W3C WebVTT, section 3.3 and 4.1)."""
    content = (
        "WEBVTT kitchen\n\nNOTE made up\n\n00:01.500 --> 00:01.900\n<v Ann>sit: correct\n\n"
        '2\n01:01:01.500 --> 01:01:02.000 align:left\n{"behaviour": "down", "outcome": "incorrect"}\n\n'
        "01:01:03.000 --> 01:01:04.000\nspin\n"
    )
    expected = [(1.5, 0.4, "sit", "correct"), (3661.5, 0.5, "down", "incorrect"), (3663.0, 1.0, "spin", None)]
    assert rows(read(file(content, "video.vtt"))) == expected


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        ("WEBVTT\n\n00:01.5 --> 00:02.000\nsit\n", "no correct WebVTT"),
        ("WEBVTT\n\n00:03.000 --> 00:02.000\nsit\n", "caption 1 ends at 00:00:02.000, before it begins"),
    ],
)
def test_broken_captions(file, content, complaint):
    with pytest.raises(UserError, match=complaint):
        read(file(content))


def test_wall_times(file):
    """RFC 3339, section 5.8: two ways to write one moment; and a leap second, the first of the next minute in POSIX."""
    content = (
        "onset_at,behaviour\n1996-12-19T16:39:57-08:00,sit\n1996-12-20T00:39:57Z,down\n1990-12-31T23:59:60Z,spin\n"
        "1985-04-12T23:20:50.52Z,bow\n"
    )
    found = read(file(content))
    assert found.wall
    assert [event.onset_s for event in found.events] == [482196050.52, 662688000, 851042397, 851042397]


def test_letters_of_all_kinds(file):
    content = 'onset_s,behaviour\n1,앉아\n2,сидеть\n3,جلوس\n4,"座れ, はい"\n5,Ape\u0301ro 🐕\n'
    names = [event.behaviour for event in read(file(content)).events]
    assert names == ["앉아", "сидеть", "جلوس", "座れ, はい", "Ap\u00e9ro 🐕"]


def test_cells_with_tabs_newlines_and_quotes(file):
    content = 'onset_s,behaviour\n1,"two\nlines"\n2,"a ""quoted"" word"\n3,"tab\tin it"\nfour,x\n'
    with pytest.raises(UserError, match="line 6: 'four' in column 'onset_s' is no time"):
        read(file(content))
    names = [event.behaviour for event in read(file(content.replace("four", "4"))).events]
    assert names == ["two\nlines", 'a "quoted" word', "tab\tin it", "x"]


def test_unsorted_overlapping_and_doubled_events_are_used_and_told(file):
    content = "onset_s,duration_s,behaviour\n9,1,sit\n1,5,stay\n3,1,sit\n9,1,sit\n"
    found = read(file(content))
    assert [event.onset_s for event in found.events] == [1, 3, 9, 9]
    assert found.notes == (
        "not in order of time; sorted",
        "2 begin before the one before has ended, first on line 4; each counts",
        "1 stand there twice, first on line 5; each counts",
    )


def test_unknown_columns_are_told(file):
    found = read(file("onset_s,observer,weather\n1,Ann,rain\n"))
    assert rows(found) == [(1.0, None, None, None)]
    assert found.notes == ("not used: observer, weather",)


def test_no_events_are_an_answer(file):
    assert read(file("onset_s,behaviour\n")).events == ()
    assert read(file("WEBVTT\n", "none.vtt")).events == ()


OWN = "session_id,rep,behaviour,outcome_corrected,onset_s,duration_s,cue_onset_s,outcome_word_onset_s\n"


def test_our_own_table_of_reps(file):
    content = (
        OWN + "ab12,1,sit,correct,1,3,1,3.5\nab12,2,sit,correct,4,3,,6.5\n"
        "ab12,3,sit,no_rep,8,3,8,\nab12,4,sit,no_response,12,3,12,\n"
    )
    found = read(file(content))
    assert [event.onset_s for event in found.events] == [1, 6.5, 12]
    assert found.notes == ()


def test_one_session_of_several(file):
    path = file(OWN + "ab12,1,sit,correct,1,3,1,3.5\ncd34,1,sit,correct,7,3,7,9\n")
    with pytest.raises(UserError, match=r"holds 2 sessions \(ab12, cd34"):
        read(path)
    assert [event.onset_s for event in read(path, "cd").events] == [7]


def test_rows_of_other_kinds_are_left_out(file):
    lines = [{"kind": "spoken", "onset_s": 1}, {"kind": "rep", "onset_s": 2, "behaviour": "sit"}]
    found = read(file("\n".join(map(json.dumps, lines)), "truth.jsonl"))
    assert rows(found) == [(2.0, None, "sit", None)]


@pytest.mark.parametrize("content", ["1,234;sit", "12,500;sit\n13,000;sit"])
def test_a_comma_that_may_stand_before_thousands_is_refused(file, content):
    with pytest.raises(UserError, match=r"line 2: '1.*' can be read as 1.* or 1.*; use a point"):
        read(file(f"onset_s;behaviour\n{content}\n"))


@pytest.mark.parametrize("settles_it", ["0,250", "1234,567", "2,5"])
def test_a_comma_is_decimal_where_another_number_says_so(file, settles_it):
    found = read(file(f"onset_s;behaviour\n1,234;sit\n{settles_it};down\n"))
    assert found.events[0].onset_s in (1.234, 0.25)


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        ("", "is empty"),
        ("\ufeff \r\n", "is empty"),
        ("1.5,sit\n9,down\n", "line 1: names of columns are missing"),
        ("when,behaviour\n1,sit\n", "no column says when.*there are: 'when', 'behaviour'"),
        ("time,behaviour\n1.5,sit\n", "line 2: '1.5' in column 'time' has no unit"),
        ("onset_s,behaviour\n1.5,sit\n1:02,down\n", "line 3: '1:02' is a time as m:ss, but line 2 has a number"),
        ("onset_s,behaviour\n,sit\n", "line 2: nothing in column 'onset_s'"),
        ("onset_s,behaviour\nnan,sit\n", "line 2: nothing in column 'onset_s'"),
        ("onset_s,behaviour\ninf,sit\n", "line 2: 'inf' in column 'onset_s' is no time"),
        ("onset_s,behaviour\n1e999,sit\n", "line 2: '1e999' is too large a number"),
        ("onset_s,behaviour\n0:75,sit\n", "line 2: '0:75' in column 'onset_s' is no time"),
        ("onset_s,behaviour\n00:00:01:12,sit\n", "line 2: '00:00:01:12' counts video frames"),
        ("onset_at,behaviour\n2026-05-04 09:30:15,sit\n", "line 2: the wall time .* has no UTC offset"),
        ("onset_at,behaviour\n2026-02-30T09:30:15Z,sit\n", "line 2: there is no time '2026-02-30T09:30:15Z'"),
        ("onset_at,behaviour\n2026-05-04T24:30:15Z,sit\n", "line 2: there is no time"),
        ("onset_s,behaviour\n1,5,sit\n", "line 2: 3 cells under 2 names; a decimal comma needs quotes"),
        ("onset_s;behaviour\n1,5;sit\n2.5;down\n", "line 2: '1,5' has a comma where other numbers have a point"),
        ("onset_s;behaviour\n1.234,5;sit\n", "line 2: '1.234,5' has marks between thousands"),
        ("onset_s,behaviour\n1\n", "line 2: 1 cells under 2 names"),
        ("onset_s,duration_s\n1,-2\n", "line 2: the duration -2 is less than 0"),
        ("onset_s,Onset S\n1,2\n", "the columns 'onset_s' and 'Onset S' have the same name"),
        ('onset_s,behaviour\n1,"sit\n2,down\n', "line 2: unexpected end of data; check the quotes"),
        (b"onset_s,behaviour\n1,caf\xe9\n", "line 2: these bytes are no UTF-8"),
        ("onset_s,behaviour\n1,sit\n".encode("utf-16-le"), "is no text file"),
        ('{"onset_s": 1}\n{"onset_s": 2', "line 2: no JSON"),
        ('{"onset_s": 1}\n[2]\n', "line 2: .* is no JSON object"),
        ('[{"onset_s": 1}]', "is one JSON list"),
    ],
)
def test_what_is_refused(file, content, complaint):
    with pytest.raises(UserError, match=complaint) as caught:
        read(file(content))
    assert "\n" not in str(caught.value)


def test_files_that_are_not_there(tmp_path):
    with pytest.raises(UserError, match="there is no file"):
        read(tmp_path / "none.csv")
    with pytest.raises(UserError, match="is a folder"):
        read(tmp_path)


PIECES = [
    "onset_s",
    "onset_at",
    "time",
    "duration_s",
    "outcome",
    "kind",
    "rep",
    "session_id",
    "1",
    "2,5",
    "-3.5",
    "1:02",
]
PIECES += [
    "2026-05-04T09:30:15Z",
    "n/a",
    "",
    " ",
    '"',
    "'",
    ",",
    ";",
    "\t",
    "\n",
    "\r",
    "\ufeff",
    "\0",
    "{",
    "}",
    "WEBVTT\n\n",
]
PIECES += [
    "00:01.000 --> 00:02.000\n",
    '{"onset_s": 1}',
    "sit: correct",
    "rep-1\n",
    "\u2028",
    "앉아",
    "1e400",
    "99:99:99",
]


@given(st.lists(st.sampled_from(PIECES), max_size=30).map("".join).map(str.encode) | st.binary(max_size=60))
@settings(deadline=None, max_examples=400, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_it_holds_it_is_read_or_refused_in_one_line(tmp_path, content):
    path = tmp_path / "any"
    path.write_bytes(content)
    try:
        said, onsets = "", [event.onset_s for event in read(path).events]
    except UserError as error:
        said, onsets = str(error), []
    assert len(said.splitlines()) <= 1
    assert onsets == sorted(onsets)


def test_captions_without_the_package_that_reads_them(file, monkeypatch):
    monkeypatch.setitem(sys.modules, "webvtt", None)
    with pytest.raises(UserError, match=r"pip install 'handsfree\[research\]'"):
        read(file("WEBVTT\n"))
