"""Which square of the photo a part is judged on.

Training crops are made by the same functions, so that both see the same thing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.cutting import CLOSE_LEAST_SIDE, PAD_GREY, Square, cut_out, resize_square
from pipeline.domain import Box, PartName

__all__ = ["CLOSE_LEAST_SIDE", "CROPS", "PAD_GREY", "CropSpec", "Square", "cut_out", "resize_square", "square_for"]


@dataclass(frozen=True, slots=True)
class CropSpec:
    """`context`: side of the square in longer sides of the box; `side_px`: the network's input."""

    context: float
    side_px: int


CROPS: Mapping[PartName, CropSpec] = {
    PartName.POCKET: CropSpec(1.2, 320),
    PartName.TAB: CropSpec(1.9, 320),  # the seam beside the ribbon is judged with it
    PartName.LABEL: CropSpec(1.1, 320),
    PartName.BUTTON: CropSpec(1.2, 256),
    PartName.BUTTON_BACK: CropSpec(1.15, 256),
    PartName.RIVET: CropSpec(1.3, 256),
    PartName.ZIP: CropSpec(1.2, 256),
    PartName.CARE_TAG: CropSpec(1.12, 320),
}


def square_for(part: PartName, box: Box) -> Square:
    """The square that a part is judged on."""
    side = max(box.w, box.h) * CROPS[part].context
    return Square(box.x + box.w / 2 - side / 2, box.y + box.h / 2 - side / 2, side)
