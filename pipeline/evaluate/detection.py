"""Average precision of the found parts by the COCO rules."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from pycocotools.coco import COCO
from pycocotools.cocoeval import COCOeval

from pipeline.domain import FoundPart
from pipeline.evaluate.labelled import photo_key


@dataclass(frozen=True, slots=True)
class DetectionFigures:
    """COCO average precision, over IoU 0.50 to 0.95 and at 0.50; None where there is nothing to find."""

    ap: float | None
    ap50: float | None
    ap_small: float | None
    parts: Mapping[str, tuple[float | None, float | None, int]]  # part -> AP, AP50, boxes to find


def detection_figures(coco: Mapping[str, Any], found: Sequence[FoundPart]) -> DetectionFigures:
    """Score found parts against labelled boxes.

    Args:
        coco: the labelled folder's COCO content.
        found: parts found in its photos; those in photos without labels are left out.
    """
    evaluation = _accumulated(coco, found)
    categories = {int(category["id"]): str(category["name"]) for category in coco["categories"]}
    # precision: IoU thresholds x recall steps x categories x areas (all, small, ...) x most boxes (1, 10, 100)
    precision = evaluation.eval["precision"][..., -1]
    places = {categories[int(number)]: place for place, number in enumerate(evaluation.params.catIds)}
    counts = {name: 0 for name in places}
    for annotation in coco["annotations"]:
        counts[categories[int(annotation["category_id"])]] += 1
    return DetectionFigures(
        ap=_mean(precision[:, :, :, 0]),
        ap50=_mean(precision[0, :, :, 0]),
        ap_small=_mean(precision[:, :, :, 1]),
        parts={
            name: (_mean(precision[:, :, place, 0]), _mean(precision[0, :, place, 0]), counts[name])
            for name, place in places.items()
        },
    )


def _accumulated(coco: Mapping[str, Any], found: Sequence[FoundPart]) -> COCOeval:
    """Run the COCO evaluation without its printing."""
    ids = {photo_key(str(image["file_name"])): int(image["id"]) for image in coco["images"]}
    numbers = {str(category["name"]): int(category["id"]) for category in coco["categories"]}
    rows = [
        {
            "image_id": ids[photo_key(part.photo)],
            "category_id": numbers[part.part.value],
            "bbox": [part.box.x, part.box.y, part.box.w, part.box.h],
            "score": part.score,
        }
        for part in found
        if photo_key(part.photo) in ids
    ]
    with contextlib.redirect_stdout(io.StringIO()):
        truth = COCO()
        truth.dataset = {
            "info": {},
            "images": list(coco["images"]),
            "categories": list(coco["categories"]),
            "annotations": [_complete(annotation) for annotation in coco["annotations"]],
        }
        truth.createIndex()
        results = truth.loadRes(rows) if rows else _nothing_found(truth)
        evaluation = COCOeval(truth, results, "bbox")
        evaluation.evaluate()
        evaluation.accumulate()
    return evaluation


def _nothing_found(truth: COCO) -> COCO:
    """An empty result, which `loadRes` cannot make."""
    empty = COCO()
    empty.dataset = {**truth.dataset, "annotations": []}
    empty.createIndex()
    return empty


def _complete(annotation: Mapping[str, Any]) -> dict[str, Any]:
    """An annotation with the two fields that COCO's matching needs."""
    width, height = annotation["bbox"][2:]
    return {"iscrowd": 0, "area": float(width) * float(height), **annotation}


def _mean(precision: ArrayLike) -> float | None:
    """Mean precision over what could be judged; COCO marks the rest with -1."""
    values = np.asarray(precision, dtype=np.float64)
    judged = values[values > -1]
    return float(judged.mean()) if judged.size else None
