"""Looks drawn by chance, and what they tell of everything that nobody looks at.

Moderators look at the top of a night, so what they hold says little of the rest: a counterfeit that the scan does not
see is seen by nobody. Of every run a few listings outside the top are drawn by chance and put among the others. Each
stands for all those it was drawn from: counted by the inverse of its chance to be drawn (Horvitz & Thompson 1952), as
shares of what was really looked at (Hajek 1971), they estimate the whole night.
"""

from __future__ import annotations

import random
import secrets
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session, aliased

from pipeline.intervals import wilson_interval
from pipeline.records.house import House
from pipeline.records.tables import Assessment, Listing, RandomLook, RandomNight, Run
from pipeline.records.words import State

_HELD = {State.GONE: False, State.HELD: True, State.EXPERT: True}


@dataclass(frozen=True, slots=True)
class NightCounts:
    """A run's new listings: how many in the top and in the rest, and of those looked at how many were held.

    `top_seen` of the top and `drawn_seen` of the random looks stand decided.
    """

    top: int
    top_seen: int
    top_held: int
    rest: int
    drawn_seen: int
    drawn_held: int


@dataclass(frozen=True, slots=True)
class Bounded:
    """A share with its 95% interval, all 0..1."""

    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class WholeNights:
    """What is true of whole nights, as far as people's decisions are: `naive_` is what the looked-at alone suggest.

    `prevalence`: share held among all listings, had all been looked at; `precision`: share held in the top; `recall`:
    share of all to be held that stand in the top.
    """

    nights: int
    listings: int
    drawn_seen: int
    prevalence: Bounded
    precision: Bounded
    recall: Bounded | None
    naive_prevalence: float
    naive_recall: float | None


def estimate(counts: Sequence[NightCounts]) -> WholeNights | None:
    """Estimate whole nights from what was looked at.

    A night counts once something of its top and of its random looks is decided; what is not decided yet of either is
    taken to be like what is. The share of the rest gets Wilson's interval at Kish's effective number of looks (1965);
    the top counts as known, so that this interval carries over to prevalence and recall.

    Returns:
        The estimates; None where no night counts.
    """
    nights = [one for one in counts if one.top_seen and (one.drawn_seen or not one.rest)]
    if not nights:
        return None
    top, rest = sum(one.top for one in nights), sum(one.rest for one in nights)
    top_held = sum(one.top * one.top_held / one.top_seen for one in nights)
    weights = [(one.rest / one.drawn_seen, one.drawn_seen, one.drawn_held) for one in nights if one.drawn_seen]
    share = sum(weight * held for weight, _, held in weights) / rest if rest else 0.0
    looks = sum(weight * n for weight, n, _ in weights) ** 2 / max(1e-9, sum(weight**2 * n for weight, n, _ in weights))
    low, high = wilson_interval(min(share, 1.0) * looks, looks) if rest else (0.0, 0.0)
    seen_top, held_top = sum(one.top_seen for one in nights), sum(one.top_held for one in nights)
    drawn_seen, drawn_held = sum(one.drawn_seen for one in nights), sum(one.drawn_held for one in nights)
    held = held_top + drawn_held
    return WholeNights(
        nights=len(nights),
        listings=top + rest,
        drawn_seen=drawn_seen,
        prevalence=Bounded(*((top_held + rest * p) / (top + rest) for p in (share, low, high))),
        precision=Bounded(top_held / top, *wilson_interval(held_top, seen_top)),
        recall=Bounded(*(top_held / (top_held + rest * p) for p in (share, high, low))) if top_held else None,
        naive_prevalence=held / (seen_top + drawn_seen),
        naive_recall=held_top / held if held else None,
    )


def draw_random_looks(session: Session, run: Run, house: House) -> None:
    """Draw the random looks of a run that was just taken in, among its new listings outside the top."""
    rows = session.execute(
        select(Assessment.listing_id, Assessment.probability)
        .where(Assessment.run_id == run.id, _is_first())
        .order_by(Assessment.probability.desc(), Assessment.listing_id.desc())
    ).all()
    top = rows[: max(1, house.capacity - house.random_looks)]
    rest = [number for number, _ in rows[len(top) :]]
    if not top:
        return
    session.add(
        RandomNight(run_id=run.id, top=len(top), rest=len(rest), cut_probability=top[-1][1], cut_listing_id=top[-1][0])
    )
    drawn = random.SystemRandom().sample(rest, min(house.random_looks, len(rest)))
    session.add_all(RandomLook(listing_id=number, run_id=run.id) for number in drawn)


def stands_for(session: Session, listing_pk: int) -> float:
    """For how many listings a look stands: those of the rest for one drawn among them, itself for any other."""
    drawn = session.get(RandomLook, listing_pk)
    if drawn is None:
        return 1.0
    looks = session.scalar(select(func.count()).select_from(RandomLook).where(RandomLook.run_id == drawn.run_id)) or 1
    return session.get_one(RandomNight, drawn.run_id).rest / looks


def is_turn_of_random_look(house: House) -> bool:
    """Whether the next listing is to be a random look, if one is waiting: as often as they are of a day's looks."""
    return secrets.randbelow(house.capacity) < house.random_looks


def read_whole_nights(session: Session) -> WholeNights | None:
    """What random looks and decisions so far say of whole nights."""
    return estimate([_counts(session, night) for night in session.scalars(select(RandomNight))])


def _counts(session: Session, night: RandomNight) -> NightCounts:
    top = _states(
        session.execute(
            select(Listing.state, func.count())
            .join(Assessment, Assessment.listing_id == Listing.id)
            .where(Assessment.run_id == night.run_id, _is_first(), _is_in_top(night))
            .group_by(Listing.state)
        ).all()
    )
    drawn = _states(
        session.execute(
            select(Listing.state, func.count())
            .join(RandomLook, RandomLook.listing_id == Listing.id)
            .where(RandomLook.run_id == night.run_id)
            .group_by(Listing.state)
        ).all()
    )
    return NightCounts(night.top, *top, night.rest, *drawn)


def _states(rows: Sequence[tuple[str, int]]) -> tuple[int, int]:
    """How many stand decided, and how many of them are held."""
    counted: Counter[bool] = Counter()
    for state, count in rows:
        if state in _HELD:
            counted[_HELD[State(state)]] += count
    return counted.total(), counted[True]


def _is_first() -> ColumnElement[bool]:
    """Whether an assessment is its listing's first."""
    earlier = aliased(Assessment)
    return ~(
        select(earlier.id)
        .where(earlier.listing_id == Assessment.listing_id, earlier.id < Assessment.id)
        .correlate(Assessment)
        .exists()
    )


def _is_in_top(night: RandomNight) -> ColumnElement[bool]:
    return or_(
        Assessment.probability > night.cut_probability,
        and_(Assessment.probability == night.cut_probability, Assessment.listing_id >= night.cut_listing_id),
    )
