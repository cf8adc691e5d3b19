"""Trains the detector on small photos."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F
from torch.utils.data import DataLoader, Dataset
from torchvision.ops import generalized_box_iou_loss

from pipeline.domain import PartName
from pipeline.train.augment import photo_augmentation
from pipeline.train.loop import Averaged, Report, Schedule, optimiser, set_lr
from pipeline.train.networks import STRIDES, Detector
from pipeline.train.samples import MAX_BOXES


class Photos(Dataset[dict[str, Any]]):
    """Letterboxed photos with up to MAX_BOXES boxes (part, x0, y0, x1, y1), -1 where none."""

    def __init__(self, folder: Path, strength: float) -> None:
        """Open the arrays that `draw_samples` wrote."""
        self.pixels = np.load(folder / "photos_pixels.npy", mmap_mode="r")
        self.boxes = np.load(folder / "photos_boxes.npy", mmap_mode="r")
        self.rows = np.flatnonzero(np.asarray(self.boxes[:, 0, 0]) >= 0)
        self.strength = strength
        self.augment = None

    def __len__(self) -> int:
        """Photos that were drawn."""
        return len(self.rows)

    def __getitem__(self, index: int) -> dict[str, Any]:
        """Pixels (3, s, s) uint8, boxes (MAX_BOXES, 5)."""
        row = self.rows[index]
        pixels, boxes = np.array(self.pixels[row]), np.array(self.boxes[row])
        if self.strength > 0:
            if self.augment is None:
                self.augment = photo_augmentation(self.strength)
            real = boxes[boxes[:, 0] >= 0]
            out = self.augment(image=pixels, bboxes=real[:, 1:], labels=real[:, 0])
            pixels, boxes = out["image"], np.full((MAX_BOXES, 5), -1, np.float32)
            for i, (box, label) in enumerate(zip(out["bboxes"], out["labels"], strict=True)):
                boxes[i] = [label, *box]
        return {"pixels": np.ascontiguousarray(pixels.transpose(2, 0, 1)), "boxes": boxes}


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
def assign(scores: Tensor, boxes: Tensor, targets: Tensor, centres: Tensor, strides: Tensor, top: int = 9) -> tuple[Tensor, Tensor, Tensor]:
    """Task-aligned assignment (Feng et al. 2021): each true box takes the cells that score and overlap best.

    Args:
        scores: (b, cells, parts) probabilities.
        boxes: (b, cells, 4) predicted xyxy.
        targets: (b, m, 5) part, xyxy; part -1 where none.
        centres, strides: of the cells.
        top: cells a box.

    Returns:
        Index of the assigned target or -1 (b, cells); wanted score (b, cells); part (b, cells).
    """
    b, cells, _ = scores.shape
    part = targets[..., 0].long()
    valid = part >= 0
    truth = targets[..., 1:]
    x, y = centres[:, 0], centres[:, 1]
    reach = 0.6 * strides  # a tiny box may hold no centre: cells close by count too
    cx, cy = (truth[..., 0] + truth[..., 2])[..., None] / 2, (truth[..., 1] + truth[..., 3])[..., None] / 2
    in_box = (x > truth[..., 0:1]) & (x < truth[..., 2:3]) & (y > truth[..., 1:2]) & (y < truth[..., 3:4])
    near = ((x - cx).abs() < reach) & ((y - cy).abs() < reach)
    inside = (in_box | near) & valid[..., None]  # (b, m, cells)
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


def _pairwise_iou(a: Tensor, b: Tensor) -> Tensor:
    low = torch.maximum(a[:, :, None, :2], b[:, None, :, :2])
    high = torch.minimum(a[:, :, None, 2:], b[:, None, :, 2:])
    inter = (high - low).clamp(min=0).prod(-1)
    area = lambda t: (t[..., 2:] - t[..., :2]).clamp(min=0).prod(-1)  # noqa: E731
    return inter / (area(a)[:, :, None] + area(b)[:, None] - inter).clamp(min=1e-6)


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
    if on.any():
        truth = targets[..., 1:].gather(1, which.clamp(min=0)[..., None].expand(-1, -1, 4))[on]
        got, w = boxes[on], wanted[on].clamp(min=0.05)
        size = (truth[:, 2:] - truth[:, :2]).clamp(min=4)
        losses["giou"] = (generalized_box_iou_loss(got, truth, reduction="none") * w).sum() / norm
        losses["l1"] = (((got - truth).abs() / size.repeat(1, 2)).clamp(max=1).mean(1) * w).sum() / norm
    losses["total"] = losses["score"] + 2.0 * losses.get("giou", 0) + 2.0 * losses.get("l1", 0)
    return losses


def fit_detector(model: Detector, folder: Path, schedule: Schedule, report: Report, *, workers: int, strength: float = 1.0, seed: int = 0) -> Detector:
    """Train on the photos in `folder`; returns the averaged model on the CPU."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(seed)
    data = Photos(folder, strength)
    side = data.pixels.shape[1]
    sampler = torch.utils.data.RandomSampler(data, replacement=True, num_samples=schedule.steps * schedule.batch)
    loader = DataLoader(data, schedule.batch, sampler=sampler, num_workers=workers, pin_memory=device.type == "cuda", drop_last=True, prefetch_factor=4 if workers else None)
    model = model.to(device, memory_format=torch.channels_last).train()
    averaged, opt = Averaged(model), optimiser(model, schedule)
    start, last = time.time(), time.time()
    for step, raw in enumerate(loader):
        progress = max((step + 1) / schedule.steps, (time.time() - start) / schedule.deadline_s)
        if progress >= 1:
            break
        set_lr(opt, progress, schedule.warmup_share)
        pixels = raw["pixels"].to(device, non_blocking=True).float().contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logits, boxes = model(pixels)
        losses = detector_losses(logits.float(), boxes.float(), raw["boxes"].to(device), side)
        opt.zero_grad(set_to_none=True)
        losses["total"].backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 10.0)
        opt.step()
        averaged.update(model)
        if time.time() - last > 8:
            last = time.time()
            report("detector", step, {k: v.item() for k, v in losses.items()} | {"progress": progress})
    return averaged.model.cpu()
