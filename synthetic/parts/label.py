"""The waistband label. Origin: its top left corner; x right, y down, mm."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from synthetic.canvas import Colour, Patch, Pen, Points, Print, linear, rectangle
from synthetic.lettering import font_files, line_of_text
from synthetic.pair import Pair
from synthetic.sewing import sew_line
from synthetic.textures import cloth_weaves, cloud_tiles

Rng = np.random.Generator
_DARK = ("#241a14", "#1b1512", "#33261d", "#2a2420", "#3a2418", "#141414")
_WHITE = ("#f3f1ec", "#ffffff", "#e9e6df", "#f6f2e6", "#e6e8ea")
_SIZE_COLOURS = (
    "#a32020",
    "#1d3f94",
    "#1f6b3a",
    "#8a4b1e",
    "#b98a1c",
    "#6b2a78",
    "#c4552d",
    "#2a7f8f",
    "#d03a3a",
)


def outline(pair: Pair) -> Points:
    """The piece of cloth, leather or paper."""
    w, h = pair.sheet.label.size
    return rectangle(0, 0, w, h)


def _frayed(pair: Pair, rng: Rng) -> Points:
    """The outline with worn edges: the more wear, the more bites."""
    w, h = pair.sheet.label.size
    n = 40
    t = np.linspace(0, 1, n, endpoint=False)
    sides = [
        np.stack([t * w, 0 * t], 1),
        np.stack([0 * t + w, t * h], 1),
        np.stack([w - t * w, 0 * t + h], 1),
        np.stack([0 * t, h - t * h], 1),
    ]
    inward = [(0, 1), (-1, 0), (0, -1), (1, 0)]
    out = []
    for side, direction in zip(sides, inward, strict=True):
        bite = np.abs(rng.standard_normal(n)) * (0.12 + 1.1 * edge_wear(pair) ** 1.5)
        out.append(side + bite[:, None] * np.array(direction))
    return np.vstack(out)


def edge_wear(pair: Pair) -> float:
    """How worn the label's edges are, 0..1: a label faded ahead of its wear has fresh edges."""
    if pair.states["label_fading"] == "ahead_of_wear":
        return 0.25 * pair.wear
    return pair.wear


def art_strength(pair: Pair) -> float:
    """Opacity of the artwork: fades with wear, or ahead of it."""
    rng = pair.rng(24)
    if pair.states["label_fading"] == "ahead_of_wear":
        return float(rng.uniform(0.12, 0.45))
    return float(np.clip(0.97 - 0.42 * pair.wear + rng.normal(0, 0.04), 0.5, 1.0))


def ground_colour(pair: Pair) -> Colour:
    """The label's own colour, linear RGB; bleached where it fades ahead of its wear."""
    rng = pair.rng(25)
    state = pair.states["label_ground"]
    base = linear(
        {"tan": pair.sheet.label.ground, "dark": str(rng.choice(_DARK)), "white": str(rng.choice(_WHITE))}[state]
    )
    spread = 0.12 if state == "tan" else 0.08
    tint = [float(np.clip(c * rng.uniform(1 - spread, 1 + spread), 0, 0.95)) for c in base]
    if pair.states["label_fading"] == "ahead_of_wear":  # the ground bleaches along with the artwork
        bleach = rng.uniform(0.05, 0.3)
        grey = sum(tint) / 3
        tint = [c + bleach * (0.5 * (0.75 - c) + 0.5 * (grey - c)) for c in tint]
    return tint[0], tint[1], tint[2]


def fresh_ink(pair: Pair) -> Colour:
    """The artwork's colour before it faded, linear RGB."""
    rng = pair.rng(26)
    ink = tuple(float(np.clip(c * rng.uniform(0.7, 1.2), 0, 1)) for c in linear(pair.sheet.label.blind_print))
    if pair.states["label_ground"] != "dark":
        return ink
    if rng.random() < 0.4:  # burnt in: hardly another colour than the ground
        return tuple(float(np.clip(c * rng.uniform(0.5, 1.6), 0, 1)) for c in ground_colour(pair))
    return tuple(float(np.clip(c * rng.uniform(2.5, 4.5) + 0.03, 0, 0.8)) for c in ink)  # set lighter, not to vanish


def art_ink(pair: Pair) -> Colour:
    """The artwork's colour as faded, linear RGB."""
    strength = art_strength(pair)
    return tuple(i * strength + g * (1 - strength) for i, g in zip(fresh_ink(pair), ground_colour(pair), strict=True))


def size_ink(pair: Pair) -> tuple[Colour, float]:
    """The size print's colour, linear RGB, and its opacity."""
    rng = pair.rng(27)
    black = pair.states["label_size_print"] == "black"
    base = linear(pair.sheet.label.size_print) if black else linear(str(rng.choice(_SIZE_COLOURS)))
    ink = tuple(float(np.clip(c * rng.uniform(0.8, 1.2), 0, 1)) for c in base)
    return ink, float(0.97 - 0.25 * pair.wear * rng.random())


def draw_label(pen: Pen, pair: Pair) -> None:
    """Ground, artwork, sewing and size print, in the order that the pair's states say."""
    canvas, rng, look = pen.canvas, pair.rng(20), pair.look
    relief = float(pair.rng(9).uniform(*look.relief))
    w, h = pair.sheet.label.size
    body = pen.polygon(_frayed(pair, rng))
    if body is None:
        return
    ground = ground_colour(pair)
    canvas.darken(pen.polygon(rectangle(0.3, 0.6, w, h), soften_px=1.0 * pen.scale), 0.45)
    canvas.flatten(body, 0.15)
    surface = str(rng.choice(["leather", "leather", "paper", "plain", "smooth"]))
    dark, pale = tuple(0.75 * c for c in ground), tuple(min(1.0, 1.22 * c) for c in ground)
    canvas.lay_cloth(
        cloth_weaves()[surface],
        dark,
        pale,
        float(rng.uniform(0.5, 1.3)),
        0.1 * relief * (surface != "smooth"),
        rng,
        body,
        0.25,
    )
    canvas.paint(
        body, None, raise_mm=0.9 * relief, bevel_px=max(0.5, 0.4 * pen.scale), gloss=float(rng.choice([0.0, 0.0, 0.12]))
    )
    ew = edge_wear(pair)
    edge = np.vstack([outline(pair), outline(pair)[:1]])
    canvas.darken(pen.strokes([edge], 2.2), float(-0.5 * ew * rng.random() + 0.15))
    if ew > 0.3:
        _frays(pen, pair, rng, ground, ew)
    _print_and_sew(pen, pair, rng, relief)
    if pair.wear > 0.25:
        _creases(pen, pair, rng)


def _print_and_sew(pen: Pen, pair: Pair, rng: Rng, relief: float) -> None:
    """Artwork first; then the size print over the seam, or under it."""
    art = _artwork(pen, pair, rng, relief)
    seam = _sewing(pair, rng, seam_inset(pair), relief)
    art()
    if pair.states["label_size_order"] == "under":
        _print_size(pen, pair)
        seam(pen)
    else:
        seam(pen)
        _print_size(pen, pair)


def _frays(pen: Pen, pair: Pair, rng: Rng, ground: Colour, ew: float) -> None:
    w, h = pair.sheet.label.size
    n = int(70 * ew)
    t = rng.random(n)
    side = rng.integers(0, 4, n)
    x = np.where(side % 2 == 0, t * w, np.where(side == 1, w, 0))
    y = np.where(side % 2 == 1, t * h, np.where(side == 2, h, 0))
    start = np.stack([x, y], 1)
    hairs = [np.stack([s, s + rng.normal(0, 1.2, 2)]) for s in start]
    pen.canvas.paint(pen.strokes(hairs, 0.25), tuple(min(1.0, 1.3 * c + 0.05) for c in ground), alpha=0.7)


def _creases(pen: Pen, pair: Pair, rng: Rng) -> None:
    w, h = pair.sheet.label.size
    lines = []
    for _ in range(int(rng.integers(1, 5))):
        a = np.array([rng.uniform(0, w), rng.uniform(0, h)])
        knots = np.cumsum(rng.normal(0, 5, (5, 2)), 0) + a
        lines.append(np.clip(knots, 0, (w, h)))
    pen.canvas.darken(pen.strokes(lines, float(rng.uniform(0.3, 0.8))), float(rng.choice([-1, 1]) * 0.25 * pair.wear))


def _artwork(pen: Pen, pair: Pair, rng: Rng, relief: float) -> Callable[[], None]:
    """Name, motto on its curve and ornament; drawn before the sewing."""
    sheet, canvas = pair.sheet.label, pen.canvas
    w, h = sheet.size
    fonts = font_files()
    font_name, font_motto = fonts[int(rng.integers(len(fonts)))], fonts[int(rng.integers(len(fonts)))]
    ink = art_ink(pair)
    press = float(rng.choice([0.0, -0.15, -0.25])) * relief * art_strength(pair)  # what fades fast was not pressed deep
    top = rng.uniform(0.15, 0.24) * h
    patches = [
        pen.text(
            sheet.name_line,
            font_name,
            rng.uniform(0.10, 0.17) * h,
            (w / 2, top),
            stroke=int(rng.integers(-2, 4)),
            fit_mm=w * rng.uniform(0.6, 0.82),
        )
    ]
    motto_y, cap = top + rng.uniform(0.2, 0.3) * h, rng.uniform(0.065, 0.1) * h
    patches.append(_motto(pen, pair, rng, font_motto, cap, (w / 2, motto_y)))
    patches += _ornament(pen, rng, (w / 2, h * rng.uniform(0.56, 0.64)), w, h)
    worn = 1 + 0.5 * pair.wear * rng.random()

    def draw() -> None:
        for patch in patches:
            if patch is None:
                continue
            rub = canvas.arrays.xp.clip(
                1.02 - 0.15 * worn * canvas.texture(cloud_tiles()[1], pen.scale * 0.2, (0.1, 0.2), patch), 0.6, 1.15
            )
            canvas.paint(patch, ink, alpha=0.95, raise_mm=press, grain=rub)

    return draw


def _motto(pen: Pen, pair: Pair, rng: Rng, font: Path, cap: float, at: tuple[float, float]) -> Patch | None:
    sheet = pair.sheet.label
    w, _ = sheet.size
    span = w * rng.uniform(0.55, 0.8)
    if pair.motto_curve == "straight":
        return pen.text(sheet.motto, font, cap, at, fit_mm=span)
    spread = float(rng.uniform(0.7, 1.5))
    radius = span / spread
    sag = radius * (1 - np.cos(spread / 2)) / 2
    if pair.motto_curve == "arch_up":
        return pen.arc_text(sheet.motto, font, cap, (at[0], at[1] + radius - sag), radius, -np.pi / 2, spread)
    return pen.arc_text(sheet.motto, font, cap, (at[0], at[1] - radius + sag), radius, np.pi / 2, spread, outward=False)


def _ornament(pen: Pen, rng: Rng, at: tuple[float, float], w: float, h: float) -> list[Patch | None]:
    """A small invented picture: waves, rays, crossed lines, a ring with a dot, or none; perhaps a frame."""
    x, y = at
    size = h * rng.uniform(0.06, 0.11)
    kind = int(rng.integers(0, 6))
    lines: list[Points] = []
    t = np.linspace(-1, 1, 24)
    if kind == 0:
        lines = [
            np.stack([x + 2.5 * size * t, y + dy + 0.3 * size * np.sin(8 * t)], 1) for dy in (-0.5 * size, 0.3 * size)
        ]
    elif kind == 1:
        lines = [
            np.array(
                [
                    (x + 0.5 * size * np.cos(a), y + 0.5 * size * np.sin(a)),
                    (x + 1.3 * size * np.cos(a), y + 1.1 * size * np.sin(a)),
                ]
            )
            for a in np.arange(0, 6.28, 0.52)
        ]
    elif kind == 2:
        lines = [
            np.array([(x - 2 * size, y - size), (x + 2 * size, y + size)]),
            np.array([(x - 2 * size, y + size), (x + 2 * size, y - size)]),
        ]
    elif kind == 3:
        a = np.linspace(0, 2 * np.pi, 40)
        lines = [np.stack([x + size * np.cos(a), y + size * np.sin(a)], 1), np.array([(x, y), (x + 0.1, y)])]
    elif kind == 4:
        lines = [np.array([(x - 3 * size, y), (x - size, y)]), np.array([(x + size, y), (x + 3 * size, y)])]
    patches = [pen.strokes(lines, float(rng.uniform(0.5, 1.1)))] if lines else []
    if rng.random() < 0.35:
        m = float(rng.uniform(4.5, 6.5))
        frame = np.vstack([rectangle(m, m, w - 2 * m, h - 2 * m), [[m, m]]])
        patches.append(pen.strokes([frame], 0.5))
    return patches


def seam_inset(pair: Pair) -> float:
    """How far inside the edge the label is sewn down, mm."""
    return float(pair.rng(22).uniform(2.2, 4.2))


def size_prints(pair: Pair) -> list[Print]:
    """Style and size lines near the lower edge, mostly placed so that they reach the stitching."""
    rng, sheet, inset = pair.rng(23), pair.sheet.label, seam_inset(pair)
    w, h = sheet.size
    texts = [
        line.format(style=pair.printed_style, waist=pair.printed_waist, leg=pair.printed_leg)
        for line in sheet.size_lines
    ]
    fonts = font_files()
    font, cap = fonts[int(rng.integers(len(fonts)))], h * rng.uniform(0.055, 0.1)
    # the last line mostly reaches over the lower stitch row, so that the order of sewing and printing shows;
    # its foot stays on the label, however frayed
    meets = size_print_meets_seam(pair)
    foot = h - inset + rng.uniform(0.3, max(0.5, inset - 1.3)) if meets else h - inset - cap * rng.uniform(0.4, 1.3)
    low = foot - cap / 2
    tilt, shift = float(rng.normal(0, 0.01)), float(rng.choice([0.0, 0.0, -0.13, 0.13])) * w
    stroke, tracking = int(rng.integers(-2, 4)), float(rng.choice([0.0, 0.0, 0.08, 0.16, 0.3]))
    layout = rng.random()
    if layout < 0.3:  # side by side, with a gap between
        drop = 0.22 * w * tilt
        spots, fit = [(w * 0.28, low - drop), (w * 0.72, low + drop)], w * 0.385
    elif layout < 0.6:  # flush left, as typed: the lines begin one below the other
        fit = w * 0.8
        wide = [min(fit, line_of_text(t, font, tracking, stroke).width * cap) for t in texts]
        left = float(rng.uniform(0.08 * w, max(0.081 * w, 0.92 * w - max(wide))))
        spots = [(left + wide[0] / 2, low - cap * rng.uniform(1.35, 1.7)), (left + wide[-1] / 2, low)]
    else:
        spots, fit = [(w / 2 + shift, low - cap * 1.5), (w / 2 + shift, low)], w * 0.8 - 2 * abs(shift)
    return [
        Print(t, font, float(cap), spot, tilt, tracking=tracking, stroke=stroke, fit_mm=fit)
        for t, spot in zip(texts, spots, strict=False)
    ]


def _print_size(pen: Pen, pair: Pair) -> None:
    """The ink of the size lines."""
    ink, alpha = size_ink(pair)
    for line in size_prints(pair):
        pen.canvas.paint(line.on(pen), ink, alpha=alpha)


def size_print_meets_seam(pair: Pair) -> bool:
    """Whether the size print crosses the stitching, so that the order can be judged at all."""
    return bool(pair.rng(21).random() < 0.8)


def _sewing(pair: Pair, rng: Rng, inset: float, relief: float) -> Callable[[Pen], None]:
    w, h = pair.sheet.label.size
    i = inset
    sides = [
        np.array([(i, i), (w - i, i)]),
        np.array([(w - i, i), (w - i, h - i)]),
        np.array([(w - i, h - i), (i, h - i)]),
        np.array([(i, h - i), (i, i)]),
    ]
    spacing = 25.4 / pair.sheet.pocket.stitches_per_inch * rng.uniform(0.6, 1.25)
    width, fill = float(rng.uniform(0.5, 1.0)), float(rng.uniform(0.6, 0.85))
    seed = int(rng.integers(2**31))

    def draw(pen: Pen) -> None:
        own = np.random.default_rng(seed)
        for side in sides:
            sew_line(pen, side, spacing, own, pair.thread, relief, width_mm=width, fill=fill, lustre=pair.lustre)

    return draw
