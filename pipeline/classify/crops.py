"""Which square of the photo a part is judged on, and how it becomes the network's input.

Training crops are made by the same functions, so that both see the same thing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.domain import Box, PartName

PAD_GREY = 114  # what lies outside the photo


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


@dataclass(frozen=True, slots=True)
class Square:
    """A square window of the photo, px; may reach past the photo's edge."""

    x: float
    y: float
    side: float

    def to_photo(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (..., 2) in 0..1 of the square to photo px."""
        return points * self.side + np.array([self.x, self.y])

    def to_square(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Photo px to 0..1 of the square."""
        return (points - np.array([self.x, self.y])) / self.side


def square_for(part: PartName, box: Box) -> Square:
    """The square that a part is judged on."""
    side = max(box.w, box.h) * CROPS[part].context
    return Square(box.x + box.w / 2 - side / 2, box.y + box.h / 2 - side / 2, side)


def cut_out(pixels: NDArray[np.uint8], square: Square, side_px: int) -> NDArray[np.uint8]:
    """Cut a square from a photo and scale it.

    Args:
        pixels: uint8 RGB (height, width, 3).
        square: where.
        side_px: size of the result.

    Returns:
        uint8 RGB (side_px, side_px, 3), grey outside the photo; averaged when shrunk.
    """
    height, width = pixels.shape[:2]
    x0, y0 = int(np.floor(square.x)), int(np.floor(square.y))
    x1, y1 = int(np.ceil(square.x + square.side)), int(np.ceil(square.y + square.side))
    cx0, cy0, cx1, cy1 = max(0, x0), max(0, y0), min(width, x1), min(height, y1)
    if cx1 <= cx0 or cy1 <= cy0:
        return np.full((side_px, side_px, 3), PAD_GREY, np.uint8)
    piece = pixels[cy0:cy1, cx0:cx1]
    if (cx0, cy0, cx1, cy1) != (x0, y0, x1, y1):
        piece = cv2.copyMakeBorder(piece, cy0 - y0, y1 - cy1, cx0 - x0, x1 - cx1, cv2.BORDER_CONSTANT, value=(PAD_GREY,) * 3)
    return resize_square(piece, side_px)


def resize_square(piece: NDArray[np.uint8], side_px: int) -> NDArray[np.uint8]:
    """Average when shrinking, interpolate when enlarging."""
    way = cv2.INTER_AREA if piece.shape[0] > side_px else cv2.INTER_LINEAR
    return cv2.resize(piece, (side_px, side_px), interpolation=way)
