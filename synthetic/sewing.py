"""Stitches: where they fall along a line, and how a row of them is drawn."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from synthetic.canvas import Colour, Pen, Points
from synthetic.textures import cloud_tiles

Rng = np.random.Generator


def walk(line: Points, step_mm: float = 0.5) -> tuple[Points, Points]:
    """Points every `step_mm` along a polyline, with the unit direction at each."""
    seg = np.diff(line, axis=0)
    length = np.hypot(seg[:, 0], seg[:, 1])
    at = np.concatenate([[0], np.cumsum(length)])
    s = np.arange(0, at[-1], step_mm)
    which = np.clip(np.searchsorted(at, s, "right") - 1, 0, len(seg) - 1)
    unit = seg[which] / length[which][:, None]
    return line[which] + unit * (s - at[which])[:, None], unit


def stitches_along(
    line: Points,
    spacing_mm: float,
    rng: Rng,
    *,
    jitter: float = 0.04,
    wander_mm: float = 0.0,
    gaps: float = 0.0,
    fill: float = 0.74,
) -> NDArray[np.float64]:
    """Stitch segments along a polyline.

    Args:
        line: (n, 2) mm.
        spacing_mm: from one needle hole to the next.
        rng: randomness.
        jitter: spread of the spacing as a share of it.
        wander_mm: sideways amplitude of a line that is not straight.
        gaps: chance that a stitch is missing or twice as long.
        fill: share of the spacing that the thread covers.

    Returns:
        (n, 2, 2): start and end of each stitch, mm.
    """
    points, unit = walk(line, 0.25)
    if len(points) < 4:
        return np.zeros((0, 2, 2))
    normal = np.stack([-unit[:, 1], unit[:, 0]], 1)
    total = 0.25 * len(points)
    n = int(total / spacing_mm) + 2
    steps = spacing_mm * np.clip(1 + jitter * rng.standard_normal(n), 0.35, 2.5)
    if gaps:
        steps = np.where(rng.random(n) < gaps, steps * rng.uniform(1.5, 2.6, n), steps)
    starts = np.cumsum(steps) - steps + rng.uniform(-0.5, 0.5) * spacing_mm
    knots = np.interp(np.arange(len(points)), np.linspace(0, len(points), 12), rng.standard_normal(12) * wander_mm)
    long = np.where((steps < 1.45 * spacing_mm) | (rng.random(n) < 0.5), steps, spacing_mm)
    i, j = (starts / 0.25).astype(int), ((starts + fill * long) / 0.25).astype(int)
    lean = 0.03 * spacing_mm * rng.standard_normal((n, 2))
    keep = (i >= 0) & (j < len(points)) & (j > i)
    i, j, lean = i[keep], j[keep], lean[keep]
    ends = [points[k] + normal[k] * (knots[k] + lean[:, c])[:, None] for c, k in enumerate((i, j))]
    return np.stack(ends, 1)


def sew_line(
    pen: Pen,
    line: Points,
    spacing_mm: float,
    rng: Rng,
    colour: Colour,
    relief: float,
    *,
    width_mm: float = 0.75,
    lustre: float = 0.0,
    **uneven: float,
) -> None:
    """Sew along a polyline; what cannot be on the canvas is not worked out. Keywords as in `stitches_along`."""
    pieces = []
    for a, b in itertools.pairwise(line):
        span = pen.visible_span(a, b)
        if span is not None:
            pieces.append(
                stitches_along(np.array([a + (b - a) * span[0], a + (b - a) * span[1]]), spacing_mm, rng, **uneven)
            )
    if pieces:
        sew(pen, np.concatenate(pieces), colour, relief, width_mm, lustre)


def sew(
    pen: Pen,
    stitches: NDArray[np.float64],
    colour: Colour,
    relief: float,
    width_mm: float = 0.75,
    lustre: float = 0.0,
) -> None:
    """Draw stitches: the dent they pull, the holes at their ends, the thread with its twist and lustre (0..1)."""
    if len(stitches) == 0:
        return
    canvas = pen.canvas
    canvas.darken(pen.strokes(stitches, width_mm * 1.9), 0.22)
    ends = stitches[:, [0, -1]].reshape(-1, 1, 2)
    holes = np.concatenate([ends, ends + 0.01], 1)
    canvas.darken(pen.strokes(holes, width_mm * 1.15), 0.45)
    patch = pen.strokes(stitches, width_mm)
    if patch is None:
        return
    twist = 1 + 0.16 * canvas.texture(cloud_tiles()[0], pen.scale * 0.055, (0.3, 0.7), patch)
    canvas.paint(patch, colour, raise_mm=0.4 * relief, bevel_px=max(0.4, 0.28 * width_mm * pen.scale), grain=twist)
    if lustre:
        _lustre(pen, stitches, width_mm, lustre)


def _lustre(pen: Pen, stitches: NDArray[np.float64], width_mm: float, lustre: float) -> None:
    """Polyester shines: a pale streak along the top of each stitch, its far side darker."""
    if width_mm * pen.scale < 2.5:  # no photo would show it
        return
    middle = stitches.mean(1, keepdims=True)
    inner = middle + 0.7 * (stitches - middle)
    pen.canvas.darken(pen.strokes(inner + 0.22 * width_mm, 0.3 * width_mm), 0.6 * lustre)
    pen.canvas.darken(pen.strokes(inner - 0.14 * width_mm, 0.25 * width_mm), -lustre)


def needle_holes(pen: Pen, line: Points, spacing_mm: float, rng: Rng, *, missing: float = 0.2) -> None:
    """A row of empty holes where a seam once was, each with a pale worn rim."""
    points, _ = walk(line, spacing_mm)
    points = points[rng.random(len(points)) > missing] + rng.normal(0, 0.12, (1, 2))
    dots = [np.stack([p, p + rng.normal(0, 0.08, 2)]) for p in points]
    pen.canvas.darken(pen.strokes(dots, 1.5), -float(rng.uniform(0.1, 0.5)))
    pen.canvas.paint(pen.strokes(dots, float(rng.uniform(0.6, 1.0))), (0.012, 0.012, 0.016), alpha=0.92, raise_mm=-0.3)
