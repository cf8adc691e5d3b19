"""Trains the digit reader on drawn crops: `python -m pipeline.train.fit_digits CROPS [CROPS ...] --held-out CROPS`.

The crops are those that `from_drawings --stages draw` writes (`train` and `val` in its work folder). Digits are cut at
their true places, a little off; how the two networks are weighed against each other is fitted on the held-out crops, at
the places that the part network in `--models` gives. Writes `digits.safetensors` beside what runs, and its card.
"""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp
from torch import Tensor
from torch.nn import functional as F

from pipeline.classify.digit_reader import DIGITS, DigitReader, load_digit_reader
from pipeline.classify.digit_windows import DIGIT_CONTEXT, DIGIT_SIDE_PX, digit_windows
from pipeline.classify.heads import PRINT_FIELDS, fields_of, slots_of
from pipeline.domain import PartName
from pipeline.model_files import DigitsCard, Network, PartsCard, read_card
from pipeline.train.digit_network import DigitNetwork
from pipeline.train.drawn import Drawn
from pipeline.train.export import export_digits
from pipeline.train.fit_evidence import update_card
from pipeline.train.loop import Report, Schedule, fit, training_device
from pipeline.train.samples import PARTS, groups_in, load_group
from pipeline.train.weights import save_weights

Batch = dict[str, Tensor]
_WIDE_PX = 64  # windows are kept so much wider that moving them shows no edge
_WIDER = _WIDE_PX / DIGIT_SIDE_PX
_UNREADABLE_WEIGHT = 0.1  # of a digit that no person could read: there is a little to learn from, mostly by luck
_FEWEST = 50  # held-out fields of a part below which both networks count alike


@dataclass(frozen=True, slots=True, eq=False)
class Digits:
    """Windows uint8 (n, side, side, 3), their digits (n,) and whether a person could read them (n,)."""

    windows: NDArray[np.uint8]
    digits: NDArray[np.int64]
    is_legible: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class PrintedCrop:
    """A crop with print: its pixels, digits and legibility by slot (-1: not there), true places in 0..1."""

    part: PartName
    pixels: NDArray[np.uint8]
    digits: NDArray[np.int8]
    seen: NDArray[np.int8]
    places: NDArray[np.float32]


def printed_crops(folder: Path) -> Iterator[PrintedCrop]:
    """The crops of a folder on which there is print of which every place is known."""
    for name in groups_in(folder):
        group = load_group(folder, name)
        for i, row in enumerate(group["rows"]):
            part = PARTS[int(group["part"][i])]
            slots = slots_of(part)
            if not slots or (group["digits"][i][slots] < 0).any():
                continue
            if np.isfinite(group["digit_points"][i][slots]).all():
                pixels = np.array(group["pixels"][row])
                yield PrintedCrop(part, pixels, group["digits"][i], group["digit_seen"][i], group["digit_points"][i])


def cut_digits(folders: Sequence[Path]) -> Digits:
    """The windows of all digits on the crops of some folders, wider than the network's, at their true places."""
    windows, digits, legible = list[NDArray[np.uint8]](), list[int](), list[bool]()
    for crop in (one for folder in folders for one in printed_crops(folder)):
        for place in fields_of(crop.part).values():
            for slot, window in enumerate(digit_windows(crop.places[place] * len(crop.pixels)), place.start):
                windows.append(window.widened(_WIDER).cut(crop.pixels, _WIDE_PX))
                digits.append(int(crop.digits[slot]))
                legible.append(bool(crop.seen[slot] == 1))
    if not windows:
        raise ValueError(f"{', '.join(map(str, folders))}: no crop with print; draw some first")
    return Digits(np.stack(windows), np.array(digits, np.int64), np.array(legible))


def batches(data: Digits, size: int, seed: int, device: torch.device) -> Iterator[Batch]:
    """Endless random batches; every digit once before any comes again."""
    weight = np.where(data.is_legible, 1.0, _UNREADABLE_WEIGHT).astype(np.float32)
    arrays: dict[str, NDArray[Any]] = {"windows": data.windows, "digits": data.digits, "weight": weight}
    drawn = Drawn(arrays, lambda: np.ones(len(weight), np.bool_), device)
    rng = np.random.default_rng(seed)
    while True:
        batch = drawn.batch(size, rng)
        yield {**batch, "windows": batch["windows"].permute(0, 3, 1, 2).float()}


def disturbed(windows: Tensor) -> Tensor:
    """Wide windows (b, 3, 64, 64) as the network meets them (b, 3, 48, 48): off, turned, scaled, blurred, noisy, dim.

    Places are off by some tenth of a step between digits, as the part network's are.
    """
    b, device = len(windows), windows.device
    turn, scale = 0.12 * torch.randn(b, device=device), torch.exp(0.1 * torch.randn(b, device=device)) / _WIDER
    shear = 0.08 * torch.randn(b, device=device)
    shift = 0.12 / DIGIT_CONTEXT * 2 / _WIDER * torch.randn(b, 2, device=device)
    cos, sin = torch.cos(turn) * scale, torch.sin(turn) * scale
    rows = (torch.stack((cos, shear * scale - sin, shift[:, 0]), 1), torch.stack((sin, cos, shift[:, 1]), 1))
    grid = F.affine_grid(torch.stack(rows, 1), [b, 3, DIGIT_SIDE_PX, DIGIT_SIDE_PX], align_corners=False)
    out = F.grid_sample(windows, grid, padding_mode="border", align_corners=False)
    is_blurred = torch.rand(b, 1, 1, 1, device=device) < 0.2
    out = torch.where(is_blurred, F.avg_pool2d(out, 3, 1, 1, count_include_pad=False), out)
    is_negative = torch.rand(b, 1, 1, 1, device=device) < 0.1  # light from the other side turns relief inside out
    out = torch.where(is_negative, 255 - out, out)
    noise = 12 * torch.rand(b, 1, 1, 1, device=device) ** 2
    return (out + noise * torch.randn_like(out)).clamp(0, 255)


def losses_of(network: DigitNetwork, batch: Batch) -> Mapping[str, Tensor]:
    """Cross-entropy of the digits; what nobody could read counts little."""
    each = F.cross_entropy(
        network(disturbed(batch["windows"])), batch["digits"], reduction="none", label_smoothing=0.02
    )
    return {"total": (each * batch["weight"]).sum() / batch["weight"].sum()}


def fit_digits(data: Digits, schedule: Schedule, report: Report, seed: int = 0) -> DigitNetwork:
    """A network trained from scratch on digits cut wide."""
    torch.manual_seed(seed)
    endless = batches(data, schedule.batch, seed, training_device())
    return fit(DigitNetwork(), endless, losses_of, schedule, report, run="digits", longest=5.0)


# ---------------------------------------------------------------- two opinions into one


@dataclass(frozen=True, slots=True, eq=False)
class Opinions:
    """What both networks say of the digits of legible fields of one part: logits (n, slots, 10), truth (n, slots)."""

    by_parts: NDArray[np.float64]
    by_digits: NDArray[np.float64]
    truth: NDArray[np.int64]

    def exact(self, part_network: float, digit_reader: float) -> float:
        """Share of the crops of which all digits are read right at these weights."""
        logits = part_network * self.by_parts + digit_reader * self.by_digits
        return float((logits.argmax(-1) == self.truth).all(1).mean())


def opinions(folder: Path, models: Path, reader: DigitReader) -> Mapping[PartName, Opinions]:
    """Both networks' answers to held-out crops, at the places that the part network gives."""
    card = read_card(models, "parts", PartsCard)
    networks: dict[int, Network] = {}
    found: dict[PartName, list[tuple[NDArray[Any], NDArray[Any], NDArray[Any]]]] = {}
    for crop in printed_crops(folder):
        slots = slots_of(crop.part)
        if (crop.seen[slots] != 1).any():
            continue
        side = len(crop.pixels)
        if side not in networks:
            networks[side] = Network(models, card.network, side, threads=torch.get_num_threads())
        out = networks[side](crop.pixels)
        told = reader.read(crop.pixels, crop.part, out["digit_places"])
        found.setdefault(crop.part, []).append((out["digits"][slots], told[slots], crop.digits[slots]))
    return {
        part: Opinions(
            *(
                np.stack(each).astype(kind)
                for each, kind in zip(zip(*rows, strict=True), (float, float, int), strict=True)
            )
        )
        for part, rows in found.items()
    }


def fitted_weights(told: Opinions) -> tuple[float, float]:
    """The weights of part network and digit reader that make the true digits likeliest.

    The truth counts as a little unsure, by one in as many digits as there are (Platt 1999): where every digit is read
    right, the likeliest weights would have no end.
    """
    if len(told.truth) < _FEWEST:
        return 0.5, 0.5
    at, unsure = np.arange(told.truth.size), 1 / (told.truth.size + 2)

    def surprise(weights: NDArray[np.float64]) -> float:
        part_network, digit_reader = np.exp(weights)
        logits = (part_network * told.by_parts + digit_reader * told.by_digits).reshape(-1, told.by_parts.shape[-1])
        right = (1 - unsure) * logits[at, told.truth.ravel()] + unsure * logits.mean(1)
        return float((logsumexp(logits, axis=1) - right).mean())

    best = minimize(surprise, np.log([0.5, 0.5]), method="Nelder-Mead").x
    part_network, digit_reader = np.exp(np.clip(best, np.log(0.01), np.log(4)))
    return float(part_network), float(digit_reader)


def weigh(folder: Path, models: Path, reader: DigitReader) -> tuple[dict[str, dict[str, float]], dict[str, Any]]:
    """The weights by part for the card, and what was read exactly by either network and by both, for people."""
    weights: dict[str, dict[str, float]] = {}
    figures: dict[str, Any] = {}
    told = opinions(folder, models, reader)
    for part in PRINT_FIELDS:
        if part not in told:
            weights[part.value] = {"part_network": 0.5, "digit_reader": 0.5}
            continue
        both = fitted_weights(told[part])
        weights[part.value] = dict(zip(("part_network", "digit_reader"), (round(w, 3) for w in both), strict=True))
        figures[part.value] = {
            "crops": len(told[part].truth),
            "part_network": round(told[part].exact(1, 0), 4),
            "digit_reader": round(told[part].exact(0, 1), 4),
            "both": round(told[part].exact(*both), 4),
        }
    return weights, figures


def _parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("crops", type=Path, nargs="+", metavar="CROPS", help="folders of drawn crops to learn from")
    p.add_argument("--held-out", type=Path, required=True, metavar="CROPS", help="crops of another seed, to weigh by")
    p.add_argument("--models", type=Path, default=Path("models"), help="holds the part network; the reader goes there")
    p.add_argument("--epochs", type=float, default=6)
    p.add_argument("--batch", type=int, default=128)
    p.add_argument("--lr", type=float, default=2e-3)
    p.add_argument("--minutes", type=float, default=1e6, help="train no longer than this")
    p.add_argument("--seed", type=int, default=0)
    return p


def _say(run: str, step: int, values: dict[str, float]) -> None:
    print(f"{run}: step {step}, {values['progress']:.0%}, loss {values['total']:.3f}", flush=True)


def main() -> None:
    """Cut, train, export, weigh; the card says what came of it."""
    args = _parser().parse_args()
    data = cut_digits(args.crops)
    count = len(data.digits)
    print(f"{count} digits, {data.is_legible.mean():.0%} legible", flush=True)
    steps = max(2, round(args.epochs * count / args.batch))
    schedule = Schedule(steps, args.batch, args.lr, deadline_s=60 * args.minutes)
    weights = args.models / "digits.safetensors"
    save_weights(fit_digits(data, schedule, _say, args.seed), weights)
    made_from = hashlib.sha256(data.windows.tobytes()).hexdigest()[:16]
    export_digits(weights, args.models, {"digits": count, "windows": made_from, "seed": args.seed})
    reader = load_digit_reader(args.models, torch.get_num_threads())
    if reader is not None:
        weight, figures = weigh(args.held_out, args.models, reader)
        about = {**reader.card.about, "print_read_exactly_held_out": figures}
        update_card(args.models, DIGITS, DigitsCard, {"weight": weight, "about": about})
        print(figures)


if __name__ == "__main__":
    main()
