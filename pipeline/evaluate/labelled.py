"""A labelled folder as values: photos, parts with their true states and print, and what is true of each pair."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.domain import Box, Listing, PartName
from pipeline.intake import read_listings


@dataclass(frozen=True, slots=True)
class LabelledPart:
    """One annotated part: its cues as far as this photo shows them, its print, the tab's place in mm.

    `outline_points`: a pocket's five corners and the tab's two seam points in photo px, where somebody marked them.
    """

    photo: str
    part: PartName
    box: Box
    cues: Mapping[str, str]
    text: str | None = None
    tab_position_mm: float | None = None
    outline_points: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class PairTruth:
    """What is true of a pair, whether or not a photo shows it; `stands_for` so many pairs of what came in."""

    counterfeit: bool
    cues: Mapping[str, str]
    stands_for: float = 1.0


@dataclass(frozen=True, slots=True)
class LabelledFolder:
    """Everything a labelled folder says. `coco` is the annotation file as it stands."""

    listings: tuple[Listing, ...]
    parts: tuple[LabelledPart, ...]
    truth: Mapping[str, PairTruth]
    coco: Mapping[str, Any]


def read_labelled(folder: Path) -> LabelledFolder:
    """Read a labelled folder.

    Raises:
        ValueError: if one of its three files is missing or cannot be understood.
    """
    try:
        coco = json.loads((folder / "parts.coco.json").read_text(encoding="utf-8"))
        with (folder / "truth.jsonl").open(encoding="utf-8") as file:
            rows = [json.loads(line) for line in file if line.strip()]
        truth = {str(row["listing_id"]): _pair_truth(row) for row in rows}
        parts = labelled_parts(coco)
    except OSError as err:
        raise ValueError(f"{err.filename}: cannot be read ({err.strerror}); is {folder} a labelled folder?") from err
    except (KeyError, TypeError, json.JSONDecodeError) as err:
        raise ValueError(f"{folder}: parts.coco.json or truth.jsonl is not as expected: {err!r}") from err
    listings, _ = read_listings(folder / "listings.jsonl")
    return LabelledFolder(tuple(listings), parts, truth, coco)


def _pair_truth(row: Mapping[str, Any]) -> PairTruth:
    return PairTruth(bool(row["counterfeit"]), dict(row["cues"]), float(row.get("stands_for", 1)))


def labelled_parts(coco: Mapping[str, Any]) -> tuple[LabelledPart, ...]:
    """The annotations of a COCO file, each with its photo and part by name."""
    photos = {image["id"]: str(image["file_name"]) for image in coco["images"]}
    names = {category["id"]: PartName(category["name"]) for category in coco["categories"]}
    return tuple(
        _labelled_part(photos[item["image_id"]], names[item["category_id"]], item) for item in coco["annotations"]
    )


def _labelled_part(photo: str, part: PartName, annotation: Mapping[str, Any]) -> LabelledPart:
    """One annotation; attributes that are not cues are taken out by name."""
    attributes = dict(annotation.get("attributes", {}))
    text = attributes.pop("text", None)
    position = attributes.pop("tab_position_mm", None)
    return LabelledPart(
        photo=photo,
        part=part,
        box=Box(*(float(side) for side in annotation["bbox"])),
        cues={cue: state for cue, state in attributes.items() if isinstance(state, str) and state != "not_seen"},
        text=None if text is None else str(text),
        tab_position_mm=None if position is None else float(position),
        outline_points=tuple((float(x), float(y)) for x, y in annotation.get("outline_points", ())),
    )


def photo_key(photo: str) -> str:
    """A photo's path inside `photos/`, so that paths from the folder and from `photos/` mean the same photo."""
    return PurePosixPath(photo).as_posix().removeprefix("photos/")
