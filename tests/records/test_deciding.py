"""Deciding, taking back, second opinions, objections, corrections."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from pipeline.records import claims, deciding
from pipeline.records.audit import read_trail
from pipeline.records.deciding import Said
from pipeline.records.house import House, Refused
from pipeline.records.tables import Asking, Correction, Decision, Listing, Part, Photo
from pipeline.records.words import Choice, Order, State
from tests.records.inventing import NOW, a_person, invent_listings

ALWAYS_TWO = House(second_share=1.0)


@pytest.fixture
def ann(records):
    invent_listings(records, 4)
    return a_person(records, "ann")


def say(records, house, person, said, now=NOW):
    """The person takes the next listing and says something; the listing afterwards."""
    with records.writing() as db:
        listing = claims.next_for(db, person, house, now, Order.SUSPICION)
        deciding.decide(db, person, house, now, listing, said)
        return listing


@pytest.mark.parametrize(
    ("said", "state"),
    [
        (Said(Choice.LET_GO), State.GONE),
        (Said(Choice.HOLD_BACK, cues=("tab_word",)), State.HELD),
        (Said(Choice.EXPERT, words="the rivets puzzle me"), State.EXPERT),
        (Said(Choice.ASK, views=("label",), message="Could you please?"), State.ASKED),
        (Said(Choice.PUT_BACK), State.WAITING),
    ],
)
def test_each_choice_leads_where_its_words_say(records, house, ann, said, state):
    listing = say(records, house, ann, said)
    assert (listing.state, listing.is_open, listing.claimed_by) == (state, state.is_open, None)


@pytest.mark.parametrize("choice", [Choice.HOLD_BACK, Choice.EXPERT])
@pytest.mark.parametrize("words", ["", "too short", "          "])
def test_what_can_hurt_somebody_needs_a_reason(records, house, ann, choice, words):
    with pytest.raises(Refused, match="reason"):
        say(records, house, ann, Said(choice, words=words))


def test_asking_without_saying_for_what_is_refused(records, house, ann):
    with pytest.raises(Refused, match="which photo"):
        say(records, house, ann, Said(Choice.ASK, message="please"))


def test_the_message_to_the_seller_is_kept_for_sending(records, house, ann):
    say(records, house, ann, Said(Choice.ASK, views=("label",), message="Could you please?"))
    with records.reading() as db:
        asking = db.scalars(select(Asking)).one()
    assert (asking.views, asking.message) == (["label"], "Could you please?")


def test_every_decision_leaves_a_line_that_names_person_networks_and_rules(records, house, ann):
    say(records, house, ann, Said(Choice.HOLD_BACK, cues=("tab_word",)))
    with records.reading() as db:
        line = read_trail(db, "L000001")[0]
    assert (line.person, line.what, line.model, line.rules) == ("ann", "held back", "m1", "r1")
    assert line.detail["cues"] == ["tab_word"]


def test_taking_back_gives_the_listing_back_to_the_same_person(records, house, ann):
    say(records, house, ann, Said(Choice.LET_GO))
    with records.writing() as db:
        listing = deciding.undo(db, ann, house, NOW)
    assert (listing.listing_id, listing.state, listing.claimed_by) == ("L000001", State.WAITING, ann.id)
    with records.reading() as db:
        assert db.scalars(select(Decision)).one().undone_at == NOW
        assert [line.what for line in read_trail(db)][:2] == ["took back", "let go"]


def test_a_message_to_the_seller_that_was_taken_back_is_not_there_to_be_sent(records, house, ann):
    say(records, house, ann, Said(Choice.ASK, views=("label",), message="Could you please?"))
    with records.writing() as db:
        deciding.undo(db, ann, house, NOW)
    with records.reading() as db:
        assert db.scalars(select(Asking)).all() == []


def test_taking_back_twice_goes_back_two_decisions(records, house, ann):
    say(records, house, ann, Said(Choice.LET_GO))
    say(records, house, ann, Said(Choice.LET_GO))
    with records.writing() as db:
        assert deciding.undo(db, ann, house, NOW).listing_id == "L000002"
        assert deciding.undo(db, ann, house, NOW).listing_id == "L000001"


def test_nothing_old_and_nothing_of_others_is_taken_back(records, house, ann):
    say(records, house, ann, Said(Choice.LET_GO))
    bea = a_person(records, "bea")
    for person, now in ((bea, NOW), (ann, NOW + house.undo_within + timedelta(seconds=1))):
        with pytest.raises(Refused, match="nothing of yours"), records.writing() as db:
            deciding.undo(db, person, house, now)


def test_what_a_colleague_went_on_from_is_not_taken_back(records, ann):
    bea = a_person(records, "bea")
    say(records, ALWAYS_TWO, ann, Said(Choice.LET_GO))
    with records.writing() as db:
        claims.take(db, bea, ALWAYS_TWO, NOW, db.get(Listing, 1))
    with pytest.raises(Refused, match="gone on"), records.writing() as db:
        deciding.undo(db, ann, ALWAYS_TWO, NOW)


def test_what_a_colleague_has_decided_since_is_not_taken_back(records, ann):
    bea = a_person(records, "bea")
    say(records, ALWAYS_TWO, ann, Said(Choice.LET_GO))
    say(records, ALWAYS_TWO, bea, Said(Choice.LET_GO))
    with pytest.raises(Refused, match="gone on"), records.writing() as db:
        deciding.undo(db, ann, ALWAYS_TWO, NOW)


def test_the_second_opinion_is_asked_of_somebody_else(records, ann):
    first = say(records, ALWAYS_TWO, ann, Said(Choice.LET_GO))
    assert first.state == State.SECOND
    with records.writing() as db:
        assert claims.next_for(db, ann, ALWAYS_TWO, NOW, Order.SUSPICION).listing_id == "L000002"
    bea = a_person(records, "bea")
    assert say(records, ALWAYS_TWO, bea, Said(Choice.LET_GO)).listing_id == "L000001"


def test_two_that_agree_settle_it_and_two_that_differ_call_a_third(records, ann):
    bea, cleo = a_person(records, "bea"), a_person(records, "cleo")
    held = Said(Choice.HOLD_BACK, cues=("tab_word",))
    say(records, ALWAYS_TWO, ann, held)
    assert say(records, ALWAYS_TWO, bea, held).state == State.HELD
    say(records, ALWAYS_TWO, ann, held)
    assert say(records, ALWAYS_TWO, bea, Said(Choice.LET_GO)).state == State.DIFFER
    settled = say(records, ALWAYS_TWO, cleo, Said(Choice.LET_GO))
    assert (settled.listing_id, settled.state) == ("L000002", State.GONE)


def test_about_the_share_that_was_asked_for_gets_a_second_look(records):
    invent_listings(records, 400)
    ann, house = a_person(records, "ann"), House(second_share=0.3)
    with records.writing() as db:
        for n in range(1, 401):
            listing = db.get(Listing, n)
            listing.claimed_by = ann.id
            db.flush()
            deciding.decide(db, ann, house, NOW, listing, Said(Choice.LET_GO))
        second = sum(listing.state == State.SECOND for listing in db.scalars(select(Listing)))
    assert 65 <= second <= 175  # 120 expected; six standard deviations of a binomial are 55


def test_an_objection_opens_the_listing_again_for_somebody_else(records, house, ann):
    bea = a_person(records, "bea")
    held = say(records, house, ann, Said(Choice.HOLD_BACK, cues=("tab_word",)))
    with records.writing() as db:
        deciding.open_again(db, ann, NOW, db.get(Listing, held.id), "seller sent the receipt")
    with records.writing() as db:
        assert claims.next_for(db, ann, house, NOW, Order.SUSPICION).listing_id == "L000002"
        assert claims.next_for(db, bea, house, NOW, Order.SUSPICION).listing_id == "L000001"


def test_opening_again_without_saying_why_is_refused(records, house, ann):
    gone = say(records, house, ann, Said(Choice.LET_GO))
    with pytest.raises(Refused, match="why"), records.writing() as db:
        deciding.open_again(db, ann, NOW, db.get(Listing, gone.id), "")


def test_the_same_correction_once_more_takes_it_back(records, ann):
    for standing in (1, 0, 1):
        with records.writing() as db:
            deciding.correct_cue(db, ann, NOW, db.get(Listing, 1), "tab_word", "wrong", None)
        with records.reading() as db:
            assert db.query(Correction).filter(Correction.undone_at.is_(None)).count() == standing


def test_a_box_said_to_be_wrong_can_be_drawn_anew(records, ann):
    with records.writing() as db:
        db.add(Photo(sha256="a" * 64, width=100, height=100))
        db.flush()
        db.add(
            Part(id=7, assessment_id=1, photo="a" * 64, part="tab", box=[1, 2, 3, 4], score=1, is_sure=True, texts=[])
        )
    for box in (None, [5, 6, 7, 8]):
        with records.writing() as db:
            deciding.correct_box(db, ann, NOW, db.get(Listing, 1), db.get(Part, 7), box)
    with records.reading() as db:
        standing = db.query(Correction).filter(Correction.undone_at.is_(None)).all()
    assert [one.true_box for one in standing] == [[5, 6, 7, 8]]
