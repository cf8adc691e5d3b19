"""Rows that may be there already."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from pipeline.records.tables import Base


def add_missing(
    session: Session, table: type[Base], rows: Sequence[Mapping[str, Any]], renewed: Sequence[str] = ()
) -> None:
    """Insert the rows whose key is not there yet; of the others the columns `renewed` take the new values."""
    if not rows:
        return
    target = table.__table__
    assert isinstance(target, Table)
    insert = postgresql.insert if session.get_bind().dialect.name == "postgresql" else sqlite.insert
    new = insert(target)
    if renewed:
        key = [column.name for column in target.primary_key]
        new = new.on_conflict_do_update(index_elements=key, set_={name: new.excluded[name] for name in renewed})
    else:
        new = new.on_conflict_do_nothing()
    session.execute(new, [dict(row) for row in rows])
