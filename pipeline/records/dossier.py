"""All that is known of one listing, read for its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from sqlalchemy import func, inspect, select
from sqlalchemy.orm import Session

from pipeline.domain import Shows
from pipeline.records import tables
from pipeline.records.words import Choice, State

_OTHERS = 12
_NAMED = (tables.Listing.listing_id, tables.Listing.seller_id, tables.Listing.listed_at, tables.Listing.state)
_Row = TypeVar("_Row", tables.Reason, tables.Unseen)


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A photo of this listing that another seller's listing shows, too: as the same file, or one made from it.

    `how` says what was done to it, from this listing's side. `why_not` says why the other photo can't be shown, "" if
    it can. `listed_at` and `state` are None where the other listing never came into this database.
    """

    photo: str
    other_photo: str | None
    listing_id: str
    seller_id: str
    listed_at: str | None
    state: State | None
    how: str
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Told:
    """Something that was done or said, by whom; with the message to the seller, "" if there was none."""

    by: str
    decision: tables.Decision
    message: str


@dataclass(frozen=True, slots=True)
class Dossier:
    """One listing with everything beside it. `elsewhere` names other sellers only."""

    listing: tables.Listing
    assessment: tables.Assessment | None
    run: tables.Run | None
    photos: Sequence[tables.ListingPhoto]
    sizes: Mapping[str, tables.Photo]
    reasons: Sequence[tables.Reason]
    parts: Sequence[tables.Part]
    unseen: Sequence[str]
    decisions: Sequence[Told]
    notes: Sequence[tuple[str, tables.Note]]
    corrections: Sequence[tuple[str, tables.Correction]]
    elsewhere: Sequence[Elsewhere]
    of_seller: Mapping[State, int]
    seller_decided: Sequence[tuple[tables.Listing, tables.Decision]]


def find_listing(session: Session, listing_id: str) -> tables.Listing | None:
    """By the marketplace's own id."""
    return session.scalar(select(tables.Listing).where(tables.Listing.listing_id == listing_id))


def read_dossier(session: Session, listing: tables.Listing) -> Dossier:
    """Everything for one page."""
    assessment = None if listing.assessment_id is None else session.get(tables.Assessment, listing.assessment_id)
    photos = session.scalars(
        select(tables.ListingPhoto)
        .where(tables.ListingPhoto.listing_id == listing.id)
        .order_by(tables.ListingPhoto.position)
    ).all()
    hashes = [photo.sha256 for photo in photos if photo.sha256]
    of_seller = _of_seller(session, listing)
    return Dossier(
        listing=listing,
        assessment=assessment,
        run=None if assessment is None else session.get(tables.Run, assessment.run_id),
        photos=photos,
        sizes=_sizes(session, hashes),
        reasons=_of(session, tables.Reason, assessment),
        parts=() if assessment is None or not hashes else _parts(session, assessment),
        unseen=[one.cue for one in _of(session, tables.Unseen, assessment)],
        decisions=_decisions(session, listing),
        notes=_notes(session, listing),
        corrections=_corrections(session, listing),
        elsewhere=_elsewhere(session, listing, assessment, hashes) if hashes else (),
        of_seller=of_seller,
        seller_decided=_seller_decided(session, listing) if of_seller.keys() - {State.WAITING} else (),
    )


def photo_place(session: Session, sha256: str) -> tuple[str, str] | None:
    """Where a photo's file lies: the folder or addresses as text, and the path in it; None if no listing has it."""
    found = session.execute(
        select(tables.Run.photos_root, tables.ListingPhoto.path)
        .join(tables.Run, tables.Run.id == tables.ListingPhoto.run_id)
        .where(tables.ListingPhoto.sha256 == sha256)
        .order_by(tables.ListingPhoto.listing_id.desc())
        .limit(1)
    ).first()
    return None if found is None else (found.photos_root, found.path)


def photos_of(session: Session, listing: tables.Listing) -> Sequence[str]:
    """The hashes of a listing's photos, in their order."""
    return session.scalars(
        select(tables.ListingPhoto.sha256)
        .where(tables.ListingPhoto.listing_id == listing.id, tables.ListingPhoto.sha256.is_not(None))
        .order_by(tables.ListingPhoto.position)
    ).all()  # type: ignore[return-value]


def crops_of(session: Session, listing: tables.Listing, least: float) -> Sequence[int]:
    """Positions of the reasons seen in a photo whose |log10 ratio| is at least `least`."""
    return session.scalars(
        select(tables.Reason.position)
        .where(
            tables.Reason.assessment_id == listing.assessment_id,
            tables.Reason.photo.is_not(None),
            func.abs(tables.Reason.log10_lr) >= least,
        )
        .order_by(tables.Reason.position)
    ).all()


def _of(session: Session, table: type[_Row], assessment: tables.Assessment | None) -> Sequence[_Row]:
    if assessment is None:
        return ()
    found = select(table).where(table.assessment_id == assessment.id)
    return session.scalars(found.order_by(*inspect(table).primary_key)).all()


def _sizes(session: Session, hashes: Sequence[str]) -> dict[str, tables.Photo]:
    if not hashes:
        return {}
    photos = session.scalars(select(tables.Photo).where(tables.Photo.sha256.in_(hashes)))
    return {photo.sha256: photo for photo in photos}


def _parts(session: Session, assessment: tables.Assessment) -> Sequence[tables.Part]:
    of_it = select(tables.Part).where(tables.Part.assessment_id == assessment.id)
    return session.scalars(of_it.order_by(tables.Part.id)).all()


def _decisions(session: Session, listing: tables.Listing) -> list[Told]:
    rows = session.execute(
        select(tables.Person.name, tables.Decision, tables.Asking.message)
        .join(tables.Decision, tables.Decision.person_id == tables.Person.id)
        .outerjoin(tables.Asking, tables.Asking.decision_id == tables.Decision.id)
        .where(tables.Decision.listing_id == listing.id)
        .order_by(tables.Decision.id.desc())
    )
    return [Told(name, decision, message or "") for name, decision, message in rows]


def _notes(session: Session, listing: tables.Listing) -> Sequence[tuple[str, tables.Note]]:
    rows = session.execute(
        select(tables.Person.name, tables.Note)
        .join(tables.Note, tables.Note.person_id == tables.Person.id)
        .where(tables.Note.listing_id == listing.id)
        .order_by(tables.Note.id.desc())
    )
    return [(name, note) for name, note in rows]


def _corrections(session: Session, listing: tables.Listing) -> Sequence[tuple[str, tables.Correction]]:
    """Those that stand, with who made them."""
    rows = session.execute(
        select(tables.Person.name, tables.Correction)
        .join(tables.Correction, tables.Correction.person_id == tables.Person.id)
        .where(tables.Correction.listing_id == listing.id, tables.Correction.undone_at.is_(None))
        .order_by(tables.Correction.id)
    )
    return [(name, correction) for name, correction in rows]


def _elsewhere(
    session: Session, listing: tables.Listing, assessment: tables.Assessment | None, hashes: Sequence[str]
) -> list[Elsewhere]:
    """The same files first, then what the scan knew again; a pair of photos is named once."""
    others = _same_files(session, listing, hashes)
    if assessment is not None:
        named = {(one.photo, one.other_photo, one.listing_id) for one in others}
        known_again = _known_again(session, assessment)
        others += [one for one in known_again if (one.photo, one.other_photo, one.listing_id) not in named]
    return others[:_OTHERS]


def _same_files(session: Session, listing: tables.Listing, hashes: Sequence[str]) -> list[Elsewhere]:
    rows = session.execute(
        select(tables.ListingPhoto.sha256, *_NAMED)
        .join(tables.Listing, tables.Listing.id == tables.ListingPhoto.listing_id)
        .where(
            tables.ListingPhoto.sha256.in_(hashes),
            tables.Listing.id != listing.id,
            tables.Listing.seller_id != listing.seller_id,
        )
        .order_by(tables.Listing.listed_at)
        .limit(_OTHERS)
    )
    return [
        Elsewhere(sha256, sha256, name, seller, at, State(state), "the very same file")
        for sha256, name, seller, at, state in rows
        if sha256 is not None
    ]


def _known_again(session: Session, assessment: tables.Assessment) -> list[Elsewhere]:
    rows = session.execute(
        select(tables.ReusedPhoto, *_NAMED)
        .outerjoin(tables.Listing, tables.Listing.listing_id == tables.ReusedPhoto.other_listing)
        .where(tables.ReusedPhoto.assessment_id == assessment.id)
        .order_by(tables.ReusedPhoto.position)
    ).all()
    return [
        Elsewhere(
            photo=match.photo,
            other_photo=match.other_photo,
            listing_id=match.other_listing,
            seller_id=seller or match.other_seller,
            listed_at=at,
            state=None if state is None else State(state),
            how=_how(match),
            why_not=_why_not_shown(session, match.other_photo, at is not None),
        )
        for match, _name, seller, at, state in rows
    ]


def _why_not_shown(session: Session, sha256: str | None, is_here: bool) -> str:
    if not is_here:
        return "That listing is of a night that never came into this database, so its photo can't be shown."
    place = None if sha256 is None else photo_place(session, sha256)
    if place is None:
        return "That photo is no longer to be found, so it can't be shown."
    return "" if Path(*place).is_file() else "The file of that photo has been removed since."


def _how(match: tables.ReusedPhoto) -> str:
    """What was done to which photo, from the listing's own side."""
    how = {
        Shows.LESS: "this listing's photo is cut out of that one",
        Shows.AS_MUCH: "the same picture",
        Shows.MORE: "that one is cut out of this listing's photo",
    }[Shows(match.shows)]
    return how + (", mirrored" if match.is_mirrored else "")


def _of_seller(session: Session, listing: tables.Listing) -> dict[State, int]:
    rows = session.execute(
        select(tables.Listing.state, func.count())
        .where(tables.Listing.seller_id == listing.seller_id, tables.Listing.id != listing.id)
        .group_by(tables.Listing.state)
    )
    return {State(state): number for state, number in rows}


def _seller_decided(session: Session, listing: tables.Listing) -> Sequence[tuple[tables.Listing, tables.Decision]]:
    rows = session.execute(
        select(tables.Listing, tables.Decision)
        .join(tables.Decision, tables.Decision.listing_id == tables.Listing.id)
        .where(
            tables.Listing.seller_id == listing.seller_id,
            tables.Listing.id != listing.id,
            tables.Decision.undone_at.is_(None),
            tables.Decision.choice != Choice.PUT_BACK,
            tables.Listing.state != State.SECOND,  # the first opinion is kept from whoever may give the second
        )
        .order_by(tables.Decision.id.desc())
        .limit(_OTHERS)
    )
    return [(other, decision) for other, decision in rows]
