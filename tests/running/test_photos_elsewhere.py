"""A night whose photos lie on a web server ends as one whose photos lie beside the listings."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from sqlalchemy import select

from pipeline.domain import Photo
from pipeline.intake import FarPhotos, photos_from, read_listings
from pipeline.records import tables
from pipeline.records.database import Store
from pipeline.records.dossier import photo_place
from pipeline.records.take_in import take_in
from pipeline.review.pictures import read_whole
from pipeline.running import purge
from tests.scan.nights import NOW, a_night, files_of, here_pool, scan

pytest.importorskip("fsspec")
pytest.importorskip("aiohttp")


class Silent(SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        return


@pytest.fixture
def served(tmp_path) -> Iterator[FarPhotos]:
    """The photos of `tmp_path / "night"`."""
    handler = partial(Silent, directory=str(tmp_path / "night"))
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
