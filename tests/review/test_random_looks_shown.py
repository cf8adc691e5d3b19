"""What the analyst sees of whole nights, and of crops that are worth a label."""

from __future__ import annotations

from sqlalchemy import update

from pipeline.records import tables
from pipeline.records.words import Role, State
from pipeline.records.worth_a_label import Offer, offer


def test_whole_nights_are_told_once_looks_by_chance_are_decided(page):
    nina = page.as_somebody("nina", Role.ANALYST)
    assert "a few looks drawn by chance have to be decided" in nina.get("/figures").text
    with page.records.writing() as db:
        night = db.query(tables.RandomNight).one()
        night.top, night.rest, night.cut_probability, night.cut_listing_id = 1, 2, 0.97, 1
        db.add(tables.RandomLook(listing_id=3, run_id=night.run_id))
        db.execute(update(tables.Listing).where(tables.Listing.id == 1).values(state=State.HELD))
        db.execute(update(tables.Listing).where(tables.Listing.id == 3).values(state=State.GONE))
    shown = nina.get("/figures").text
    assert "Of 3 listings in 1 runs" in shown
    assert "33.3%" in shown  # one of three, the one drawn standing for two
    assert "50.0%" in shown  # by looked-at alone one of two


def test_crops_worth_a_label_are_offered_with_their_picture(page):
    nina = page.as_somebody("nina", Role.ANALYST)
    with page.records.writing() as db:
        photo = db.query(tables.Part).first().photo
        box, told = (100.0, 100.0, 200.0, 150.0), {"full": 0.55, "wrong": 0.45}
        offers = [
            Offer("L/1", photo, "tab", box, "tab_word", told),
            Offer("gone", photo, "tab", box, "tab_word", told),
        ]
        assert offer(db, offers) == 1
    shown = nina.get("/figures").text
    assert "What to label next" in shown
    assert "full 55%, wrong 45%" in shown
    picture = nina.get("/worth/1")
    assert picture.headers["content-type"] == "image/jpeg"
    assert nina.get("/worth/2").status_code == 404


def test_a_moderator_sees_none_of_it(page, ann):
    assert ann.get("/worth/1").status_code == 403
