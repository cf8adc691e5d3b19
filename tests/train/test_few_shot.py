"""Subsets of labelled listings are nested and whole, and the share won back is what its name says."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("torch")

import torch

from pipeline.evaluate.labelled import read_labelled
from pipeline.intake import read_photo
from pipeline.train import few_shot
from pipeline.train.backbone import LiteTrunk
from pipeline.train.few_shot_report import Adapted, Report, won_back, write_report
from pipeline.train.judging import Figures
from pipeline.train.listing_subsets import (
    ListingPhotos,
    first_with_photos,
    listings_in,
    set_aside,
    shuffled,
    write_subset,
)
from pipeline.train.loop import Averaged, Schedule, optimiser, take_step
from pipeline.train.networks import Detector
from tests.evaluate.night import make_night

LISTINGS = [ListingPhotos(f"L{i}", 1 + i % 4) for i in range(40)]  # 100 photos in all


@pytest.mark.parametrize("draw", range(3))
def test_subsets_of_one_draw_are_nested_and_hold_at_most_the_photos_asked_for(draw):
    order = shuffled(LISTINGS, draw)
    before: list[ListingPhotos] = []
    for count in (5, 25, 50, 99, 200):
        chosen = first_with_photos(order, count)
        assert chosen[: len(before)] == before
        assert sum(listing.photos for listing in chosen) <= count
        rest = order[len(chosen) :]
        assert not rest or sum(listing.photos for listing in chosen) + rest[0].photos > count
        before = chosen
    assert sorted(before, key=lambda one: int(one.listing_id[1:])) == LISTINGS
    assert order != shuffled(LISTINGS, draw + 1)


def test_a_listing_with_more_photos_than_asked_for_is_still_taken_whole():
    assert first_with_photos([ListingPhotos("a", 9), ListingPhotos("b", 1)], 4) == [ListingPhotos("a", 9)]


def test_what_is_set_aside_to_choose_on_is_never_learned_from():
    learn, choose = set_aside(shuffled(LISTINGS, 1), 0.2)
    assert len(choose) == 8
    assert not {one.listing_id for one in learn} & {one.listing_id for one in choose}
    assert len(learn) + len(choose) == len(LISTINGS)
    with pytest.raises(ValueError, match="at least two listings"):
        set_aside(LISTINGS[:1], 0.2)


def a_night(folder):
    """Labels of an invented night, and a picture for each of its photos."""
    make_night(folder, 6, 3.0)
    rng = np.random.default_rng(2)
    for listing in read_labelled(folder).listings:
        for path in listing.photos:
            (folder / path).parent.mkdir(exist_ok=True)
            Image.fromarray(rng.integers(0, 255, (40, 48, 3), dtype=np.uint8)).save(folder / path)
    return folder


def test_a_subset_is_a_labelled_folder_of_its_own_with_its_photos_and_labels(tmp_path):
    night = a_night(tmp_path / "night")
    everything = listings_in(night)
    chosen = everything[1:3]
    subset = write_subset(night, chosen, tmp_path / "subset")
    whole, part = read_labelled(night), read_labelled(subset)
    names = [listing.listing_id for listing in part.listings]
    assert names == [listing.listing_id for listing in chosen]
    assert set(part.truth) == set(names)
    photos = {path for listing in part.listings for path in listing.photos}
    assert part.parts == tuple(item for item in whole.parts if item.photo in photos)
    assert part.parts
    for path in photos:
        assert (read_photo(subset, path).pixels == read_photo(night, path).pixels).all()
    again = write_subset(night, everything[:1], subset)
    assert len(read_labelled(again).listings) == 1
    assert len(list((again / "photos").iterdir())) == everything[0].photos


def test_a_folder_without_its_tables_is_named(tmp_path):
    with pytest.raises(ValueError, match=r"listings\.jsonl: cannot be read"):
        listings_in(tmp_path)


# ---------------------------------------------------------------- freezing


def test_what_is_frozen_stays_and_the_rest_learns():
    torch.manual_seed(1)
    network = Detector(LiteTrunk())
    network.trunk.freeze_early()
    network.train()
    before = {name: value.clone() for name, value in network.state_dict().items()}
    averaged, opt = Averaged(network), optimiser(network, Schedule(2, 1, 1e-2))
    scores, boxes = network(torch.rand(2, 3, 64, 64) * 255)
    take_step(scores.mean() + boxes.mean(), network, opt, 10.0)
    averaged.update(network)
    changed = {name for name, value in network.state_dict().items() if (value != before[name]).any()}
    early = ("trunk._conv_stem", "trunk._bn0", *(f"trunk._blocks.{i}." for i in range(5)))  # stride 8 ends at block 4
    assert not {name for name in changed if name.startswith(early)}
    assert any(name.startswith("trunk._blocks.5.") for name in changed)
    assert any(name.startswith("score_tower") for name in changed)


# ---------------------------------------------------------------- the report


def test_the_share_won_back_is_none_all_or_less_than_none():
    assert won_back(0.9, 0.7, 0.7) == pytest.approx(0)
    assert won_back(0.9, 0.7, 0.85) == pytest.approx(0.75)
    assert won_back(0.9, 0.7, 0.6) == pytest.approx(-0.5)
    assert won_back(0.02, 0.10, 0.04) == pytest.approx(0.75)  # an error, of which less is better
    assert won_back(0.9, 0.899, 0.95) is None
    assert won_back(0.9, None, 0.95) is None


def figures(ap50: float) -> Figures:
    return Figures(ap50 - 0.1, ap50, 0.9, 0.8, 0.05, 0.4, {"tab_word": 0.9}, 20, 4)


def test_the_report_has_a_row_a_point_and_a_picture(tmp_path):
    points = tuple(Adapted(25, 23 + draw, draw, "mixed", 3.21, figures(0.8 + 0.04 * draw)) for draw in range(2))
    write_report(Report(figures(0.9), figures(0.7), "mixed", points), tmp_path)
    rows = json.loads((tmp_path / "few_shot.json").read_text())["points"]
    assert [row["photos"] for row in rows] == [23, 24]
    assert rows[1]["won_back"]["detection AP50"] == pytest.approx(0.7)
    assert rows[1]["won_back"]["ECE"] is None
    assert (tmp_path / "few_shot.png").stat().st_size > 10_000


# ---------------------------------------------------------------- the experiment


class Rehearsal:
    """Stands in for training and scanning: what a network is worth depends on how many photos it was trained on."""

    def __init__(self, monkeypatch):
        self.trained: list[tuple[int, bool, bool]] = []
        self.tested: list[str] = []
        monkeypatch.setattr(few_shot, "train", self.train)
        monkeypatch.setattr(few_shot, "judge", self.judge)
        monkeypatch.setattr(few_shot, "make_runnable", lambda weights, models: None)
        monkeypatch.setattr(few_shot, "write_report", lambda report, out: None)

    def train(self, folders, out, sheets, options, progress):
        photos = sum(listing.photos for folder in folders for listing in listings_in(folder))
        is_mixed, is_averaged = options.mixed_with is not None, options.averages_with_start
        self.trained.append((photos, is_mixed, is_averaged))
        (out / "worth").write_text(str(0.5 + 0.01 * photos + 0.1 * is_mixed - 0.05 * is_averaged))

    def judge(self, folder, models, configs, out, workers, on_progress):
        self.tested.append(folder.name)
        worth = float((models / "worth").read_text()) if (models / "worth").exists() else 0.5
        return {
            "detection": {"ap": worth, "ap50": worth},
            "queue": {"listings": 4, "counterfeit": 1, "share_of_oracle": worth, "ece": 0.1, "cllr": 0.5},
            "cues": {"tab_word": {"auroc": worth}},
        }


def a_setting(tmp_path) -> few_shot.Setting:
    for name in ("detector.safetensors", "parts.safetensors", "detector.yaml", "parts.yaml"):
        (tmp_path / name).write_text(name)
    folders = [a_night(tmp_path / name) for name in ("adapt", "own", "test", "own_test")]
    adapt, own, test, own_test = folders
    configs = Path(__file__).parents[2] / "configs"
    return few_shot.Setting(tmp_path, tmp_path, configs, adapt, own, test, None, own_test, None, 4, 1, tmp_path / "out")


def test_the_best_recipe_is_chosen_on_what_is_set_aside_and_every_point_is_made_once(tmp_path, monkeypatch):
    rehearsal = Rehearsal(monkeypatch)
    setting = a_setting(tmp_path)
    report = few_shot.run(setting, [2, 3], 2, 3, lambda line: None)
    assert report.recipe == "mixed"
    assert rehearsal.tested == ["own_test", "test", *["choose"] * 3, *["test"] * 4]
    assert [how for _, *how in rehearsal.trained] == [[False, False], [True, False], [True, True], *[[True, False]] * 4]
    assert [(point.count, point.draw, point.photos) for point in report.points] == [
        (2, 0, 2), (3, 0, 3), (2, 1, 2), (3, 1, 3),
    ]  # fmt: skip
    assert report.points[1].figures.ap50 == pytest.approx(0.63)
    again = few_shot.run(setting, [2, 3], 2, 3, lambda line: None)
    assert again == report
    assert len(rehearsal.trained) == 7
    (tmp_path / "parts.safetensors").write_text("other weights")
    few_shot.run(setting, [2], 1, 3, lambda line: None)
    assert len(rehearsal.trained) == 11


def test_print_is_read_by_the_same_digit_reader_before_and_after_the_training(tmp_path, monkeypatch):
    Rehearsal(monkeypatch)
    setting = a_setting(tmp_path)
    for name in ("digits.yaml", "digits.xml"):
        (tmp_path / name).write_text("a reader")
    few_shot.run(setting, [2], 1, 2, lambda line: None)
    for models in ("start", "runs/mixed_2_draw0/models"):
        assert (setting.out / models / "digits.xml").read_text() == "a reader"
        assert (setting.out / models / "parts.yaml").read_text() == "parts.yaml"  # temperatures and all else as given
    before = setting.key()
    (tmp_path / "digits.yaml").write_text("another reader")
    assert setting.key() != before  # what came of another reader is not taken up
