"""Which found part is which labelled part."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.domain import PartReading
from pipeline.evaluate.labelled import LabelledPart, photo_key

LEAST_IOU = 0.5


def match_parts(
    labelled: Sequence[LabelledPart], found: Sequence[PartReading], least_iou: float = LEAST_IOU
) -> list[tuple[LabelledPart, PartReading | None]]:
    """Give each labelled part the found part that lies on it, best overlaps first, each used once.

    Args:
        labelled: parts to find.
        found: parts found in the same photos, in any order.
        least_iou: overlap from which two boxes are the same part.

    Returns:
        Every labelled part, in the order given, with its found part or None.
    """
    by_place: dict[tuple[str, str], list[int]] = {}
    for index, reading in enumerate(found):
        place = (photo_key(reading.found.photo), reading.found.part.value)
        by_place.setdefault(place, []).append(index)
    overlaps = [
        (part.box.iou(found[index].found.box), number, index)
        for number, part in enumerate(labelled)
        for index in by_place.get((photo_key(part.photo), part.part.value), [])
    ]
    matched: dict[int, int] = {}
    used: set[int] = set()
    for iou, number, index in sorted(overlaps, key=lambda item: (-item[0], item[1], item[2])):
        if iou >= least_iou and number not in matched and index not in used:
            matched[number] = index
            used.add(index)
    return [(part, found[matched[number]] if number in matched else None) for number, part in enumerate(labelled)]
