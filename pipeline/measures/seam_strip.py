"""A tab's seam laid straight in a strip, with the rows of thread that run along it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Light = NDArray[np.float32]

_LEAST_PX_PER_MM, _MOST_PX_PER_MM = 2.0, 6.0  # below, a stitch is a blur; above, nothing is gained
_OUTSIDE_MM, _INSIDE_MM = 1.0, 11.0  # how far the strip reaches off the pocket and onto it
_BEYOND_MM = 5.0  # and along the seam beyond the tab's ends: so far the tab's own stitches go at least
_LEAST_SEEN_MM = 15.0  # of the seam
_FIRST_ROW_MM, _LAST_ROW_MM = 0.9, 0.4  # no row is looked for nearer to the pocket's edge, and to the strip's
_ROW_APART_MM = 2.5
_MOST_ROWS = 2
_ROW_PX_PER_MM, _COLUMN_MM = 4, 2.0  # fine enough to find rows
_TILTS_DEG = tuple(range(-7, 8))  # a ribbon leans in its seam, and a camera askew shears
_LIGHTNESS_SHARE = 0.6  # shade changes lightness more than hue
_LEAST_STAND_OUT = 9.0  # of a row's colour from the cloth's, CIELAB; coarse twill makes 7
_WEAKER_ROW = 0.45  # of the strongest row's


@dataclass(frozen=True, slots=True)
class Seam:
    """Where a tab is sewn in: its ends on the seam and a point beside it on the pocket, all in photo px.

    `px_per_mm` is the scale along the seam with its relative standard uncertainty, `tab_mm` the tab's length.

    Raises:
        ValueError: if the scale or the length is not positive, or the ends are one point.
    """

    top: tuple[float, float]
    bottom: tuple[float, float]
    onto_pocket: tuple[float, float]
    px_per_mm: float
    scale_sigma: float
    tab_mm: float

    def __post_init__(self) -> None:
        """Refuse a seam without a size."""
        if not (self.px_per_mm > 0 and self.tab_mm > 0 and self.top != self.bottom):
            raise ValueError(f"a seam needs a positive scale and length, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class SeamStrip:
    """The seam from left to right, the pocket below it, with the rows of thread found on it.

    `away`: CIELAB from the cloth's, shape (height, width, 3); `rows`: each row's height by column, px, strongest
    first; `stand_out`: CIELAB distance of the strongest from the cloth.
    """

    away: Light
    px_per_mm: float
    scale_sigma: float
    rows: tuple[Floats, ...]
    stand_out: float


def seam_strip(pixels: NDArray[np.uint8], seam: Seam) -> SeamStrip | None:
    """Lay a tab's stretch of the seam straight and find its rows of thread.

    Args:
        pixels: the photo, sRGB uint8, shape (height, width, 3).
        seam: where it runs.

    Returns:
        None where the photo is too small or shows too little of the seam, or no row stands out from the cloth.
    """
    if seam.px_per_mm < _LEAST_PX_PER_MM:
        return None
    scale = min(seam.px_per_mm, _MOST_PX_PER_MM)
    laid = _laid_straight(pixels, seam, scale)
    if laid.shape[1] < _LEAST_SEEN_MM * scale:
        return None
    lab = cv2.cvtColor(np.asarray(laid, np.float32) / 255, cv2.COLOR_RGB2LAB)
    away = np.asarray(lab - np.median(lab[::2].reshape(-1, 3), axis=0), np.float32)
    rows, stand_out = _rows(away, scale)
    return SeamStrip(away, scale, seam.scale_sigma, rows, stand_out) if rows else None


def _laid_straight(pixels: NDArray[np.uint8], seam: Seam, scale: float) -> NDArray[np.uint8]:
    """The strip at `scale` px a mm, as much of its length as lies in the photo."""
    top, bottom, pocket = (np.array(point) for point in (seam.top, seam.bottom, seam.onto_pocket))
    along, middle = (bottom - top) / np.hypot(*(bottom - top)), (top + bottom) / 2
    across = np.array([-along[1], along[0]])
    across = across if across @ (pocket - middle) > 0 else -across
    width = round((seam.tab_mm + 2 * _BEYOND_MM) * scale)
    height = round((_OUTSIDE_MM + _INSIDE_MM) * scale)
    step = seam.px_per_mm / scale  # photo px a px of the strip
    start = middle - along * step * width / 2 - across * seam.px_per_mm * _OUTSIDE_MM
    edge = start + np.outer(np.arange(width), along * step)
    edges = np.stack([edge, edge + across * step * height])
    inside = ((edges >= 0) & (edges <= np.array(pixels.shape[1::-1]) - 1)).all(axis=(0, 2))
    # OpenCV warps no picture more than 32767 px wide, so only what is needed of the photo goes in.
    (left, low), (right, high) = np.maximum(edges.min((0, 1)), 0).astype(int), edges.max((0, 1)).astype(int) + 2
    window = pixels[low : max(high, 0), left : max(right, 0)]
    if not inside.any() or 0 in window.shape:
        return np.zeros((height, 0, 3), np.uint8)
    to_window = np.column_stack([along * step, across * step, start - (left, low)])
    laid = cv2.warpAffine(window, to_window, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.asarray(laid[:, inside], np.uint8)


def _rows(away: Light, scale: float) -> tuple[tuple[Floats, ...], float]:
    """Straight lines of one slope on which the colour departs from the cloth's, and how far on the strongest."""
    height, width = away.shape[:2]
    columns, heights = round(width / scale / _COLUMN_MM), round(height / scale * _ROW_PX_PER_MM)
    coarse = np.asarray(cv2.resize(away, (columns, heights), interpolation=cv2.INTER_AREA), np.float32)
    profiles = _stand_out(coarse)
    tilt = int(profiles.max(axis=1).argmax())
    slope = float(np.tan(np.radians(_TILTS_DEG[tilt]))) * (np.arange(width) - width / 2)
    rows = tuple((at + 0.5) * height / heights - 0.5 + slope for at in _tops(profiles[tilt]))
    return rows, float(profiles.max())


def _tops(profile: Floats) -> list[int]:
    """The highest places of a profile, with some room between them."""
    left, apart = profile.copy(), round(_ROW_APART_MM * _ROW_PX_PER_MM)
    tops: list[int] = []
    while len(tops) < _MOST_ROWS and left.max() >= max(_LEAST_STAND_OUT, _WEAKER_ROW * profile.max()):
        tops.append(int(left.argmax()))
        left[max(0, tops[-1] - apart) : tops[-1] + apart + 1] = 0
    return tops


def _stand_out(coarse: Light) -> Floats:
    """How far the colour along a line lies from the cloth's.

    Args:
        coarse: CIELAB from the cloth's, shape (heights, columns, 3), `_ROW_PX_PER_MM` and `_COLUMN_MM` a pixel.

    Returns:
        Shape (tilts, heights in the strip's middle); 0 where no row can be.
    """
    height, count = coarse.shape[:2]
    from_middle = (np.arange(count) + 0.5 - count / 2) * _COLUMN_MM * _ROW_PX_PER_MM
    shift = np.rint(np.tan(np.radians(_TILTS_DEG))[:, None] * from_middle).astype(np.intp)
    at = np.arange(height)
    heights = np.clip(at[:, None] + shift[:, None], 0, height - 1)
    means = coarse[heights, np.arange(count)].mean(axis=2) * np.array([_LIGHTNESS_SHARE, 1.0, 1.0])
    smooth = (means[:, np.maximum(at - 1, 0)] + means + means[:, np.minimum(at + 1, height - 1)]) / 3
    departs = np.linalg.norm(smooth, axis=2)
    departs[:, : int((_OUTSIDE_MM + _FIRST_ROW_MM) * _ROW_PX_PER_MM)] = 0
    departs[:, height - max(1, int(_LAST_ROW_MM * _ROW_PX_PER_MM)) :] = 0
    return np.asarray(departs, np.float64)
