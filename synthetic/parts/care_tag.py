"""The care tag inside. Origin: its top left corner (sewn edge); x right, y down, mm."""

from __future__ import annotations

import numpy as np

from synthetic.canvas import Colour, Pen, Points, Print, circle, linear, rectangle
from synthetic.lettering import font_files
from synthetic.pair import Pair
from synthetic.sewing import sew_line
from synthetic.textures import cloth_weaves

Rng = np.random.Generator
_LINES = (
    "WASH COOL",
    "INSIDE OUT",
    "100% COTTON",
    "DO NOT BLEACH",
    "DRY FLAT",
    "WARM IRON",
    "COTTON 98%",
    "ELASTANE 2%",
    "KEEP AWAY FROM FIRE",
    "NORTH QUAY",
    "WASH WITH LIKE COLOURS",
    "LINE DRY",
)


def outline(pair: Pair) -> Points:
    """The tag's corners, its free end a little askew."""
    w, h = pair.sheet.care_tag.size
    skew = pair.rng(50).normal(0, 0.8, 2)
    return np.asarray(rectangle(0, 0, w, h) + np.array([(0, 0), (0, 0), skew, (skew[0], 0)]), np.float64)


def draw_care_tag(pen: Pen, pair: Pair) -> None:
    """Tag with care text, symbols and the code on a line of its own."""
    canvas, rng = pen.canvas, pair.rng(51)
    relief = float(pair.rng(9).uniform(*pair.look.relief))
    sheet = pair.sheet.care_tag
    w, h = sheet.size
    shape = outline(pair)
    canvas.darken(pen.polygon(shape + np.array((0.6, 0.9)), soften_px=0.9 * pen.scale), 0.45)
    body = pen.polygon(shape)
    if body is None:
        return
    canvas.flatten(body, 0.1)
    yellow = 0.18 * pair.wear * rng.random()
    ground = np.array(linear(sheet.ground)) * rng.uniform(0.85, 1.0) * np.array([1, 1 - 0.3 * yellow, 1 - yellow])
    surface = str(rng.choice(["plain", "smooth", "paper"]))
    canvas.lay_cloth(
        cloth_weaves()[surface],
        tuple(0.92 * ground),
        tuple(np.minimum(1, 1.05 * ground)),
        0.4,
        0.04 * relief,
        rng,
        body,
        0.08,
    )
    canvas.paint(body, None, raise_mm=0.5 * relief, bevel_px=max(0.5, 0.3 * pen.scale))
    if rng.random() < 0.4:
        y = h * rng.uniform(0.2, 0.8)
        canvas.darken(pen.strokes([np.array([(0, y), (w, y + rng.normal(0, 4))])], 1.2), 0.15)
    ink = tuple(float(c * rng.uniform(0.8, 1.6)) for c in linear(sheet.print))
    faded = float(1 - 0.45 * pair.wear * rng.random())
    _print_rows(pen, pair, rng, ink, faded)
    thread = pair.thread if rng.random() < 0.5 else (0.8, 0.8, 0.78)
    sew_line(pen, np.array([(0.4, 1.5), (w - 0.4, 1.5)]), 2.8, rng, thread, relief, width_mm=0.5)


def _print_rows(pen: Pen, pair: Pair, rng: Rng, ink: Colour, faded: float) -> None:
    """Care lines, symbols and the code."""
    w, h = pair.sheet.care_tag.size
    fonts = font_files()
    font = fonts[int(rng.integers(len(fonts)))]
    rows, code_row = _rows(pair)
    bars = rng.random() < 0.12  # other print too fine to read, seen as bars
    pitch = h * 0.84 / rows
    symbols_row = int(rng.choice([r for r in range(rows) if r != code_row]))
    for row in range(rows):
        y = h * 0.1 + pitch * (row + 0.5)
        if row == code_row:
            patch = code_print(pair).on(pen)
        elif bars:
            patch = pen.strokes([np.array([(w * 0.15, y), (w * rng.uniform(0.5, 0.85), y)])], pitch * 0.22)
        elif row == symbols_row:
            patch = pen.strokes(_symbols(w, y, min(pitch * 0.32, w * 0.075)), 0.35)
        else:
            if rng.random() < 0.12:
                continue
            patch = pen.text(
                str(rng.choice(_LINES)), font, pitch * rng.uniform(0.25, 0.38), (w / 2, y), fit_mm=w * 0.85
            )
        pen.canvas.paint(patch, ink, alpha=faded)


def _rows(pair: Pair) -> tuple[int, int]:
    """How many lines the tag has, and which of them is the code."""
    rng = pair.rng(52)
    rows = int(rng.integers(3, 9))
    return rows, int(rng.integers(0, rows))


def code_print(pair: Pair) -> Print:
    """The code on a line of its own."""
    rng, fonts = pair.rng(53), font_files()
    w, h = pair.sheet.care_tag.size
    rows, code_row = _rows(pair)
    pitch = h * 0.84 / rows
    text = pair.sheet.care_tag.code_line.format(code=pair.tag_code)
    cap = min(pitch * rng.uniform(0.45, 0.72), rng.uniform(3.0, 6.5))
    spot = (w / 2 + float(rng.normal(0, 1.5)), h * 0.1 + pitch * (code_row + 0.5))
    tracking, stroke = float(rng.choice([0, 0.1, 0.25])), int(rng.integers(-1, 3))
    return Print(
        text, fonts[int(rng.integers(len(fonts)))], float(cap), spot, tracking=tracking, stroke=stroke, fit_mm=w * 0.8
    )


def _symbols(w: float, y: float, r: float) -> list[Points]:
    """A tub, a triangle, a square, a ring: simple care pictures."""
    xs = np.linspace(0.18, 0.82, 4) * w
    tub = np.array([(-r, -r * 0.6), (-r * 0.7, r * 0.7), (r * 0.7, r * 0.7), (r, -r * 0.6)]) + np.array((xs[0], y))
    tri = np.array([(-r, r * 0.7), (0, -r * 0.9), (r, r * 0.7), (-r, r * 0.7)]) + np.array((xs[1], y))
    box = np.array([(-r, -r), (r, -r), (r, r), (-r, r), (-r, -r)]) * 0.8 + np.array((xs[2], y))
    return [tub, tri, box, circle((float(xs[3]), y), r * 0.8, closed=True)]
