"""How a tab's ribbon lies in its box: which way it runs, how long it is, and where its seam may be.

For close-ups that show too little of the pocket to measure by. The ribbon's size is known from the sheet, so its box
says how long it is as soon as its direction is known; its colour says that.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.domain import Box
from pipeline.measures.seam_strip import Seam

_SIDE_PX = 96  # of the crop in which the ribbon's direction is found
_MARGIN = 0.2  # of the box's longer side: cloth to compare with
_LIGHTNESS_SHARE = 0.3  # photos are darker or brighter than the sheet: its hue tells more
_LEAST_STAND_OUT = 3.0  # CIELAB, of the ribbon from the cloth
_WORST_MISFIT = 0.1  # of the length: by so much the box may be none of a ribbon of that shape
_LENGTH_SIGMA_MM = 1.0  # woven ribbon and folding, common practice
_BOX_SIGMA = 0.02  # of a found box's sides


def seams_beside(
    pixels: NDArray[np.uint8], box: Box, size_mm: tuple[float, float], ground_lab: ArrayLike
) -> tuple[Seam, ...]:
    """The two lines along which a ribbon may be sewn in: its long sides.

    Args:
        pixels: the photo, sRGB uint8, shape (height, width, 3).
        box: tight round the ribbon.
        size_mm: how far it stands out of the seam, and its length along the seam.
        ground_lab: the ribbon's own colour, CIELAB, shape (3,).

    Returns:
        Two seams; none where the ribbon's colour does not show, or the box does not fit a ribbon of this shape, as
        when the photo's edge cuts it off.
    """
    stands_out, length_mm = size_mm
    along = _direction(pixels, box, np.asarray(ground_lab, np.float64))
    if along is None:
        return ()
    across = np.array([-along[1], along[0]])
    shape = np.abs(along) + stands_out / length_mm * np.abs(across)  # the box's sides in lengths of the ribbon
    sides = np.array([box.w, box.h])
    length = float(shape @ sides / (shape @ shape))
    if np.linalg.norm(length * shape - sides) > _WORST_MISFIT * length:
        return ()
    middle = np.array([box.x + box.w / 2, box.y + box.h / 2])
    sigma = float(np.hypot(_LENGTH_SIGMA_MM / length_mm, _BOX_SIGMA))
    seams = []
    for side in (across, -across):
        seam = middle + side * length * stands_out / length_mm / 2
        ends = (seam - along * length / 2).tolist(), (seam + along * length / 2).tolist(), (seam + side).tolist()
        top, bottom, onto_pocket = ((x, y) for x, y in ends)
        seams.append(Seam(top, bottom, onto_pocket, length / length_mm, sigma, length_mm))
    return tuple(seams)


def _direction(pixels: NDArray[np.uint8], box: Box, ground_lab: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Unit vector along the ribbon: the main axis of what has its colour, inside the box."""
    margin = _MARGIN * max(box.w, box.h)
    height, width = pixels.shape[:2]
    left, top = max(0, int(box.x - margin)), max(0, int(box.y - margin))
    right, bottom = min(width, int(box.x + box.w + margin)), min(height, int(box.y + box.h + margin))
    crop = pixels[top:bottom, left:right]
    shrink = min(1.0, _SIDE_PX / max(1, *crop.shape[:2]))
    if min(crop.shape[:2]) * shrink < 2:
        return None
    small = cv2.resize(crop, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(np.asarray(small, np.float32) / 255, cv2.COLOR_RGB2LAB)
    x = (np.arange(small.shape[1]) + 0.5) / shrink + left - box.x - box.w / 2
    y = (np.arange(small.shape[0]) + 0.5) / shrink + top - box.y - box.h / 2
    inside = (np.abs(y) <= box.h / 2)[:, None] & (np.abs(x) <= box.w / 2)
    if inside.all() or not inside.any():
        return None
    cloth = np.median(lab[~inside], axis=0)
    towards = (ground_lab - cloth) * np.array([_LIGHTNESS_SHARE, 1.0, 1.0])
    likeness = (lab - cloth) @ (towards / max(float(np.linalg.norm(towards)), 1e-6))
    full = float(np.quantile(likeness[inside], 0.75))
    if full <= _LEAST_STAND_OUT:
        return None
    weight = np.clip(likeness / full, 0, 1) * inside
    across, down = (weight.sum(axis=0) @ x**2), (weight.sum(axis=1) @ y**2)
    turn = 0.5 * np.arctan2(2 * (y @ weight @ x), across - down)
    return np.array([np.cos(turn), np.sin(turn)])
