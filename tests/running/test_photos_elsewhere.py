"""A night whose photos lie on a web server ends as one whose photos lie beside the listings."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import timedelta
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from sqlalchemy import select

from pipeline.domain import Photo, Problem
from pipeline.intake import FarPhotos, photos_from, read_listings, read_photo
from pipeline.records import tables
from pipeline.records.database import Store
from pipeline.records.dossier import photo_place
from pipeline.records.take_in import take_in
from pipeline.review.pictures import read_whole
from pipeline.running import NightOrder, purge, run_night
from pipeline.scan.batch import Night, scan_with
from pipeline.scan.looking import PhotoJob
from pipeline.scan.workers import Outcome
from pipeline.store import RunAbout
from tests.evidence.builders import evidence
from tests.scan.nights import NOW, SHEETS, HerePool, a_night, files_of, here_pool, scan

pytest.importorskip("fsspec")
pytest.importorskip("aiohttp")


class Counting(SimpleHTTPRequestHandler):
    asked: Counter[str]  # how often each photo was sent

    def log_message(self, *_: object) -> None:
        return

    def do_GET(self) -> None:
        self.asked[self.path.lstrip("/")] += 1
        super().do_GET()


class Reading(HerePool):
    """Looks as the networks do in one thing: it reads the photo."""

    def look_at_all(self, jobs: Iterable[PhotoJob]) -> Iterator[tuple[int, Outcome]]:
        for number, job in enumerate(jobs):
            photo = read_photo(self.photos_root, job.path, job.sha256)
            looked = super().look_at_all([job])
            yield (number, photo) if isinstance(photo, Problem) else (number, next(looked)[1])


@pytest.fixture
def served(tmp_path) -> Iterator[FarPhotos]:
    """The photos of `tmp_path / "night"`."""
    Counting.asked = Counter()
    handler = partial(Counting, directory=str(tmp_path / "night"))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield photos_from([f"http://127.0.0.1:{server.server_port}"])
        server.shutdown()


def test_the_rows_are_the_same_the_page_shows_the_photos_and_a_purge_removes_none(tmp_path, served):
    listings = a_night(tmp_path / "night", listings=4)
    (tmp_path / "night/p/L1_1plain.png").write_bytes(b"")  # one that can't be read
    beside, url = here_pool(listings.parent), f"sqlite:///{tmp_path / 'far.db'}"
    scan(listings, tmp_path / "near", f"sqlite:///{tmp_path / 'near.db'}", beside)
    scan(listings, tmp_path / "far", url, here_pool(served))
    assert files_of(tmp_path / "far") == files_of(tmp_path / "near")

    records = Store(url)
    named = {one.listing_id: one for one in read_listings(listings)[0]}
    assert take_in(records, tmp_path / "far", named, served, NOW).listings == 4
    with records.reading() as db:
        photos = db.scalars(select(tables.ListingPhoto).where(tables.ListingPhoto.sha256.is_not(None))).all()
        assert len(photos) == 7
        for one in photos:
            assert isinstance(read_whole(*photo_place(db, one.sha256), one.sha256), Photo)
    before = sorted(Path(tmp_path / "night/p").iterdir())
    done = purge(records, NOW + timedelta(days=1), None, None)
    assert (done.photos, done.files) == (7, 0)
    assert sorted(Path(tmp_path / "night/p").iterdir()) == before
    records.close()


@pytest.mark.parametrize(("waits", "times"), [(True, 1), (False, 2)])
def test_a_photo_is_fetched_once_from_its_listing_to_the_moderators_queue(tmp_path, monkeypatch, served, waits, times):
    monkeypatch.setattr("pipeline.running.nightly.scan_night", scan_with)  # no networks are looked for
    listings, out, url = a_night(tmp_path / "night", listings=4), tmp_path / "out", f"sqlite:///{tmp_path / 's.db'}"
    (tmp_path / "night/p/L1_1plain.png").write_bytes(b"")
    out.mkdir()
    places = replace(served, wait_in=out / ".fetched") if waits else served
    pool = Reading(Path("models"), places, SHEETS, 1)
    object.__setattr__(pool, "looked", [])
    order = NightOrder(Night(listings, out, RunAbout("listings.jsonl", "m", "r")), url, 20.0)
    outcome = run_night(order, pool, evidence(), lambda done, total: None, print, now=lambda: NOW)
    assert (outcome.done.counts.looked_at, outcome.taken_in.new) == (7, 4)
    assert sorted(Counting.asked.values()) == [1] + 7 * [times]  # the one that can't be read is not looked at
    assert not (out / ".fetched").exists()

    Counting.asked.clear()
    again = replace(order, night=replace(order.night, out=tmp_path / "again"))
    (tmp_path / "again").mkdir()
    assert run_night(again, pool, evidence(), lambda done, total: None, print, now=lambda: NOW).taken_in.listings == 0
    assert set(Counting.asked.values()) == {1}  # what was looked at before is fetched to know it again
