"""A folder of invented listings is one that our own readers accept, and the same seed writes the same folder."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image

from pipeline.cues import LISTED_CUES
from pipeline.domain import Photo
from pipeline.evaluate.labelled import read_labelled
from pipeline.intake import check_against_sheets, read_listings, read_photo
from synthetic.listings import SynthOptions, choose_kinds, save_photo, write_folder
from tests.evidence.builders import sheet

ORIENTATION = 0x0112


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("night") / "listings"
    write_folder(out, listings=3, seed=21, sheet=sheet(), options=SynthOptions(counterfeit_share=0.5), workers=1)
    return out


def contents(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.slow
def test_the_same_seed_writes_the_same_bytes_however_many_workers(folder, tmp_path):
    half = SynthOptions(counterfeit_share=0.5)
    write_folder(tmp_path / "again", listings=3, seed=21, sheet=sheet(), options=half, workers=2)
    assert contents(tmp_path / "again") == contents(folder)
    write_folder(tmp_path / "other", listings=1, seed=22, sheet=sheet(), options=half, workers=1)
    assert contents(tmp_path / "other")["truth.jsonl"] not in contents(folder)["truth.jsonl"]


@pytest.mark.slow
def test_our_own_reader_takes_every_listing(folder):
    listings, problems = read_listings(folder / "listings.jsonl")
    assert problems == []
    known, unknown = check_against_sheets(listings, {"quillmere": sheet()})
    assert [item.listing_id for item in known] == [item.listing_id for item in listings]
    assert unknown == []
    assert len(listings) == 3
    for listing in listings:
        assert 3 <= len(listing.photos) <= 8


@pytest.mark.slow
def test_photos_are_upright_as_annotated(folder):
    listings, _ = read_listings(folder / "listings.jsonl")
    sizes = {
        image["file_name"]: (image["width"], image["height"])
        for image in json.loads((folder / "parts.coco.json").read_text())["images"]
    }
    for listing in listings:
        for name in listing.photos:
            photo = read_photo(folder, name)
            assert isinstance(photo, Photo)
            assert photo.size_wh == sizes[name]


@pytest.mark.slow
def test_boxes_lie_inside_their_photos_and_states_are_known(folder):
    coco = json.loads((folder / "parts.coco.json").read_text())
    image = {row["id"]: row for row in coco["images"]}
    assert len(coco["annotations"]) > 10
    for row in coco["annotations"]:
        x, y, w, h = row["bbox"]
        assert x >= -0.05
        assert y >= -0.05
        assert x + w <= image[row["image_id"]]["width"] + 0.15  # corners and sizes are rounded to 0.1 px
        assert y + h <= image[row["image_id"]]["height"] + 0.15
    labelled = read_labelled(folder)
    for part in labelled.parts:
        for cue, state in part.cues.items():
            assert state in LISTED_CUES[cue].states
    for truth in (json.loads(line) for line in (folder / "truth.jsonl").read_text().splitlines()):
        assert set(truth["cues"]) == set(LISTED_CUES)
        assert all(state in LISTED_CUES[cue].states for cue, state in truth["cues"].items())


def test_a_photo_saved_on_its_side_reads_upright(tmp_path):
    x, y = np.meshgrid(np.arange(90), np.arange(60))
    pixels = np.stack([x * 2, y * 4, np.full_like(x, 90)], -1).astype(np.uint8)  # no turn maps it onto itself
    rng, met = np.random.default_rng(1), set()
    for i in range(60):
        save_photo(tmp_path / f"{i}.jpg", pixels, rng)
        with Image.open(tmp_path / f"{i}.jpg") as image:
            met.add(image.getexif().get(ORIENTATION, 1))
        photo = read_photo(tmp_path, f"{i}.jpg")
        assert photo.size_wh == (90, 60)
        assert np.abs(photo.pixels.astype(int) - pixels).mean() < 4
    assert met == {1, 3, 6, 8}


def test_a_listing_has_three_to_eight_different_photos_and_a_zip_only_where_there_is_one():
    rng = np.random.default_rng(2)
    counts, with_zip = set(), {"button": 0, "zip": 0}
    for fly in with_zip:
        for _ in range(600):
            kinds = choose_kinds(rng, fly)
            assert len(kinds) == len(set(kinds))
            counts.add(len(kinds))
            with_zip[fly] += "zip" in kinds
    assert counts == {3, 4, 5, 6, 7, 8}
    assert with_zip["button"] == 0
    assert with_zip["zip"] > 200


def test_a_folder_with_files_in_it_is_refused(tmp_path):
    (tmp_path / "old.txt").write_text("here before")
    with pytest.raises(FileExistsError, match="choose a new folder"):
        write_folder(tmp_path, listings=1, seed=1, sheet=sheet())
