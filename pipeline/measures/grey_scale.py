"""Change of colour as a textile grey-scale rating, 5 (none) to 1 (strong): ISO 105-A05.

The rating formula and the hue term agree with published computations of the standard; the weights in
`fading_difference` are from memory of ISO 105-A05:1996, as is the table of half steps.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

_HALF_STEPS = (  # upper end of each range of the difference, from memory of the standard's table
    (0.40, 5.0),
    (1.25, 4.5),
    (2.10, 4.0),
    (2.95, 3.5),
    (4.10, 3.0),
    (5.80, 2.5),
    (8.20, 2.0),
    (11.60, 1.5),
)
_LOWEST = 1.0


def fading_difference(lab_before: ArrayLike, lab_after: ArrayLike) -> NDArray[np.float64]:
    """The standard's colour difference for a change of colour, delta E_F.

    Args:
        lab_before: CIELAB of the unchanged material, shape (..., 3).
        lab_after: CIELAB after the change, shape (..., 3).

    Returns:
        Differences, shape (...).
    """
    before, after = np.broadcast_arrays(np.asarray(lab_before, dtype=float), np.asarray(lab_after, dtype=float))
    chroma_before, chroma_after = np.hypot(*_red_yellow(before)), np.hypot(*_red_yellow(after))
    mean_chroma = (chroma_before + chroma_after) / 2
    d_lightness = after[..., 0] - before[..., 0]
    d_chroma = chroma_after - chroma_before
    d_hue = _hue_difference(before, after, chroma_before * chroma_after)
    from_blue = (_mean_hue(before, after) - 280 + 180) % 360 - 180
    shared = d_chroma * mean_chroma * np.exp(-((from_blue / 30) ** 2)) / 100
    weighted_chroma = (d_chroma - shared) / (1 + (20 * mean_chroma / 1000) ** 2)
    weighted_hue = (d_hue - shared) / (1 + (10 * mean_chroma / 1000) ** 2)
    return np.asarray(np.sqrt(d_lightness**2 + weighted_chroma**2 + weighted_hue**2), dtype=np.float64)


def grey_scale_rating(difference: ArrayLike) -> NDArray[np.float64]:
    """Turn a fading difference into a rating on the continuous scale.

    Args:
        difference: delta E_F >= 0, shape (...).

    Returns:
        Ratings 1..5, shape (...).

    Raises:
        ValueError: if a difference is negative.
    """
    delta = np.asarray(difference, dtype=np.float64)
    if (delta < 0).any():
        raise ValueError(f"a colour difference cannot be negative, got {delta.min()}")
    strong = 5 - np.log2(np.maximum(delta, 3.40) / 0.85)
    return np.maximum(np.where(delta <= 3.40, 5 - delta / 1.7, strong), _LOWEST)


def half_step(difference: float) -> float:
    """The rating as the standard reports it, in half steps: 5, 4.5 (written 4-5), ... 1.

    Raises:
        ValueError: if the difference is negative.
    """
    if difference < 0:
        raise ValueError(f"a colour difference cannot be negative, got {difference}")
    return next((rating for upper, rating in _HALF_STEPS if difference < upper), _LOWEST)


def _red_yellow(lab: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return lab[..., 1], lab[..., 2]


def _hue_degrees(lab: NDArray[np.float64]) -> NDArray[np.float64]:
    red, yellow = _red_yellow(lab)
    return np.asarray(np.degrees(np.arctan2(yellow, red)) % 360, dtype=np.float64)


def _hue_difference(
    before: NDArray[np.float64], after: NDArray[np.float64], chroma_product: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Delta H*ab, signed: positive counter-clockwise."""
    turn = np.radians(_hue_degrees(after) - _hue_degrees(before))
    return np.asarray(2 * np.sqrt(chroma_product) * np.sin(_short_way(turn) / 2), dtype=np.float64)


def _short_way(turn: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((turn + np.pi) % (2 * np.pi) - np.pi, dtype=np.float64)


def _mean_hue(before: NDArray[np.float64], after: NDArray[np.float64]) -> NDArray[np.float64]:
    """The hue half way, the short way round, degrees."""
    start = np.radians(_hue_degrees(before))
    turn = _short_way(np.radians(_hue_degrees(after)) - start)
    return np.asarray(np.degrees(start + turn / 2) % 360, dtype=np.float64)
