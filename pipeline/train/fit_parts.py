"""Trains the part network on crops: cues, print, box and pocket points together."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F
from torch.utils.data import DataLoader, Dataset, Sampler

from pipeline.classify.heads import HEADS, head_slices
from pipeline.train.augment import crop_augmentation
from pipeline.train.loop import Averaged, Report, Schedule, optimiser, set_lr
from pipeline.train.networks import PartNetwork
from pipeline.train.samples import groups_in, load_group

Batch = dict[str, Tensor]


class Crops(Dataset[dict[str, Any]]):
    """All crop sizes as one dataset; a batch holds one size only (see `SameSizeBatches`)."""

    def __init__(self, folder: Path, strength: float) -> None:
        """Open the arrays that `draw_samples` wrote; `strength` of the augmentation, 0 for none."""
        self.folder, self.strength = folder, strength
        self.groups = [load_group(folder, g) for g in groups_in(folder)]
        self.sizes = [len(g["rows"]) for g in self.groups]
        self.augment = None

    def __len__(self) -> int:
        """All crops."""
        return sum(self.sizes)

    def __getitem__(self, index: int) -> dict[str, Any]:
        """Pixels (3, s, s) uint8 and targets."""
        for group, size in zip(self.groups, self.sizes, strict=True):
            if index < size:
                break
            index -= size
        pixels = np.array(group["pixels"][group["rows"][index]])
        if self.strength > 0:
            if self.augment is None:
                self.augment = crop_augmentation(self.strength)
            pixels = self.augment(image=pixels)["image"]
        out = {k: v[index] for k, v in group.items() if k not in ("pixels", "rows")}
        out["pixels"] = np.ascontiguousarray(pixels.transpose(2, 0, 1))
        return out


class SameSizeBatches(Sampler[list[int]]):
    """Endless random batches, each from one crop size, sizes in proportion to their crops."""

    def __init__(self, sizes: Sequence[int], batch: int, seed: int, steps: int) -> None:
        """`sizes` are the group lengths in dataset order."""
        self.sizes, self.batch, self.seed, self.steps = sizes, batch, seed, steps

    def __len__(self) -> int:
        """Number of batches."""
        return self.steps

    def __iter__(self) -> Iterator[list[int]]:
        """Yield index lists."""
        rng = np.random.default_rng(self.seed)
        starts = np.concatenate([[0], np.cumsum(self.sizes)])
        p = np.array(self.sizes) / sum(self.sizes)
        queues: list[NDArray[np.int64]] = [np.zeros(0, np.int64) for _ in self.sizes]
        for _ in range(self.steps):
            g = int(rng.choice(len(self.sizes), p=p))
            while len(queues[g]) < self.batch:
                queues[g] = np.concatenate([queues[g], rng.permutation(self.sizes[g])])
            yield (queues[g][: self.batch] + starts[g]).tolist()
            queues[g] = queues[g][self.batch :]


def part_losses(out: Mapping[str, Tensor], batch: Batch, unseen_weight: float = 0.3) -> dict[str, Tensor]:
    """The losses of one batch.

    A cue is learned on every crop, sharp or not, so that a crop which shows nothing gets the prior
    rather than a guess; crops where a person could judge it count more.
    """
    losses: dict[str, Tensor] = {}
    seen = batch["seen"].float()
    weight = torch.where(batch["seen"] == 1, 1.0, unseen_weight)
    total = out["answers"].new_zeros(())
    for i, (name, where) in enumerate(head_slices().items()):
        target = batch["answers"][:, i].long()
        asked = target >= 0
        if asked.any():
            each = F.cross_entropy(out["answers"][asked][:, where].float(), target[asked], reduction="none")
            losses[f"cue/{name}"] = (each * weight[asked, i]).sum() / weight[asked, i].sum().clamp(min=1)
            total = total + losses[f"cue/{name}"] * asked.float().mean().clamp(min=0.1)
    asked = batch["seen"] >= 0
    losses["seen"] = F.binary_cross_entropy_with_logits(out["seen"].float()[asked], seen[asked]) if asked.any() else total * 0
    printed = batch["digits"] >= 0
    if printed.any():
        each = F.cross_entropy(out["digits"].float()[printed], batch["digits"][printed].long(), reduction="none")
        w = torch.where(batch["digit_seen"][printed] == 1, 1.0, 0.15)
        losses["digits"] = (each * w).sum() / w.sum().clamp(min=1)
        losses["digit_seen"] = F.binary_cross_entropy_with_logits(out["digit_seen"].float()[printed], batch["digit_seen"][printed].float())
    losses["box"] = F.l1_loss(out["box"].float(), batch["box"])
    points, known = batch["points"], torch.isfinite(batch["points"]).all(-1)
    pocket = batch["part"] == 0
    if pocket.any():
        losses["point_seen"] = F.binary_cross_entropy_with_logits(out["point_seen"].float()[pocket], known[pocket].float())
    if known.any():
        got, log_sigma = out["points"].float()[known][:, :2], out["points"].float()[known][:, 2]
        miss = (got - points[known]).abs().sum(-1)
        losses["points"] = (miss * torch.exp(-log_sigma) + 2 * log_sigma).mean()  # Laplace negative log-likelihood
        losses["point_miss"] = miss.mean()
    losses["total"] = (
        4.0 * total + 0.5 * losses["seen"] + 1.5 * losses.get("digits", 0) + 0.3 * losses.get("digit_seen", 0)
        + 4.0 * losses["box"] + 0.3 * losses.get("point_seen", 0) + 0.15 * losses.get("points", 0) + 8.0 * losses.get("point_miss", 0)
    )
    return losses


def to_device(batch: Mapping[str, Tensor], device: torch.device) -> Batch:
    """Move a batch; pixels to float 0..255 in channels-last."""
    moved = {k: v.to(device, non_blocking=True) for k, v in batch.items()}
    moved["pixels"] = moved["pixels"].float().contiguous(memory_format=torch.channels_last)
    return moved


def fit_parts(model: PartNetwork, folder: Path, schedule: Schedule, report: Report, *, workers: int, strength: float = 1.0, seed: int = 0) -> PartNetwork:
    """Train on the crops in `folder`; returns the averaged model on the CPU."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(seed)
    data = Crops(folder, strength)
    loader = DataLoader(
        data, batch_sampler=SameSizeBatches(data.sizes, schedule.batch, seed, schedule.steps), num_workers=workers,
        pin_memory=device.type == "cuda", persistent_workers=False, prefetch_factor=4 if workers else None,
    )  # fmt: skip
    model = model.to(device, memory_format=torch.channels_last).train()
    averaged, opt = Averaged(model), optimiser(model, schedule)
    start, last = time.time(), time.time()
    for step, raw in enumerate(loader):
        progress = max((step + 1) / schedule.steps, (time.time() - start) / schedule.deadline_s)
        if progress >= 1:
            break
        set_lr(opt, progress, schedule.warmup_share)
        batch = to_device(raw, device)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            out = model(batch["pixels"])
        losses = part_losses(out, batch)
        opt.zero_grad(set_to_none=True)
        losses["total"].backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 5.0)
        opt.step()
        averaged.update(model)
        if time.time() - last > 8:
            last = time.time()
            report("parts", step, {k: v.item() for k, v in losses.items()} | {"progress": progress})
    return averaged.model.cpu()


@torch.no_grad()
def predict(model: PartNetwork, folder: Path, batch: int = 128) -> dict[str, NDArray[Any]]:
    """Outputs and targets for all crops in a folder, concatenated over sizes."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    model = model.to(device).eval()
    rows: dict[str, list[NDArray[Any]]] = {}
    for name in groups_in(folder):
        group = load_group(folder, name)
        for i in range(0, len(group["rows"]), batch):
            pixels = torch.from_numpy(np.array(group["pixels"][group["rows"][i : i + batch]])).to(device).permute(0, 3, 1, 2).float()
            out = model(pixels)
            for k, v in out.items():
                rows.setdefault(f"out_{k}", []).append(v.float().cpu().numpy())
            for k in ("answers", "seen", "digits", "digit_seen", "box", "points", "part"):
                rows.setdefault(k, []).append(group[k][i : i + batch])
    return {k: np.concatenate(v) for k, v in rows.items()}


def summary(pred: Mapping[str, NDArray[Any]]) -> dict[str, float]:
    """AUROC of every head where a person could judge, digits read, box and point errors."""
    from sklearn.metrics import roc_auc_score

    out: dict[str, float] = {}
    for i, head in enumerate(HEADS):
        where = head_slices()[head.name]
        logits, target = pred["out_answers"][:, where], pred["answers"][:, i]
        prob = np.exp(logits - logits.max(1, keepdims=True))
        prob /= prob.sum(1, keepdims=True)
        for label, keep in (("auroc", pred["seen"][:, i] == 1), ("auroc_any", target >= 0)):
            if len(np.unique(target[keep] > 0)) == 2:
                out[f"{label}/{head.name}"] = float(roc_auc_score(target[keep] > 0, 1 - prob[keep, 0]))
        keep = pred["seen"][:, i] == 1
        if keep.any():
            out[f"accuracy/{head.name}"] = float((prob[keep].argmax(1) == target[keep]).mean())
    legible = pred["digit_seen"] == 1
    for part in np.unique(pred["part"]):
        rows = (pred["part"] == part) & legible.any(1)
        if rows.any():
            right = np.where(legible[rows], pred["out_digits"][rows].argmax(-1) == pred["digits"][rows], True).all(1)
            out[f"read_exactly/{int(part)}"] = float(right.mean())
    known = np.isfinite(pred["points"]).all(-1)
    miss = np.abs(pred["out_points"][..., :2] - pred["points"]).sum(-1)
    out["point_miss"] = float(np.median(miss[known])) if known.any() else float("nan")
    out["box_l1"] = float(np.abs(pred["out_box"] - pred["box"]).mean())
    return out
