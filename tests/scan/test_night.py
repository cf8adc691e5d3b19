"""From photos to the queue, with stand-ins for the networks."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.config import ConfigError
from pipeline.domain import Listing, ListingReadings, ReuseMatch
from pipeline.evidence import assess
from pipeline.scan import Pool, look_at_listings, night, scan_listings
from tests.evidence.builders import evidence, listing, seen, sheet, sure
from tests.scan.stand_ins import ByName

SHEETS = {"quillmere": sheet()}


def look(*listings: Listing) -> tuple[ListingReadings, ...]:
    calls: list[tuple[int, int]] = []
    pool = Pool(Path("models"), Path(), SHEETS, 1, make_looker=ByName)
    readings = look_at_listings(listings, pool, evidence(), lambda done, total: calls.append((done, total)))
    photos = sum(len(one.photos) for one in listings)
    assert calls == [(n, photos) for n in range(1, photos + 1)]
    return readings


def test_every_listing_has_its_readings_though_a_photo_is_bad_or_there_is_none():
    first, second, third = look(
        listing(listing_id="A", photos=("a", "crash", "bad")),
        listing(listing_id="B", seller_id="S2", photos=()),
        listing(listing_id="C", seller_id="S3", photos=("blank",), style_number="QM-21"),
    )
    assert [one.listing.listing_id for one in (first, second, third)] == ["A", "B", "C"]
    assert [(problem.listing_id, problem.photo) for problem in first.problems] == [("A", "crash"), ("A", "bad")]
    assert [part.found.photo for part in (*first.parts, *third.parts)] == ["a", "blank"]
    assert (second.parts, second.cues, second.problems) == ((), (), ())
    assert [cue.cue for cue in third.cues] == ["photo_reuse"]


def test_the_metal_seen_is_compared_with_the_style_where_that_is_known():
    known, unknown = look(
        listing(listing_id="A", photos=("a",), style_number="QM-21"),  # copper; the stand-in sees steel
        listing(listing_id="B", photos=("b",), style_number=None),
    )
    assert {cue.cue: cue.likelihood for cue in known.parts[0].cues}["metal"]["other"] == pytest.approx(0.8)
    assert [cue.cue for cue in unknown.parts[0].cues] == ["rivet_stamp"]


def test_the_order_of_photos_changes_nothing():
    one, other = look(
        listing(listing_id="A", photos=("a", "blank", "c"), style_number="QM-21"),
        listing(listing_id="A", photos=("c", "a", "blank"), style_number="QM-21"),
    )
    assert assess(one, sheet(), evidence()) == assess(other, sheet(), evidence())
    assert len(assess(one, sheet(), evidence()).reasons) > 1


def test_a_match_with_another_sellers_photo_stays_with_the_listing_even_where_it_says_nothing_against_it(monkeypatch):
    match = ReuseMatch("a", "B", "S2", "b", False, 0.98, -0.4)  # the other one is cut out of this one
    monkeypatch.setattr(night, "find_reuse", lambda entries: {"A": [match]})
    first, second = look(listing(listing_id="A", photos=("a",)), listing(listing_id="B", seller_id="S2", photos=("b",)))
    assessed = assess(first, sheet(), evidence())
    assert assessed.reuse == (match,)
    assert "photo_reuse" in assessed.not_seen
    assert assess(second, sheet(), evidence()).reuse == ()


def test_without_networks_one_line_says_so(tmp_path):
    with pytest.raises(ConfigError, match="card is missing"):
        scan_listings([listing(photos=("a",))], tmp_path, SHEETS, evidence(), tmp_path, 1, lambda done, total: None)


def test_a_sign_that_is_read_far_too_often_is_told_of_and_counts_for_less(monkeypatch, tmp_path):
    def all_coated(listings, pool, weights, on_progress):
        return tuple(ListingReadings(one, cues=(sure("button_finish", "coated"),)) for one in listings)

    for name, stand_in in {
        "look_at_listings": all_coated, "read_card": lambda *given: None, "load_memory": lambda *given: "no memory",
    }.items():  # fmt: skip
        monkeypatch.setattr(night, name, stand_in)
    listings = [listing(listing_id=str(n)) for n in range(30)]
    result = scan_listings(listings, tmp_path, SHEETS, evidence(), tmp_path, 1, lambda done, total: None)
    memory, sign = result.notices
    assert memory == "no memory"
    assert '"finish of the button" is read on 30 of 30 listings (100%; 4% would be usual)' in sign
    alone = assess(seen(sure("button_finish", "coated")), sheet(), evidence())
    assert all(0 < one.log10_lr < alone.log10_lr / 4 for one in result.assessments)
