"""Trains the detector on small photos."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from pathlib import Path

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F
from torchvision.ops import generalized_box_iou_loss

from pipeline.domain import PartName
from pipeline.train.drawn import LOOK_AGAIN_S, Drawn, is_in_other_look
from pipeline.train.families import NO_FAMILY, Families, Family
from pipeline.train.gpu_augment import jitter, mirror, move_boxes, move_pixels, random_moves
from pipeline.train.loop import Every, Keep, Report, Schedule, fit, training_device
from pipeline.train.networks import STRIDES, Detector

_LEAST_SHOWN = 0.4  # of a box; of less nobody could say what it is


class Photos:
    """Letterboxed photos with up to MAX_BOXES boxes (part, x0, y0, x1, y1), -1 where none; kept on the device."""

    def __init__(self, folder: Path, device: torch.device, without_looks: Collection[str] = ()) -> None:
        """Bring the arrays that `draw_samples` wrote to the device; photos still being drawn are fetched later."""
        pixels, boxes = (np.load(folder / f"photos_{name}.npy", mmap_mode="r") for name in ("pixels", "boxes"))
        is_wanted = is_in_other_look(folder, "photos", without_looks)
        self.drawn = Drawn({"pixels": pixels, "boxes": boxes}, lambda: is_wanted(boxes[:, 0, 0] != -1), device)
        self.side_px = int(pixels.shape[1])

    def batches(self, batch: int, seed: int) -> Iterator[tuple[Tensor, Tensor]]:
        """Endless random batches: pixels uint8 (b, s, s, 3) and boxes; there must be a photo."""
        if self.drawn.count == 0:
            raise ValueError("no photo to train on")
        rng, due = np.random.default_rng(seed), Every(LOOK_AGAIN_S)
        while True:
            if due.is_due():
                self.drawn.take_new()
            rows = self.drawn.batch(batch, rng)
            yield rows["pixels"], rows["boxes"]


def cell_centres(side_px: int, device: torch.device) -> tuple[Tensor, Tensor]:
    """Centres (cells, 2) and strides (cells,) in the detector's own order."""
    centres, strides = [], []
    for s in STRIDES:
        n = side_px // s
        at = (torch.arange(n, device=device, dtype=torch.float32) + 0.5) * s
        y, x = torch.meshgrid(at, at, indexing="ij")
        centres.append(torch.stack((x.flatten(), y.flatten()), 1))
        strides.append(torch.full((n * n,), float(s), device=device))
    return torch.cat(centres), torch.cat(strides)


@torch.no_grad()
def assign(
    scores: Tensor, boxes: Tensor, targets: Tensor, centres: Tensor, strides: Tensor, top: int = 9
) -> tuple[Tensor, Tensor, Tensor]:
    """Task-aligned assignment (Feng et al. 2021): each true box takes the cells that score and overlap best.

    Args:
        scores: (b, cells, parts) probabilities.
        boxes: (b, cells, 4) predicted xyxy.
        targets: (b, m, 5) part, xyxy; part -1 where none.
        centres: of the cells, (cells, 2) px.
        strides: of the cells, (cells,) px.
        top: cells a box.

    Returns:
        Index of the assigned target or -1 (b, cells); wanted score (b, cells); part (b, cells).
    """
    cells = scores.shape[1]
    part = targets[..., 0].long()
    valid = part >= 0
    truth = targets[..., 1:]
    inside = _cells_at(truth, centres, strides) & valid[..., None]  # (b, m, cells)
    iou = _pairwise_iou(truth, boxes)
    score = scores.transpose(1, 2).gather(1, part.clamp(min=0)[..., None].expand(-1, -1, cells))
    align = (score.clamp(min=1e-6) ** 0.75 * iou**4) * inside
    k = min(top, cells)
    best = torch.zeros_like(inside)
    index = (align + 1e-9 * inside).topk(k, -1).indices
    best.scatter_(2, index, True)
    best &= inside
    chosen_iou = torch.where(best, iou, torch.full_like(iou, -1.0))
    value, which = chosen_iou.max(1)
    taken = value >= 0
    which = torch.where(taken, which, torch.full_like(which, -1))
    safe = which.clamp(min=0)
    strongest = (align * best).amax(-1, keepdim=True).clamp(min=1e-9)
    reached = (iou * best).amax(-1, keepdim=True)
    wanted = ((align * best) / strongest * reached).gather(1, safe[:, None]).squeeze(1)
    return which, torch.where(taken, wanted, torch.zeros_like(wanted)), part.gather(1, safe)


def _cells_at(truth: Tensor, centres: Tensor, strides: Tensor) -> Tensor:
    """Which cells may answer for which box (b, m, cells): those inside it, and those round its middle."""
    x, y = centres[:, 0], centres[:, 1]
    reach = 0.6 * strides  # a tiny box may hold no centre: cells close by count too
    cx, cy = (truth[..., 0] + truth[..., 2])[..., None] / 2, (truth[..., 1] + truth[..., 3])[..., None] / 2
    in_box = (x > truth[..., 0:1]) & (x < truth[..., 2:3]) & (y > truth[..., 1:2]) & (y < truth[..., 3:4])
    near = ((x - cx).abs() < reach) & ((y - cy).abs() < reach)
    return in_box | near


def _area(xyxy: Tensor) -> Tensor:
    return (xyxy[..., 2:] - xyxy[..., :2]).clamp(min=0).prod(-1)


def _pairwise_iou(a: Tensor, b: Tensor) -> Tensor:
    low = torch.maximum(a[:, :, None, :2], b[:, None, :, :2])
    high = torch.minimum(a[:, :, None, 2:], b[:, None, :, 2:])
    inter = (high - low).clamp(min=0).prod(-1)
    return inter / (_area(a)[:, :, None] + _area(b)[:, None] - inter).clamp(min=1e-6)


def detector_losses(logits: Tensor, boxes: Tensor, targets: Tensor, side_px: int) -> dict[str, Tensor]:
    """Quality focal loss on scores, GIoU and scaled L1 on boxes."""
    centres, strides = cell_centres(side_px, logits.device)
    which, wanted, part = assign(logits.sigmoid(), boxes, targets, centres, strides)
    on = which >= 0
    target = torch.zeros_like(logits)
    target[on] = F.one_hot(part[on], len(PartName)).float() * wanted[on][:, None]
    p = logits.sigmoid()
    focal = F.binary_cross_entropy_with_logits(logits, target, reduction="none") * (p - target).abs() ** 2
    norm = wanted.sum().clamp(min=1)
    losses = {"score": focal.sum() / norm}
    if bool(on.any()):
        truth = targets[..., 1:].gather(1, which.clamp(min=0)[..., None].expand(-1, -1, 4))[on]
        got, w = boxes[on], wanted[on].clamp(min=0.05)
        size = (truth[:, 2:] - truth[:, :2]).clamp(min=4)
        losses["giou"] = (generalized_box_iou_loss(got, truth, reduction="none") * w).sum() / norm
        losses["l1"] = (((got - truth).abs() / size.repeat(1, 2)).clamp(max=1).mean(1) * w).sum() / norm
    losses["total"] = losses["score"] + 2.0 * losses.get("giou", 0) + 2.0 * losses.get("l1", 0)
    return losses


def moved_photos(pixels: Tensor, targets: Tensor) -> tuple[Tensor, Tensor]:
    """Half the photos scaled, shifted and perhaps turned by quarters, their boxes with them.

    Args:
        pixels: float (b, 3, s, s).
        targets: (b, m, 5) part, xyxy px; boxes that mostly leave the photo lose their part (-1).
    """
    side = pixels.shape[-1]
    moves = random_moves(
        torch.zeros(len(pixels), dtype=torch.bool, device=pixels.device),
        straight=0.5, free=0.0, scale=(0.6, 1.5), shift=0.12, quarter=0.2,
    )  # fmt: skip
    low, high = targets[..., 1:3] / side, targets[..., 3:] / side
    boxes = move_boxes(torch.cat(((low + high) / 2, high - low), -1), moves)
    whole = torch.cat((boxes[..., :2] - boxes[..., 2:] / 2, boxes[..., :2] + boxes[..., 2:] / 2), -1)
    shown = whole.clamp(0, 1)
    share = (shown[..., 2:] - shown[..., :2]).prod(-1) / (whole[..., 2:] - whole[..., :2]).prod(-1).clamp(min=1e-9)
    is_kept = (targets[..., 0] >= 0) & (share >= _LEAST_SHOWN)
    part = torch.where(is_kept, targets[..., 0], torch.full_like(targets[..., 0], -1))
    return move_pixels(pixels, moves), torch.cat((part[..., None], shown * side), -1)


def fit_detector(
    model: Detector,
    folder: Path,
    schedule: Schedule,
    report: Report,
    *,
    strength: float = 1.0,
    without: Families = NO_FAMILY,
    without_looks: Collection[str] = (),
    seed: int = 0,
    keep: Keep | None = None,
    compiled: bool = False,
) -> Detector:
    """Train on the photos in `folder`; returns the averaged model on the CPU.

    Args:
        model: what to start from.
        folder: as `draw_samples` or `cut_samples` write it.
        schedule: steps, rates and the time limit.
        report: told now and then how it goes.
        strength: of the changes made at every step.
        without: families of changes left out.
        without_looks: samples drawn in these looks are not trained on.
        seed: of the order and the changes.
        keep: see `loop.fit`.
        compiled: see `loop.fit`.
    """
    device = training_device()
    torch.manual_seed(seed)
    data = Photos(folder, device, without_looks)
    report("detector data", 0, {"photos": data.drawn.count})

    def losses_of(network: Detector, batch: tuple[Tensor, Tensor]) -> dict[str, Tensor]:
        pixels, targets = batch[0].permute(0, 3, 1, 2).float(), batch[1]
        if Family.MIRROR not in without:
            pixels, targets = mirror(pixels, targets)
        if strength > 0 and Family.MOVES not in without:
            pixels, targets = moved_photos(pixels, targets)
        pixels = jitter(pixels, strength, without).contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logits, boxes = network(pixels)
        return detector_losses(logits.float(), boxes.float(), targets, data.side_px)

    batches = data.batches(schedule.batch, seed)
    return fit(model, batches, losses_of, schedule, report, run="detector", longest=10.0, keep=keep, compiled=compiled)
