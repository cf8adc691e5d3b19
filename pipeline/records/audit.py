"""The trail of who did what, when, by which model and rules. Lines are added and never changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pipeline.records.tables import Assessment, AuditLine, Listing, Run

TRAIL_PAGE = 200


def note_down(
    session: Session,
    now: datetime,
    person: str,
    what: str,
    listing: Listing | None = None,
    detail: Mapping[str, Any] | None = None,
) -> None:
    """Add a line.

    Args:
        session: the transaction that does what the line says.
        now: when.
        person: the name of who did it, "" where nobody was signed in.
        what: in a few words.
        listing: the listing it was done to, if any; the line then names the model and rules that had judged it.
        detail: whatever else is worth keeping; no secrets.
    """
    model, rules = ("", "") if listing is None else _judged_by(session, listing)
    session.add(
        AuditLine(
            at=now,
            person=person,
            what=what,
            listing=None if listing is None else listing.listing_id,
            detail=dict(detail or {}),
            model=model,
            rules=rules,
        )
    )


def read_trail(
    session: Session, listing_id: str = "", person: str = "", before: int | None = None, limit: int = TRAIL_PAGE
) -> Sequence[AuditLine]:
    """The newest lines, of one listing or person if named, older than the line numbered `before` if given."""
    lines = select(AuditLine).order_by(AuditLine.id.desc()).limit(limit)
    if listing_id:
        lines = lines.where(AuditLine.listing == listing_id)
    if person:
        lines = lines.where(AuditLine.person == person)
    if before is not None:
        lines = lines.where(AuditLine.id < before)
    return session.scalars(lines).all()


def _judged_by(session: Session, listing: Listing) -> tuple[str, str]:
    found = session.execute(
        select(Run.model, Run.rules)
        .join(Assessment, Assessment.run_id == Run.id)
        .where(Assessment.id == listing.assessment_id)
    ).first()
    return ("", "") if found is None else (found.model, found.rules)
