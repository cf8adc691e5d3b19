"""Cutting a square out of a photo and making it a network's input; grey where it reaches past the edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

PAD_GREY = 114  # what lies outside the photo
# The closer look round all small parts, as the detector is trained for it and a new card has it.
CLOSE_CONTEXT = 1.35  # side of its square in sides of what was found
CLOSE_LEAST_SIDE = 0.45  # of the photo's long side


@dataclass(frozen=True, slots=True)
class Square:
    """A square window of the photo, px; may reach past the photo's edge."""

    x: float
    y: float
    side: float

    def snapped(self) -> Square:
        """The nearest square of whole pixels: what is cut there maps back to the photo without rounding."""
        return Square(float(round(self.x)), float(round(self.y)), float(max(1, round(self.side))))

    def to_photo(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (..., 2) in 0..1 of the square to photo px."""
        return np.asarray(points * self.side + np.array([self.x, self.y]), np.float64)

    def to_square(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Photo px to 0..1 of the square."""
        return np.asarray((points - np.array([self.x, self.y])) / self.side, np.float64)


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
        inside = piece
        piece = np.full((y1 - y0, x1 - x0, 3), PAD_GREY, np.uint8)
        piece[cy0 - y0 : cy1 - y0, cx0 - x0 : cx1 - x0] = inside
    return resize_square(piece, side_px)


def resize_square(piece: NDArray[np.uint8], side_px: int) -> NDArray[np.uint8]:
    """Average when shrinking, interpolate when enlarging."""
    way = cv2.INTER_AREA if piece.shape[0] > side_px else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(piece, (side_px, side_px), interpolation=way), np.uint8)
