"""A part as people are shown it: cut out with something round it, outlined, tinted where it is unlike genuine ones."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from pipeline.domain import HOT, Box, HeatMap, Photo

_TINT = (196, 30, 130)
_MOST_TINT = 0.45  # the cloth must stay visible under it
_SCALE = 100.0
_DARK, _LIGHT = (16, 21, 26), (255, 255, 255)
_OUTLINE = (255, 243, 196)
_GREY = (138, 143, 148)  # beyond the photo's edge
_CONTEXT = 0.45  # of the box's longer side shown round it: a tab is judged with its seam
_LEAST_CONTEXT_PX = 24
_RIM = 1.08  # so that an outline round the box is never cut off


def part_picture(photo: Photo, box: Box | None, size_wh: tuple[int, int], heat: HeatMap | None = None) -> Image.Image:
    """The box with something round it, outlined; the whole photo without a box.

    The photo fills the frame unless the box itself is too large for that: then grey lies beside it.

    Args:
        photo: upright.
        box: px in the photo, or None.
        size_wh: of the picture, px.
        heat: drawn over it where there is one.

    Returns:
        An RGB picture of `size_wh` px.
    """
    window = window_of(box, photo.size_wh, size_wh[0] / size_wh[1])
    left, top, right, bottom = (round(side) for side in window.xyxy)
    backed = Image.new("RGB", (right - left, bottom - top), _GREY)
    backed.paste(Image.fromarray(photo.pixels), (-left, -top))
    tile = backed.resize(size_wh, Image.Resampling.LANCZOS, reducing_gap=2.0)
    if heat is not None:
        tile = with_heat(tile, heat, Box(left, top, right - left, bottom - top))
    if box is not None:
        across, down = size_wh[0] / (right - left), size_wh[1] / (bottom - top)
        x, y = (box.x - left) * across, (box.y - top) * down
        _outline(tile, (x, y, x + box.w * across, y + box.h * down))
    return tile


def window_of(box: Box | None, photo_wh: tuple[int, int], shape: float) -> Box:
    """What to show of a photo in a frame of this shape (width / height), px: the box with context.

    No larger than fits into the photo if the box allows, and moved inside the photo where it fits.
    """
    if box is None:
        box = Box(0, 0, *photo_wh)
        width = max(box.w, box.h * shape)
    else:
        pad = max(_LEAST_CONTEXT_PX, _CONTEXT * max(box.w, box.h))
        wanted, fitting = max(box.w + 2 * pad, (box.h + 2 * pad) * shape), min(photo_wh[0], photo_wh[1] * shape)
        width = max(min(wanted, fitting), _RIM * box.w, _RIM * box.h * shape)
    height = width / shape
    left = _inside(box.x + box.w / 2 - width / 2, width, photo_wh[0])
    top = _inside(box.y + box.h / 2 - height / 2, height, photo_wh[1])
    return Box(left, top, width, height)


def _inside(start: float, length: float, room: float) -> float:
    return (room - length) / 2 if length > room else min(max(start, 0.0), room - length)


def _outline(tile: Image.Image, sides: tuple[float, float, float, float]) -> None:
    """Light with dark rims, so that it shows on any cloth."""
    left, top, right, bottom = (round(side) for side in sides)
    draw = ImageDraw.Draw(tile)
    draw.rectangle((left - 4, top - 4, right + 4, bottom + 4), outline=_DARK, width=4)
    draw.rectangle((left - 3, top - 3, right + 3, bottom + 3), outline=_OUTLINE, width=2)


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
