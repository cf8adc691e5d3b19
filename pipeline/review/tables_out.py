"""Tables as files to take away: CSV that no spreadsheet runs as formulas, and Parquet."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

# What a spreadsheet may take for a formula at a cell's start (OWASP, CSV Injection); the apostrophe makes it text.
# Spaces and marks without width before it do not help; where semicolons or tabs part cells, a cell begins after them.
_FORMULA = "=+\\-@\uff1d\uff0b\uff0d\uff20"
_BLANK = "\\s\u200b-\u200f\u2060\ufeff"
_STARTS_A_FORMULA = re.compile(rf"^(?=[\t\r\n]|[{_BLANK}]*[{_FORMULA}])")
_STARTS_ANOTHER_CELL = re.compile(rf"([;\t\r\n][{_BLANK}\"]*)(?=[{_FORMULA}])")


def as_csv(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> bytes:
    """UTF-8 with a header; text that could be run as a formula gets an apostrophe before it.

    Args:
        rows: each with all columns.
        columns: their order.
    """
    file = io.StringIO()
    writer = csv.writer(file, quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_safe(row[column]) for column in columns] for row in rows)
    return file.getvalue().encode()


def as_parquet(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> bytes:
    """The same rows, text as it is: nothing that reads Parquet runs formulas."""
    gathered = list(rows)
    table = pa.table({column: pa.array([row[column] for row in gathered]) for column in columns})
    file = io.BytesIO()
    pq.write_table(table, file)
    return file.getvalue()


def _safe(value: object) -> object:
    if not isinstance(value, str):
        return "" if value is None else value
    return _STARTS_ANOTHER_CELL.sub(r"\1'", _STARTS_A_FORMULA.sub("'", value))
