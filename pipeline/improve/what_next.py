"""Which crops teach most: those on which the heads are unsure, and unlike each other (BADGE, Ash et al. 2020).

Each crop is placed where its own lesson would push the heads' last layers, were their likeliest answers the right ones:
far from the middle where they are unsure, in another direction where something else is shown. Seeds of k-means++
(Arthur & Vassilvitskii 2007) among these places are then both, without a setting to weigh one against the other.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from pipeline import store
from pipeline.classify.crops import square_for
from pipeline.classify.heads import CUE_OF_HEAD, HEADS, head_slices
from pipeline.config import ReferenceSheet
from pipeline.domain import Listing, PartReading
from pipeline.evaluate.labelled import LabelledPart
from pipeline.improve.check_labels import looked_up
from pipeline.improve.crop_sheet import Tile, draw_sheet
from pipeline.improve.crops import Crop, Features, Progress
from pipeline.improve.dataset import LabelledListing
from pipeline.intake import file_sha256, read_listings
from pipeline.train.folder_samples import labels_of_part

Floats = NDArray[np.float32]
_HEADED = {part for head in HEADS for part in head.parts}


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """A crop worth a label, the cue that is least sure on it, and how likely each answer of its head is."""

    crop: Crop
    cue: str
    told: Mapping[str, float]


def what_to_label_next(
    run_dir: Path,
    sheets: Mapping[str, ReferenceSheet],
    features: Features,
    count: int,
    pool: int,
    progress: Progress,
    seed: int = 0,
) -> list[Lesson]:
    """Choose crops of a run, the most telling first, and draw them into `worth_a_label.png` in the run's folder.

    Args:
        run_dir: a folder that `scan` wrote.
        sheets: reference sheets by maker.
        features: of the network in use.
        count: how many crops to choose.
        pool: how many crops to choose from: those that the scan was least sure of.
        progress: gives a context whose value is called with (done, total).
        seed: of the choice.

    Raises:
        OSError: if the folder is no run, or its listings are gone.
    """
    crops = _least_sure(run_dir, sheets, pool)
    with progress("looking at parts that were hard to tell") as tell:
        tokens = features.of_crops(crops, tell)
    crops = [crop for crop, one in zip(crops, tokens, strict=True) if one is not None]
    found = looked_up(features, [one for one in tokens if one is not None])
    chances, places = lessons(features, crops, found)
    chosen = far_apart(places, count, np.random.default_rng(seed))
    made = [_lesson(crops[row], chances[row]) for row in chosen]
    draw_sheet([_tile(one) for one in made], "Worth a label, the most telling first", run_dir / "worth_a_label.png")
    return made


def far_apart(places: Floats, count: int, rng: np.random.Generator) -> list[int]:
    """Seeds of k-means++: the farthest from the middle first, then by chance in proportion to squared distance.

    Args:
        places: (n, dimensions).
        count: how many; fewer where no more places differ.
        rng: chance.
    """
    if not len(places):
        return []
    chosen = [int((places**2).sum(1).argmax())]
    left = ((places - places[chosen[0]]) ** 2).sum(1)
    while len(chosen) < min(count, len(places)) and left.sum() > 0:
        chosen.append(int(rng.choice(len(places), p=left / left.sum())))
        left = np.minimum(left, ((places - places[chosen[-1]]) ** 2).sum(1))
    return chosen


@torch.no_grad()
def lessons(features: Features, crops: Sequence[Crop], found: Floats) -> tuple[Floats, Floats]:
    """The heads' chances on crops (n, answers of all heads; 0 where not asked), and where their lessons push.

    Args:
        features: of the network in use.
        crops: n of them.
        found: what every query finds, (n, queries, channels).
    """
    logits, _ = features.network.cues(torch.from_numpy(found))
    chances = np.zeros(tuple(logits.shape), np.float32)
    blocks = []
    for number, (head, where) in enumerate(zip(HEADS, head_slices().values(), strict=True)):
        asked = np.array([crop.part.part in head.parts for crop in crops], np.float32)
        told = torch.softmax(logits[:, where], 1).numpy()
        chances[:, where] = told * asked[:, None]
        likeliest = np.eye(told.shape[1], dtype=np.float32)[told.argmax(1)]
        push = (told - likeliest) * asked[:, None]
        blocks.append((push[:, :, None] * found[:, number, None, :]).reshape(len(found), -1))
    return chances, np.concatenate(blocks, 1)


def _lesson(crop: Crop, chances: Floats) -> Lesson:
    """The head that is least sure names the cue."""
    heads = [(head, chances[where]) for head, where in zip(HEADS, head_slices().values(), strict=True)]
    asked = [(head, told) for head, told in heads if crop.part.part in head.parts]
    head, told = min(asked, key=lambda row: float(row[1].max()))
    answers = {answer: round(float(chance), 3) for answer, chance in zip(head.answers, told, strict=True)}
    return Lesson(crop, CUE_OF_HEAD.get(head.name, head.name), answers)


def _least_sure(run_dir: Path, sheets: Mapping[str, ReferenceSheet], pool: int) -> list[Crop]:
    """Found parts of a run as crops without labels, those whose least sure cue is least sure first."""
    listings_file = run_dir / store.read_about(run_dir).listings
    listings, _ = read_listings(listings_file)
    owner = {path: listing for listing in listings for path in listing.photos}
    parts = [
        part
        for part in store.read_parts(run_dir)
        if part.found.is_sure and part.cues and part.found.part in _HEADED and part.found.photo in owner
    ]
    parts.sort(key=_sureness)
    by_listing: dict[str, list[PartReading]] = defaultdict(list)
    for part in parts[:pool]:
        by_listing[owner[part.found.photo].listing_id].append(part)
    named = {listing.listing_id: listing for listing in listings}
    return [
        crop
        for name, found in by_listing.items()
        if named[name].maker in sheets
        for crop in _crops(listings_file.parent, named[name], found, sheets[named[name].maker])
    ]


def _sureness(part: PartReading) -> float:
    return min(max(cue.likelihood.values()) for cue in part.cues)


def _crops(folder: Path, listing: Listing, found: Sequence[PartReading], sheet: ReferenceSheet) -> list[Crop]:
    parts = tuple(LabelledPart(one.found.photo, one.found.part, one.found.box, {}) for one in found)
    shas = {path: file_sha256(folder / path) for path in {part.photo for part in parts}}
    of = LabelledListing(folder, listing, shas, parts, None)
    return [Crop(of, part, labels_of_part(part, listing, sheet, square_for(part.part, part.box))) for part in parts]


def _tile(one: Lesson) -> Tile:
    told = ", ".join(f"{answer.replace('_', ' ')} {chance:.0%}" for answer, chance in one.told.items())
    return Tile(one.crop, f"{one.cue.replace('_', ' ')}; {one.crop.of.listing.listing_id}", told)
