"""Trains the part network on crops: cues, print, box and pocket points together."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from pipeline.classify.heads import HEADS, head_slices
from pipeline.domain import PartName
from pipeline.train.drawn import LOOK_AGAIN_S, Drawn, is_in_other_look
from pipeline.train.families import NO_FAMILY, Families, Family
from pipeline.train.gpu_augment import jitter, move_boxes, move_pixels, move_points, random_moves
from pipeline.train.loop import Every, Keep, Report, Schedule, fit, training_device
from pipeline.train.networks import PartNetwork
from pipeline.train.samples import LABEL_FIELDS, PARTS, groups_in, load_group

Batch = dict[str, Tensor]
_ROUND = torch.tensor([PARTS.index(part) for part in (PartName.BUTTON, PartName.BUTTON_BACK, PartName.RIVET)])
_ABSENT_WEIGHT = 0.2
# What counts how much; chosen so that no task drowns another.
LOSS_WEIGHTS: Mapping[str, float] = {
    "cues": 4.0, "seen": 0.5, "digits": 1.5, "digit_place": 0.4, "digit_seen": 0.3, "box": 4.0, "point_seen": 0.3,
    "points": 0.15, "point_miss": 8.0,
}  # fmt: skip


class Crops:
    """All crops, one tensor a size, kept where the network runs: no loading between steps."""

    def __init__(self, folder: Path, device: torch.device, without_looks: Collection[str] = ()) -> None:
        """Bring the arrays that `draw_samples` wrote to the device; crops still being drawn are fetched later."""
        self.groups = [_drawn(folder, name, device, without_looks) for name in groups_in(folder)]

    @property
    def sizes(self) -> list[int]:
        """How many crops of each size there are so far."""
        return [group.count for group in self.groups]

    def batches(self, batch: int, seed: int) -> Iterator[Batch]:
        """Endless random batches, each of one crop size, sizes in proportion to their crops; there must be a crop."""
        if sum(self.sizes) == 0:
            raise ValueError("no crop to train on")
        rng, due = np.random.default_rng(seed), Every(LOOK_AGAIN_S)
        while True:
            if due.is_due():
                for group in self.groups:
                    group.take_new()
            g = int(rng.choice(len(self.groups), p=np.array(self.sizes) / sum(self.sizes)))
            yield self.groups[g].batch(batch, rng)


def _drawn(folder: Path, group: str, device: torch.device, without_looks: Collection[str]) -> Drawn:
    arrays = {name: np.load(folder / f"{group}_{name}.npy", mmap_mode="r") for name in ("pixels", *LABEL_FIELDS)}
    is_wanted = is_in_other_look(folder, group, without_looks)
    return Drawn(arrays, lambda: is_wanted(arrays["part"] >= 0), device)


def moved_crops(pixels: Tensor, batch: Batch) -> tuple[Tensor, Batch]:
    """Two thirds of the crops turned, scaled, shifted or sheared, their targets with them.

    Round hardware turns by any angle, everything else by quarters and a little. A digit that leaves the crop is not
    asked for; nor is the box of a crop that leans, which only the drawing could tell.

    Args:
        pixels: float (b, 3, s, s).
        batch: targets as `Crops` gives them.
    """
    moves = random_moves(
        torch.isin(batch["part"], _ROUND.to(batch["part"].device)),
        straight=0.3, free=0.35, scale=(0.88, 1.12), shift=0.04,
    )  # fmt: skip
    points, digit_points = move_points(batch["points"], moves), move_points(batch["digit_points"], moves)
    has_left = torch.isfinite(batch["digit_points"]).all(-1) & ~torch.isfinite(digit_points).all(-1)
    box = torch.where(moves.is_straight[:, None], move_boxes(batch["box"], moves), torch.nan)
    digits = torch.where(has_left, torch.full_like(batch["digits"], -1), batch["digits"])
    digit_seen = torch.where(has_left, torch.full_like(batch["digit_seen"], -1), batch["digit_seen"])
    changed = {"points": points, "digit_points": digit_points, "box": box, "digits": digits, "digit_seen": digit_seen}
    return move_pixels(pixels, moves), batch | changed


def part_losses(out: Mapping[str, Tensor], batch: Batch, unseen_weight: float = 0.3) -> dict[str, Tensor]:
    """The losses of one batch.

    A cue is learned on every crop, sharp or not, so that a crop which shows nothing gets the prior
    rather than a guess; crops where a person could judge it count more.
    """
    losses = _cue_losses(out, batch, unseen_weight) | _print_losses(out, batch) | _point_losses(out, batch)
    boxed = torch.isfinite(batch["box"]).all(-1).float()
    off = (out["box"].float() - torch.nan_to_num(batch["box"])).abs().mean(-1)
    losses["box"] = _mean(off, boxed)
    losses["total"] = sum((weight * losses[name] for name, weight in LOSS_WEIGHTS.items()), losses["box"].new_zeros(()))
    return losses


def _cue_losses(out: Mapping[str, Tensor], batch: Batch, unseen_weight: float) -> dict[str, Tensor]:
    """A loss a head, their sum weighed by how many crops were asked, and whether a person could judge.

    What a crop does not show at all is easy and asked often, so it counts less.
    """
    losses: dict[str, Tensor] = {}
    asked = (batch["answers"] >= 0).float()
    judged = (batch["seen"] == 1).float()
    weight = asked * (judged + unseen_weight * (1 - judged))
    total = out["answers"].new_zeros((), dtype=torch.float32)
    for i, (name, where) in enumerate(head_slices().items()):
        each = F.cross_entropy(
            out["answers"][:, where].float(), batch["answers"][:, i].long().clamp(min=0), reduction="none"
        )
        losses[f"cue/{name}"] = (each * weight[:, i]).sum() / weight[:, i].sum().clamp(min=1)
        total = total + losses[f"cue/{name}"] * asked[:, i].mean().clamp(min=0.1)
    losses["cues"] = total
    is_absent = ((batch["seen"] == 0) & (batch["answers"] < 0)).float()
    losses["seen"] = _mean(
        F.binary_cross_entropy_with_logits(out["seen"].float(), judged, reduction="none"),
        asked + _ABSENT_WEIGHT * is_absent,
    )
    return losses


def _print_losses(out: Mapping[str, Tensor], batch: Batch) -> dict[str, Tensor]:
    """Which digits, where they stand, and whether they can be read."""
    losses: dict[str, Tensor] = {}
    printed, legible = (batch["digits"] >= 0).float(), (batch["digit_seen"] == 1).float()
    each = F.cross_entropy(
        out["digits"].float().flatten(0, 1), batch["digits"].long().clamp(min=0).flatten(), reduction="none"
    )
    losses["digits"] = _mean(each.view_as(printed), printed * (legible + 0.15 * (1 - legible)))
    losses["digit_place"] = _mean(
        _off_place(out["digit_map"], batch["digit_points"]), printed * (legible + 0.3 * (1 - legible))
    )
    losses["digit_seen"] = _mean(
        F.binary_cross_entropy_with_logits(out["digit_seen"].float(), legible, reduction="none"),
        (batch["digit_seen"] >= 0).float(),
    )
    return losses


def _point_losses(out: Mapping[str, Tensor], batch: Batch) -> dict[str, Tensor]:
    """Where a pocket's points lie, how sure, and which of them show."""
    losses: dict[str, Tensor] = {}
    known = torch.isfinite(batch["points"]).all(-1).float()
    # a pocket of which no point is marked says nothing about which points show
    pocket = ((batch["part"] == 0).float() * known.amax(1))[:, None].expand_as(known)
    losses["point_seen"] = _mean(
        F.binary_cross_entropy_with_logits(out["point_seen"].float(), known, reduction="none"), pocket
    )
    points = out["points"].float()
    miss = (points[..., :2] - torch.nan_to_num(batch["points"])).abs().sum(-1)
    losses["points"] = _mean(
        miss * torch.exp(-points[..., 2]) + 2 * points[..., 2], known
    )  # Laplace negative log-likelihood
    losses["point_miss"] = _mean(miss, known)
    return losses


def _off_place(log_map: Tensor, points: Tensor, sigma_cells: float = 0.8) -> Tensor:
    """Cross-entropy of each slot's map against a small bell round the digit's true place; 0 where unknown."""
    side = round(log_map.shape[-1] ** 0.5)
    at = (torch.arange(side, device=log_map.device) + 0.5) / side
    known = torch.isfinite(points).all(-1)
    xy = torch.nan_to_num(points, nan=-9.0)
    bell = torch.exp(-0.5 * ((at - xy[..., None]) * (side / sigma_cells)) ** 2)  # (b, slots, 2, side)
    want = bell[..., 1, :, None] * bell[..., 0, None, :]
    total = want.sum((-1, -2)).clamp(min=1e-6)
    return torch.where(known, -(want.flatten(-2) * log_map).sum(-1) / total, torch.zeros_like(total))


def _mean(each: Tensor, weight: Tensor) -> Tensor:
    return (each * weight).sum() / weight.sum().clamp(min=1)


def fit_parts(
    model: PartNetwork,
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
) -> PartNetwork:
    """Train on the crops in `folder`; returns the averaged model on the CPU. Arguments as for `fit_detector`."""
    device = training_device()
    torch.manual_seed(seed)
    data = Crops(folder, device, without_looks)
    report("parts data", 0, {"crops": sum(data.sizes)})

    def losses_of(network: PartNetwork, batch: Batch) -> dict[str, Tensor]:
        pixels = batch["pixels"].permute(0, 3, 1, 2).float()
        if strength > 0 and Family.MOVES not in without:
            pixels, batch = moved_crops(pixels, batch)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            out = network(jitter(pixels, strength, without).contiguous(memory_format=torch.channels_last))
        return part_losses(out, batch)

    batches = data.batches(schedule.batch, seed)
    return fit(model, batches, losses_of, schedule, report, run="parts", longest=5.0, keep=keep, compiled=compiled)


@torch.no_grad()
def predict(
    model: PartNetwork, folder: Path, batch: int = 128, without_looks: Collection[str] = ()
) -> dict[str, NDArray[Any]]:
    """Outputs and targets for all crops in a folder, concatenated over sizes; those in some looks left out."""
    device = training_device()
    model = model.to(device).eval()
    rows: dict[str, list[NDArray[Any]]] = {}
    for name in groups_in(folder):
        group = load_group(folder, name, without_looks)
        for i in range(0, len(group["rows"]), batch):
            pixels = (
                torch.from_numpy(np.array(group["pixels"][group["rows"][i : i + batch]]))
                .to(device)
                .permute(0, 3, 1, 2)
                .float()
            )
            out = model(pixels)
            for k, v in out.items():
                if k == "digit_map":
                    continue
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
    out["box_l1"] = float(np.nanmean(np.abs(pred["out_box"] - pred["box"])))
    return out
