"""What was seen in photos, kept and forgotten, on both kinds of database."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from sqlalchemy import select

from pipeline.domain import Box, CueReading, FoundPart, Measurement, PartName, PartReading, Photo
from pipeline.photo_reuse import compare, fingerprint
from pipeline.records import tables
from pipeline.records.looks import (
    Look,
    LookKey,
    Shown,
    forget_set_aside,
    keep_looks,
    keep_showings,
    known_looks,
    moved_to,
    photo_number,
    read_looks,
    read_photos,
    read_showings,
)
from pipeline.records.purge import clean_up, forget_photos, old_photos
from tests.records.inventing import NOW
from tests.test_photo_reuse import load

KEY, BAD = LookKey("a" * 64, "judge"), LookKey("b" * 64, "judge")
PLACE = {"photo": "a.jpg", "part": PartName.TAB, "box": Box(1.25, 2, 3, 4)}
CUE = CueReading("tab_position", {"in_place": 0.1, "off": 0.9}, measured=Measurement(41.3, 0.7, "mm"), **PLACE)
PART = PartReading(FoundPart("a.jpg", PartName.TAB, PLACE["box"], 0.123456789), (CUE,))


def test_a_look_comes_back_as_it_was_kept_and_the_first_one_stays(records):
    china = fingerprint(Photo("", np.ascontiguousarray(load("china.jpg"))))
    looks = [Look(KEY, (PART,), china), Look(BAD, problem="it made the program stop", tries=2)]
    with records.writing() as db:
        keep_looks(db, looks, NOW)
        keep_looks(db, [Look(KEY)], NOW)
    with records.reading() as db:
        assert known_looks(db, [KEY, BAD, LookKey("a" * 64, "another judge")]) == {KEY, BAD}
        found = read_looks(db, [KEY, BAD])
        known = read_photos(db, [photo_number(KEY.sha256), 7])
    assert found == {KEY: Look(KEY, (PART,)), BAD: Look(BAD, problem="it made the program stop", tries=2)}
    (moved,) = moved_to(found[KEY].parts, "b.jpg")
    assert (moved.found.photo, moved.cues[0].photo) == ("b.jpg", "b.jpg")
    same = compare(known[photo_number(KEY.sha256)].fingerprint, china)
    assert same is not None
    assert same.agreement > 0.999
    with records.writing() as db:
        forget_set_aside(db, ["judge"])
        assert known_looks(db, [KEY, BAD]) == {KEY}


def test_a_photo_is_old_once_no_scan_has_met_it_in_any_listing_for_so_long(records):
    with records.writing() as db:
        keep_looks(db, [Look(KEY, (PART,)), Look(BAD, problem="cut off")], NOW - timedelta(days=9))
        for days, listing in ((9, "L1"), (9, "L2"), (1, "L2")):
            keep_showings(db, [Shown(KEY.sha256, listing, "S", "2026-01-01", "p/1.jpg")], NOW - timedelta(days=days))
        keep_showings(db, [Shown(BAD.sha256, "L3", "S", "2026-01-01", "p/1.jpg")], NOW - timedelta(days=9))
    with records.writing() as db:
        (old,) = old_photos(db, NOW - timedelta(days=5))
        forget_photos(db, [old.sha256])
    clean_up(records)
    with records.reading() as db:
        assert db.scalars(select(tables.Look.sha256)).all() == [KEY.sha256]
        assert [one.listing_id for one in read_showings(db, [KEY.sha256, BAD.sha256])[KEY.sha256]] == ["L1", "L2"]
