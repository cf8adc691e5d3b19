"""The queue as it is shown: a page of rows, in an order, by filters, with counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Select, case, exists, func, select
from sqlalchemy.orm import Session

from pipeline.records.tables import Decision, Listing, Reason, Unseen
from pipeline.records.words import Order, State

PAGE = 50
TELLING_LOG10_LR = 0.1  # a factor of 1.25: what says less is in small print, and no sign to filter by


@dataclass(frozen=True, slots=True)
class Filters:
    """What to show; an empty field lets everything through. `state` "open" is all that is to be looked at."""

    state: str = "open"
    maker: str = ""
    style: str = ""
    seller: str = ""
    cue: str = ""  # a cue that speaks against the pair
    unseen: str = ""  # a cue that no photo shows
    words: str = ""
    order: Order = Order.SUSPICION


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the queue: the listing, its place in the whole order (1 first), its strongest reason if any."""

    place: int
    listing: Listing
    lead: Reason | None


@dataclass(frozen=True, slots=True)
class Page:
    """A page of the queue: its rows, how many match in all, pages counted from 1."""

    rows: Sequence[Row]
    matching: int
    page: int
    pages: int


def read_page(session: Session, filters: Filters, page: int = 1) -> Page:
    """A page of at most `PAGE` rows; a page beyond the last one gives the last."""
    conditions = conditions_of(filters)
    matching = session.scalar(select(func.count()).select_from(Listing).where(*conditions)) or 0
    pages = max(1, -(-matching // PAGE))
    page = min(max(1, page), pages)
    found = select(Listing).where(*conditions).order_by(*ordering(filters.order))
    listings = session.scalars(found.limit(PAGE).offset((page - 1) * PAGE)).all()
    leads = _leads(session, listings)
    first = (page - 1) * PAGE + 1
    rows = [Row(place, one, leads.get(one.assessment_id)) for place, one in enumerate(listings, first)]
    return Page(rows, matching, page, pages)


def ordering(order: Order) -> tuple[ColumnElement[float], ColumnElement[int]]:
    """What to sort by; ties by age in the database, so that pages never overlap."""
    key = Listing.probability if order is Order.SUSPICION else Listing.expected_loss
    return key.desc(), Listing.id.desc()


def count_states(session: Session) -> Mapping[State, int]:
    """How many listings stand where."""
    counted = session.execute(select(Listing.state, func.count()).group_by(Listing.state)).all()
    return {state: 0 for state in State} | {State(state): number for state, number in counted}


def decided_since(session: Session, since: datetime, person_id: int) -> tuple[int, int]:
    """How many decisions were made from a moment on, by one person and by all; undone ones do not count."""
    by_person = func.count(case((Decision.person_id == person_id, 1)))
    found = select(by_person, func.count()).where(Decision.at >= since, Decision.undone_at.is_(None))
    mine, everybody = session.execute(found).one()
    return mine, everybody


def choices_to_filter_by(session: Session) -> tuple[Sequence[str], Sequence[str]]:
    """All makers and all stated styles."""
    makers = session.scalars(select(Listing.maker).distinct().order_by(Listing.maker)).all()
    styles = session.scalars(
        select(Listing.style_number).where(Listing.style_number.is_not(None)).distinct().limit(300)
    ).all()
    return makers, sorted(style for style in styles if style)


def conditions_of(filters: Filters) -> list[ColumnElement[bool]]:
    """What the filters let through, over `Listing`."""
    found: list[ColumnElement[bool]] = []
    if filters.state == "open":
        found.append(Listing.is_open.is_(True))
    elif filters.state in set(State):
        found.append(Listing.state == filters.state)
    for wanted, column in (
        (filters.maker, Listing.maker),
        (filters.style, Listing.style_number),
        (filters.seller, Listing.seller_id),
    ):
        if wanted:
            found.append(column == wanted)
    if filters.cue:
        found.append(
            _where(select(Reason.cue), Reason, filters.cue).where(Reason.log10_lr >= TELLING_LOG10_LR).exists()
        )
    if filters.unseen:
        found.append(exists(_where(select(Unseen.cue), Unseen, filters.unseen)))
    found += [Listing.search.contains(word.lower(), autoescape=True) for word in filters.words.split()[:5]]
    return found


def _where(query: Select[str], table: type[Reason] | type[Unseen], cue: str) -> Select[str]:
    return query.where(table.assessment_id == Listing.assessment_id, table.cue == cue).correlate(Listing)


def _leads(session: Session, listings: Sequence[Listing]) -> dict[int | None, Reason]:
    wanted = [one.assessment_id for one in listings if one.assessment_id is not None]
    leads = session.scalars(select(Reason).where(Reason.assessment_id.in_(wanted), Reason.position == 0))
    return {lead.assessment_id: lead for lead in leads}
