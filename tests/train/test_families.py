"""Families of augmentation: each does something, and what is left out does not happen."""

from __future__ import annotations

import os

import numpy as np
import pytest

pytest.importorskip("torch")
pytest.importorskip("albumentations")
os.environ["NO_ALBUMENTATIONS_UPDATE"] = "1"

import torch

from pipeline.domain import PartName
from pipeline.train.augment import crop_augmentation, crop_transforms, photo_augmentation, photo_transforms
from pipeline.train.drawn import is_in_other_look
from pipeline.train.families import (
    ALL_FAMILIES,
    AT_DRAWING,
    NO_FAMILY,
    Family,
    families_named,
    joined,
    parted,
    samples_without,
)
from pipeline.train.fit_detector import moved_photos
from pipeline.train.gpu_augment import jitter, mirror
from pipeline.train.samples import DrawPlan, draw_samples
from synthetic.looks import LOOKS
from tests.evidence.builders import sheet

STEP_FAMILIES = {Family.LAMPS, Family.EXPOSURE, Family.NOISE, Family.MOVES, Family.MIRROR}


def picture(side: int = 64) -> np.ndarray:
    rng = np.random.default_rng(4)
    smooth = rng.integers(30, 220, (4, 4, 3)).repeat(side // 4, 0).repeat(side // 4, 1)
    return (smooth + rng.integers(0, 20, (side, side, 3))).astype(np.uint8)


def changes(augmentation, tries: int = 120, **targets) -> int:
    """In how many of the tries the pixels come out other than they went in."""
    augmentation.set_random_seed(7)
    plain = picture()
    return sum(bool((augmentation(image=plain, **targets)["image"] != plain).any()) for _ in range(tries))


def test_every_family_belongs_to_drawing_or_to_the_steps_and_is_met_there():
    drawn = {family for family, _ in (*crop_transforms(), *photo_transforms())}
    assert drawn == AT_DRAWING
    assert drawn | STEP_FAMILIES == set(Family)


@pytest.mark.parametrize("family", sorted(AT_DRAWING - {Family.MOVES}))
def test_a_family_alone_changes_crops_and_without_it_none_is_changed(family):
    alone = ALL_FAMILIES - {family}
    assert 0 < changes(crop_augmentation(1.0, alone)) < 120
    assert changes(crop_augmentation(1.0, ALL_FAMILIES)) == 0
    assert family not in {one for one, _ in crop_transforms(1.0, frozenset({family}))}


@pytest.mark.parametrize(
    "family", [Family.MOVES, Family.EXPOSURE, Family.COLOUR, Family.OPTICS, Family.NOISE, Family.COMPRESSION]
)
def test_a_family_alone_changes_photos_and_without_it_none_is_changed(family):
    boxes = {"bboxes": np.array([[8.0, 8, 40, 40]]), "labels": [1]}
    assert 0 < changes(photo_augmentation(1.0, ALL_FAMILIES - {family}), **boxes) < 120
    assert changes(photo_augmentation(1.0, ALL_FAMILIES), **boxes) == 0


def test_what_is_left_of_a_choice_of_one_stays_as_likely_as_it_was():
    # By the table: blur, noise or JPEG in 0.3 of the photos, a third each; so blur alone comes in 0.1 of them.
    (_, left) = photo_transforms(1.0, ALL_FAMILIES - {Family.OPTICS})[-1]
    assert left.p == pytest.approx(0.1)
    assert len(left.transforms) == 1


@pytest.mark.parametrize("family", [Family.LAMPS, Family.EXPOSURE, Family.NOISE])
def test_a_family_of_the_steps_alone_changes_pixels_and_without_it_they_stay(family):
    torch.manual_seed(5)
    pixels = torch.rand(8, 3, 16, 16) * 200 + 20
    assert (jitter(pixels, 1.0, ALL_FAMILIES - {family}) - pixels).abs().amax((1, 2, 3)).gt(1).any()
    assert torch.equal(jitter(pixels, 1.0, ALL_FAMILIES), pixels)


def test_moves_and_mirror_change_pixels():
    # Their absence is the caller's: fit_detector and fit_parts do not call them.
    torch.manual_seed(5)
    pixels, boxes = torch.rand(8, 3, 32, 32) * 255, torch.full((8, 2, 5), -1.0)
    assert not torch.equal(moved_photos(pixels, boxes)[0], pixels)
    assert not torch.equal(mirror(pixels, boxes)[0], pixels)


def test_names_are_read_and_written_back():
    assert families_named(["all"]) == ALL_FAMILIES
    assert parted(joined(frozenset({Family.NOISE, Family.COLOUR}))) == {Family.COLOUR, Family.NOISE}
    assert parted(joined(NO_FAMILY)) == NO_FAMILY
    with pytest.raises(ValueError, match="no such family of augmentation: 'haze'; there are: exposure, "):
        families_named(["haze"])


def test_only_what_is_done_at_drawing_takes_samples_of_its_own(tmp_path):
    assert samples_without(tmp_path, frozenset({Family.LAMPS, Family.MIRROR})) == tmp_path
    assert samples_without(tmp_path, frozenset({Family.NOISE, Family.LAMPS})) == tmp_path / "without_noise"


@pytest.mark.slow
def test_samples_drawn_once_are_stored_with_and_without_and_share_their_labels(tmp_path):
    everything = (NO_FAMILY, ALL_FAMILIES)
    plan = DrawPlan((sheet(),), {PartName.BUTTON: 6}, 4, 96, 1.35, tuple(LOOKS), 0.5, 3, without=everything)
    assert list(draw_samples(plan, tmp_path, 1))[-1] == (10, 10)
    bare = samples_without(tmp_path, ALL_FAMILIES)
    plain = DrawPlan((sheet(),), {PartName.BUTTON: 6}, 4, 96, 1.35, tuple(LOOKS), 0.5, 3, augment=0.0)
    list(draw_samples(plain, tmp_path / "plain", 1))

    def stored(folder, name):
        return np.load(folder / f"{name}.npy")

    assert (stored(bare, "crops256_pixels") == stored(tmp_path / "plain", "crops256_pixels")).all()
    assert (stored(tmp_path, "crops256_pixels") != stored(bare, "crops256_pixels")).any()
    assert (stored(bare, "crops256_part") == stored(tmp_path, "crops256_part")).all()
    assert stored(bare, "photos_boxes") == pytest.approx(stored(tmp_path / "plain", "photos_boxes"), abs=1e-3)
    assert (stored(bare, "photos_pixels") == stored(tmp_path / "plain", "photos_pixels")).all()
    looks = stored(bare, "crops256_look")
    assert set(looks) <= set(range(len(LOOKS)))
    first = list(LOOKS)[looks[0]]
    wanted = is_in_other_look(bare, "crops256", [first])(np.ones(6, bool))
    assert (wanted == (looks != looks[0])).all()
    assert not wanted[0]
