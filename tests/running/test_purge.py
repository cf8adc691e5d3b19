"""Nothing of a seller's device or place is kept; old photos go with all that could show them again."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import func, select

from pipeline import store
from pipeline.contact_sheet import write_contact_sheet
from pipeline.domain import Photo
from pipeline.intake import read_listings, read_photo
from pipeline.photo_reuse import fingerprint, fingerprint_to_bytes
from pipeline.records import tables
from pipeline.records.database import Store
from pipeline.records.dossier import find_listing
from pipeline.records.take_in import take_in
from pipeline.running import purge
from tests.scan.nights import NOW, a_row, scan, write_rows

# Exif 2.32 (CIPA DC-008): tag 0x010F maker, 0x0110 model, 0xA431 body serial number, 0x8825 the place.
MARKS = (b"Nobodycam", b"Model-X7Q", b"SERIAL-99-13", b"PLACE-OF-SELLER")


def a_photo_with_a_past(path: Path, seed: int) -> None:
    cells = np.random.default_rng(seed).integers(0, 256, (12, 16, 3), dtype=np.uint8)
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Nobodycam", "Model-X7Q"
    exif.get_ifd(0x8769)[0xA431] = "SERIAL-99-13"
    exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 31.0, 12.0), 3: "E", 4: (13.0, 24.0, 36.0), 27: b"PLACE-OF-SELLER"})
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(cells).resize((160, 120), Image.Resampling.BICUBIC).save(path, exif=exif, quality=90)
    assert all(mark in path.read_bytes() for mark in MARKS)


@pytest.fixture
def nights(tmp_path) -> Store:
    """Two listings, scanned and taken in, the first a hundred days ago; one was held back."""
    url = f"sqlite:///{tmp_path / 'house/store.db'}"
    (tmp_path / "house").mkdir()
    for name, seed, days in (("old", 1, 100), ("new", 2, 1)):
        a_photo_with_a_past(tmp_path / f"{name}-blank.jpg", seed)
        listings = write_rows(tmp_path, [a_row(name, seller_id=f"S{seed}", photos=[f"{name}-blank.jpg"])])
        out, moment = tmp_path / "house" / name, NOW - timedelta(days=days)
        scan(listings, out, url, now=lambda moment=moment: moment)
        read = {one.listing_id: one for one in read_listings(listings)[0]}
        write_contact_sheet(out, store.read_queue(out), read, tmp_path)
        os.utime(out / store.QUEUE, (moment.timestamp(), moment.timestamp()))
        records = Store(url)
        take_in(records, out, read, tmp_path, moment)
        records.close()
    records = Store(url)
    with records.writing() as db:
        listing = find_listing(db, "old")
        person = tables.Person(name="ann", role="moderator", password_hash="", is_active=True, made_at=NOW)
        db.add(person)
        db.flush()
        db.add(
            tables.Decision(
                listing_id=listing.id,
                assessment_id=listing.assessment_id,
                person_id=person.id,
                at=NOW,
                choice="hold_back",
                look=1,
                round=1,
                cues=["rivet_stamp"],
                words="blank rivet",
                state_before="waiting",
            )
        )
    yield records
    records.close()


def everything_in(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file())


def test_no_word_of_the_device_or_the_place_is_kept_anywhere(tmp_path, nights):
    with nights.reading() as db:
        data = db.scalars(select(tables.Fingerprint.data)).all()
        looks = db.scalars(select(tables.Look.seen)).all()
    kept = everything_in(tmp_path / "house") + b"".join(data) + b"".join(filter(None, looks))
    assert len(kept) > 10_000
    assert not [mark for mark in MARKS if mark in kept]
    photo = read_photo(tmp_path, "old-blank.jpg")
    assert isinstance(photo, Photo)


def counts(records: Store) -> dict[str, int]:
    names = ("Listing", "Assessment", "Reason", "Part", "PartCue", "Decision", "ListingPhoto")
    with records.reading() as db:
        return {name: db.scalar(select(func.count()).select_from(getattr(tables, name))) for name in names}


def test_a_purge_removes_old_photos_and_crops_and_keeps_decisions_and_counts(tmp_path, nights):
    blank = Photo("", np.full((64, 64, 3), 90, np.uint8))  # what the stand-in for the networks takes for every photo
    before, signature = counts(nights), fingerprint_to_bytes(fingerprint(blank))[-400:]
    with nights.reading() as db:
        old, new = db.scalars(select(tables.ListingPhoto.sha256).order_by(tables.ListingPhoto.listing_id)).all()
        look = db.get_one(tables.Look, (old, db.scalar(select(tables.Look.judge)))).seen
    done = purge(nights, NOW - timedelta(days=90), tmp_path / "house", None)
    assert (done.photos, done.files, done.sheets) == (1, 1, 2)
    assert not (tmp_path / "old-blank.jpg").exists()
    assert (tmp_path / "new-blank.jpg").exists()
    assert counts(nights) == before
    with nights.reading() as db:
        for table in (tables.Look, tables.Fingerprint, tables.Showing):
            assert db.scalars(select(table.sha256)).all() == [new]
        assert db.scalars(select(tables.Decision.words)).all() == ["blank rivet"]
        assert db.scalars(select(tables.Part.texts).where(tables.Part.photo == old)).all() == [[]]
    left = everything_in(tmp_path / "house")
    assert look
    assert look not in left
    assert left.count(signature) <= 1  # the newer photo's
    assert sorted(path.name for path in (tmp_path / "house/old").iterdir()) == [
        "problems.jsonl",
        "queue.jsonl",
        "run.json",
    ]
    assert (tmp_path / "house/new/contact_sheet.jpg").exists()


def test_a_photo_that_a_newer_scan_met_again_stays(tmp_path, nights):
    listings = write_rows(tmp_path, [a_row("old", seller_id="S1", photos=["old-blank.jpg"])])
    scan(listings, tmp_path / "again", str(nights.engine.url), now=lambda: NOW)
    assert purge(nights, NOW - timedelta(days=90), None, None).photos == 0
    assert (tmp_path / "old-blank.jpg").exists()


def test_a_file_that_is_another_photo_by_now_is_not_removed(tmp_path, nights):
    a_photo_with_a_past(tmp_path / "old-blank.jpg", 3)
    assert purge(nights, NOW - timedelta(days=90), None, None).files == 0
    assert (tmp_path / "old-blank.jpg").exists()
