"""A run's folder into the database."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from sqlalchemy import func, select

from pipeline import store
from pipeline.domain import Assessment, ReuseMatch
from pipeline.records.dossier import find_listing, photo_place, read_dossier
from pipeline.records.house import House
from pipeline.records.settings import change_settings
from pipeline.records.tables import Listing, PartCue, RandomLook
from pipeline.records.take_in import TakenIn, take_in
from pipeline.records.words import Role, State
from tests.records.inventing import NOW, a_person
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


def cut_down(folder, **changes):
    """The run, now with L2's photo known again as cut out of L/1's; what the pages of both listings show."""
    listings = make_run(folder)
    mine = ReuseMatch("p/2.jpg", "L/1", "s1", "p/1.jpg", True, 0.97, 0.3)
    theirs = ReuseMatch("p/1.jpg", "L2", "s2", "p/2.jpg", True, 0.97, -0.3)
    queue = [
        replace(one, reuse={"L2": (replace(mine, **changes),), "L/1": (theirs,)}.get(one.listing_id, ()))
        for one in store.read_queue(folder / "run")
    ]
    store.write_run(folder / "run", queue, store.read_parts(folder / "run"), [], store.RunAbout("listings.jsonl"))
    return listings


def elsewhere(records, listing_id):
    with records.reading() as db:
        return read_dossier(db, find_listing(db, listing_id)).elsewhere


def test_a_photo_made_from_another_sellers_is_named_from_both_sides(records, tmp_path):
    take_in(records, tmp_path / "run", cut_down(tmp_path), tmp_path, NOW)
    (copy,) = elsewhere(records, "L2")
    same_file, source = elsewhere(records, "L/1")
    assert (copy.listing_id, copy.how) == ("L/1", "this listing's photo is cut out of that one, mirrored")
    assert (same_file.listing_id, same_file.how) == ("L3", "the very same file")
    assert (source.listing_id, source.how) == ("L2", "that one is cut out of this listing's photo, mirrored")
    assert (copy.photo, copy.other_photo) == (source.other_photo, source.photo)


def named_but_not_shown(records):
    """The only photo elsewhere of L2: whose it is said to be, and why it is not shown."""
    (other,) = elsewhere(records, "L2")
    return other.listing_id, other.seller_id, other.why_not


def test_a_photo_that_could_not_be_read_is_named_and_not_shown(records, tmp_path):
    take_in(records, tmp_path / "run", cut_down(tmp_path, other_photo="p/gone.jpg"), tmp_path, NOW)
    name, seller, why_not = named_but_not_shown(records)
    assert (name, seller) == ("L/1", "s1")
    assert "no longer to be found" in why_not


def test_a_photo_of_a_night_that_never_came_in_is_named_and_not_shown(records, tmp_path):
    changes = {"other_listing_id": "L9", "other_seller_id": "s9"}
    take_in(records, tmp_path / "run", cut_down(tmp_path, **changes), tmp_path, NOW)
    name, seller, why_not = named_but_not_shown(records)
    assert (name, seller) == ("L9", "s9")
    assert "never came into this database" in why_not


def earlier_and_tonight(records, folder):
    """A night with another seller's photo in a folder of its own, and tonight's, which knows it again."""
    write_photo(folder / "before/old/9.jpg", 9)
    earlier = replace(the_listings()[0], listing_id="L9", seller_id="s9", photos=("old/9.jpg",))
    store.write_run(folder / "before/run", [Assessment("L9", 0.4, 0.5)], [], [])
    take_in(records, folder / "before/run", {"L9": earlier}, folder / "before", NOW)
    changes = {"other_listing_id": "L9", "other_seller_id": "s9", "other_photo": "old/9.jpg"}
    take_in(records, folder / "run", cut_down(folder, **changes), folder, NOW)
    return folder / "before/old/9.jpg"


def test_a_photo_of_an_earlier_night_is_found_in_that_nights_folder(records, tmp_path):
    file = earlier_and_tonight(records, tmp_path)
    (other,) = elsewhere(records, "L2")
    assert (other.listing_id, other.state, other.why_not) == ("L9", State.WAITING, "")
    with records.reading() as db:
        root, path = photo_place(db, other.other_photo)
    assert (Path(root) / path).samefile(file)


def test_a_photo_whose_file_was_removed_since_is_named_and_not_shown(records, tmp_path):
    earlier_and_tonight(records, tmp_path).unlink()
    assert "removed since" in named_but_not_shown(records)[2]


def test_a_photo_that_the_other_seller_has_taken_away_is_still_named(records, tmp_path):
    listings = cut_down(tmp_path)
    listings.pop("L3")  # shows the same file
    take_in(records, tmp_path / "run", listings, tmp_path, NOW)
    store.write_run(tmp_path / "second", [Assessment("L/1", 0.4, 0.5)], [], [])
    take_in(records, tmp_path / "second", {"L/1": replace(listings["L/1"], photos=())}, tmp_path, NOW)
    name, seller, why_not = named_but_not_shown(records)
    assert (name, seller) == ("L/1", "s1")
    assert "no longer to be found" in why_not


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


def test_as_many_random_looks_are_drawn_as_was_set_on_the_page(records, tmp_path):
    house = House(capacity=1, random_looks=1)
    with records.writing() as db:
        change_settings(db, NOW, a_person(records, "root", Role.ADMIN), house, {"random_looks": "2"})
    take_in(records, tmp_path / "run", make_run(tmp_path), tmp_path, NOW, house)
    with records.reading() as db:
        assert db.scalar(select(func.count()).select_from(RandomLook)) == 2
