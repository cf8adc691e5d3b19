"""Families of rendering: how light, relief and texture are drawn. Training can leave one out to measure the drop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Look:
    """Ranges to draw from.

    `ambient` is the share of light that has no direction; `slant` the lamp's tangent from the vertical;
    `relief` multiplies heights; `weaves` indexes `denim_weaves()`.
    """

    name: str
    weaves: tuple[int, ...]
    relief: tuple[float, float]
    ambient: tuple[float, float]
    slant: tuple[float, float]
    warmth: tuple[float, float]  # lamp colour left after the camera's own balance, log2 red/blue
    mottle: tuple[float, float]
    falloff: tuple[float, float]  # how much darker the far corner is


LOOKS: Mapping[str, Look] = {
    look.name: look
    for look in (
        Look("window", (0, 1, 2, 3, 4), (0.7, 1.3), (0.55, 0.85), (0.3, 1.0), (-0.25, 0.2), (0.05, 0.5), (0.0, 0.5)),
        Look("flash", (0, 1, 2, 3, 4), (0.6, 1.2), (0.25, 0.5), (0.0, 0.35), (-0.2, 0.25), (0.05, 0.4), (0.3, 0.75)),
        Look("lamp", (0, 1, 2, 3, 4, 5), (0.8, 1.6), (0.3, 0.6), (0.5, 1.6), (0.0, 0.6), (0.05, 0.5), (0.2, 0.8)),
        Look("flat", (5, 6, 7), (0.0, 0.3), (0.85, 1.0), (0.2, 0.8), (-0.1, 0.1), (0.0, 0.2), (0.0, 0.2)),
        Look("etched", (0, 1, 3, 5, 6), (1.6, 3.2), (0.15, 0.5), (0.6, 1.5), (-0.3, 0.4), (0.0, 0.3), (0.0, 0.4)),
    )
}
