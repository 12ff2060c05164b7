"""Exported tables say what the log says: outcomes, times, codes, text of every kind."""

from __future__ import annotations

import csv
import hashlib
import hmac
import json
import re
from datetime import datetime, timezone

import pytest

from handsfree.core import corrections
from handsfree.core.events import EndReason
from handsfree.core.exporting.blind import Codes
from handsfree.core.exporting.cells import harmless, json_line
from handsfree.core.exporting.tables import TABLES, Values, layouts
from handsfree.edges import observer_files
from handsfree.edges.store import Store
from tests.exports import ARROW, FORMULA, SECRETS, contents, exported, fill
from tests.logs import marked_rep, start

FORMATS = ("csv", "jsonl", "parquet", "datapackage", "bids")


@pytest.fixture
def log(tmp_path):
    fill(tmp_path / "log.db")
    return tmp_path / "log.db"


def table(folder, name):
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv_is_what_the_log_holds(log, tmp_path):
    found = table(exported(log, tmp_path / "out", "csv", "--all"), "reps")
    with Store.open(log, read_only=True) as store:
        logs = [store.session_log(one.session.id) for one in store.sessions()]
    truth = {(one.session.id, judged.rep.number): (one.session, judged) for one in logs for judged in one.reps}
    assert {(row["session_id"], int(row["rep"])) for row in found} == set(truth)
    for row in found:
        session, judged = truth[row["session_id"], int(row["rep"])]
        rep = judged.rep
        assert row["behaviour"] == rep.behaviour
        assert row["outcome_raw"] == rep.outcome
        assert row["outcome_corrected"] == (judged.outcome or "no_rep")
        assert float(row["onset_s"]) == rep.start_s
        assert float(row["duration_s"]) == pytest.approx(rep.end_s - rep.start_s, abs=1e-6)
        assert datetime.fromisoformat(row["onset_at"]) == session.wall_time(rep.start_s)
        expected = "" if rep.cue_to_marker_s is None else pytest.approx(rep.cue_to_marker_s, abs=1e-6)
        assert (row["cue_to_marker_s"] and float(row["cue_to_marker_s"])) == expected


def test_every_row_of_the_log_is_exported(log, tmp_path):
    out = exported(log, tmp_path / "out", "csv", "--all")
    with Store.open(log, read_only=True) as store:
        logs = [store.session_log(one.session.id) for one in store.sessions()]
    for name in ("words", "rewards", "decisions", "prompts", "corrections", "notes", "gaps"):
        assert len(table(out, name)) == sum(len(getattr(one, name)) for one in logs) > 0, name
    assert len(table(out, "sessions")) == len(logs)


def test_raw_and_corrected(log, tmp_path):
    raw = table(exported(log, tmp_path / "raw", "csv", "--all", "--raw"), "reps")
    corrected = table(exported(log, tmp_path / "corrected", "csv", "--all", "--corrected"), "reps")
    assert "outcome_corrected" not in raw[0]
    assert "outcome_raw" not in corrected[0]
    assert len(raw) == len(corrected) + 1  # the undone rep is no rep
    assert [row["outcome_raw"] for row in raw].count("correct") == 6
    assert [row["outcome_corrected"] for row in corrected].count("correct") == 4


def test_lines_end_as_rfc_4180_says(log, tmp_path):
    data = (exported(log, tmp_path / "out", "csv", "--all") / "rewards.csv").read_bytes()
    assert data.count(b"\r\n") == data.count(b"\n") == 4
    assert data.endswith(b"\r\n")
    assert not data.startswith(b"\xef\xbb\xbf")


def test_cells_of_any_text_survive(log, tmp_path):
    rows = table(exported(log, tmp_path / "out", "csv", "--all"), "steps")
    assert ARROW in {row["behaviour"] for row in rows}
    assert {"a\rb", FORMULA} <= {row["criterion"] for row in rows}


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1"])
def test_formulas_are_escaped_for_spreadsheets(text):
    """OWASP, "CSV Injection": cells that begin with = + - @, tab or line break; an apostrophe goes before."""
    assert harmless(text) == "'" + text


def test_for_spreadsheet(log, tmp_path):
    plain = exported(log, tmp_path / "plain", "csv", "--all")
    safe = exported(log, tmp_path / "safe", "csv", "--all", "--for-spreadsheet")
    for file in safe.glob("*.csv"):
        assert file.read_bytes().startswith(b"\xef\xbb\xbf")
        with file.open(encoding="utf-8-sig", newline="") as opened:
            cells = [cell for row in csv.reader(opened) for cell in row]
        assert not [cell for cell in cells if re.match(r"[=+@\t\r\n]|-[^\d]", cell)], file.name
    assert any(row["criterion"] == FORMULA for row in table(plain, "steps"))
    assert json.loads((safe / "csv-metadata.json").read_text())["dc:provenance"]["escaped"]


def test_wall_times_over_a_change_to_summer_time(log, tmp_path):
    """RFC 3339 section 5.6; the offset of the start is kept, so that time runs on evenly."""
    out = exported(log, tmp_path / "out", "csv", "--dog", "Пёс")
    times = [row["onset_at"] for row in table(out, "reps")]
    assert times == ["2026-03-29T01:59:30.000+01:00", "2026-03-29T02:00:30.000+01:00"]


def test_one_spelling_of_a_dog(log, tmp_path):
    rows = table(exported(log, tmp_path / "out", "csv", "--all"), "sessions")
    assert {row["dog"] for row in rows} == {"Bram", "Пёс"}


def test_json_lines(log, tmp_path):
    """jsonlines.org: UTF-8 without byte order mark, a JSON value a line, a newline at the end."""
    out = exported(log, tmp_path / "out", "jsonl", "--all")
    for file in out.glob("*.jsonl"):
        data = file.read_bytes()
        assert data.endswith(b"\n")
        assert not data.startswith(b"\xef\xbb\xbf")
        rows = [json.loads(line) for line in data.decode().split("\n")[:-1]]
        described = json.loads((out / "export.json").read_text())["tables"][file.stem]["columns"]
        assert all(list(row) == list(described) for row in rows)
    decisions = [json.loads(line) for line in (out / "decisions.jsonl").read_text().splitlines()]
    assert decisions[0]["reps"] == [1, 2, 3]
    assert decisions[1]["behaviour"] is None


def test_json_knows_no_nan():
    with pytest.raises(ValueError, match="JSON"):
        json_line(("x",), (float("nan"),))


@pytest.mark.parametrize("format", FORMATS)
def test_the_same_log_gives_the_same_bytes(log, tmp_path, format):
    pytest.importorskip("pyarrow")
    first = contents(exported(log, tmp_path / "one", format, "--all", "--blind"))
    assert contents(exported(log, tmp_path / "two", format, "--all", "--blind")) == first
    assert len(first) > 3


@pytest.mark.parametrize("format", FORMATS)
def test_a_blind_export_names_nobody(log, tmp_path, format):
    pytest.importorskip("pyarrow")
    files = contents(exported(log, tmp_path / "out", format, "--all", "--blind"))
    for name, data in files.items():
        said = (name + data.decode("utf-8", "ignore")).casefold()
        assert not [secret for secret in SECRETS if secret in said], name
    open_files = contents(exported(log, tmp_path / "open", format, "--all"))
    everything = " ".join(name + data.decode("utf-8", "ignore") for name, data in open_files.items()).casefold()
    assert "bram" in everything  # so that the search above can find something


def test_codes_are_hmac_sha_256():
    """Against the standard library's own HMAC (RFC 2104) of "dog", a zero byte and the name in small letters."""
    key = bytes(range(32))
    expected = hmac.new(key, b"dog\0bram", hashlib.sha256).hexdigest()[:10]
    assert Codes(key).code("dog", "Bram") == Codes(key).code("dog", "BRAM") == f"dog{expected}"
    assert Codes(bytes(32)).code("dog", "Bram") != f"dog{expected}"


def test_codes_stay_the_same_in_one_log_and_differ_between_logs(log, tmp_path):
    fill(tmp_path / "other" / "log.db")

    def dogs(name, log, *more):
        return {row["dog"] for row in table(exported(log, tmp_path / name, "csv", "--all", "--blind", *more), "reps")}

    first = dogs("one", log)
    assert dogs("two", log) == first
    assert not dogs("three", tmp_path / "other" / "log.db") & first
    assert dogs("four", tmp_path / "other" / "log.db", "--key", f"{log}.key") == first
    assert (tmp_path / "log.db.key").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("blind", [False, True])
@pytest.mark.parametrize("values", list(Values))
def test_rows_fit_their_columns(log, tmp_path, values, blind):
    """Levels, minima, required cells and kinds hold for every cell written."""
    more = ["--blind"] if blind else []
    out = exported(log, tmp_path / "out", "jsonl", "--all", f"--{values}", *more)
    checked = 0
    for layout in layouts(values, blind):
        for line in (out / f"{layout.table.name}.jsonl").read_text().splitlines():
            for column, cell in zip(layout.columns, json.loads(line).values(), strict=True):
                if cell is None:
                    assert not column.required, column
                    continue
                assert not column.levels or cell in column.levels, (column, cell)
                assert column.minimum is None or cell >= column.minimum, (column, cell)
                checked += 1
    assert checked > 100


def test_every_column_says_what_it_means():
    for one in TABLES:
        assert set(one.key) <= {column.name for column in one.columns}
        for column in one.columns:
            assert column.meaning
            assert bool(column.unit) == column.name.endswith(("_s", "_min", "confidence")), column.name


def test_every_export_says_where_it_comes_from(log, tmp_path):
    plan = hashlib.sha256(b'dog = "Bram"\n').hexdigest()
    for format, file in (
        ("csv", "csv-metadata.json"),
        ("jsonl", "export.json"),
        ("datapackage", "datapackage.json"),
        ("bids", "dataset_description.json"),
    ):
        text = (exported(log, tmp_path / format, format, "--all") / file).read_text()
        for fact in ('"tool": "handsfree"', '"version": "', plan, "ab" * 32, '"values": "both', "session time"):
            assert fact in text, (format, fact)


def test_wall_times_are_utc_in_any_reader(log, tmp_path):
    rows = table(exported(log, tmp_path / "out", "csv", "--dog", "Пёс"), "sessions")
    assert rows[0]["utc_offset_min"] == "60"
    started = datetime.fromisoformat(rows[0]["started_at"]).astimezone(timezone.utc)
    assert started == datetime(2026, 3, 29, 0, 59, tzinfo=timezone.utc)


def test_chosen_tables_come_with_their_sessions(log, tmp_path):
    out = exported(log, tmp_path / "out", "csv", "--all", "--table", "reps", "--table", "gaps")
    assert {file.stem for file in out.glob("*.csv")} == {"sessions", "reps", "gaps"}


def test_the_command_offers_every_table():
    from handsfree.commands.export import _FORMATS, _TABLES
    from handsfree.edges.export import FORMATS as WRITTEN

    assert set(_TABLES) | {"sessions"} == {one.name for one in TABLES}
    assert set(_FORMATS) == set(WRITTEN)


def test_a_rep_that_a_reviewer_split_is_two_but_for_the_raw_export(tmp_path):
    log = tmp_path / "log.db"
    with Store.open(log) as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1, to_marker_s=6.0))
        store.end(session_id, EndReason.ASKED, 60.0)
        live = store.session_log(session_id)
        store.add_change(session_id, 0, corrections.split(live, 1, 13.0, "Ana"))
        first, second = (judged.rep for judged in store.session_log(session_id).reps)
    raw = table(exported(log, tmp_path / "raw", "csv", "--all", "--raw"), "reps")
    both = table(exported(log, tmp_path / "both", "csv", "--all"), "reps")
    counted = live.reps[0].rep
    assert [(float(row["onset_s"]), row["outcome_raw"]) for row in raw] == [(counted.start_s, "correct")]
    assert float(raw[0]["duration_s"]) == pytest.approx(counted.end_s - counted.start_s)
    assert [(float(row["onset_s"]), row["outcome_raw"]) for row in both] == [
        (first.start_s, "correct"),
        (second.start_s, ""),
    ]
    assert float(both[0]["duration_s"]) == pytest.approx(first.end_s - first.start_s)
    assert [(row["rep"], row["part_of"]) for row in table(tmp_path / "both", "corrections")] == [("1", ""), ("2", "1")]
    pytest.importorskip("pyarrow")
    exported(log, tmp_path / "columns", "parquet", "--all")
    frictionless = pytest.importorskip("frictionless")
    package = exported(log, tmp_path / "package", "datapackage", "--all")
    assert frictionless.validate(str(package / "datapackage.json")).valid


def test_captions_of_a_split_rep_are_read_back(tmp_path):
    pytest.importorskip("webvtt")
    log = tmp_path / "log.db"
    with Store.open(log) as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1, to_marker_s=6.0))
        store.end(session_id, EndReason.ASKED, 60.0)
        store.add_change(session_id, 0, corrections.split(store.session_log(session_id), 1, 13.0, "Ana"))
    captions = exported(log, tmp_path / "out.vtt", "vtt")
    assert "(not counted)" in captions.read_text()
    assert [len(observer_files.read(captions, raw=raw).events) for raw in (False, True)] == [2, 1]
