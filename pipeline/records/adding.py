"""Rows that may be there already."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from pipeline.records.tables import Base


def add_missing(session: Session, table: type[Base], rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert the rows whose key is not there yet; the others stay as they are."""
    if not rows:
        return
    target = table.__table__
    assert isinstance(target, Table)
    insert = postgresql.insert if session.get_bind().dialect.name == "postgresql" else sqlite.insert
    session.execute(insert(target).on_conflict_do_nothing(), [dict(row) for row in rows])
