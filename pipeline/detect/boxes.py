"""From the detector's raw answers to boxes: scores, and of boxes that lie on each other the surest."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Boxes:
    """Found boxes: the part's number (n,), corners xyxy in px (n, 4), scores 0..1 (n,)."""

    parts: Places
    xyxy: Floats
    scores: Floats

    def take(self, places: Places | NDArray[np.bool_]) -> Boxes:
        """Some of them."""
        return Boxes(self.parts[places], self.xyxy[places], self.scores[places])

    def and_also(self, other: Boxes) -> Boxes:
        """These and others."""
        return Boxes(
            np.concatenate([self.parts, other.parts]),
            np.concatenate([self.xyxy, other.xyxy]),
            np.concatenate([self.scores, other.scores]),
        )

    def moved(self, xyxy: Floats) -> Boxes:
        """The same boxes elsewhere."""
        return Boxes(self.parts, xyxy, self.scores)


def decode(logits: Floats, boxes_xyxy: Floats, least_score: Floats, nms_iou: float) -> Boxes:
    """Boxes that score enough, without doubles, surest first.

    Args:
        logits: shape (cells, parts).
        boxes_xyxy: shape (cells, 4), px.
        least_score: shape (parts,), probabilities.
        nms_iou: boxes of one part that overlap by more are one thing.
    """
    floor = np.array([math.log(p / (1 - p)) for p in np.clip(least_score, 1e-6, 1 - 1e-6)], np.float32)
    cells, parts = np.nonzero(logits >= floor)
    scores = np.asarray(1 / (1 + np.exp(-logits[cells, parts])), np.float32)
    return without_doubles(Boxes(parts, boxes_xyxy[cells], scores), nms_iou)


def without_doubles(boxes: Boxes, nms_iou: float) -> Boxes:
    """Greedy non-maximum suppression within each part, surest first.

    Args:
        boxes: boxes of different parts never displace each other.
        nms_iou: overlap above which the less sure box goes.
    """
    order = np.argsort(-boxes.scores, kind="stable")
    kept: list[int] = []
    while len(order):
        best, rest = order[0], order[1:]
        kept.append(int(best))
        overlaps = overlap(boxes.xyxy[best], boxes.xyxy[rest])
        order = rest[(overlaps <= nms_iou) | (boxes.parts[rest] != boxes.parts[best])]
    return boxes.take(np.array(kept, np.intp))


def without_rivals(boxes: Boxes, sureness: Floats, most_iou: float, may_share: Collection[frozenset[int]]) -> Boxes:
    """Of boxes of different parts that lie on each other only the surest, in the order given.

    Args:
        boxes: without doubles within a part.
        sureness: shape (n,), comparable across parts.
        most_iou: overlap above which two boxes are one thing with two names.
        may_share: pairs of parts that may lie on each other; their boxes never displace each other.
    """
    kept: list[int] = []
    for place in np.argsort(-sureness, kind="stable"):
        overlaps = overlap(boxes.xyxy[place], boxes.xyxy[kept])
        part = int(boxes.parts[place])
        names = [int(boxes.parts[other]) for other, iou in zip(kept, overlaps, strict=True) if iou > most_iou]
        if all(name == part or frozenset((name, part)) in may_share for name in names):
            kept.append(int(place))
    return boxes.take(np.array(sorted(kept), np.intp))


def overlap(box_xyxy: Floats, boxes_xyxy: Floats) -> Floats:
    """Intersection over union of one box (4,) with many (n, 4)."""
    low = np.maximum(box_xyxy[:2], boxes_xyxy[:, :2])
    high = np.minimum(box_xyxy[2:], boxes_xyxy[:, 2:])
    shared = np.clip(high - low, 0, None).prod(axis=1)
    areas = np.clip(boxes_xyxy[:, 2:] - boxes_xyxy[:, :2], 0, None).prod(axis=1)
    own = float(np.clip(box_xyxy[2:] - box_xyxy[:2], 0, None).prod())
    return np.asarray(shared / np.maximum(areas + own - shared, 1e-6), np.float32)
