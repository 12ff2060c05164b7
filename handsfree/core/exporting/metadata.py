"""Where an export comes from, and what its columns mean, in the words of each standard. All return plain dicts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from handsfree.core.exporting.rows import Context
from handsfree.core.exporting.tables import CLOCK, Column, Kind, Layout, Values

TOOL = "handsfree"
_VALUES = {
    Values.RAW: "raw: outcomes as counted live; corrections are not applied",
    Values.CORRECTED: "corrected: outcomes after corrections; reps taken back are left out",
    Values.BOTH: "both: outcome_raw as counted live, outcome_corrected after corrections",
}


@dataclass(frozen=True, slots=True)
class Provenance:
    """What made an export. `models` are (name, SHA-256); names are left out, and plan hashes coded, when blinded."""

    version: str
    values: Values
    blinded: bool
    for_spreadsheet: bool
    sessions: int
    counted_by: tuple[str, ...]
    models: tuple[tuple[str, str], ...]
    plans: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        found: dict[str, Any] = {
            "tool": TOOL,
            "version": self.version,
            "values": _VALUES[self.values],
            "blinded": self.blinded,
            "sessions": self.sessions,
            "counted_by_versions": list(self.counted_by),
            "models": [
                {"sha256": sha256} if self.blinded else {"name": name, "sha256": sha256} for name, sha256 in self.models
            ],
            "plan_sha256": list(self.plans),
            "clock": CLOCK,
        }
        if self.for_spreadsheet:
            found["escaped"] = "text that a spreadsheet would take for a formula begins with an apostrophe"
        return found


def provenance(version: str, sessions: Iterable[Context], values: Values, for_spreadsheet: bool = False) -> Provenance:
    """Of all sessions of an export, or of one file of it."""
    sessions = list(sessions)
    return Provenance(
        version=version,
        values=values,
        blinded=any(one.codes for one in sessions),
        for_spreadsheet=for_spreadsheet,
        sessions=len(sessions),
        counted_by=tuple(sorted({one.chosen.tool_version for one in sessions})),
        models=tuple(sorted({("" if one.codes else one.chosen.model, one.chosen.model_sha256) for one in sessions})),
        plans=tuple(sorted({one.name("plan", one.chosen.plan_sha256) for one in sessions})),
    )


def meaning(column: Column) -> str:
    """The meaning of a column and of its levels, in one text."""
    levels = [f"{level}: {said}" for level, said in column.levels.items() if said != level.replace("_", " ")]
    return "; ".join([column.meaning, *levels])


def plain(layouts: Sequence[Layout], made: Provenance) -> dict[str, Any]:
    """Our own description of an export, for formats that have none."""
    return {
        TOOL: made.as_dict(),
        "tables": {
            one.table.name: {
                "meaning": one.table.meaning,
                "key": list(one.table.key),
                "columns": {column.name: _plain_column(column) for column in one.columns},
            }
            for one in layouts
        },
    }


def _plain_column(column: Column) -> dict[str, Any]:
    found: dict[str, Any] = {"meaning": column.meaning, "holds": column.kind.value}
    if column.unit:
        found["unit"] = column.unit
    if column.levels:
        found["levels"] = dict(column.levels)
    return found


# Data Package v2 and Table Schema v2 (https://datapackage.org/standard/)

_FIELD_TYPES = {
    Kind.TEXT: "string",
    Kind.INTEGER: "integer",
    Kind.NUMBER: "number",
    Kind.BOOLEAN: "boolean",
    Kind.MOMENT: "datetime",
    Kind.INTEGERS: "string",
}
_INTEGERS_PATTERN = r"[0-9]+( [0-9]+)*"


def data_package(layouts: Sequence[Layout], made: Provenance) -> dict[str, Any]:
    """datapackage.json for the CSV files of an export."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "training-sessions",
        "title": "Dog training sessions: every rep, word and decision",
        "description": CLOCK,
        TOOL: made.as_dict(),
        "resources": [_resource(one) for one in layouts],
    }


def _resource(layout: Layout) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "fields": [_field(column) for column in layout.columns],
        "missingValues": [""],
        "primaryKey": list(layout.table.key),
    }
    if layout.table.name != "sessions":
        schema["foreignKeys"] = [
            {"fields": ["session_id"], "reference": {"resource": "sessions", "fields": ["session_id"]}}
        ]
    return {
        "name": layout.table.name,
        "type": "table",
        "path": f"{layout.table.name}.csv",
        "description": layout.table.meaning,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": schema,
    }


def _field(column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.levels:
        constraints["enum"] = list(column.levels)
    if column.minimum is not None:
        constraints["minimum"] = column.minimum
    if column.kind is Kind.INTEGERS:
        constraints["pattern"] = _INTEGERS_PATTERN
    found: dict[str, Any] = {
        "name": column.name,
        "type": _FIELD_TYPES[column.kind],
        "description": meaning(column),
        "constraints": constraints,
    }
    if column.unit:
        found["unit"] = column.unit
    return found


# CSV on the Web (W3C Recommendation, "Metadata Vocabulary for Tabular Data")

_DATATYPES = {
    Kind.TEXT: "string",
    Kind.INTEGER: "integer",
    Kind.NUMBER: "double",
    Kind.BOOLEAN: "boolean",
    Kind.MOMENT: "dateTimeStamp",
    Kind.INTEGERS: "integer",
}


def csvw(layouts: Sequence[Layout], made: Provenance) -> dict[str, Any]:
    """csv-metadata.json for the CSV files of an export, under the name by which CSVW readers look for it.

    Terms of our own stand under `dc:` (Dublin Core) and `schema:` (schema.org), as the recommendation asks.
    """
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "dc:title": "Dog training sessions: every rep, word and decision",
        "dc:description": CLOCK,
        "dc:creator": f"{TOOL} {made.version}",
        "dc:provenance": made.as_dict(),
        "tables": [_csvw_table(one) for one in layouts],
    }


def _csvw_table(layout: Layout) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "columns": [_csvw_column(column) for column in layout.columns],
        "primaryKey": list(layout.table.key),
    }
    if layout.table.name != "sessions":
        schema["foreignKeys"] = [
            {
                "columnReference": "session_id",
                "reference": {"resource": "sessions.csv", "columnReference": "session_id"},
            }
        ]
    return {"url": f"{layout.table.name}.csv", "dc:description": layout.table.meaning, "tableSchema": schema}


def _csvw_column(column: Column) -> dict[str, Any]:
    datatype: Any = _DATATYPES[column.kind]
    if column.levels:
        datatype = {"base": "string", "format": "|".join(column.levels)}
    elif column.minimum is not None:
        datatype = {"base": datatype, "minimum": column.minimum}
    found: dict[str, Any] = {
        "name": column.name,
        "titles": column.name,
        "dc:description": meaning(column),
        "datatype": datatype,
        "required": column.required,
    }
    if column.kind is Kind.INTEGERS:
        found["separator"] = " "
    if column.unit:
        found["schema:unitText"] = column.unit
    return found
