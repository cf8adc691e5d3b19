"""The waistband label in numbers: the colour of its ground, and how far its artwork has faded against it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.domain import Measurement
from pipeline.measures.colour import apply_gains, ciede2000, lab_from_linear, linear_from_srgb, robust_colour
from pipeline.measures.grey_scale import fading_difference, grey_scale_rating

_COLOUR_FLOOR = 2.0  # CIEDE2000: wear of the ground and the camera's rendering
_UNBALANCED = 5.0  # CIEDE2000 more where nothing tells the light
_LIGHTNESS_FACTOR = 2.0  # a photo's exposure is unknown; 2 is usual for textiles
_BLUEST_B = -2.0  # CIELAB b*: no bluer than this, the cloth beside a label does not rule a warm lamp out
_RATING_FLOOR = 0.25  # half of one of the scale's half steps
_PRINT_QUANTILE = 0.9  # of the pixels on the print's side of the split: blurred edges are left out


def ground_colour(
    pixels: NDArray[np.uint8], mask: NDArray[np.bool_] | None = None, gains: ArrayLike | None = None
) -> NDArray[np.float64] | None:
    """CIELAB of the label's ground, which covers most of it.

    Args:
        pixels: sRGB uint8, shape (height, width, 3).
        mask: where the ground is, shape (height, width). All of the crop when left out.
        gains: white-balance gains as from `balance_gains`, shape (3,).

    Returns:
        L*, a*, b*; None when too little is usable.
    """
    colour = robust_colour(pixels, mask)
    if colour is None:
        return None
    return lab_from_linear(colour if gains is None else apply_gains(colour, gains))


def rules_out_a_warm_lamp(cloth: ArrayLike) -> bool:
    """Whether the denim beside a label looks blue: a lamp under which a white label passes for tan makes that brown.

    Args:
        cloth: linear light, shape (3,), as from `robust_colour`, from the same photo.
    """
    return bool(lab_from_linear(cloth)[2] < _BLUEST_B)


def ground_difference(ground_lab: ArrayLike, sheet_lab: ArrayLike, is_balanced: bool) -> Measurement:
    """CIEDE2000 between the label's ground and the sheet's, with lightness counted half.

    Args:
        ground_lab: CIELAB, shape (3,), as from `ground_colour`.
        sheet_lab: CIELAB of the sheet's ground, shape (3,).
        is_balanced: whether white balance was corrected against something in the photo.

    Returns:
        The difference; unit "dE00".
    """
    sigma = _COLOUR_FLOOR if is_balanced else _COLOUR_FLOOR + _UNBALANCED
    return Measurement(float(ciede2000(sheet_lab, ground_lab, _LIGHTNESS_FACTOR)), sigma, "dE00")


def print_colour(
    pixels: NDArray[np.uint8],
    ground_lab: ArrayLike,
    sheet_ground_lab: ArrayLike,
    sheet_print_lab: ArrayLike,
    gains: ArrayLike | None = None,
) -> NDArray[np.float64] | None:
    """CIELAB of the artwork: the pixels farthest from the ground in the direction in which the sheet prints.

    Args:
        pixels: sRGB uint8, shape (height, width, 3), cut to the artwork.
        ground_lab: as measured on this label, shape (3,).
        sheet_ground_lab: the sheet's ground, shape (3,).
        sheet_print_lab: the sheet's artwork colour, shape (3,).
        gains: white-balance gains as from `balance_gains`, shape (3,).

    Returns:
        L*, a*, b*; None when nothing stands out from the ground.
    """
    light = linear_from_srgb(pixels.reshape(-1, 3))
    lab = lab_from_linear(light if gains is None else apply_gains(light, gains))
    axis = np.asarray(sheet_print_lab, dtype=np.float64) - np.asarray(sheet_ground_lab, dtype=np.float64)
    along = (lab - np.asarray(ground_lab)) @ (axis / np.linalg.norm(axis))
    split = _otsu(along)
    printed = along > split
    if printed.sum() < 20 or split <= 0:
        return None
    strong = (
        printed & (along >= np.quantile(along[printed], 0.5)) & (along <= np.quantile(along[printed], _PRINT_QUANTILE))
    )
    return np.asarray(np.median(lab[strong], axis=0), dtype=np.float64)


def artwork_rating(
    ground_lab: ArrayLike, print_lab: ArrayLike, sheet_ground_lab: ArrayLike, sheet_print_lab: ArrayLike
) -> Measurement:
    """How far the artwork has faded, as a grey-scale rating: 5 as new, 1 all but gone.

    The artwork is judged by its contrast with the ground it is printed on, so that what dulls both alike (light,
    exposure, dirt) counts for nothing.

    Args:
        ground_lab: as measured, CIELAB, shape (3,).
        print_lab: as measured, shape (3,).
        sheet_ground_lab: the sheet's ground, shape (3,).
        sheet_print_lab: the sheet's artwork colour, shape (3,).

    Returns:
        The rating of ISO 105-A05; unit "grey scale".
    """
    contrast = np.asarray(print_lab, dtype=np.float64) - np.asarray(ground_lab, dtype=np.float64)
    as_printed = np.asarray(sheet_print_lab, dtype=np.float64)
    rating = grey_scale_rating(fading_difference(as_printed, np.asarray(sheet_ground_lab) + contrast))
    return Measurement(float(rating), _RATING_FLOOR, "grey scale")


def _otsu(values: NDArray[np.float64]) -> float:
    """The level that splits values into two groups with the least spread within (Otsu 1979)."""
    ordered = np.sort(values)
    count = np.arange(1, len(ordered))
    low_sum = np.cumsum(ordered)[:-1]
    low_mean, high_mean = low_sum / count, (ordered.sum() - low_sum) / (len(ordered) - count)
    between = count * (len(ordered) - count) * (high_mean - low_mean) ** 2
    best = int(between.argmax())
    return float((ordered[best] + ordered[best + 1]) / 2)
