"""A run's folder into the database."""

from __future__ import annotations

from dataclasses import replace

from pipeline import store
from pipeline.domain import Assessment
from pipeline.records.dossier import find_listing, read_dossier
from pipeline.records.tables import Listing, PartCue
from pipeline.records.take_in import TakenIn, take_in
from pipeline.records.words import State
from tests.records.inventing import NOW
from tests.review.conftest import the_listings, the_run, write_photo


def make_run(folder):
    write_photo(folder / "p/1.jpg", 1)
    write_photo(folder / "p/2.jpg", 2)
    the_run(folder / "run")
    return {one.listing_id: one for one in the_listings()}


def test_everything_that_the_scan_found_is_there_again(records, tmp_path):
    listings = make_run(tmp_path)
    assert take_in(records, tmp_path / "run", listings, tmp_path, NOW) == TakenIn(3, 3)
    with records.reading() as db:
        file = read_dossier(db, find_listing(db, "L/1"))
        likelihoods = [db.get(PartCue, (part.id, "tab_word")).likelihood for part in file.parts]
    (first, *_), run = store.read_queue(tmp_path / "run"), store.read_parts(tmp_path / "run")
    assert [(r.cue, r.state, r.log10_lr, r.sentence) for r in file.reasons] == [
        (r.cue, r.state, r.log10_lr, r.sentence) for r in first.reasons
    ]
    assert [(p.part, p.box, likelihood) for p, likelihood in zip(file.parts, likelihoods, strict=True)] == [
        (p.found.part, [p.found.box.x, p.found.box.y, p.found.box.w, p.found.box.h], dict(p.cues[0].likelihood))
        for p in run
    ]
    assert (file.run.model, file.run.rules) == ("m1", "r1")
    assert list(file.unseen) == ["code_match"]


def test_the_same_run_is_taken_in_once(records, tmp_path):
    listings = make_run(tmp_path)
    take_in(records, tmp_path / "run", listings, tmp_path, NOW)
    assert take_in(records, tmp_path / "run", listings, tmp_path, NOW) == TakenIn(0, 0)


def another_night(folder, listings, photos):
    """The same listing scanned again, now with these photos."""
    store.write_run(folder / "second", [Assessment("L2", 0.4, 0.5)], [], [])
    return {"L2": replace(listings["L2"], photos=photos)}


def test_a_listing_scanned_again_keeps_its_decision_and_takes_the_new_chance(records, tmp_path):
    listings = make_run(tmp_path)
    take_in(records, tmp_path / "run", listings, tmp_path, NOW)
    with records.writing() as db:
        listing = find_listing(db, "L2")
        listing.state, listing.is_open = State.HELD, False
    again = another_night(tmp_path, listings, ("p/1.jpg",))
    assert take_in(records, tmp_path / "second", again, tmp_path, NOW) == TakenIn(1, 0)
    with records.reading() as db:
        listing = find_listing(db, "L2")
    assert (listing.state, listing.probability) == (State.HELD, 0.5)


def test_a_seller_who_was_asked_and_shows_another_photo_is_looked_at_again(records, tmp_path):
    listings = make_run(tmp_path)
    take_in(records, tmp_path / "run", listings, tmp_path, NOW)
    for photos, state in ((("p/2.jpg",), State.ASKED), (("p/2.jpg", "p/1.jpg"), State.WAITING)):
        with records.writing() as db:
            listing = find_listing(db, "L2")
            listing.state, listing.is_open = State.ASKED, False
        store.write_run(tmp_path / "again", [Assessment("L2", 0.4, 0.5 + len(photos) / 10)], [], [])
        take_in(records, tmp_path / "again", {"L2": replace(listings["L2"], photos=photos)}, tmp_path, NOW)
        with records.reading() as db:
            assert find_listing(db, "L2").state == state


def test_a_listing_that_the_file_does_not_hold_is_left_out(records, tmp_path):
    listings = make_run(tmp_path)
    del listings["L3"]
    take_in(records, tmp_path / "run", listings, tmp_path, NOW)
    with records.reading() as db:
        assert {one.listing_id for one in db.query(Listing)} == {"L/1", "L2"}
