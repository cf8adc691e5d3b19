"""Samples drawn for training carry the truth of what is drawn, and the loops run on them."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch")

import torch

from pipeline.classify.crops import CROPS
from pipeline.classify.heads import CUE_OF_HEAD, HEADS, POCKET_POINTS, digit_slots
from pipeline.domain import PartName
from pipeline.train.backbone import LiteTrunk
from pipeline.train.fit_detector import Photos, fit_detector
from pipeline.train.fit_parts import fit_parts, predict, summary
from pipeline.train.loop import Schedule
from pipeline.train.networks import Detector, PartNetwork
from pipeline.train.samples import (
    NOTHING_THERE,
    PARTS,
    DrawPlan,
    draw_samples,
    groups_in,
    labels_of,
    labels_of_nothing,
    load_group,
)
from synthetic.arrays import NumpyArrays
from synthetic.crops import PartCrop, sample_crop, sample_nothing, sample_photo
from synthetic.looks import LOOKS
from synthetic.pair import balanced_states
from tests.evidence.builders import sheet


def a_crop(part: PartName, seed: int) -> PartCrop:
    return sample_crop(np.random.default_rng(seed), sheet(), part, tuple(LOOKS), 0.5, NumpyArrays())


@pytest.mark.parametrize("part", PartName)
def test_a_crops_targets_are_its_pairs_truth(part):
    for seed in range(3):
        crop = a_crop(part, seed)
        labels, pair = labels_of(crop), crop.pair
        assert PARTS[labels.part] == part
        for i, head in enumerate(HEADS):
            if part not in head.parts:
                assert labels.answers[i] == -1
                assert labels.seen[i] == (-1 if part is PartName.POCKET else 0)  # other parts lie on a pocket
                continue
            truth = {"metal_name": pair.metal, "motto_curve": pair.motto_curve}.get(head.name) or pair.states[head.name]
            assert head.answers[labels.answers[i]] == truth
            assert bool(labels.seen[i]) == (CUE_OF_HEAD.get(head.name, head.name) in crop.annotation.attributes)
        wanted = {
            PartName.BUTTON_BACK: pair.code,
            PartName.CARE_TAG: pair.tag_code,
            PartName.LABEL: pair.printed_style.removeprefix("QM-") + f"{pair.printed_waist}{pair.printed_leg}",
        }.get(part, "")
        assert "".join(str(d) for d in labels.digits if d >= 0) == wanted
        legible = {bool(seen) for seen in labels.digit_seen if seen >= 0}
        assert legible <= {crop.annotation.text is not None}
        assert np.isfinite(labels.digit_points).all(1).sum() == len(wanted)


@pytest.mark.parametrize("part", [PartName.ZIP, PartName.CARE_TAG])
def test_of_a_crop_without_a_part_nothing_is_asked_but_that_it_shows_nothing(part):
    pixels = sample_nothing(np.random.default_rng(4), sheet(), part, tuple(LOOKS), 0.5, NumpyArrays())
    assert pixels.shape == (CROPS[part].side_px, CROPS[part].side_px, 3)
    labels = labels_of_nothing(part)
    assert (labels.answers == -1).all()
    assert (labels.seen == 0).all()
    assert np.isnan(labels.box).all()
    assert (labels.digits == -1).all()
    printed = sum(where.stop - where.start for (owner, _), where in digit_slots().items() if owner is part)
    assert (labels.digit_seen == 0).sum() == printed


def test_a_crops_box_and_points_lie_where_the_crop_shows_them():
    hidden = 0
    for seed in range(24):
        crop = a_crop(PartName.POCKET, seed)
        labels = labels_of(crop)
        if crop.annotation.keypoints is None:  # a whole garment's other pocket, which has no tab
            assert np.isnan(labels.points).all()
            continue
        cx, cy, w, h = labels.box
        box = crop.annotation.box
        corner = crop.square.to_photo(np.array([cx - w / 2, cy - h / 2]))
        assert corner == pytest.approx((box.x, box.y), abs=0.01)
        assert (w * crop.square.side, h * crop.square.side) == pytest.approx((box.w, box.h), abs=0.01)
        shown = np.isfinite(labels.points).all(1)
        points = crop.annotation.keypoints
        inside = ((points > 0) & (points < np.array(crop.size_wh))).all(1)
        assert len(points) == len(POCKET_POINTS)
        assert (shown == inside).all()
        hidden += not inside.all()
        assert crop.square.to_photo(labels.points[shown]) == pytest.approx(points[inside], abs=0.01)
    assert hidden  # pockets that reach out of the photo were met


def test_digit_slots_follow_the_reading_order():
    for seed in range(4):
        labels = labels_of(a_crop(PartName.CARE_TAG, seed))
        points = labels.digit_points[digit_slots()[PartName.CARE_TAG, "code"]]
        steps = np.diff(points, axis=0)
        assert (steps @ steps[0] > 0).all()  # one direction, from the first digit to the last


def test_a_detector_sample_keeps_its_boxes_on_the_picture():
    with_parts = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        sample = sample_photo(rng, sheet(), tuple(LOOKS), 0.5, 192, 1.35, NumpyArrays())
        assert sample.pixels.shape == (192, 192, 3)
        assert len(sample.parts) == len(sample.boxes_xyxy)
        assert (sample.boxes_xyxy >= 0).all()
        assert (sample.boxes_xyxy <= 192).all()
        assert (sample.boxes_xyxy[:, 2:] - sample.boxes_xyxy[:, :2] >= 3).all()
        with_parts += len(sample.parts) > 0
    assert 14 <= with_parts < 20  # about one in seven shows no part at all


def test_photos_without_a_part_are_trained_on_and_those_never_drawn_are_not(tmp_path):
    boxes = np.full((3, 4, 5), -1, np.float32)
    boxes[0, 0], boxes[1, 0, 0] = (2, 1, 1, 5, 6), NOTHING_THERE
    np.save(
        tmp_path / "photos_pixels.npy",
        np.arange(3, dtype=np.uint8)[:, None, None, None] * np.ones((1, 8, 8, 3), np.uint8),
    )
    np.save(tmp_path / "photos_boxes.npy", boxes)
    data = Photos(tmp_path, torch.device("cpu"))
    pixels, targets = next(data.batches(2, seed=1))
    assert sorted(pixels[:, 0, 0, 0].tolist()) == [0, 1]
    assert ((targets[..., 0] >= 0).sum(1) == (pixels[:, 0, 0, 0] == 0)).all()


def test_samples_drawn_while_training_runs_are_taken_up(tmp_path):
    np.save(tmp_path / "photos_pixels.npy", np.zeros((4, 8, 8, 3), np.uint8))
    boxes = np.lib.format.open_memmap(tmp_path / "photos_boxes.npy", "w+", np.float32, (4, 12, 5))
    boxes[...] = -1
    boxes[2, 0, 0] = NOTHING_THERE
    data = Photos(tmp_path, torch.device("cpu"))
    assert data.drawn.count == 1
    boxes[0, 0] = (5, 1, 1, 4, 4)
    data.drawn.take_new()
    assert data.drawn.count == 2
    assert data.drawn.tensors["boxes"][1, 0].tolist() == [5, 1, 1, 4, 4]
    data.drawn.take_new()
    assert data.drawn.count == 2


@pytest.mark.slow
def test_two_steps_of_both_loops_run_on_samples_drawn_to_disk(tmp_path):
    crops = {PartName.POCKET: 4, PartName.CARE_TAG: 4, PartName.BUTTON: 4}
    plan = DrawPlan((sheet(),), crops, 4, 128, 1.35, tuple(LOOKS), 0.5, 3, augment=1.0)
    assert list(draw_samples(plan, tmp_path, 1))[-1] == (16, 16)
    assert groups_in(tmp_path) == ["crops256", "crops320"]
    assert (load_group(tmp_path, "crops320")["part"] >= 0).sum() == 8
    drawn = np.load(tmp_path / "photos_boxes.npy")
    assert (drawn[:, 0, 0] != -1).all()
    assert (drawn[..., 0] >= 0).any()
    notes: list[str] = []
    schedule = Schedule(3, 2, 1e-3)
    torch.manual_seed(6)
    start = Detector(LiteTrunk())
    before = {name: value.clone() for name, value in start.state_dict().items()}
    fitted = fit_detector(start, tmp_path, schedule, lambda run, step, values: notes.append(run))
    assert any((before[name] != value).any() for name, value in fitted.state_dict().items())
    parts = fit_parts(PartNetwork(LiteTrunk()), tmp_path, schedule, lambda run, step, values: notes.append(run))
    assert [note for note in notes if note.endswith("data")] == ["detector data", "parts data"]
    predicted = predict(parts, tmp_path)
    assert len(predicted["part"]) == len(predicted["out_answers"]) == 12
    assert np.isfinite(predicted["out_points"]).all()
    assert np.isfinite(summary(predicted)["box_l1"])


def test_a_cue_left_out_neither_departs_nor_is_asked(tmp_path):
    crops, left_out_cues = {PartName.TAB: 6, PartName.RIVET: 2}, ("tab_resewn", "metal")
    plan = DrawPlan((sheet(),), crops, 0, 64, 1.3, tuple(LOOKS), 0.5, 3, 0.0, without_cues=left_out_cues)
    assert list(draw_samples(plan, tmp_path, 1))[-1] == (8, 8)
    left_out = [i for i, head in enumerate(HEADS) if head.name in ("tab_resewn", "metal_name")]
    asked = np.concatenate([load_group(tmp_path, group)["answers"] for group in groups_in(tmp_path)])
    assert (asked[:, left_out] == -1).all()
    assert (asked >= 0).any(0).sum() == 4  # the tab's other three heads and the rivet's stamp
    states = [balanced_states(np.random.default_rng(seed), 0.9, ("tab_resewn",)) for seed in range(40)]
    assert {row["tab_resewn"] for row in states} == {"no"}
    assert {row["tab_thread"] for row in states} == {"matching", "other"}
    same = [balanced_states(np.random.default_rng(seed), 0.9)["rivet_stamp"] for seed in range(40)]
    assert [row["rivet_stamp"] for row in states] == same  # the others depart as they would have


def test_makers_are_drawn_in_turn(tmp_path):
    first = sheet()
    second = first.model_copy(update={"zip": first.zip.model_copy(update={"marks": ("OSTRAWICK", "TEKLO")})})
    drawn = []
    for sheets in ((first,), (second,), (first, second)):
        plan = DrawPlan(sheets, {PartName.ZIP: 4}, 0, 64, 1.3, tuple(LOOKS), 0.5, 3, 0.0)
        folder = tmp_path / str(len(drawn))
        assert list(draw_samples(plan, folder, 1))[-1] == (4, 4)
        drawn.append(np.load(folder / "crops256_pixels.npy"))
    of_first, of_second = ((drawn[2] == one).all((1, 2, 3)) for one in drawn[:2])
    assert (of_first | of_second).all()
    assert not of_first.all()
    assert not of_second.all()
