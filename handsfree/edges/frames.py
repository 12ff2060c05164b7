"""Tables as data frames of pandas or Polars. Either is imported only when asked for; neither is required.

Rows come in the columnar form of the export: a moment is a number of milliseconds since 1970 in UTC.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from handsfree.core.errors import UserError
from handsfree.core.exporting.tables import Column, Kind

if TYPE_CHECKING:
    import pandas
    import polars

_PANDAS = {
    Kind.TEXT: "string",
    Kind.INTEGER: "Int64",
    Kind.NUMBER: "float64",
    Kind.BOOLEAN: "boolean",
    Kind.MOMENT: "Int64",
    Kind.INTEGERS: "object",
}


def to_pandas(columns: Sequence[Column], rows: Iterable[tuple[Any, ...]]) -> pandas.DataFrame:
    """One row a row; moments in UTC, types that know a missing value. Raises UserError without pandas."""
    try:
        import pandas
    except ModuleNotFoundError as error:
        raise UserError("pandas is not installed; run `pip install pandas`, or use to_polars()") from error
    found = _by_column(columns, rows)
    frame = {}
    for column in columns:
        frame[column.name] = pandas.Series(found[column.name], dtype=_PANDAS[column.kind])
        if column.kind is Kind.MOMENT:
            moments = pandas.to_datetime(frame[column.name], unit="ms", utc=True)
            frame[column.name] = moments.astype("datetime64[ms, UTC]")
    return pandas.DataFrame(frame)


def to_polars(columns: Sequence[Column], rows: Iterable[tuple[Any, ...]]) -> polars.DataFrame:
    """One row a row; moments in UTC. Raises UserError without Polars."""
    try:
        import polars
    except ModuleNotFoundError as error:
        raise UserError("Polars is not installed; run `pip install polars`, or use to_pandas()") from error
    types = {
        Kind.TEXT: polars.String(),
        Kind.INTEGER: polars.Int64(),
        Kind.NUMBER: polars.Float64(),
        Kind.BOOLEAN: polars.Boolean(),
        Kind.MOMENT: polars.Datetime("ms", "UTC"),
        Kind.INTEGERS: polars.List(polars.Int64()),
    }
    schema = {column.name: types[column.kind] for column in columns}
    return polars.DataFrame(_by_column(columns, rows), schema=schema)


def _by_column(columns: Sequence[Column], rows: Iterable[tuple[Any, ...]]) -> dict[str, list[Any]]:
    cells = [list(values) for values in zip(*rows, strict=True)] or [[] for _ in columns]
    return {column.name: values for column, values in zip(columns, cells, strict=True)}
