"""Each format against a validator or a reader that is not ours, and proof that it would find a fault."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.exports import exported, fill

SPECIES = "canis lupus familiaris"


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("log") / "log.db"
    fill(path)
    return path


def tool(name: str) -> str:
    """A program that came with the test dependencies."""
    beside = Path(sys.executable).with_name(name)
    found = str(beside) if beside.exists() else shutil.which(name)
    if not found:
        pytest.skip(f"{name} is not installed")
    return found


def bids_issues(folder: Path, severity: str) -> list[dict]:
    done = subprocess.run([tool("bids-validator-deno"), "--json", str(folder)], capture_output=True, text=True)
    issues = json.loads(done.stdout)["issues"]["issues"]
    return [one for one in issues if one["severity"] == severity]


@pytest.mark.parametrize("more", [[], ["--blind", "--corrected"], ["--raw"]], ids=["both", "blind", "raw"])
def test_bids(log, tmp_path, more):
    """bids-validator-deno, the BIDS organisation's own; HED tags included."""
    out = exported(log, tmp_path / "bids", "bids", "--all", *more)
    assert bids_issues(out, "error") == []
    warned = {one["code"] for one in bids_issues(out, "warning")}
    assert not [code for code in warned if "HED" in code or "EVENT" in code or "TSV" in code], warned
    rows = (out / "participants.tsv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 3
    assert all(SPECIES in row for row in rows[1:])


def test_the_bids_validator_finds_faults(log, tmp_path):
    out = exported(log, tmp_path / "bids", "bids", "--all")
    events = next(out.rglob("*_events.tsv"))
    events.write_text(events.read_text(encoding="utf-8").replace("duration", "length", 1), encoding="utf-8")
    sidecar = out / "task-training_events.json"
    sidecar.write_text(sidecar.read_text().replace("Experimental-trial", "No-such-tag"), encoding="utf-8")
    assert {"TSV_COLUMN_MISSING", "HED_ERROR"} <= {one["code"] for one in bids_issues(out, "error")}


@pytest.mark.parametrize("more", [[], ["--blind", "--corrected"], ["--raw"]], ids=["both", "blind", "raw"])
def test_data_package(log, tmp_path, more):
    """frictionless, of the makers of the Data Package standard: metadata and every cell."""
    frictionless = pytest.importorskip("frictionless")
    out = exported(log, tmp_path / "package", "datapackage", "--all", *more)
    report = frictionless.validate(str(out / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note"])
    assert {one.name: one.stats["rows"] for one in report.tasks}["reps"] == (7 if "--corrected" in more else 8)


@pytest.mark.parametrize(("old", "new"), [("correct", "corect"), ("1,sit,2", "1,sit,two"), ("10.0,", "-10.0,")])
def test_frictionless_finds_faults(log, tmp_path, old, new):
    frictionless = pytest.importorskip("frictionless")
    out = exported(log, tmp_path / "package", "datapackage", "--all")
    reps = (out / "reps.csv").read_bytes()
    assert old.encode() in reps
    (out / "reps.csv").write_bytes(reps.replace(old.encode(), new.encode()))
    assert not frictionless.validate(str(out / "datapackage.json")).valid


def csvw_check(metadata: Path) -> subprocess.CompletedProcess:
    return subprocess.run([tool("csvwvalidate"), str(metadata)], capture_output=True, text=True)


@pytest.mark.parametrize("more", [[], ["--blind", "--corrected"], ["--raw"]], ids=["both", "blind", "raw"])
def test_csv_on_the_web(log, tmp_path, more):
    """csvwvalidate of the package csvw."""
    out = exported(log, tmp_path / "csv", "csv", "--all", *more)
    done = csvw_check(out / "csv-metadata.json")
    assert (done.returncode, done.stdout.strip()) == (0, "OK"), done.stderr
    spoiled = (out / "reps.csv").read_bytes().replace(b"10.0,", b"ten,", 1)
    (out / "reps.csv").write_bytes(spoiled)
    assert csvw_check(out / "csv-metadata.json").returncode != 0


def test_duckdb_reads_the_parquet_of_many_machines_as_one(log, tmp_path):
    duckdb = pytest.importorskip("duckdb")
    pytest.importorskip("pyarrow")
    fill(tmp_path / "second.db")
    gathered = tmp_path / "study"
    for machine in (log, tmp_path / "second.db"):
        out = exported(machine, tmp_path / f"from-{machine.stem}", "parquet", "--all")
        shutil.copytree(out, gathered, dirs_exist_ok=True)
    reps = f"read_parquet('{gathered}/reps/*/*/*.parquet', hive_partitioning = true) AS reps"
    counted = duckdb.sql(f"SELECT dog, count(*), count(DISTINCT session_id) FROM {reps} GROUP BY dog ORDER BY dog")
    assert counted.fetchall() == [("Bram", 12, 4), ("Пёс", 4, 2)]
    first = f"{reps} WHERE session_id = (SELECT min(session_id) FROM {reps} WHERE dog = 'Пёс') ORDER BY rep"
    at = duckdb.sql(f"SELECT epoch_ms(onset_at), cue_to_marker_s FROM {first}").fetchall()
    assert at == [(1774745970000, 1.0), (1774746030000, 1.0)]  # 2026-03-29 00:59:30 and 01:00:30 UTC, by date(1)
    sessions = f"read_parquet('{gathered}/sessions/*/*/*.parquet', hive_partitioning = true) AS sessions"
    joined = f"SELECT count(*) FROM {reps} JOIN {sessions} USING (session_id, dog, month)"
    assert duckdb.sql(f"{joined} WHERE month = '2026-05'").fetchall() == [(10,)]
    for name in ("words", "rewards", "decisions", "prompts", "corrections", "notes", "gaps", "steps"):
        found = duckdb.sql(f"SELECT count(*) FROM read_parquet('{gathered}/{name}/*/*/*.parquet')").fetchall()[0]
        assert found[0] > 0, name


def test_parquet_says_what_its_columns_mean(log, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    out = exported(log, tmp_path / "out", "parquet", "--all", "--raw")
    file = next((out / "reps").rglob("*.parquet"))
    schema = parquet.read_schema(file)
    assert schema.field("onset_s").metadata[b"unit"] == b"s"
    assert b"latency" in schema.field("cue_to_marker_s").metadata[b"meaning"]
    facts = json.loads(parquet.ParquetFile(file).metadata.metadata[b"handsfree"])
    assert facts["values"].startswith("raw")
    assert facts["models"][0]["sha256"] == "ab" * 32


def test_a_table_without_rows_still_has_its_columns(log, tmp_path):
    duckdb = pytest.importorskip("duckdb")
    pytest.importorskip("pyarrow")
    out = exported(log, tmp_path / "out", "parquet", "--dog", "Пёс")
    found = duckdb.sql(f"SELECT onset_s FROM read_parquet('{out}/gaps/*/*/*.parquet')")
    assert (found.columns, found.fetchall()) == (["onset_s"], [])


def test_pandas_reads_the_csv(log, tmp_path):
    pandas = pytest.importorskip("pandas")
    out = exported(log, tmp_path / "csv", "csv", "--all")
    reps = pandas.read_csv(out / "reps.csv")
    assert len(reps) == 8
    assert reps["onset_s"].dtype == "float64"
    assert reps["recue"].dtype == "bool"
