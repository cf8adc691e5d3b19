"""Training samples cut from labelled folders: the same arrays that drawing gives, from photos somebody took."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.classify.crops import CROPS, cut_out, square_for
from pipeline.classify.heads import CUE_OF_HEAD, HEADS, POCKET_POINTS, PRINT_FIELDS, SLOT_COUNT, digit_slots
from pipeline.config import ReferenceSheet
from pipeline.cutting import Square
from pipeline.detect.detector import letterbox
from pipeline.domain import Listing, Photo
from pipeline.evaluate.labelled import LabelledPart, read_labelled
from pipeline.intake import read_photo
from pipeline.train.samples import LABEL_FIELDS, MAX_BOXES, NOTHING_THERE, PARTS, PartLabels, digits_in

OnProgress = Callable[[int, int], None]
HELD_OUT_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class FolderSamples:
    """How much was cut, for the log."""

    photos: int
    crops: int


def is_held_out(seller_id: str) -> bool:
    """Whether a seller's listings are kept back for checking: always the same ones, about a fifth."""
    digest = hashlib.sha256(seller_id.encode()).digest()
    return digest[0] / 256 < HELD_OUT_SHARE


def cut_samples(
    folders: Sequence[Path],
    out: Path,
    sheets: Mapping[str, ReferenceSheet],
    *,
    held_out: bool | None,
    side_px: int,
    on_progress: OnProgress,
) -> FolderSamples:
    """Cut crops and detector photos of all listings of the chosen sellers into `out`.

    Args:
        folders: labelled folders by the contract.
        out: where the arrays are written.
        sheets: reference sheets by maker.
        held_out: True for the sellers kept back, False for the others, None for all.
        side_px: the detector's input.
        on_progress: called with (photos done, photos in all).

    Raises:
        ValueError: if a folder cannot be read or no photo is left.
    """
    jobs = [job for folder in folders for job in _jobs(folder, held_out)]
    crops: list[tuple[NDArray[np.uint8], PartLabels]] = []
    photos: list[tuple[NDArray[np.uint8], NDArray[np.float32]]] = []
    for done, (folder, listing, path, parts) in enumerate(jobs, 1):
        photo = read_photo(folder, path)
        if isinstance(photo, Photo):
            crops += list(_crops_of(photo, listing, parts, sheets[listing.maker]))
            photos.append(_boxed(photo, parts, side_px))
        on_progress(done, len(jobs))
    if not photos:
        raise ValueError(_nothing_left(held_out))
    out.mkdir(parents=True, exist_ok=True)
    _write_crops(out, crops)
    np.save(out / "photos_pixels.npy", np.stack([pixels for pixels, _ in photos]))
    np.save(out / "photos_boxes.npy", np.stack([boxes for _, boxes in photos]))
    return FolderSamples(len(photos), len(crops))


def _nothing_left(held_out: bool | None) -> str:
    if held_out:
        return "too few sellers: none kept back for checking has a readable photo (--all-sellers keeps none back)"
    return "no readable photo among these folders' " + ("listings" if held_out is None else "training sellers")


def _jobs(folder: Path, held_out: bool | None) -> Iterator[tuple[Path, Listing, str, list[LabelledPart]]]:
    labelled = read_labelled(folder)
    by_photo: dict[str, list[LabelledPart]] = {}
    for part in labelled.parts:
        by_photo.setdefault(part.photo.removeprefix("photos/"), []).append(part)
    for listing in labelled.listings:
        if held_out is None or is_held_out(listing.seller_id) == held_out:
            for path in listing.photos:
                yield folder, listing, path, by_photo.get(path.removeprefix("photos/"), [])


def _crops_of(
    photo: Photo, listing: Listing, parts: Sequence[LabelledPart], sheet: ReferenceSheet
) -> Iterator[tuple[NDArray[np.uint8], PartLabels]]:
    for part in parts:
        square = square_for(part.part, part.box)
        pixels = cut_out(photo.pixels, square, CROPS[part.part].side_px)
        yield pixels, labels_of_part(part, listing, sheet, square)


def labels_of_part(part: LabelledPart, listing: Listing, sheet: ReferenceSheet, square: Square) -> PartLabels:
    """Targets of one annotated part; what the annotation does not say is not asked.

    Args:
        part: the annotation.
        listing: whose style says what "as the style" means.
        sheet: the maker's.
        square: what the crop covers.
    """
    corners = square.to_square(np.array(part.box.xyxy).reshape(2, 2))
    answers, seen = np.full(len(HEADS), -1, np.int8), np.full(len(HEADS), -1, np.int8)
    for i, head in enumerate(HEADS):
        if part.part in head.parts:
            answer = _answer(head.name, part.cues, listing, sheet)
            seen[i] = answer is not None
            if answer is not None:
                answers[i] = head.answers.index(answer)
    points = np.full((len(POCKET_POINTS), 2), np.nan, np.float32)
    if part.outline_points:
        points[: len(part.outline_points)] = square.to_square(np.array(part.outline_points))
    digits, digit_seen = np.full(SLOT_COUNT, -1, np.int8), np.full(SLOT_COUNT, -1, np.int8)
    printed = digits_in(part.text or "")
    wanted = sum(count for _, count in PRINT_FIELDS.get(part.part, ()))
    if wanted and len(printed) == wanted:
        at = 0
        for name, count in PRINT_FIELDS[part.part]:
            where = digit_slots()[part.part, name]
            digits[where] = [int(c) for c in printed[at : at + count]]
            digit_seen[where] = 1
            at += count
    return PartLabels(
        answers=answers,
        seen=seen,
        digits=digits,
        digit_seen=digit_seen,
        box=np.concatenate([corners.mean(0), corners[1] - corners[0]]).astype(np.float32),
        points=points,
        digit_points=np.full((SLOT_COUNT, 2), np.nan, np.float32),
        part=PARTS.index(part.part),
    )


def _answer(head: str, cues: Mapping[str, str], listing: Listing, sheet: ReferenceSheet) -> str | None:
    """The head's answer that a label implies; None where it implies none."""
    state = cues.get(CUE_OF_HEAD.get(head, head))
    if state is None or head not in CUE_OF_HEAD:
        return state
    style = sheet.styles.get(listing.style_number or "")
    if style is None:
        return None
    if head == "metal_name":
        other = {"copper": "steel", "steel": "copper"}.get(style.rivet_metal)
        return style.rivet_metal if state == "as_style" else other
    return style.label_motto_curve if state == "as_style" else None  # "other" does not say which


def _boxed(photo: Photo, parts: Sequence[LabelledPart], side_px: int) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """A letterboxed photo and its boxes (MAX_BOXES, 5), the largest first where there are too many."""
    pixels, scale = letterbox(photo.pixels, side_px)
    rows = np.full((MAX_BOXES, 5), -1, np.float32)
    rows[0, 0] = NOTHING_THERE
    for k, part in enumerate(sorted(parts, key=lambda p: -p.box.area)[:MAX_BOXES]):
        rows[k] = [PARTS.index(part.part), *(v * scale for v in part.box.xyxy)]
    return pixels, rows


def _write_crops(out: Path, crops: Sequence[tuple[NDArray[np.uint8], PartLabels]]) -> None:
    """The arrays that the part network trains on, one set a crop size."""
    for side in sorted({pixels.shape[0] for pixels, _ in crops}):
        chosen = [(pixels, labels) for pixels, labels in crops if pixels.shape[0] == side]
        np.save(out / f"crops{side}_pixels.npy", np.stack([pixels for pixels, _ in chosen]))
        for name, (_, dtype) in LABEL_FIELDS.items():
            values: NDArray[Any] = np.stack([np.asarray(getattr(labels, name), dtype) for _, labels in chosen])
            np.save(out / f"crops{side}_{name}.npy", values)
