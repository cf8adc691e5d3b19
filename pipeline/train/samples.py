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
from pipeline.classify.heads import CUE_OF_HEAD, HEADS, POCKET_POINTS, SLOT_COUNT, digit_slots, slots_of
from pipeline.config import ReferenceSheet
from pipeline.domain import PartName
from pipeline.train.families import AT_DRAWING, NO_FAMILY, Families, samples_without
from synthetic.arrays import arrays_for
from synthetic.crops import PartCrop, sample_crop, sample_nothing, sample_photo
from synthetic.looks import LOOKS

MAX_BOXES = 12
NOTHING_SHARE = 0.08  # of the crops: no part, though a detector might take it for one
NOTHING_THERE = -2  # in a photo's first row: drawn, and no part in it; -1 there: not drawn
PARTS = tuple(PartName)
_LOOK_NAMES = tuple(LOOKS)


@dataclass(frozen=True, slots=True)
class PartLabels:
    """Targets of one crop. -1 (or NaN) means: not asked here."""

    answers: NDArray[np.int8]  # (heads,) index of the true answer
    seen: NDArray[np.int8]  # (heads,) could a person judge it; 0 without an answer: it is not there at all
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
    """Targets from a drawn crop's truth; heads that lead to a cue among `without` are not asked.

    What belongs to other parts is not there, so that a part with a wrong name is not judged. A pocket's crop is not
    asked: other parts lie on it.
    """
    pair, note = crop.pair, crop.annotation
    raw = {**note.truth, "metal_name": pair.metal, "motto_curve": pair.motto_curve}
    answers, seen = np.full(len(HEADS), -1, np.int8), np.full(len(HEADS), -1, np.int8)
    for i, head in enumerate(HEADS):
        cue = CUE_OF_HEAD.get(head.name, head.name)
        if cue in without:
            continue
        if crop.part in head.parts:
            answers[i] = head.answers.index(raw[head.name])
            seen[i] = cue in note.attributes
        elif crop.part is not PartName.POCKET:
            seen[i] = 0
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


def labels_of_nothing(part: PartName) -> PartLabels:
    """Targets of a crop that a detector took for a part and that shows none: there is nothing to judge or to read."""
    digit_seen = np.full(SLOT_COUNT, -1, np.int8)
    digit_seen[slots_of(part)] = 0
    return PartLabels(
        answers=np.full(len(HEADS), -1, np.int8),
        seen=np.zeros(len(HEADS), np.int8),
        digits=np.full(SLOT_COUNT, -1, np.int8),
        digit_seen=digit_seen,
        box=np.full(4, np.nan, np.float32),
        points=np.full((len(POCKET_POINTS), 2), np.nan, np.float32),
        digit_points=np.full((SLOT_COUNT, 2), np.nan, np.float32),
        part=PARTS.index(part),
    )


def digits_in(text: str) -> str:
    """Only the digits of a text."""
    return "".join(c for c in text if c.isdigit())


@dataclass(frozen=True, slots=True)
class DrawPlan:
    """What to draw: how many crops a part and photos, of which makers in turn, in which looks, from which seed.

    Every sample is drawn once and stored as many times as `without` has sets: each time augmented by all families but
    those of the set, in the folder of `samples_without`.
    Cues among `without_cues` neither depart nor are their heads asked.
    """

    sheets: tuple[ReferenceSheet, ...]
    crops: Mapping[PartName, int]
    photos: int
    photo_side_px: int
    close_context: float
    looks: tuple[str, ...]
    departure_rate: float
    seed: int
    augment: float = 1.0  # strength of the augmentation that every drawn sample gets once
    without: tuple[Families, ...] = (NO_FAMILY,)
    without_cues: tuple[str, ...] = ()

    @property
    def stored(self) -> tuple[Families, ...]:
        """The sets of families left out that make a difference at drawing, each once."""
        return tuple(dict.fromkeys(families & AT_DRAWING for families in self.without))


def _open(folder: Path, name: str, shape: tuple[int, ...], dtype: type) -> None:
    """An array of nothing yet; takes no room until it is written to."""
    np.lib.format.open_memmap(folder / f"{name}.npy", "w+", dtype, shape)


def _blank(folder: Path, name: str, shape: tuple[int, ...], dtype: type) -> None:
    """An array of -1 that appears whole: who reads along must never take its zeros for labels."""
    np.save(folder / f"{name}.new.npy", np.full(shape, -1, dtype))
    (folder / f"{name}.new.npy").replace(folder / f"{name}.npy")


def _lay_out(plan: DrawPlan, sizes: Mapping[str, int], folder: Path) -> None:
    """Blank arrays: pixels for each set of families left out; a crop's labels are the same for all and shared."""
    first, *others = [samples_without(folder, families) for families in plan.stored]
    for place in (first, *others):
        place.mkdir(parents=True, exist_ok=True)
    for group, n in sizes.items():
        side = int(group.removeprefix("crops"))
        for place in (first, *others):
            _open(place, f"{group}_pixels", (n, side, side, 3), np.uint8)
        for name, (shape, dtype) in LABEL_FIELDS.items():
            _blank(first, f"{group}_{name}", (n, *shape), dtype)
        _blank(first, f"{group}_look", (n,), np.int8)
        for name in (*LABEL_FIELDS, "look"):
            _share(first, others, f"{group}_{name}.npy")
    if plan.photos:
        for place in (first, *others):
            _open(place, "photos_pixels", (plan.photos, plan.photo_side_px, plan.photo_side_px, 3), np.uint8)
            _blank(place, "photos_boxes", (plan.photos, MAX_BOXES, 5), np.float32)
        _blank(first, "photos_look", (plan.photos,), np.int8)
        _share(first, others, "photos_look.npy")


def _share(first: Path, others: Sequence[Path], name: str) -> None:
    """One file under many folders: what is written in one stands in all."""
    for place in others:
        (place / name).unlink(missing_ok=True)
        (place / name).hardlink_to(first / name)


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
    layout = _layout(plan)
    sizes: dict[str, int] = {}
    for group, _, index in layout:
        sizes[group] = max(sizes.get(group, 0), index + 1)
    _lay_out(plan, sizes, folder)
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
    places = {families: samples_without(folder, families) for families in plan.stored}
    _worker.update(plan=plan, places=places, arrays=arrays_for(device), layout=_layout(plan), open={}, end=end)
    if plan.augment > 0:
        os.environ["NO_ALBUMENTATIONS_UPDATE"] = "1"  # it would ask the network for its newest version
        from pipeline.train.augment import crop_augmentation, photo_augmentation

        _worker["crop_augment"] = {families: crop_augmentation(plan.augment, families) for families in plan.stored}
        _worker["photo_augment"] = {families: photo_augmentation(plan.augment, families) for families in plan.stored}


def _array(families: Families, name: str) -> NDArray[Any]:
    if (families, name) not in _worker["open"]:
        _worker["open"][families, name] = np.load(_worker["places"][families] / f"{name}.npy", mmap_mode="r+")
    opened: NDArray[Any] = _worker["open"][families, name]
    return opened


def _draw_chunk(job: tuple[str, int, int]) -> int:
    kind, start, stop = job
    plan: DrawPlan = _worker["plan"]
    for i in range(start, stop):
        if time.time() > _worker["end"]:
            return i - start
        rng = np.random.default_rng([plan.seed, kind == "photos", i])
        if kind == "crops":
            _draw_crop(plan, i, rng)
        else:
            _draw_photo(plan, i, rng)
    return stop - start


def _draw_crop(plan: DrawPlan, place: int, rng: np.random.Generator) -> None:
    """Draw a crop; its labels are written last, when all its pixels are there."""
    group, part, index = _worker["layout"][place]
    sheet = plan.sheets[place % len(plan.sheets)]
    if rng.random() < NOTHING_SHARE:
        drawn = sample_nothing(rng, sheet, part, plan.looks, plan.departure_rate, _worker["arrays"])
        labels, look = labels_of_nothing(part), None
    else:
        crop = sample_crop(rng, sheet, part, plan.looks, plan.departure_rate, _worker["arrays"], plan.without_cues)
        drawn, labels, look = crop.pixels, labels_of(crop, plan.without_cues), crop.pair.look.name
    for families in plan.stored:
        pixels = drawn
        if plan.augment > 0:
            pixels = _worker["crop_augment"][families](image=pixels)["image"]
        _array(families, f"{group}_pixels")[index] = pixels
    first = plan.stored[0]
    if look is not None:
        _array(first, f"{group}_look")[index] = _LOOK_NAMES.index(look)
    for name in LABEL_FIELDS:
        _array(first, f"{group}_{name}")[index] = getattr(labels, name)


def _draw_photo(plan: DrawPlan, index: int, rng: np.random.Generator) -> None:
    """Draw a detector's photo; its boxes are written last."""
    side, context = plan.photo_side_px, plan.close_context
    sheet = plan.sheets[index % len(plan.sheets)]
    sample = sample_photo(
        rng, sheet, plan.looks, plan.departure_rate, side, context, _worker["arrays"], plan.without_cues
    )
    if sample.look is not None:
        _array(plan.stored[0], "photos_look")[index] = _LOOK_NAMES.index(sample.look)
    for families in plan.stored:
        pixels, boxes, numbers = sample.pixels, sample.boxes_xyxy, [PARTS.index(part) for part in sample.parts]
        if plan.augment > 0:
            changed = _worker["photo_augment"][families](image=pixels, bboxes=boxes, labels=numbers)
            pixels, boxes, numbers = changed["image"], changed["bboxes"], changed["labels"]
        rows = np.full((MAX_BOXES, 5), -1, np.float32)
        rows[0, 0] = NOTHING_THERE
        for k, (number, box) in enumerate(zip(numbers, boxes, strict=True)):
            if k < MAX_BOXES:
                rows[k] = [number, *box]
        _array(families, "photos_pixels")[index] = pixels
        _array(families, "photos_boxes")[index] = rows


def looks_in(folder: Path, group: str, looks: Collection[str], count: int) -> NDArray[np.bool_]:
    """Which of the `count` samples of a group are drawn in one of these looks; none where no look was noted."""
    path = folder / f"{group}_look.npy"
    if not looks or not path.exists():
        return np.zeros(count, np.bool_)
    return np.isin(np.load(path, mmap_mode="r"), [_LOOK_NAMES.index(look) for look in looks])


def load_group(folder: Path, group: str, without_looks: Collection[str] = ()) -> dict[str, NDArray[Any]]:
    """Pixels and targets of one crop size, without the blank rows and those in some looks."""
    part = np.load(folder / f"{group}_part.npy", mmap_mode="r")
    keep = np.flatnonzero((np.asarray(part) >= 0) & ~looks_in(folder, group, without_looks, len(part)))
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
