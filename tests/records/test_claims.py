"""Two moderators never get the same listing."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest

from pipeline.records import claims, deciding
from pipeline.records.deciding import Said
from pipeline.records.house import House, Refused
from pipeline.records.tables import Listing
from pipeline.records.words import Choice, Order
from tests.records.inventing import NOW, a_person, invent_listings


def take_next(records, house, person, now=NOW, order=Order.SUSPICION):
    with records.writing() as db:
        listing = claims.next_for(db, person, house, now, order)
        return listing and listing.listing_id


def test_two_people_get_two_listings_the_most_suspicious_first(records, house):
    invent_listings(records, 5)
    ann, bea = a_person(records, "ann"), a_person(records, "bea")
    assert (take_next(records, house, ann), take_next(records, house, bea)) == ("L000001", "L000002")


def test_by_loss_the_dearest_chance_comes_first(records, house):
    invent_listings(records, 50)
    ann = a_person(records, "ann")
    with records.reading() as db:
        dearest = db.query(Listing).order_by(Listing.expected_loss.desc()).first().listing_id
    assert take_next(records, house, ann, order=Order.LOSS) == dearest != "L000001"


def test_asking_again_gives_the_listing_that_is_kept_already(records, house):
    invent_listings(records, 5)
    ann = a_person(records, "ann")
    assert take_next(records, house, ann) == take_next(records, house, ann)


def test_a_listing_that_nobody_decided_in_time_goes_to_a_colleague(records, house):
    invent_listings(records, 5)
    ann, bea = a_person(records, "ann"), a_person(records, "bea")
    first = take_next(records, house, ann)
    later = NOW + house.claim + timedelta(seconds=1)
    assert take_next(records, house, bea, later) == first
    with records.writing() as db:
        listing = db.query(Listing).filter_by(listing_id=first).one()
        with pytest.raises(Refused, match="not yours"):
            deciding.decide(db, ann, house, later, listing, Said(Choice.LET_GO))


def test_who_is_late_may_still_decide_if_nobody_took_the_listing(records, house):
    invent_listings(records, 5)
    ann = a_person(records, "ann")
    first = take_next(records, house, ann)
    with records.writing() as db:
        listing = db.query(Listing).filter_by(listing_id=first).one()
        deciding.decide(db, ann, house, NOW + 2 * house.claim, listing, Said(Choice.LET_GO))
    with records.reading() as db:
        assert db.query(Listing).filter_by(listing_id=first).one().state == "gone"


def test_looking_on_keeps_a_listing_longer(records, house):
    invent_listings(records, 5)
    ann, bea = a_person(records, "ann"), a_person(records, "bea")
    take_next(records, house, ann)
    nearly = NOW + house.claim - timedelta(seconds=1)
    with records.writing() as db:
        assert claims.extend(db, ann, house, nearly, 1)
        assert not claims.extend(db, bea, house, nearly, 1)
    assert take_next(records, house, bea, nearly + timedelta(minutes=1)) == "L000002"


def test_a_listing_left_to_a_colleague_does_not_come_back_to_the_same_person(records, house):
    invent_listings(records, 2)
    ann, bea = a_person(records, "ann"), a_person(records, "bea")
    take_next(records, house, ann)
    with records.writing() as db:
        deciding.decide(db, ann, house, NOW, db.get(Listing, 1), Said(Choice.PUT_BACK))
    assert take_next(records, house, ann) == "L000002"
    assert take_next(records, house, bea) == "L000001"


def test_taking_a_certain_listing_that_a_colleague_looks_at_is_refused(records, house):
    invent_listings(records, 2)
    ann, bea = a_person(records, "ann"), a_person(records, "bea")
    take_next(records, house, ann)
    with pytest.raises(Refused, match="colleague"), records.writing() as db:
        claims.take(db, bea, house, NOW, db.get(Listing, 1))


def test_eight_people_at_once_never_get_the_same_listing(records, house):
    invent_listings(records, 120)
    people = [a_person(records, f"p{n}") for n in range(8)]
    decided, failures = [], []

    def work(person):
        try:
            while True:
                with records.writing() as db:
                    listing = claims.next_for(db, person, house, NOW, Order.SUSPICION)
                    if listing is None:
                        return
                    name = listing.listing_id
                with records.writing() as db:
                    deciding.decide(db, person, house, NOW, db.get(Listing, listing.id), Said(Choice.LET_GO))
                    decided.append(name)
        except Exception as err:  # told of below, in the test's own thread
            failures.append(err)

    threads = [threading.Thread(target=work, args=(person,)) for person in people]
    [thread.start() for thread in threads]
    [thread.join() for thread in threads]
    assert failures == []
    assert sorted(decided) == [f"L{n:06d}" for n in range(1, 121)]


def test_nobody_takes_by_hand_what_wants_another_pair_of_eyes(records):
    always_two = House(second_share=1.0)
    invent_listings(records, 2)
    ann, bea = a_person(records, "ann"), a_person(records, "bea")
    take_next(records, always_two, ann)
    with records.writing() as db:
        listing = db.get(Listing, 1)
        deciding.decide(db, ann, always_two, NOW, listing, Said(Choice.LET_GO))
        with pytest.raises(Refused, match="somebody else"):
            claims.take(db, ann, always_two, NOW, listing)
        claims.take(db, bea, always_two, NOW, listing)


def test_nobody_looks_again_at_what_they_held_back_when_its_seller_objects(records, house):
    invent_listings(records, 2)
    ann, bea = a_person(records, "ann"), a_person(records, "bea")
    take_next(records, house, ann)
    with records.writing() as db:
        listing = db.get(Listing, 1)
        deciding.decide(db, ann, house, NOW, listing, Said(Choice.HOLD_BACK, ("tab_word",)))
        deciding.open_again(db, ann, NOW, listing, "the seller sent a receipt")
        with pytest.raises(Refused, match="somebody else"):
            claims.take(db, ann, house, NOW, listing)
        claims.take(db, bea, house, NOW, listing)


def test_where_nobody_else_could_look_one_pair_of_eyes_has_to_do(records):
    always_two = House(second_share=1.0)
    invent_listings(records, 2)
    ann = a_person(records, "ann")
    take_next(records, always_two, ann)
    with records.writing() as db:
        listing = db.get(Listing, 1)
        deciding.decide(db, ann, always_two, NOW, listing, Said(Choice.LET_GO))
        claims.take(db, ann, always_two, NOW, listing)
        assert listing.claimed_by == ann.id
