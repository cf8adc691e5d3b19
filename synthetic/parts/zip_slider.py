"""The zip: tape, teeth, slider and pull. Origin: middle of the slider's body, y down along the closed teeth, mm."""

from __future__ import annotations

import numpy as np

from synthetic.canvas import Colour, Pen, Points, linear, rectangle
from synthetic.lettering import font_files
from synthetic.pair import Pair
from synthetic.parts.metal import edge_mm, lay_bare_metal
from synthetic.textures import cloth_weaves

Rng = np.random.Generator
_METALS = ((0.62, 0.62, 0.63), (0.75, 0.55, 0.25), (0.8, 0.45, 0.3), (0.3, 0.3, 0.31), (0.68, 0.6, 0.42))
_TAPES = ("#1c1f2a", "#2a3550", "#121214", "#4a4032", "#8a8378", "#cfc8ba", "#3d4250")


def _sizes(pair: Pair) -> tuple[float, float, float, float]:
    rng = pair.rng(40)
    return (
        float(rng.uniform(7, 9.5)),
        float(rng.uniform(8, 11)),
        float(rng.uniform(5.5, 8.5)),
        float(rng.uniform(18, 27)),
    )


def pull_angle(pair: Pair, photo: int) -> float:
    """The pull swings: its turn from straight down in this photo, radians."""
    return float(pair.rng(41, photo).normal(0, 0.12))


def _pull(pair: Pair, photo: int) -> Points:
    _, body_h, pull_w, pull_l = _sizes(pair)
    a = pull_angle(pair, photo)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    wide = pull_w / 2
    rng = pair.rng(42)
    # half widths down the pull's one side: neck, where it widens, where it is widest, foot and its corner
    neck, belly, foot = rng.uniform((0.4, 0.8, 0.65), (1.0, 1.0, 1.0))
    widens, widest, corner = rng.uniform((0.1, 0.45, 0.86), (0.4, 0.75, 0.97))
    half = np.array(
        [(wide * neck, 0), (wide * belly, widens), (wide, widest), (wide * foot, corner), (0.6 * wide * foot, 1)]
    ) * (1, pull_l)
    shape = np.vstack([half, half[::-1] * (-1, 1)])
    return np.asarray(shape @ turn.T + np.array((0, body_h * 0.15)), np.float64)


def outline(pair: Pair, photo: int) -> Points:
    """Slider body and pull together (points whose hull is the visible part)."""
    body_w, body_h, _, _ = _sizes(pair)
    return np.vstack([rectangle(-body_w / 2, -body_h / 2, body_w, body_h), _pull(pair, photo)])


def draw_zip(pen: Pen, pair: Pair, photo: int) -> None:
    """Tape, teeth, slider; the word on the pull (or none)."""
    canvas, rng, look = pen.canvas, pair.rng(43), pair.look
    relief = float(pair.rng(9).uniform(*look.relief))
    tape = tuple(c * rng.uniform(0.8, 1.2) for c in linear(str(rng.choice(_TAPES))))
    half = float(rng.uniform(12, 17))
    band = pen.polygon(rectangle(-half, -120, 2 * half, 240))
    if band is None:
        return
    canvas.flatten(band)
    canvas.lay_cloth(
        cloth_weaves()["plain"],
        tuple(0.8 * c for c in tape),
        tuple(min(1.0, 1.2 * c) for c in tape),
        0.6,
        0.08 * relief,
        rng,
        band,
        0.1,
    )
    metal = _METALS[int(rng.integers(len(_METALS)))]
    _teeth(pen, rng, metal, relief)
    _slider(pen, pair, photo, rng, metal, relief)
    _mark(pen, pair, photo, relief)


def _teeth(pen: Pen, rng: Rng, metal: Colour, relief: float) -> None:
    """Two rows, closed below the slider and parting above it."""
    teeth_metal = metal if rng.random() < 0.7 else _METALS[int(rng.integers(len(_METALS)))]
    step, tooth = float(rng.uniform(1.5, 2.1)), float(rng.uniform(2.2, 3.0))
    spread = float(rng.uniform(0.03, 0.12))
    teeth = []
    for y in np.arange(-110, 110, step):
        open_by = max(0.0, -y) * spread
        for side in (-1, 1):
            x, at = side * (open_by + 0.2), y + (step / 2 if side > 0 else 0)
            teeth.append(np.array([(x, at), (x + side * tooth, at)]))
    pen.canvas.paint(
        pen.strokes(teeth, step * 0.55),
        teeth_metal,
        metal=0.8,
        raise_mm=0.6 * max(relief, 0.3),
        bevel_px=max(0.5, 0.2 * pen.scale),
    )


def _slider(pen: Pen, pair: Pair, photo: int, rng: Rng, metal: Colour, relief: float) -> None:
    """Body and pull, each with its shadow."""
    canvas = pen.canvas
    body_w, body_h, _, pull_l = _sizes(pair)
    slider = rectangle(-body_w / 2, -body_h / 2, body_w, body_h)
    slider[2:, 0] *= float(rng.uniform(0.65, 1.0))
    for shape, height in ((slider, 1.2), (_pull(pair, photo), 0.8)):
        canvas.darken(pen.polygon(shape + np.array((0.5, 0.7)), soften_px=0.8 * pen.scale), 0.55)
        patch = pen.polygon(shape)
        canvas.flatten(patch)
        lay_bare_metal(pen, patch, metal, rng, wear=pair.wear, size_mm=pull_l / 2)
        canvas.paint(patch, None, raise_mm=height * max(relief, 0.3), bevel_px=max(0.8, 0.45 * pen.scale))


def _mark(pen: Pen, pair: Pair, photo: int, relief: float) -> None:
    rng = pair.rng(44)
    _, body_h, pull_w, pull_l = _sizes(pair)
    a = pull_angle(pair, photo)
    down = np.array([-np.sin(a), np.cos(a)])
    if not pair.zip_text:
        if rng.random() < 0.4:  # a plain groove or a hole instead of a name
            spot = down * pull_l * 0.8 + (0, body_h * 0.15)
            pen.canvas.paint(pen.disc((spot[0], spot[1]), pull_w * 0.2), (0.01, 0.01, 0.012), alpha=0.9, metal=0.0)
        return
    fonts = font_files()
    font = fonts[int(rng.integers(len(fonts)))]
    spot = down * pull_l * rng.uniform(0.52, 0.62) + (0, body_h * 0.15)
    angle = a + (np.pi / 2 if rng.random() < 0.5 else -np.pi / 2)
    across = len(pair.zip_text) <= 6 and rng.random() < 0.25
    cap = pull_w * rng.uniform(0.25, 0.46)
    if across:
        angle, cap = a, pull_w * 0.3
    word = pen.text(
        pair.zip_text,
        font,
        cap,
        (spot[0], spot[1]),
        angle,
        tracking=float(rng.choice([0.0, 0.0, 0.1, 0.2])),
        stroke=int(rng.integers(0, 5)),
        fit_mm=pull_w * 0.85 if across else pull_l * rng.uniform(0.5, 0.74),
    )
    raised, edge = bool(rng.random() < 0.4), edge_mm(pair.rng(37), 0.18)
    pen.canvas.paint(
        word, None, raise_mm=(1 if raised else -1) * 0.22 * max(relief, 0.35), bevel_px=max(0.5, edge * pen.scale)
    )
    pen.canvas.darken(word, float(rng.uniform(-0.4, 0.0) if raised else rng.uniform(0.15, 0.7)))
