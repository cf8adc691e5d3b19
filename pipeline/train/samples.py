"""Training samples as arrays on disk: drawn in parallel, or cut from labelled folders."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.classify.crops import CROPS
from pipeline.classify.heads import CUE_OF_HEAD, HEADS, POCKET_POINTS, SLOT_COUNT, digit_slots
from pipeline.config import ReferenceSheet
from pipeline.domain import PartName
from synthetic.arrays import arrays_for
from synthetic.crops import PartCrop, sample_crop, sample_photo

MAX_BOXES = 12
NOTHING_THERE = -2  # in a photo's first row: drawn, and no part in it; -1 there: not drawn
PARTS = tuple(PartName)


@dataclass(frozen=True, slots=True)
class PartLabels:
    """Targets of one crop. -1 (or NaN) means: not asked here."""

    answers: NDArray[np.int8]  # (heads,) index of the true answer
    seen: NDArray[np.int8]  # (heads,) could a person judge it
    digits: NDArray[np.int8]  # (slots,)
    digit_seen: NDArray[np.int8]  # (slots,)
    box: NDArray[np.float32]  # cx, cy, w, h in 0..1 of the crop
    points: NDArray[np.float32]  # (points, 2) in 0..1 of the crop
    digit_points: NDArray[np.float32]  # (slots, 2) in 0..1 of the crop
    part: int


LABEL_FIELDS: Mapping[str, tuple[tuple[int, ...], type]] = {
    "answers": ((len(HEADS),), np.int8), "seen": ((len(HEADS),), np.int8), "digits": ((SLOT_COUNT,), np.int8),
    "digit_seen": ((SLOT_COUNT,), np.int8), "box": ((4,), np.float32), "points": ((len(POCKET_POINTS), 2), np.float32),
    "digit_points": ((SLOT_COUNT, 2), np.float32),
    "part": ((), np.int8),
}  # fmt: skip


def labels_of(crop: PartCrop, without: Collection[str] = ()) -> PartLabels:
    """Targets from a drawn crop's truth; heads that lead to a cue among `without` are not asked."""
    pair, note = crop.pair, crop.annotation
    raw = {**note.truth, "metal_name": pair.metal, "motto_curve": pair.motto_curve}
    answers, seen = np.full(len(HEADS), -1, np.int8), np.full(len(HEADS), -1, np.int8)
    for i, head in enumerate(HEADS):
        cue = CUE_OF_HEAD.get(head.name, head.name)
        if crop.part in head.parts and cue not in without:
            answers[i] = head.answers.index(raw[head.name])
            seen[i] = cue in note.attributes
    printed = {
        (PartName.BUTTON_BACK, "code"): pair.code,
        (PartName.CARE_TAG, "code"): pair.tag_code,
        (PartName.LABEL, "style"): digits_in(pair.printed_style),
        (PartName.LABEL, "waist"): f"{pair.printed_waist:02d}",
        (PartName.LABEL, "leg"): f"{pair.printed_leg:02d}",
    }
    digits, digit_seen = np.full(SLOT_COUNT, -1, np.int8), np.full(SLOT_COUNT, -1, np.int8)
    for (part, name), where in digit_slots().items():
        if part == crop.part:
            digits[where] = [int(c) for c in printed[part, name]]
            digit_seen[where] = note.text is not None
    digit_points = np.full((SLOT_COUNT, 2), np.nan, np.float32)
    if note.digits is not None and len(note.digits) == (digits >= 0).sum():
        digit_points[digits >= 0] = crop.square.to_square(note.digits)
    corners = crop.square.to_square(np.array(note.box.xyxy).reshape(2, 2))
    box = np.concatenate([corners.mean(0), corners[1] - corners[0]]).astype(np.float32)
    points = np.full((len(POCKET_POINTS), 2), np.nan, np.float32)
    if note.keypoints is not None:
        w, h = crop.size_wh
        inside = np.all((note.keypoints > 0) & (note.keypoints < np.array((w, h))), axis=1)
        points[: len(note.keypoints)] = np.where(inside[:, None], crop.square.to_square(note.keypoints), np.nan)
    return PartLabels(answers, seen, digits, digit_seen, box, points, digit_points, PARTS.index(crop.part))


def digits_in(text: str) -> str:
    """Only the digits of a text."""
    return "".join(c for c in text if c.isdigit())


@dataclass(frozen=True, slots=True)
class DrawPlan:
    """What to draw: how many crops a part and photos, in which looks, from which seed.

    Cues among `without_cues` neither depart nor are their heads asked.
    """

    sheet: ReferenceSheet
    crops: Mapping[PartName, int]
    photos: int
    photo_side_px: int
    close_context: float
    looks: tuple[str, ...]
    departure_rate: float
    seed: int
    augment: float = 1.0  # strength of the augmentation that every drawn sample gets once
    without_cues: tuple[str, ...] = ()


def _open(folder: Path, name: str, shape: tuple[int, ...], dtype: type) -> None:
    """An array of nothing yet; takes no room until it is written to."""
    np.lib.format.open_memmap(folder / f"{name}.npy", "w+", dtype, shape)


def _blank(folder: Path, name: str, shape: tuple[int, ...], dtype: type) -> None:
    """An array of -1 that appears whole: who reads along must never take its zeros for labels."""
    np.save(folder / f"{name}.new.npy", np.full(shape, -1, dtype))
    (folder / f"{name}.new.npy").replace(folder / f"{name}.npy")


def _group(part: PartName) -> str:
    return f"crops{CROPS[part].side_px}"


def _layout(plan: DrawPlan) -> list[tuple[str, PartName, int]]:
    """(group, part, index within the group) of every crop, parts interleaved."""
    rng = np.random.default_rng(plan.seed)
    jobs = [(i, part) for part, n in plan.crops.items() for i in range(n)]
    rng.shuffle(jobs)
    counts: dict[str, int] = {}
    out = []
    for _, part in jobs:
        group = _group(part)
        out.append((group, part, counts.get(group, 0)))
        counts[group] = counts.get(group, 0) + 1
    return out


def draw_samples(
    plan: DrawPlan, folder: Path, workers: int, device: str = "cpu", deadline_s: float = 1e9
) -> Iterator[tuple[int, int]]:
    """Draw everything in a plan into `folder`, yielding (done, total) as it goes; another process may read along.

    Samples not drawn before the deadline stay blank and are marked by part -1 (crops) or no boxes (photos).
    """
    folder.mkdir(parents=True, exist_ok=True)
    layout = _layout(plan)
    sizes: dict[str, int] = {}
    for group, _, index in layout:
        sizes[group] = max(sizes.get(group, 0), index + 1)
    for group, n in sizes.items():
        side = int(group.removeprefix("crops"))
        _open(folder, f"{group}_pixels", (n, side, side, 3), np.uint8)
        for name, (shape, dtype) in LABEL_FIELDS.items():
            _blank(folder, f"{group}_{name}", (n, *shape), dtype)
    if plan.photos:
        _open(folder, "photos_pixels", (plan.photos, plan.photo_side_px, plan.photo_side_px, 3), np.uint8)
        _blank(folder, "photos_boxes", (plan.photos, MAX_BOXES, 5), np.float32)
    total = len(layout) + plan.photos
    chunk = 24
    jobs = [("crops", i, min(i + chunk, len(layout))) for i in range(0, len(layout), chunk)]
    jobs += [("photos", i, min(i + chunk, plan.photos)) for i in range(0, plan.photos, chunk)]
    np.random.default_rng(plan.seed).shuffle(jobs)
    context = multiprocessing.get_context("spawn")
    end = time.time() + deadline_s
    with context.Pool(workers, _start_worker, (plan, folder, device, end)) as pool:
        done = 0
        for n in pool.imap_unordered(_draw_chunk, jobs):
            done += n
            yield done, total


_worker: dict[str, Any] = {}


def _start_worker(plan: DrawPlan, folder: Path, device: str, end: float) -> None:
    cv2.setNumThreads(1)
    _worker.update(plan=plan, folder=folder, arrays=arrays_for(device), layout=_layout(plan), open={}, end=end)
    if plan.augment > 0:
        os.environ["NO_ALBUMENTATIONS_UPDATE"] = "1"  # it would ask the network for its newest version
        from pipeline.train.augment import crop_augmentation, photo_augmentation

        _worker.update(crop_augment=crop_augmentation(plan.augment), photo_augment=photo_augmentation(plan.augment))


def _array(name: str) -> NDArray[Any]:
    if name not in _worker["open"]:
        _worker["open"][name] = np.load(_worker["folder"] / f"{name}.npy", mmap_mode="r+")
    opened: NDArray[Any] = _worker["open"][name]
    return opened


def _draw_chunk(job: tuple[str, int, int]) -> int:
    kind, start, stop = job
    plan: DrawPlan = _worker["plan"]
    for i in range(start, stop):
        if time.time() > _worker["end"]:
            return i - start
        rng = np.random.default_rng([plan.seed, kind == "photos", i])
        if kind == "crops":
            group, part, index = _worker["layout"][i]
            crop = sample_crop(
                rng, plan.sheet, part, plan.looks, plan.departure_rate, _worker["arrays"], plan.without_cues
            )
            labels = labels_of(crop, plan.without_cues)
            pixels = crop.pixels
            if plan.augment > 0:
                pixels = _worker["crop_augment"](image=pixels)["image"]
            _array(f"{group}_pixels")[index] = pixels
            for name in LABEL_FIELDS:
                _array(f"{group}_{name}")[index] = getattr(labels, name)
        else:
            sample = sample_photo(
                rng,
                plan.sheet,
                plan.looks,
                plan.departure_rate,
                plan.photo_side_px,
                plan.close_context,
                _worker["arrays"],
                plan.without_cues,
            )
            rows = np.full((MAX_BOXES, 5), -1, np.float32)
            rows[0, 0] = NOTHING_THERE
            pixels, boxes, numbers = sample.pixels, sample.boxes_xyxy, [PARTS.index(part) for part in sample.parts]
            if plan.augment > 0:
                changed = _worker["photo_augment"](image=pixels, bboxes=boxes, labels=numbers)
                pixels, boxes, numbers = changed["image"], changed["bboxes"], changed["labels"]
            for k, (number, box) in enumerate(zip(numbers, boxes, strict=True)):
                if k < MAX_BOXES:
                    rows[k] = [number, *box]
            _array("photos_pixels")[i] = pixels
            _array("photos_boxes")[i] = rows
    return stop - start


def load_group(folder: Path, group: str) -> dict[str, NDArray[Any]]:
    """Pixels and targets of one crop size, without the blank rows."""
    part = np.load(folder / f"{group}_part.npy", mmap_mode="r")
    keep = np.flatnonzero(np.asarray(part) >= 0)
    out = {name: np.asarray(np.load(folder / f"{group}_{name}.npy", mmap_mode="r"))[keep] for name in LABEL_FIELDS}
    out["pixels"] = np.load(folder / f"{group}_pixels.npy", mmap_mode="r")
    out["rows"] = keep
    return out


def groups_in(folder: Path) -> Sequence[str]:
    """Crop sizes present."""
    return sorted(p.name.removesuffix("_pixels.npy") for p in folder.glob("crops*_pixels.npy"))


def crops_drawn(folder: Path) -> int:
    """How many crops in a folder are ready; 0 before there are any."""
    parts = [np.load(p, mmap_mode="r") for p in folder.glob("crops*_part.npy")]
    return int(sum((part >= 0).sum() for part in parts))
