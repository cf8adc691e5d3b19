"""Surfaces of hardware: bare metal as it ages and mirrors its surroundings, and the coats that hide it."""

from __future__ import annotations

import numpy as np

from synthetic.arrays import Array
from synthetic.canvas import Colour, Patch, Pen
from synthetic.textures import cloud_tiles

Rng = np.random.Generator
_SHARP_EDGE_MM = 0.04  # of a new die


def edge_mm(rng: Rng, most: float) -> float:
    """How far the edges of letters in metal are rounded: mostly little, up to `most` mm. Tells nothing of any cue."""
    return float(_SHARP_EDGE_MM * (most / _SHARP_EDGE_MM) ** rng.random())


def lay_bare_metal(
    pen: Pen, patch: Patch | None, colour: Colour, rng: Rng, *, wear: float, size_mm: float, turned: bool = False
) -> None:
    """Bare metal: anything from satin to polished, with patina in blotches and the surroundings mirrored in bands.

    Args:
        pen: in the part's own millimetres, its middle at the origin.
        patch: where; None draws nothing.
        colour: reflectance, linear RGB.
        rng: what the metal happens to look like.
        wear: 0..1; old metal is more blotched.
        size_mm: half the thing's extent, to which the mirrored bands are scaled.
        turned: cut on a lathe: what it mirrors runs in sectors round the middle.
    """
    if patch is None:
        return
    blotched = float(rng.uniform(0, 0.3) * rng.random() + 0.25 * wear * rng.random())
    grain = 1 + blotched * _clouds(pen, patch, rng)
    if rng.random() < 0.6:
        grain = grain * _mirrored(pen, patch, rng, size_mm, turned and bool(rng.random() < 0.6))
    grain = pen.canvas.arrays.xp.clip(grain, 0.3, 1.7)
    gloss = float(rng.uniform(0.02, 0.2) if rng.random() < 0.7 else rng.uniform(0.2, 0.7))
    pen.canvas.paint(patch, colour, metal=float(rng.uniform(0.5, 1.0)), gloss=gloss, grain=grain)
    if rng.random() < 0.5:
        _roughen(pen, patch, rng, float(rng.uniform(0.002, 0.012)))


def lay_coat(pen: Pen, patch: Patch | None, colour: Colour, rng: Rng) -> None:
    """Lacquer or paint: even, without metal's mirror, dull to wet, perhaps with the skin of an orange."""
    if patch is None:
        return
    grain = 1 + float(rng.uniform(0, 0.07)) * _clouds(pen, patch, rng)
    shine = {"metal": float(rng.uniform(0.0, 0.2)), "gloss": float(rng.uniform(0.15, 0.9))}
    pen.canvas.paint(patch, colour, grain=grain, **shine)
    if rng.random() < 0.4:
        _roughen(pen, patch, rng, float(rng.uniform(0.005, 0.03)))


def _clouds(pen: Pen, patch: Patch, rng: Rng) -> Array:
    """Blotches of about unit deviation: wide ones with finer ones in them."""
    fine, wide = cloud_tiles()[int(rng.integers(0, 2))], cloud_tiles()[int(rng.integers(2, 4))]
    scale, share = pen.scale * float(rng.uniform(0.02, 0.08)), float(rng.uniform(0.2, 0.7))
    offsets = rng.random((2, 2))
    blotches = (1 - share) * pen.canvas.texture(wide, scale, (offsets[0, 0], offsets[0, 1]), patch)
    return blotches + share * pen.canvas.texture(fine, scale, (offsets[1, 0], offsets[1, 1]), patch)


def _mirrored(pen: Pen, patch: Patch, rng: Rng, size_mm: float, in_sectors: bool) -> Array:
    """Light and dark of the surroundings, about 1: soft bands across, or sectors round the middle."""
    h, w = patch.mask.shape
    x0, y0 = pen.px([(0.0, 0.0)])[0] - (patch.x, patch.y)
    reach = max(1.0, pen.scale * size_mm)
    x, y = (np.arange(w) - x0)[None, :] / reach, (np.arange(h) - y0)[:, None] / reach
    angle, phase = rng.uniform(0, 2 * np.pi, 2)
    if in_sectors:
        wave = np.cos(int(rng.integers(1, 4)) * np.arctan2(y, x) + phase)
    else:
        wave = np.sin(float(rng.uniform(0.8, 3.5)) * (x * np.cos(angle) + y * np.sin(angle)) + phase)
    sharpened = np.tanh(float(rng.uniform(0.5, 3)) * wave)
    return pen.canvas.arrays.put((1 + float(rng.uniform(0.05, 0.4)) * sharpened).astype(np.float32))


def _roughen(pen: Pen, patch: Patch, rng: Rng, depth_mm: float) -> None:
    """Small unevenness that breaks up what the surface mirrors."""
    field = _clouds(pen, patch, rng) * pen.canvas.arrays.cover(patch.mask, depth_mm)
    pen.canvas.add_height(patch, field)
