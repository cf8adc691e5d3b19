"""The same photo under another seller, on another night."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from pipeline import store
from pipeline.domain import Photo
from pipeline.photo_reuse import fingerprint
from pipeline.scan.looking import Seen
from tests.scan.nights import SHEETS, HerePool, a_row, files_of, scan, write_rows
from tests.test_photo_reuse import as_reused, load


class Printing(HerePool):
    """Takes fingerprints of the photos and sees nothing else in them."""

    def look_at_all(self, jobs):
        for number, job in enumerate(jobs):
            self.looked.append(job.path)
            pixels = cv2.cvtColor(cv2.imread(str(self.photos_root / job.path)), cv2.COLOR_BGR2RGB)
            yield number, Seen((), fingerprint(Photo(job.path, pixels)))


def printing(root):
    pool = Printing(root, root, SHEETS, 1)
    object.__setattr__(pool, "looked", [])
    return pool


@pytest.fixture
def first_night(tmp_path):
    """Two photos under two sellers."""
    rows = []
    for seller, name in (("S1", "china.jpg"), ("S2", "coffee.png")):
        cv2.imwrite(str(tmp_path / f"{seller}.png"), load(name)[..., ::-1])
        rows.append(a_row(f"first-{seller}", seller_id=seller, listed_at="2026-01-05", photos=[f"{seller}.png"]))
    url = f"sqlite:///{tmp_path / 'store.db'}"
    scan(write_rows(tmp_path, rows), tmp_path / "one", url, printing(tmp_path))
    return url


def a_copy(tmp_path, name, **how):
    copy = as_reused(load("china.jpg"), np.random.default_rng(4), **how)
    cv2.imwrite(str(tmp_path / name), np.ascontiguousarray(copy[..., ::-1]))


def reuse_in(out):
    return {
        one.listing_id: reason.sentence
        for one in store.read_queue(out)
        for reason in one.reasons
        if reason.cue == "photo_reuse" and reason.log10_lr > 0.2
    }


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_copy_of_an_earlier_nights_photo_is_found(tmp_path, first_night, mirrored):
    a_copy(tmp_path, "copy.png", mirrored=mirrored)
    rows = [a_row("second", seller_id="S3", listed_at="2026-02-05", photos=["copy.png"])]
    scan(write_rows(tmp_path, rows), tmp_path / "two", first_night, printing(tmp_path))
    assert list(reuse_in(tmp_path / "two")) == ["second"]
    assert "first-S1" in json.dumps([one.sentence for one in store.read_queue(tmp_path / "two")[0].reasons])


def test_the_sellers_own_earlier_photo_is_no_copy_and_a_listing_scanned_again_is_not_its_own(tmp_path, first_night):
    a_copy(tmp_path, "copy.png", mirrored=False)
    rows = [
        a_row("first-S1", seller_id="S1", listed_at="2026-01-05", photos=["S1.png"]),
        a_row("second", seller_id="S1", listed_at="2026-02-05", photos=["copy.png"]),
    ]
    scan(write_rows(tmp_path, rows), tmp_path / "two", first_night, printing(tmp_path))
    assert reuse_in(tmp_path / "two") == {}


def test_the_same_file_under_another_seller_is_found_and_looked_at_once(tmp_path, first_night):
    pool = printing(tmp_path)
    rows = [a_row("second", seller_id="S3", listed_at="2026-02-05", photos=["S2.png"])]
    scan(write_rows(tmp_path, rows), tmp_path / "two", first_night, pool)
    assert pool.looked == []
    assert list(reuse_in(tmp_path / "two")) == ["second"]


def test_without_its_index_a_store_finds_the_same(tmp_path, first_night):
    a_copy(tmp_path, "copy.png", mirrored=True)
    rows = [a_row("second", seller_id="S3", listed_at="2026-02-05", photos=["copy.png"])]
    listings = write_rows(tmp_path, rows)
    scan(listings, tmp_path / "one", first_night, printing(tmp_path))  # with the index of the first night
    scan(listings, tmp_path / "other", first_night, printing(tmp_path))  # with a new one
    assert files_of(tmp_path / "one") == files_of(tmp_path / "other")
