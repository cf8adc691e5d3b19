"""Colours as numbers: sRGB to CIELAB, CIEDE2000, and white balance against something of known colour.

Sources: IEC 61966-2-1 (sRGB), CIE 15 (CIELAB, D65, 2 degree observer), Sharma, Wu and Dalal 2005
(CIEDE2000), Lam 1985 (Bradford's cones).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Colours = NDArray[np.float64]

_RGB_TO_XYZ = np.array([  # IEC 61966-2-1
    [0.4124, 0.3576, 0.1805],
    [0.2126, 0.7152, 0.0722],
    [0.0193, 0.1192, 0.9505],
])  # fmt: skip
_XYZ_TO_CONES = np.array([  # Bradford's sharpened cones (Lam 1985)
    [0.8951, 0.2664, -0.1614],
    [-0.7502, 1.7135, 0.0367],
    [0.0389, -0.0685, 1.0296],
])  # fmt: skip
_RGB_TO_CONES = _XYZ_TO_CONES @ _RGB_TO_XYZ
_WHITE = _RGB_TO_XYZ.sum(axis=1)  # the white of this matrix, so that grey is exactly neutral
LUMINANCE = _RGB_TO_XYZ[1]  # of linear RGB
_CLIPPED_HIGH, _CLIPPED_LOW = 0.955, 0.0015  # linear light of sRGB 250 and of 5 of 255: no longer to be trusted
_MIN_PIXELS = 12
_HIGHLIGHT_SHARE = 0.1


def rgb_from_hex(text: str) -> NDArray[np.uint8]:
    """Read a colour such as `#B9762F`.

    Returns:
        sRGB, uint8, shape (3,).

    Raises:
        ValueError: if the text is not a hash and six hex digits.
    """
    digits = text.removeprefix("#")
    if len(digits) != 6 or len(text) != 7 or set(digits.lower()) - set("0123456789abcdef"):
        raise ValueError(f"expected a colour such as #B9762F, got {text!r}")
    return np.array([int(digits[i : i + 2], 16) for i in (0, 2, 4)], dtype=np.uint8)


def linear_from_srgb(srgb: ArrayLike) -> Colours:
    """Undo the sRGB transfer curve.

    Args:
        srgb: shape (..., 3); uint8 0..255, or float 0..1.

    Returns:
        Linear light 0..1, same shape.
    """
    values = np.asarray(srgb)
    unit = values / 255.0 if values.dtype == np.uint8 else values.astype(np.float64)
    curved = ((np.maximum(unit, 0.0) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(unit <= 0.04045, unit / 12.92, curved), dtype=np.float64)


def srgb_from_linear(linear: ArrayLike) -> Colours:
    """Apply the sRGB transfer curve to linear light, shape (..., 3); float in and out, not clipped above 1."""
    light = np.asarray(linear, dtype=np.float64)
    curved = 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(light <= 0.0031308, light * 12.92, curved), dtype=np.float64)


def lab_from_linear(linear: ArrayLike) -> Colours:
    """CIELAB of linear sRGB light.

    Args:
        linear: shape (..., 3), 0..1.

    Returns:
        L*, a*, b* under D65, shape (..., 3).
    """
    ratio = np.asarray(linear, dtype=np.float64) @ _RGB_TO_XYZ.T / _WHITE
    edge = 6 / 29
    f = np.where(ratio > edge**3, np.cbrt(ratio), ratio / (3 * edge**2) + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def lab_from_srgb(srgb: ArrayLike) -> Colours:
    """CIELAB of sRGB, shape (..., 3); uint8 0..255 or float 0..1."""
    return lab_from_linear(linear_from_srgb(srgb))


def ciede2000(lab_a: ArrayLike, lab_b: ArrayLike, lightness_factor: float = 1.0) -> Colours:
    """Colour difference as seen, the factors of chroma and hue 1. About 1 is just visible.

    Args:
        lab_a: CIELAB, shape (..., 3).
        lab_b: CIELAB, shape (..., 3); the two broadcast against each other.
        lightness_factor: k_L; 2, as is usual for textiles, counts a difference in lightness half.

    Returns:
        Differences, shape (...).
    """
    a, b = np.broadcast_arrays(np.asarray(lab_a, dtype=np.float64), np.asarray(lab_b, dtype=np.float64))
    chroma_mean = (np.hypot(a[..., 1], a[..., 2]) + np.hypot(b[..., 1], b[..., 2])) / 2
    stretch = 1 + 0.5 * (1 - _chroma_share(chroma_mean))
    chroma_a, hue_a = _chroma_hue(a, stretch)
    chroma_b, hue_b = _chroma_hue(b, stretch)
    grey = chroma_a * chroma_b == 0
    turn = np.where(grey, 0.0, _short_turn(hue_b - hue_a))
    hue = np.where(grey, hue_a + hue_b, _mean_hue(hue_a, hue_b))
    chroma = (chroma_a + chroma_b) / 2
    lightness = (a[..., 0] + b[..., 0]) / 2
    d_hue = 2 * np.sqrt(chroma_a * chroma_b) * np.sin(np.radians(turn) / 2)
    scale_l = 1 + 0.015 * (lightness - 50) ** 2 / np.sqrt(20 + (lightness - 50) ** 2)
    by_l = (b[..., 0] - a[..., 0]) / (lightness_factor * scale_l)
    by_c = (chroma_b - chroma_a) / (1 + 0.045 * chroma)
    by_h = d_hue / (1 + 0.015 * chroma * _hue_weight(hue))
    blue_turn = -2 * _chroma_share(chroma) * np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2))))
    return np.asarray(np.sqrt(np.maximum(by_l**2 + by_c**2 + by_h**2 + blue_turn * by_c * by_h, 0.0)))


def _chroma_share(chroma: Colours) -> Colours:
    return np.asarray(np.sqrt(chroma**7 / (chroma**7 + 25.0**7)), dtype=np.float64)


def _chroma_hue(lab: Colours, stretch: Colours) -> tuple[Colours, Colours]:
    red = lab[..., 1] * stretch
    return np.hypot(red, lab[..., 2]), np.degrees(np.arctan2(lab[..., 2], red)) % 360


def _short_turn(turn: Colours) -> Colours:
    return np.asarray(np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn)))


def _mean_hue(hue_a: Colours, hue_b: Colours) -> Colours:
    """The hue half way, the short way round."""
    total, is_near = hue_a + hue_b, np.abs(hue_a - hue_b) <= 180
    return np.asarray(np.where(is_near, total, np.where(total < 360, total + 360, total - 360)) / 2)


def _hue_weight(hue: Colours) -> Colours:
    angle = np.radians(hue)
    return np.asarray(
        1
        - 0.17 * np.cos(angle - np.radians(30))
        + 0.24 * np.cos(2 * angle)
        + 0.32 * np.cos(3 * angle + np.radians(6))
        - 0.20 * np.cos(4 * angle - np.radians(63))
    )


def is_trusted(linear: ArrayLike) -> NDArray[np.bool_]:
    """Which pixels are neither burnt out nor black: linear light of shape (..., 3) to shape (...)."""
    brightest = np.asarray(linear).max(axis=-1)
    return np.asarray((brightest < _CLIPPED_HIGH) & (brightest > _CLIPPED_LOW))


def robust_colour(pixels: NDArray[np.uint8], mask: NDArray[np.bool_] | None = None) -> Colours | None:
    """The colour of a patch: the median in linear light, without clipped pixels and without its glints.

    The brightest tenth is left out, as a glint takes the lamp's colour; to keep the patch's own lightness the darkest
    tenth goes too.

    Args:
        pixels: sRGB uint8, shape (..., 3).
        mask: which pixels count, shape (...). All when left out.

    Returns:
        Linear light 0..1, shape (3,); None when fewer than a dozen usable pixels are left.
    """
    chosen = pixels.reshape(-1, 3) if mask is None else pixels[mask]
    light = linear_from_srgb(chosen)
    light = light[is_trusted(light)]
    if len(light) < _MIN_PIXELS:
        return None
    luminance = light @ LUMINANCE
    low, high = np.quantile(luminance, [_HIGHLIGHT_SHARE, 1 - _HIGHLIGHT_SHARE])
    return np.asarray(np.median(light[(luminance >= low) & (luminance <= high)], axis=0), dtype=np.float64)


def balance_gains(observed: ArrayLike, known: ArrayLike, limit: float = 3.0) -> Colours | None:
    """Gains that turn the observed colour of an object into its known colour: von Kries in Bradford's cone space.

    Over six lamps and coloured references this leaves about two thirds of the error that gains on red, green and blue
    leave.

    Args:
        observed: linear light of the object in the photo, shape (3,), as from `robust_colour`.
        known: its true linear light, shape (3,).
        limit: no gain goes above this or below its inverse. It bounds the cast that is believed.

    Returns:
        Gains for `apply_gains`, exposure included, shape (3,); None when a colour is so dark that its ratio would be
        noise.

    Raises:
        ValueError: if `limit` is below 1.
    """
    if limit < 1:
        raise ValueError(f"the limit of a gain must be at least 1, got {limit}")
    seen, true = (np.asarray(colour, dtype=np.float64) @ _RGB_TO_CONES.T for colour in (observed, known))
    if min(seen.min(), true.min()) < 2 * _CLIPPED_LOW:
        return None
    return np.asarray(np.clip(true / seen, 1 / limit, limit), dtype=np.float64)


def apply_gains(linear: ArrayLike, gains: ArrayLike) -> Colours:
    """Correct linear light, shape (..., 3), by gains from `balance_gains`; the result is clipped to 0..1."""
    return np.asarray(np.clip(np.asarray(linear, np.float64) @ matrix_of_gains(gains).T, 0.0, 1.0), dtype=np.float64)


def matrix_of_gains(gains: ArrayLike) -> Colours:
    """What gains from `balance_gains` do to linear RGB, as a matrix of shape (3, 3)."""
    scaled = np.asarray(gains, np.float64)[:, None] * _RGB_TO_CONES
    return np.asarray(np.linalg.solve(_RGB_TO_CONES, scaled), np.float64)


def without_exposure(gains: ArrayLike) -> Colours:
    """The same gains scaled to leave the luminance of grey as it is: for parts lit unlike the reference."""
    values = np.asarray(gains, dtype=np.float64)
    luminance_of_cones = LUMINANCE @ np.linalg.inv(_RGB_TO_CONES)
    return np.asarray(values / (luminance_of_cones * _RGB_TO_CONES.sum(axis=1) @ values), dtype=np.float64)
