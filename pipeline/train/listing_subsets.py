"""Labelled folders with some of another's listings: a listing's photos and labels stay together."""

from __future__ import annotations

import json
import shutil
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.evaluate.labelled import photo_key


@dataclass(frozen=True, slots=True)
class ListingPhotos:
    """A listing and how many photos it has."""

    listing_id: str
    photos: int


def listings_in(folder: Path) -> list[ListingPhotos]:
    """The listings of a labelled folder, in its order.

    Raises:
        ValueError: if its table cannot be read.
    """
    return [ListingPhotos(str(row["listing_id"]), len(row["photos"])) for row in _rows(folder / "listings.jsonl")]


def shuffled(listings: Sequence[ListingPhotos], seed: int) -> list[ListingPhotos]:
    """The same listings in a random order."""
    return [listings[i] for i in np.random.default_rng(seed).permutation(len(listings))]


def first_with_photos(listings: Sequence[ListingPhotos], most_photos: int) -> list[ListingPhotos]:
    """The first listings that together have at most so many photos, and one at least.

    For one order the subsets are nested: a larger number takes the same listings and more.
    """
    ends = np.cumsum([listing.photos for listing in listings])
    return list(listings[: max(1, int(np.searchsorted(ends, most_photos, side="right")))])


def set_aside(listings: Sequence[ListingPhotos], share: float) -> tuple[list[ListingPhotos], list[ListingPhotos]]:
    """The listings without their last ones, and those: about this share, one at least.

    Raises:
        ValueError: if there are not two.
    """
    if len(listings) < 2:
        raise ValueError("at least two listings are needed: one to learn from, one to choose on")
    count = min(len(listings) - 1, max(1, round(share * len(listings))))
    return list(listings[:-count]), list(listings[-count:])


def write_subset(folder: Path, listings: Collection[ListingPhotos], out: Path) -> Path:
    """Write a labelled folder that holds only these listings; photos take no room twice.

    Args:
        folder: a labelled folder.
        listings: of it.
        out: made anew; what a subset left there before is replaced.

    Returns:
        `out`.

    Raises:
        ValueError: if one of its tables cannot be read.
    """
    wanted = {listing.listing_id for listing in listings}
    rows = [row for row in _rows(folder / "listings.jsonl") if str(row["listing_id"]) in wanted]
    truth = [row for row in _rows(folder / "truth.jsonl") if str(row["listing_id"]) in wanted]
    photos = {photo_key(str(path)) for row in rows for path in row["photos"]}
    coco = _content(folder / "parts.coco.json")
    images = [image for image in coco["images"] if photo_key(str(image["file_name"])) in photos]
    numbers = {image["id"] for image in images}
    notes = [note for note in coco["annotations"] if note["image_id"] in numbers]
    shutil.rmtree(out, ignore_errors=True)
    for row in rows:
        for path in map(str, row["photos"]):
            if (folder / path).is_file():
                _hold(folder / path, out / path)
    _write_rows(out / "listings.jsonl", rows)
    _write_rows(out / "truth.jsonl", truth)
    (out / "parts.coco.json").write_text(json.dumps({**coco, "images": images, "annotations": notes}), encoding="utf-8")
    return out


def _rows(path: Path) -> list[dict[str, Any]]:
    try:
        with path.open(encoding="utf-8") as file:
            return [json.loads(line) for line in file if line.strip()]
    except (OSError, json.JSONDecodeError) as err:
        raise ValueError(f"{path}: cannot be read as a table of a labelled folder: {err}") from err


def _content(path: Path) -> dict[str, Any]:
    try:
        content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, json.JSONDecodeError) as err:
        raise ValueError(f"{path}: cannot be read as labels of a folder: {err}") from err
    return content


def _write_rows(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    path.write_text("".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows), encoding="utf-8")


def _hold(photo: Path, here: Path) -> None:
    """The same file under a second name: a link that leads out of its folder would not be read."""
    here.parent.mkdir(parents=True, exist_ok=True)
    try:
        here.hardlink_to(photo)
    except OSError:  # another disk
        shutil.copyfile(photo, here)
