"""What may be wrong with labels: leaks, contradictions, gaps, and labels that look wrong."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("torch")

from pipeline.classify.heads import HEADS
from pipeline.config import load_sheets
from pipeline.improve.contradictions import find_contradictions
from pipeline.improve.crops import crops_of
from pipeline.improve.dataset import Side, read_dataset
from pipeline.improve.findings import Worry
from pipeline.improve.gaps import find_gaps
from pipeline.improve.leaks import find_leaks
from pipeline.improve.mislabels import find_mislabels
from tests.improve.folders import write_folder
from tests.test_layers import ROOT

FIT, CHECK = "s1", "s7"  # sellers that the fixed split puts on these sides


def untold(done: int, total: int) -> None:
    """No progress."""


def test_the_two_sellers_stand_where_these_tests_take_them_to_stand(tmp_path):
    rows = [{"listing_id": "a", "seller_id": FIT}, {"listing_id": "b", "seller_id": CHECK}]
    data = read_dataset([write_folder(tmp_path / "f", rows)])
    assert [one.side for one in data.listings] == [Side.FIT, Side.CHECK]


def test_listings_and_sellers_on_both_sides_are_leaks(tmp_path):
    train = write_folder(tmp_path / "train", [{"listing_id": "a", "seller_id": FIT}], seed=1)
    test = write_folder(
        tmp_path / "test", [{"listing_id": "a", "seller_id": "x"}, {"listing_id": "b", "seller_id": FIT}], seed=2
    )
    found = [one.sentence for one in find_leaks(read_dataset([train]), read_dataset([test]), untold)]
    assert found[0] == "1 listings stand in fit and in test: a."
    assert found[1].startswith("1 sellers stand in fit and in test")
    assert len(found) == 2


def test_a_photo_cut_and_compressed_anew_is_known_again_on_the_other_side(tmp_path):
    train = write_folder(tmp_path / "train", [{"listing_id": "a", "seller_id": FIT}], seed=1)
    test = write_folder(tmp_path / "test", [{"listing_id": "b", "seller_id": "x"}], seed=2)
    with Image.open(train / "photos/a.jpg") as image:
        copy = io.BytesIO()
        image.crop((12, 8, 310, 232)).save(copy, "JPEG", quality=70)
    (test / "photos/b.jpg").write_bytes(copy.getvalue())
    found = find_leaks(read_dataset([train]), read_dataset([test]), untold)
    assert [one.listings for one in found] == [("a", "b")]
    assert "show the same photo" in found[0].sentence


def test_a_photo_that_cannot_be_read_is_told_of(tmp_path):
    train = write_folder(tmp_path / "train", [{"listing_id": "a", "seller_id": FIT}])
    (train / "photos/a.jpg").write_bytes(b"no picture")
    found = find_leaks(read_dataset([train]), read_dataset([]), untold)
    assert [one.worry for one in found] == [Worry.UNREADABLE]


def test_labels_that_cannot_all_be_right_are_named(tmp_path):
    rows = [
        {"listing_id": "a", "seller_id": FIT, "cues": {"tab_word": "wrong"}, "truth": {"tab_word": "full"}},
        {"listing_id": "b", "seller_id": FIT, "cues": {"tab_word": "purple"}},
        {"listing_id": "c", "seller_id": FIT, "cues": {"zip_mark": "own"}},
        {"listing_id": "d", "seller_id": FIT, "cues": {"tab_thread": "other"}, "photo_seed": 77},
        {"listing_id": "e", "seller_id": CHECK, "cues": {"tab_thread": "matching"}, "photo_seed": 77},
        {"listing_id": "f", "seller_id": CHECK, "cues": {"tab_thread": "matching"}},
    ]
    found = find_contradictions(read_dataset([write_folder(tmp_path / "f", rows)]))
    assert [one.listings for one in found] == [("a",), ("b",), ("c",), ("d", "e")]
    assert "truth.jsonl says full" in found[0].sentence
    assert "no known cue and state" in found[1].sentence
    assert "cannot show it" in found[2].sentence
    assert "other in one and matching in the other" in found[3].sentence


def tab_crops(folder, answers):
    """A labelled tab a listing, five sellers, its thread as given."""
    rows = [
        {"listing_id": f"L{n}", "seller_id": f"seller{n % 10}", "cues": {"tab_thread": answer}}
        for n, answer in enumerate(answers)
    ]
    return crops_of(read_dataset([write_folder(folder, rows)]), load_sheets(ROOT / "configs"))


def test_a_state_with_few_examples_or_one_seller_is_a_gap(tmp_path):
    sheets = load_sheets(ROOT / "configs")
    rows = [{"listing_id": f"L{n}", "seller_id": FIT, "cues": {"tab_thread": "other"}} for n in range(6)]
    found = [one.sentence for one in find_gaps(crops_of(read_dataset([write_folder(tmp_path / "f", rows)]), sheets))]
    assert any(line.startswith("tab_thread = other: 6 examples to learn from, 0 to check on") for line in found)
    assert any(line.startswith("tab_thread = matching: 0 examples") for line in found)
    assert f"tab_thread = other: all 6 examples are of the seller {FIT}." in found


def test_planted_mislabels_are_found_and_right_labels_are_left_alone(tmp_path):
    # Two clouds that hardly overlap; of 80 labels six are turned round. Confident learning: Northcutt et al. 2021.
    rng = np.random.default_rng(4)
    true = np.arange(80) % 2
    said = true.copy()
    planted = [3, 10, 25, 44, 61, 78]
    said[planted] = 1 - said[planted]
    crops = tab_crops(tmp_path / "f", [("matching", "other")[k] for k in said])
    number = next(place for place, head in enumerate(HEADS) if head.name == "tab_thread")
    found = np.zeros((80, len(HEADS) + 1, 16), np.float32)
    found[:, number] = rng.normal(0, 1, (80, 16)) + 1.6 * (2 * true[:, None] - 1)
    likely, untold_heads = find_mislabels(crops, found)
    named = {int(one.crop.of.listing.listing_id[1:]) for one in likely}
    assert set(planted) <= named
    assert len(named) <= len(planted) + 2
    assert {one.looks for one in likely if int(one.crop.of.listing.listing_id[1:]) == 3} == {
        ("matching", "other")[true[3]]
    }
    assert "zip_mark" in untold_heads
