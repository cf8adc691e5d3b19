"""Looks drawn by chance, and what they say of whole nights."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta
from sqlalchemy import func, select, update

from pipeline.records import claims, tables
from pipeline.records.house import House
from pipeline.records.random_looks import NightCounts, draw_random_looks, estimate, read_whole_nights
from pipeline.records.words import Order, State
from tests.records.inventing import NOW, a_person, invent_listings

NIGHTS, LISTINGS, TOP, DRAWN = 30, 1200, 190, 10


def a_month(rng) -> tuple[list[NightCounts], float, float]:
    """What moderators see of a month, the true share of counterfeits, and the true share of them in the tops.

    A third of the counterfeits are of a kind that the scan does not see: their chances are those of genuine pairs.
    """
    counts, there, in_top = [], 0, 0
    for _ in range(NIGHTS):
        fake = rng.random(LISTINGS) < 0.06
        score = rng.normal(0, 1, LISTINGS) + 3 * (fake & (rng.random(LISTINGS) < 2 / 3))
        order = np.argsort(-score)
        top, rest = fake[order[:TOP]], fake[order[TOP:]]
        drawn = rng.choice(rest, DRAWN, replace=False)
        counts.append(NightCounts(TOP, TOP, int(top.sum()), len(rest), DRAWN, int(drawn.sum())))
        there, in_top = there + int(fake.sum()), in_top + int(top.sum())
    return counts, there / (NIGHTS * LISTINGS), in_top / there


def test_by_looked_at_alone_a_month_is_told_wrongly_and_by_weighed_looks_rightly():
    # Horvitz and Thompson 1952: what was drawn with a known chance, weighed by its inverse, is unbiased.
    rng = np.random.default_rng(11)
    covers_share, covers_recall, off, naive_off, naive_recalls = 0, 0, [], [], []
    months = 200
    for _ in range(months):
        counts, share, recall = a_month(rng)
        told = estimate(counts)
        covers_share += told.prevalence.low <= share <= told.prevalence.high
        covers_recall += told.recall.low <= recall <= told.recall.high
        off.append(told.prevalence.share - share)
        naive_off.append(told.naive_prevalence - share)
        naive_recalls.append(told.naive_recall - recall)
    assert min(naive_off) > 0.1  # three times as many as there are, in every month
    assert min(naive_recalls) > 0.2
    assert abs(np.mean(off)) < 4 * np.std(off) / np.sqrt(months)  # unbiased, as far as so many months tell
    # 95% intervals: 95% of 200 months give or take three standard errors.
    assert covers_share / months > 0.90
    assert covers_recall / months > 0.90


def test_with_nothing_held_among_the_random_looks_the_bound_is_near_the_exact_one():
    told = estimate([NightCounts(200, 200, 100, 1000, 100, 0)])
    exact = beta.ppf(0.975, 1, 100)  # Clopper and Pearson 1934, no success among 100
    assert told.prevalence.share == pytest.approx(100 / 1200)
    assert told.prevalence.high == pytest.approx((100 + 1000 * exact) / 1200, rel=0.05)
    assert told.recall.share == 1.0
    assert told.recall.low < 0.75


def test_a_night_without_looks_by_chance_tells_nothing_of_whole_nights():
    assert estimate([NightCounts(200, 150, 60, 1000, 0, 0)]) is None
    assert estimate([]) is None


def test_nights_of_unlike_size_weigh_by_what_each_look_stands_for():
    # By hand: the rest of night one holds 900 * 1/10 = 90, of night two 100 * 5/10 = 50; the tops hold 20 and 10.
    told = estimate([NightCounts(100, 100, 20, 900, 10, 1), NightCounts(100, 50, 5, 100, 10, 5)])
    assert told.prevalence.share == pytest.approx((20 + 10 + 90 + 50) / 1200)
    assert told.recall.share == pytest.approx(30 / 170)
    assert told.precision.share == pytest.approx(30 / 200)


@pytest.fixture
def night(records):
    """Fifty listings, of which nobody would look at more than 20, five of these by chance."""
    house = House(second_share=0.0, capacity=20, random_looks=5)
    invent_listings(records, 50)
    with records.writing() as db:
        draw_random_looks(db, db.scalar(select(tables.Run)), house)
    return house


def drawn_in(records) -> set[int]:
    with records.reading() as db:
        return set(db.scalars(select(tables.RandomLook.listing_id)))


def test_random_looks_are_drawn_from_below_the_top_alone(records, night):
    drawn = drawn_in(records)
    assert len(drawn) == 5
    assert min(drawn) > 15  # invented listings fall from the first to the last
    with records.reading() as db:
        row = db.scalar(select(tables.RandomNight))
    assert (row.top, row.rest) == (15, 35)


def test_a_random_look_is_handed_out_like_any_other(records, night):
    person = a_person(records, "ann")
    with records.writing() as db:
        always = House(capacity=1, random_looks=1)
        assert claims.next_for(db, person, always, NOW, Order.SUSPICION).id in drawn_in(records)
    other = a_person(records, "bea")
    with records.writing() as db:
        never = House(random_looks=0)
        assert claims.next_for(db, other, never, NOW, Order.SUSPICION).id == 1


def test_decisions_on_both_kinds_of_looks_tell_of_the_whole_night(records, night):
    drawn = sorted(drawn_in(records))
    with records.writing() as db:
        db.execute(update(tables.Listing).where(tables.Listing.id <= 10).values(state=State.HELD))
        db.execute(update(tables.Listing).where(tables.Listing.id.between(11, 15)).values(state=State.GONE))
        db.execute(update(tables.Listing).where(tables.Listing.id == drawn[0]).values(state=State.HELD))
        db.execute(update(tables.Listing).where(tables.Listing.id.in_(drawn[1:])).values(state=State.GONE))
        other = db.scalar(
            select(tables.Listing.id).where(tables.Listing.id > 15, tables.Listing.id.not_in(drawn)).limit(1)
        )
        db.execute(update(tables.Listing).where(tables.Listing.id == other).values(state=State.HELD))
    with records.reading() as db:
        told = read_whole_nights(db)
        assert db.scalar(select(func.count()).select_from(tables.RandomLook)) == 5
    assert told.prevalence.share == pytest.approx((10 + 35 / 5) / 50)  # one that was not drawn stands for nobody
    assert told.recall.share == pytest.approx(10 / 17)
