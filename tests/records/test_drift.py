"""A run beside the listings that the evidence was fitted on."""

from __future__ import annotations

import pytest

from pipeline.drift import Asked
from pipeline.fitting_night import CueCounts, FittingNight, Night
from pipeline.records.drift import read_drift, read_night
from pipeline.records.tables import Assessment, Reason, Run
from tests.records.inventing import invent_listings

LISTINGS = 200


def fitting(departing: int = 15, seen: int = 500, model: str = "m1", ratio: float = 1.0) -> FittingNight:
    """500 listings, all with one ratio, of which rivets were seen on some and blank on a few of these."""
    night = Night(log10_lrs=(ratio,) * 500, cues={"rivet_stamp": CueCounts(seen=seen, departing=departing)})
    return FittingNight(command="fit", model=model, rules="r1", prior_counterfeit=0.2, night=night)


def with_rivets(records, blank: int, seen: int = LISTINGS) -> None:
    """A night in which only rivets are read."""
    invent_listings(records, LISTINGS)
    with records.writing() as db:
        db.query(Reason).delete()
        for n in range(1, seen + 1):
            state, says = ("blank", 0.02) if n <= blank else ("stamped", -0.2)
            db.add(
                Reason(
                    assessment_id=n, position=0, cue="rivet_stamp", state=state, probability=0.9, log10_lr=says,
                    sentence="", photo=None, box=None, measured=None, note=None, heat=None,
                )
            )  # fmt: skip


def drift_of(records, fitted):
    return latest(records, fitted).drift


def latest(records, fitted):
    with records.reading() as db:
        return read_drift(db, fitted)


def test_a_sign_read_far_more_often_than_at_fitting_is_marked_and_told_in_words(records):
    with_rivets(records, blank=24)
    drift = drift_of(records, fitting())
    (told,) = drift.marked
    assert (told.cue, told.asked) == ("rivet_stamp", Asked.DEPARTING)
    assert told.sentence == "Reads “rivet is blank” more often, 24 of 200 (12%) against 3.0%"


def test_a_sign_read_about_as_often_is_not_marked(records):
    with_rivets(records, blank=8)  # 4% against 3%
    assert drift_of(records, fitting()).marked == []


def test_a_part_that_is_shown_far_less_often_is_told_of(records):
    with_rivets(records, blank=1, seen=40)
    (told,) = drift_of(records, fitting()).marked
    assert told.sentence == "Stamp of the rivets can be judged less often, 40 of 200 (20%) against 100%"


def test_chances_that_lie_elsewhere_are_marked_whatever_the_prior(records):
    with_rivets(records, blank=6)  # every invented listing has the ratio 1.0
    alike, apart = drift_of(records, fitting()), drift_of(records, fitting(ratio=-1.0))
    assert (alike.distance, alike.p, alike.is_marked) == (0.0, 1.0, False)
    assert (apart.distance, apart.is_marked) == (1.0, True)
    assert sum(apart.tonight) == sum(apart.fitting) == pytest.approx(1)
    assert apart.tonight[7] == 1.0  # 0.25 to 1 before, times 10: 0.714


def test_it_is_said_whether_both_were_judged_alike(records):
    with_rivets(records, blank=6)
    assert drift_of(records, fitting()).is_same_model
    other = drift_of(records, fitting(model="m2"))
    assert (other.is_same_model, other.is_same_rules) == (False, True)


def test_the_latest_run_with_listings_is_compared(records):
    assert latest(records, fitting()) is None
    invent_listings(records, 3)
    with records.writing() as db:
        first = db.query(Run).one()
        late = {"photos_root": "/", "model": "m2", "rules": "r1", "taken_in_at": first.taken_in_at}
        db.add(Run(name="late", fingerprint="e" * 64, **late))
        empty = Run(name="empty", fingerprint="d" * 64, **late)
        db.add(empty)
        db.flush()
        db.add(Assessment(listing_id=1, run_id=2, probability=0.5, log10_lr=0.6, ask_for=[]))
    told = latest(records, fitting())
    assert (told.run, told.drift.listings, told.drift.is_same_model) == ("late", 1, False)


def test_a_night_in_the_database_counts_as_a_fit_counts_it(records):
    with_rivets(records, blank=24)
    with records.reading() as db:
        night = read_night(db, db.query(Run).one())
    assert (night.listings, night.cues) == (LISTINGS, {"rivet_stamp": CueCounts(seen=200, departing=24)})
