"""The colour of the light from the photo itself, and pictures as they would look in daylight.

Sources: Buchsbaum 1980 (grey world), Finlayson and Trezzi 2004 (shades of grey), van de Weijer, Gevers and Gijsenij
2007 (grey edge, and one formula for all three), Lam 1985 (Bradford's cones, in `colour`).

All of these take the average of a photo, or of its edges, to be grey. A photo of denim is anything but: its average
says as much about the cloth and the table as about the lamp. `beyond_denim` therefore believes only what denim in
daylight does not explain by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.measures.colour import (
    LUMINANCE,
    balance_gains,
    is_trusted,
    linear_from_srgb,
    matrix_of_gains,
    srgb_from_linear,
)

_LARGEST_GAIN = 4.0  # tungsten seen by a camera that keeps its daylight balance needs 3.7 on blue
_LEAST_PIXELS = 50
_GREY = 0.5
_STEPS = 4095  # entries of the way back to sRGB: 12 bits, so that no dark shade is lost
# About the 1st to 99th percentile of grey world over 520 drawn photos in daylight (seed 42, not to be measured on):
# log(red/blue) and log(green / mean of red and blue).
_DENIM_WARMTH, _DENIM_GREEN = 1.1, 0.5


@dataclass(frozen=True, slots=True)
class Assumption:
    """What is taken to be grey: the Minkowski mean of the photo (`derivative` 0) or of its edges (1).

    `norm` 1 is the plain mean, infinity would be the brightest; `blur` is a share of the photo's longer side.

    Raises:
        ValueError: if `derivative` is neither 0 nor 1, `norm` is below 1 or `blur` is negative.
    """

    derivative: int
    norm: float
    blur: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what the formula does not cover."""
        if self.derivative not in (0, 1) or self.norm < 1 or self.blur < 0:
            raise ValueError(f"expected derivative 0 or 1, norm >= 1 and blur >= 0, got {self}")


GREY_WORLD = Assumption(0, 1)
SHADES_OF_GREY = Assumption(0, 6)
GREY_EDGE = Assumption(1, 6, 0.01)


def light_colour(pixels: NDArray[np.uint8], assumption: Assumption) -> NDArray[np.float64] | None:
    """The colour that a white surface would have in this photo.

    Args:
        pixels: sRGB uint8, shape (height, width, 3). A small copy of the photo does: at 160 px the longer
            side this takes 1.5 ms.
        assumption: what is taken to be grey.

    Returns:
        Linear RGB of luminance 1, shape (3,); None where too little of the photo is neither burnt out nor black.
    """
    light = _LINEAR[pixels]
    usable = is_trusted(light)
    blur_px = assumption.blur * max(pixels.shape[:2])
    if blur_px > 0:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), blur_px), np.float32)
    if blur_px > 0 or assumption.derivative:
        usable = _inside(usable, assumption.derivative + int(np.ceil(4 * blur_px)))  # OpenCV blurs over 4 sigma
    if assumption.derivative:
        light = np.hypot(cv2.Sobel(light, -1, 1, 0), cv2.Sobel(light, -1, 0, 1))
    chosen = light[usable].astype(np.float64)
    if len(chosen) < _LEAST_PIXELS:
        return None
    mean = (chosen**assumption.norm).mean(axis=0) ** (1 / assumption.norm)
    if mean.min() <= 0:
        return None
    return np.asarray(mean / (LUMINANCE @ mean), np.float64)


def _inside(usable: NDArray[np.bool_], reach_px: int) -> NDArray[np.bool_]:
    """Without the photo's rim and what lies near unusable places: what is averaged there is not the scene's."""
    square = np.ones((2 * reach_px + 1, 2 * reach_px + 1), np.uint8)
    framed = np.pad(usable.astype(np.uint8), 1)
    return np.asarray(cv2.erode(framed, square)[1:-1, 1:-1] > 0)


def beyond_denim(light: ArrayLike) -> NDArray[np.float64]:
    """The part of a cast that a photo of denim in daylight does not show by itself.

    Args:
        light: linear RGB, shape (3,), as from `light_colour`.

    Returns:
        Linear RGB of luminance 1; white where denim, table and labels alone explain the photo's colour.
    """
    red, green, blue = np.log(np.asarray(light, np.float64))
    warmth = _excess(red - blue, _DENIM_WARMTH)
    greenness = _excess(green - (red + blue) / 2, _DENIM_GREEN)
    rest = np.exp(np.array([warmth / 2 - greenness / 3, greenness * 2 / 3, -warmth / 2 - greenness / 3]))
    return np.asarray(rest / (LUMINANCE @ rest), np.float64)


def _excess(value: float, usual: float) -> float:
    """How far a value lies outside -usual..usual, with its sign."""
    return float(np.sign(value) * max(0.0, abs(value) - usual))


def to_daylight(light: ArrayLike) -> NDArray[np.float64]:
    """The change of linear RGB that turns a light white: von Kries on Bradford's cones. White keeps its luminance.

    Args:
        light: linear RGB, shape (3,), as from `light_colour`.

    Returns:
        Shape (3, 3), for `relit`; the identity where the light is too far from white to be undone.
    """
    colour = np.asarray(light, np.float64)
    gains = balance_gains(_GREY * colour / (LUMINANCE @ colour), np.full(3, _GREY), _LARGEST_GAIN)
    return np.eye(3) if gains is None else matrix_of_gains(gains)


def relit(pixels: NDArray[np.uint8], matrix: ArrayLike) -> NDArray[np.uint8]:
    """Change linear light by a matrix; what gets too bright burns out, as in a camera.

    Args:
        pixels: sRGB uint8, shape (..., 3).
        matrix: shape (3, 3), on linear RGB, as from `to_daylight`.
    """
    changed = _LINEAR[pixels] @ np.asarray(matrix, np.float32).T
    return np.asarray(_BACK[(np.clip(changed, 0, 1) * _STEPS + 0.5).astype(np.int32)], np.uint8)


_LINEAR = linear_from_srgb(np.arange(256, dtype=np.uint8)).astype(np.float32)
_BACK = np.round(255 * srgb_from_linear(np.arange(_STEPS + 1) / _STEPS)).astype(np.uint8)
