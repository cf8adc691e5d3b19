"""A heat map over a crop: tinted where a part is unlike the genuine ones, outlined where it is most so."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.domain import HOT, Box, HeatMap

_TINT = (196, 30, 130)
_MOST_TINT = 0.45  # the cloth must stay visible under it
_SCALE = 100.0
_DARK, _LIGHT = (16, 21, 26), (255, 255, 255)


def with_heat(tile: Image.Image, heat: HeatMap, window: Box) -> Image.Image:
    """Draw a heat map over a tile.

    Args:
        tile: RGB.
        heat: where and how hot.
        window: the part of the photo that the tile shows, px.

    Returns:
        A new picture: tint by heat, and a white line with a dark rim round what reaches `HOT`, so that nobody needs to
        tell the colours apart; where nothing does, round the hottest spot.
    """
    levels = _levels(heat, window, tile.size)
    share = (_MOST_TINT * np.clip(levels / _SCALE, 0, 1))[:, :, None]
    pixels = np.asarray(tile, np.float64) * (1 - share) + np.array(_TINT) * share
    drawn = np.ascontiguousarray(np.round(pixels).astype(np.uint8))
    least = min(float(HOT), 0.8 * float(levels.max()))
    outlines, _ = cv2.findContours(
        (levels >= max(least, 1.0)).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    cv2.drawContours(drawn, outlines, -1, _DARK, 4)
    cv2.drawContours(drawn, outlines, -1, _LIGHT, 2)
    return Image.fromarray(drawn)


def _levels(heat: HeatMap, window: Box, tile_wh: tuple[int, int]) -> NDArray[np.float64]:
    """The heat at every pixel of the tile, between the grid's middles in straight lines; 0 outside the grid."""
    grid = np.array(heat.rows, np.float64)
    across = (window.x + (np.arange(tile_wh[0]) + 0.5) * window.w / tile_wh[0] - heat.box.x) / heat.box.w
    down = (window.y + (np.arange(tile_wh[1]) + 0.5) * window.h / tile_wh[1] - heat.box.y) / heat.box.h
    at_x = np.broadcast_to(across * grid.shape[1] - 0.5, (tile_wh[1], tile_wh[0])).astype(np.float32)
    at_y = np.broadcast_to((down * grid.shape[0] - 0.5)[:, None], (tile_wh[1], tile_wh[0])).astype(np.float32)
    return np.asarray(
        cv2.remap(grid.astype(np.float32), at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT), np.float64
    )
