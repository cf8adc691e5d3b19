"""Datasets known by their content, split the same way every time, and test sets that nobody trains on."""

from __future__ import annotations

import json
import shutil

import pytest

from pipeline.improve.dataset import (
    FrozenTouched,
    Side,
    freeze,
    frozen_sets,
    read_dataset,
    read_frozen,
    refuse_frozen,
)
from tests.improve.folders import write_folder


def rows(first: int, count: int) -> list[dict]:
    return [
        {"listing_id": f"L{n}", "seller_id": f"s{n % 7}", "cues": {"tab_word": "full"}, "photo_seed": n}
        for n in range(first, first + count)
    ]


@pytest.fixture
def folder(tmp_path):
    return write_folder(tmp_path / "labels", rows(1, 8))


def test_the_version_is_the_same_wherever_the_same_labels_lie(folder, tmp_path):
    copy = shutil.copytree(folder, tmp_path / "elsewhere")
    assert read_dataset([folder]).version == read_dataset([copy]).version


def test_the_version_does_not_depend_on_the_order_of_the_folders(folder, tmp_path):
    other = write_folder(tmp_path / "more", rows(20, 3))
    assert read_dataset([folder, other]).version == read_dataset([other, folder]).version


@pytest.mark.parametrize("what", ["label", "photo", "truth"])
def test_the_version_changes_with_any_label_photo_or_truth(folder, what):
    before = read_dataset([folder]).version
    if what == "label":
        coco = json.loads((folder / "parts.coco.json").read_text())
        coco["annotations"][0]["attributes"]["tab_word"] = "wrong"
        (folder / "parts.coco.json").write_text(json.dumps(coco))
    elif what == "photo":
        path = folder / "photos/L1.jpg"
        path.write_bytes(path.read_bytes() + b"\0")
    else:
        lines = (folder / "truth.jsonl").read_text().replace('"counterfeit": false', '"counterfeit": true', 1)
        (folder / "truth.jsonl").write_text(lines)
    assert read_dataset([folder]).version != before


def test_no_seller_stands_on_both_sides(tmp_path):
    data = read_dataset([write_folder(tmp_path / "many", rows(1, 60))])
    sellers = {side: {one.listing.seller_id for one in data.of_side(side).listings} for side in (Side.FIT, Side.CHECK)}
    assert not sellers[Side.FIT] & sellers[Side.CHECK]
    assert sum(map(len, sellers.values())) == 7


def test_a_frozen_set_is_refused_under_another_name_and_other_listing_ids(folder, tmp_path):
    shelf = tmp_path / "shelf"
    freeze(folder, "autumn", shelf)
    again = write_folder(tmp_path / "disguised", [{"listing_id": "X", "seller_id": "new", "photo_seed": 3}])
    with pytest.raises(FrozenTouched, match="X: in the frozen test set autumn"):
        refuse_frozen(read_dataset([again]), frozen_sets(shelf))
    clean = write_folder(tmp_path / "clean", [{"listing_id": "Y", "seller_id": "new", "photo_seed": 99}])
    refuse_frozen(read_dataset([clean]), frozen_sets(shelf))


def test_a_frozen_set_that_was_changed_is_not_tested_on(folder, tmp_path):
    frozen = freeze(folder, "autumn", tmp_path / "shelf")
    assert len(read_frozen(frozen).listings) == 8
    (folder / "photos/L2.jpg").unlink()
    with pytest.raises(ValueError, match="is not the test set autumn any more"):
        read_frozen(frozen)
    with pytest.raises(ValueError, match="take another name"):
        freeze(folder, "autumn", tmp_path / "shelf")
