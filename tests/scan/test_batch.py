"""A night through the store: what was seen once is not looked at again, and what stopped goes on."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from pipeline import store
from pipeline.domain import Problem
from pipeline.scan.night import scan_listings
from pipeline.scan.workers import Pool
from tests.evidence.builders import evidence
from tests.scan.nights import (
    NOW,
    SHEETS,
    HerePool,
    a_night,
    a_photo,
    a_row,
    files_of,
    here_pool,
    scan,
    write_rows,
)
from tests.scan.stand_ins import ByName


@pytest.fixture
def url(tmp_path) -> str:
    return f"sqlite:///{tmp_path / 'store.db'}"


def test_the_same_photo_under_the_same_judge_is_never_looked_at_twice(tmp_path, url):
    listings = a_night(tmp_path)
    first, second = here_pool(tmp_path), here_pool(tmp_path)
    scan(listings, tmp_path / "one", url, first)
    scan(listings, tmp_path / "two", url, second)
    assert (len(first.looked), second.looked) == (12, [])
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")


def test_a_file_that_stands_in_two_listings_is_looked_at_once_and_told_of_in_both(tmp_path, url):
    for name in ("a.png", "copy.png"):
        a_photo(tmp_path / name, 7)
    listings = write_rows(tmp_path, [a_row("L1", photos=["a.png"]), a_row("L2", seller_id="T", photos=["copy.png"])])
    pool = here_pool(tmp_path)
    scan(listings, tmp_path / "out", url, pool)
    assert pool.looked == ["a.png"]
    assert [part.found.photo for part in store.read_parts(tmp_path / "out")] == ["a.png", "copy.png"]


def test_an_edited_listing_is_scored_anew_without_a_look_at_its_photos(tmp_path, url):
    listings = a_night(tmp_path)
    scan(listings, tmp_path / "out", url)
    before = {one.listing_id: one for one in store.read_queue(tmp_path / "out")}
    rows = [json.loads(line) for line in listings.read_text().splitlines()]
    write_rows(tmp_path, [row | ({"price_eur": 3.0} if row["listing_id"] == "L4" else {}) for row in rows])
    pool = here_pool(tmp_path)
    scan(listings, tmp_path / "out", url, pool)
    after = {one.listing_id: one for one in store.read_queue(tmp_path / "out")}
    assert pool.looked == []
    assert {name for name in before if before[name].log10_lr != after[name].log10_lr} == {"L4"}


def test_new_networks_look_at_everything_anew_and_old_looks_stay(tmp_path, url):
    listings = a_night(tmp_path)
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "parts.yaml").write_text(f"version: {name}")
    pools = [here_pool(tmp_path, tmp_path / name) for name in ("old", "new", "old")]
    for pool in pools:
        scan(listings, tmp_path / "out", url, pool)
    assert [len(pool.looked) for pool in pools] == [12, 12, 0]


def test_a_changed_sheet_is_another_judge_of_its_maker(tmp_path, url):
    listings = a_night(tmp_path, listings=1)
    scan(listings, tmp_path / "out", url)
    sheet = SHEETS["quillmere"]
    wider = sheet.model_copy(update={"pocket": sheet.pocket.model_copy(update={"width_top": 200.0})})
    pool = HerePool(here_pool(tmp_path).models_dir, tmp_path, {"quillmere": wider}, 1)
    object.__setattr__(pool, "looked", [])
    scan(listings, tmp_path / "out", url, pool)
    assert len(pool.looked) == 2


@pytest.mark.parametrize("after", [0, 1, 7, 11])
def test_a_scan_that_was_stopped_goes_on_where_it_was_and_ends_with_the_same_bytes(tmp_path, url, after, monkeypatch):
    listings = a_night(tmp_path)
    scan(listings, tmp_path / "whole", f"sqlite:///{tmp_path / 'other.db'}")
    monkeypatch.setattr("pipeline.scan.batch._KEEP_AFTER", 1)

    class Stopped(HerePool):
        def look_at_all(self, jobs):
            for number, outcome in super().look_at_all(jobs):
                if number == after:
                    raise KeyboardInterrupt
                yield number, outcome

    stopped = Stopped(here_pool(tmp_path).models_dir, tmp_path, SHEETS, 1)
    object.__setattr__(stopped, "looked", [])
    with pytest.raises(KeyboardInterrupt):
        scan(listings, tmp_path / "out", url, stopped)
    assert list((tmp_path / "out").iterdir()) == []
    pool = here_pool(tmp_path)
    scan(listings, tmp_path / "out", url, pool)
    assert len(pool.looked) == 12 - after
    assert files_of(tmp_path / "out") == files_of(tmp_path / "whole")


def test_the_rows_are_those_of_a_scan_in_memory(tmp_path, url, monkeypatch):
    listings = a_night(tmp_path, L1_0="bad", L3_1="bad")
    scan(listings, tmp_path / "out", url)
    from pipeline.intake import read_listings

    for name in ("read_card", "load_memory"):
        monkeypatch.setattr(f"pipeline.scan.night.{name}", lambda *given: None)
    monkeypatch.setattr("pipeline.scan.night.Pool", lambda *given: here_pool(tmp_path))
    rows, problems = read_listings(listings)
    result = scan_listings(rows, tmp_path, SHEETS, evidence(), tmp_path, 1, lambda done, total: None)
    store.write_run(
        tmp_path / "memory",
        result.assessments,
        result.parts,
        [*problems, *result.problems],
        store.RunAbout("listings.jsonl", "m", "r"),
    )
    through_store, in_memory = files_of(tmp_path / "out"), files_of(tmp_path / "memory")
    assert through_store.pop("photos.jsonl") != in_memory.pop("photos.jsonl") == b""  # only a store needs these
    assert through_store == in_memory


def test_a_clock_that_is_set_back_changes_nothing(tmp_path, url):
    listings = a_night(tmp_path)
    scan(listings, tmp_path / "whole", f"sqlite:///{tmp_path / 'other.db'}")
    moments = (NOW - timedelta(days=400 * n) for n in range(1000))
    pool = here_pool(tmp_path)
    scan(listings, tmp_path / "half", url, now=lambda: next(moments), limit=3)
    scan(listings, tmp_path / "out", url, pool, now=lambda: next(moments))
    assert len(pool.looked) == 6
    assert files_of(tmp_path / "out") == files_of(tmp_path / "whole")


def test_a_photo_that_ends_its_worker_twice_is_set_aside_and_tried_again_only_when_asked(tmp_path, url):
    listings = a_night(tmp_path, listings=2, L1_0="crash")
    pool = Pool(here_pool(tmp_path).models_dir, tmp_path, SHEETS, 1, make_looker=ByName)
    done = scan(listings, tmp_path / "out", url, pool)
    (problem,) = store.read_problems(tmp_path / "out")
    assert (problem.listing_id, problem.photo) == ("L1", "p/L1_0crash.png")
    assert problem.reason.endswith("made the program that reads it stop (tried 2 times)")
    assert done.counts.set_aside == 1
    again = here_pool(tmp_path)
    scan(listings, tmp_path / "again", url, again)
    assert again.looked == []
    assert files_of(tmp_path / "again") == files_of(tmp_path / "out")

    class Healed(HerePool):
        def look_at_all(self, jobs):
            return ((number, Problem(f"now {job.path} is read")) for number, job in enumerate(jobs))

    asked = Healed(pool.models_dir, tmp_path, SHEETS, 1)
    done = scan(listings, tmp_path / "again", url, asked, tries_again=True)
    assert [one.reason for one in done.first_problems] == ["now p/L1_0crash.png is read"]


def test_a_photo_that_cannot_be_read_costs_no_row_and_no_look(tmp_path, url):
    (tmp_path / "cut.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    listings = write_rows(tmp_path, [a_row("L1", photos=["cut.png", "gone.png"])])
    pool = here_pool(tmp_path)
    scan(listings, tmp_path / "out", url, pool)
    assert pool.looked == []
    assert [one.listing_id for one in store.read_queue(tmp_path / "out")] == ["L1"]
    cut, gone = (one.reason for one in store.read_problems(tmp_path / "out"))
    assert "cut off" in cut
    assert "no such" in gone


def test_only_the_first_listings_or_the_newer_ones_are_scanned_when_asked(tmp_path, url):
    rows = [a_row(f"L{day}", listed_at=f"2026-03-0{day}T12:00:00") for day in (1, 2, 3)]
    listings = write_rows(tmp_path, [*rows, a_row("L9", listed_at="lately")])
    scan(listings, tmp_path / "since", url, since=datetime(2026, 3, 2, 12, tzinfo=UTC))
    scan(listings, tmp_path / "limit", url, limit=2)
    named = {out: sorted(one.listing_id for one in store.read_queue(tmp_path / out)) for out in ("since", "limit")}
    assert named == {"since": ["L2", "L3", "L9"], "limit": ["L1", "L2"]}
