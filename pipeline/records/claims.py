"""Who is looking at what: a listing is kept for one person at a time, and for a limited time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, Select, and_, func, or_, select, update
from sqlalchemy.orm import Session

from pipeline.records.house import House, Refused
from pipeline.records.queue import ordering
from pipeline.records.random_looks import is_turn_of_random_look
from pipeline.records.tables import Decision, Listing, Person, RandomLook
from pipeline.records.words import Choice, Order, Role


def next_for(
    session: Session,
    person: Person,
    house: House,
    now: datetime,
    order: Order,
    within: Sequence[ColumnElement[bool]] = (),
) -> Listing | None:
    """The listing to look at next, kept for this person from now on.

    One that the person keeps already comes first, so that opening the page again gives the same listing. No two
    people are given the same one: on PostgreSQL rows that somebody is just taking are passed over, on SQLite
    writers take turns. Now and then it is one of the random looks, which nothing tells from the others. `within` is
    what else has to hold for the listing, unless it is kept already.

    Returns:
        The listing, or None if nothing is left for this person.
    """
    kept = session.scalar(
        select(Listing)
        .where(Listing.claimed_by == person.id, Listing.claimed_until >= now, Listing.is_open.is_(True))
        .order_by(Listing.claimed_until.desc())
        .limit(1)
    )
    free = (
        select(Listing).where(*_free_for(person, now), *within).limit(1).with_for_update(skip_locked=True, of=Listing)
    )
    listing = kept
    if listing is None and is_turn_of_random_look(house):
        listing = session.scalar(free.where(Listing.id.in_(select(RandomLook.listing_id))).order_by(Listing.id))
    if listing is None:
        listing = session.scalar(free.order_by(*ordering(order)))
    if listing is not None:
        keep(listing, person, house, now)
        session.flush()
    return listing


def upcoming_for(
    session: Session,
    person: Person,
    now: datetime,
    order: Order,
    within: Sequence[ColumnElement[bool]] = (),
    count: int = 1,
) -> Sequence[Listing]:
    """What would come next, without keeping it: to fetch its photos early."""
    free = select(Listing).where(*_free_for(person, now), *within)
    return session.scalars(free.order_by(*ordering(order)).limit(count)).all()


def take(session: Session, person: Person, house: House, now: datetime, listing: Listing) -> None:
    """Keep a certain listing.

    Raises:
        Refused: if it is not to be looked at, a colleague is looking at it, or somebody else is to look this time.
    """
    session.refresh(listing, with_for_update=True)
    if not listing.is_open:
        raise Refused("This listing is decided. Open it again first, if there is a reason to.")
    if is_with_another(listing, person, now):
        raise Refused("A colleague is looking at this listing just now.")
    if is_for_others(session, person, listing):
        raise Refused("You have said what you think of this one, so somebody else is to look at it now.")
    keep(listing, person, house, now)
    session.flush()


def is_for_others(session: Session, person: Person, listing: Listing) -> bool:
    """Whether another pair of eyes is wanted than this person's; never where nobody else could look."""
    said = _said_by(person).join(Listing, Listing.id == Decision.listing_id)
    if session.scalar(said.where(Listing.id == listing.id, Decision.choice != Choice.PUT_BACK).limit(1)) is None:
        return False
    deciders = [role for role in Role if role.may_decide]
    others = select(Person.id).where(Person.id != person.id, Person.is_active.is_(True), Person.role.in_(deciders))
    return session.scalar(others.limit(1)) is not None


def extend(session: Session, person: Person, house: House, now: datetime, listing_pk: int) -> bool:
    """Keep a listing that the person keeps already for longer; False if it is not theirs any more."""
    longer = session.execute(
        update(Listing)
        .where(Listing.id == listing_pk, Listing.claimed_by == person.id, Listing.claimed_until >= now)
        .values(claimed_until=now + house.claim)
    )
    return bool(getattr(longer, "rowcount", 0))


def let_free(session: Session, person: Person) -> None:
    """Give back all that the person keeps."""
    session.execute(update(Listing).where(Listing.claimed_by == person.id).values(claimed_by=None, claimed_until=None))


def is_with_another(listing: Listing, person: Person, now: datetime) -> bool:
    """Whether somebody else keeps it."""
    return (
        listing.claimed_by not in (None, person.id)
        and listing.claimed_until is not None
        and listing.claimed_until >= now
    )


def count_kept(session: Session, now: datetime) -> int:
    """How many listings somebody is looking at."""
    return session.scalar(select(func.count()).select_from(Listing).where(Listing.claimed_until >= now)) or 0


def keep(listing: Listing, person: Person, house: House, now: datetime) -> None:
    """Keep it, from now on, whoever had it."""
    listing.claimed_by, listing.claimed_until = person.id, now + house.claim


def _free_for(person: Person, now: datetime) -> tuple[ColumnElement[bool], ...]:
    """Open, kept by nobody, and not one on which this person has said something this round."""
    theirs = _said_by(person).where(Decision.listing_id == Listing.id).correlate(Listing).exists()
    is_free = or_(Listing.claimed_until.is_(None), Listing.claimed_until < now)
    return Listing.is_open.is_(True), is_free, ~theirs


def _said_by(person: Person) -> Select[int]:
    """What a person has said of a listing this round, or held against it in the round before."""
    return select(Decision.id).where(
        Decision.person_id == person.id,
        Decision.undone_at.is_(None),
        or_(
            and_(Decision.round == Listing.round, Decision.choice != Choice.ASK),
            and_(Decision.round == Listing.round - 1, Decision.choice.in_((Choice.HOLD_BACK, Choice.EXPERT))),
        ),
    )
