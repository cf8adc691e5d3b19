"""Photos and what could show them again, removed; decisions, scores and counts stay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from pipeline.intake import root_from_text
from pipeline.records import tables
from pipeline.records.database import Store

_AT_ONCE = 300


@dataclass(frozen=True, slots=True)
class OldPhoto:
    """A photo that no scan has met since, and the files in which it lay; what lies elsewhere is not ours to remove."""

    sha256: str
    files: tuple[Path, ...]


def old_photos(session: Session, before: datetime) -> list[OldPhoto]:
    """The photos that were last met before this moment."""
    showing = tables.Showing
    last_met = (
        select(showing.sha256).group_by(showing.sha256).having(func.max(showing.at) < before).order_by(showing.sha256)
    )
    return [OldPhoto(sha256, tuple(_files(session, sha256))) for sha256 in session.scalars(last_met)]


def forget_photos(session: Session, sha256s: Sequence[str]) -> None:
    """Remove what was seen in photos, what they are known again by, the print read and the heat maps."""
    for start in range(0, len(sha256s), _AT_ONCE):
        some = sha256s[start : start + _AT_ONCE]
        for table in (tables.Look, tables.Fingerprint, tables.Showing):
            session.execute(delete(table).where(table.sha256.in_(some)))
        parts = select(tables.Part.id).where(tables.Part.photo.in_(some))
        session.execute(update(tables.PartCue).where(tables.PartCue.part_id.in_(parts)).values(heat=None))
        session.execute(update(tables.Part).where(tables.Part.photo.in_(some)).values(texts=[]))
        session.execute(update(tables.Reason).where(tables.Reason.photo.in_(some)).values(heat=None))


def clean_up(records: Store) -> None:
    """Write over what was deleted: a database keeps it in its file until then."""
    connection = records.engine.raw_connection()
    try:
        statements = ["VACUUM"]
        if records.engine.dialect.name == "sqlite":  # its transactions begin where we say so
            statements.append("PRAGMA wal_checkpoint(TRUNCATE)")
        else:
            driver: Any = connection.driver_connection
            driver.autocommit = True
        for statement in statements:
            connection.cursor().execute(statement)
    finally:
        connection.invalidate()  # not to be handed out again with these settings


def _files(session: Session, sha256: str) -> list[Path]:
    rows = session.execute(
        select(tables.Run.photos_root, tables.ListingPhoto.path)
        .join(tables.Run, tables.Run.id == tables.ListingPhoto.run_id)
        .where(tables.ListingPhoto.sha256 == sha256)
    )
    roots = ((root_from_text(root), path) for root, path in rows)
    return [root / path for root, path in roots if isinstance(root, Path)]
