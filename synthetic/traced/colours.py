"""Colours of the sheet as linear light."""

from __future__ import annotations

import numpy as np

from synthetic.traced.pairs import Colour, Rng


def linear_of(hex_colour: str) -> Colour:
    """A colour written as #RRGGBB (sRGB, IEC 61966-2-1) as linear RGB."""
    coded = np.array([int(hex_colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    return float(light[0]), float(light[1]), float(light[2])


def varied(colour: Colour, rng: Rng, amount: float) -> Colour:
    """The colour as one batch or another has it: a little lighter or darker, a little off in hue."""
    light = np.array(colour) * rng.uniform(1 - amount, 1 + amount) * rng.uniform(1 - amount / 3, 1 + amount / 3, 3)
    light = np.clip(light, 0.002, 0.92)
    return float(light[0]), float(light[1]), float(light[2])


def mixed(a: Colour, b: Colour, share: float) -> Colour:
    """From a (share 0) to b (share 1)."""
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), a[2] + share * (b[2] - a[2])
