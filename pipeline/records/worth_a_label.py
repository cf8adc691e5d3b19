"""The crops from which training would learn most, offered to people who label."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from pipeline.records.tables import Listing, Photo, WorthALabel


@dataclass(frozen=True, slots=True)
class Offer:
    """A crop: whose, on which photo (SHA-256 of its file), where in it (x, y, w, h in px), what it may show."""

    listing_id: str
    photo: str
    part: str
    box: tuple[float, float, float, float]
    cue: str
    told: Mapping[str, float]


def offer(session: Session, offers: Sequence[Offer]) -> int:
    """Put these in the place of what was offered before; those of listings that are not here are left out.

    Returns:
        How many are offered now.
    """
    session.execute(delete(WorthALabel))
    numbers = {
        name: number
        for name, number in session.execute(
            select(Listing.listing_id, Listing.id).where(Listing.listing_id.in_({one.listing_id for one in offers}))
        )
    }
    photos = set(session.scalars(select(Photo.sha256).where(Photo.sha256.in_({one.photo for one in offers}))))
    known = [one for one in offers if one.listing_id in numbers and one.photo in photos]
    session.add_all(
        WorthALabel(
            position=position,
            listing_id=numbers[one.listing_id],
            photo=one.photo,
            part=one.part,
            box=list(one.box),
            cue=one.cue,
            told=dict(one.told),
        )
        for position, one in enumerate(known, 1)
    )
    return len(known)


def read_offers(session: Session) -> list[tuple[WorthALabel, str]]:
    """What is offered, the most telling first, each with its listing's id."""
    rows = session.execute(
        select(WorthALabel, Listing.listing_id)
        .join(Listing, Listing.id == WorthALabel.listing_id)
        .order_by(WorthALabel.position)
    )
    return [(row, name) for row, name in rows]
