"""Waistband button (face and back) and rivets. Origin: the disc's centre, mm."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from synthetic.canvas import Colour, Patch, Pen, Points, Print, arc_cap_limit, circle, linear
from synthetic.lettering import font_files
from synthetic.pair import Pair
from synthetic.parts.metal import edge_mm, lay_bare_metal, lay_coat

Rng = np.random.Generator
_COATS = ("#3a2a1c", "#1d1d1f", "#8a5a2a", "#c9a24a", "#6b4a35", "#9aa0a6", "#5a3a2a", "#b5793c", "#d8d3c8", "#4b4f55")
_MOST_ALIKE = str.maketrans("023456789", "835968298")  # from looking: what a blurred digit is taken for
BACK_DIAMETER_SHARE = 0.8  # the back disc is a little smaller than the face (invented)


def metal_colour(pair: Pair, rng: Rng) -> Colour:
    """Reflectance of the pair's metal with some tarnish, linear RGB."""
    base = np.array((0.86, 0.47, 0.31) if pair.metal == "copper" else (0.58, 0.59, 0.6))
    base = base * rng.uniform(0.75, 1.08) * rng.uniform(0.94, 1.06, 3)
    tarnish = 0.35 * pair.wear * rng.random()
    dull = np.array((0.2, 0.12, 0.08) if pair.metal == "copper" else (0.28, 0.28, 0.27))
    mixed = base * (1 - tarnish) + dull * tarnish
    return float(mixed[0]), float(mixed[1]), float(mixed[2])


def typical_shine(pair: Pair) -> Colour:
    """What the pair's metal sends back on average: its reflectance times what it mirrors, linear RGB."""
    base = (0.86, 0.47, 0.31) if pair.metal == "copper" else (0.58, 0.59, 0.6)
    return tuple(0.5 * c for c in base)


@dataclass(frozen=True, slots=True)
class Stamp:
    """How letters stand in metal: height of a capital and depth in mm, dirt in the lower parts 0..1, raised or sunk.

    `edge_mm`: how far an edge is rounded; a new die cuts sharp, a worn or cast one rounds every edge alike.
    """

    cap_mm: float
    depth_mm: float
    fill: float
    raised: bool
    edge_mm: float = 0.06


def _dirt(rng: Rng, most: float) -> float:
    """How dark dirt makes the lower parts of letters: none at all on many, whose shape alone shows then."""
    return float(rng.uniform(0.0, most)) if rng.random() < 0.7 else 0.0


def rivet_stamp(pair: Pair) -> Stamp:
    """The stamp of the pair's rivets, or what it would be on blank ones."""
    rng = pair.rng(36)
    cap, fill = rivet_radius(pair) * float(rng.uniform(0.24, 0.36)), _dirt(rng, 0.75)
    depth, raised = float(rng.uniform(0.12, 0.28)), bool(rng.random() < 0.4)
    return Stamp(cap, depth, fill * (1 - 0.35 * pair.wear), raised, edge_mm(rng, 0.14))


def face_stamp(pair: Pair) -> Stamp:
    """The legend on the button's face. Depth and dirt tell nothing of the finish: alike for clean and coated."""
    rng = pair.rng(38)
    cap, fill = face_radius(pair) * float(rng.uniform(0.17, 0.24)), _dirt(rng, 0.7)
    return Stamp(cap, float(rng.uniform(0.07, 0.3)), fill, bool(rng.random() < 0.5), edge_mm(rng, 0.2))


def face_radius(pair: Pair) -> float:
    """Radius of the button's face."""
    return float(pair.sheet.button.diameter) / 2


def back_radius(pair: Pair) -> float:
    """Radius of the button's back."""
    return face_radius(pair) * BACK_DIAMETER_SHARE


def rivet_radius(pair: Pair) -> float:
    """Radius of a rivet."""
    return float(pair.sheet.rivet.diameter) / 2


def _disc(pen: Pen, radius: float, dome_mm: float, rim_mm: float, relief: float) -> Patch | None:
    """A hard round thing on the cloth: shadow, flat ground, dome and rim in relief."""
    canvas = pen.canvas
    canvas.darken(pen.disc((0.25, 0.4), radius * 1.08, soften_px=0.12 * radius * pen.scale), 0.6)
    body = pen.disc((0, 0), radius)
    if body is None:
        return None
    canvas.flatten(body)
    arrays, xp = canvas.arrays, canvas.arrays.xp
    h, w = body.mask.shape
    x, y = pen.px([(0.0, 0.0)])[0] - (body.x, body.y)
    across = arrays.put(((np.arange(w) - x) / (pen.scale * radius)) ** 2)[None, :]
    down = arrays.put(((np.arange(h) - y) / (pen.scale * radius)) ** 2)[:, None]
    square = down + across
    rim = xp.sqrt(square)
    rim -= 0.9
    rim *= rim * (-1 / 0.07**2)
    field = dome_mm * xp.sqrt(xp.clip(1 - square, 0.0, 1.0)) + rim_mm * xp.exp(rim)
    field *= arrays.cover(body.mask, 0.6 * relief)
    canvas.add_height(body, field)
    return body


def _stamp(pen: Pen, patch: Patch | None, stamp: Stamp, relief: float) -> None:
    """Letters cut in or standing out, with dirt in the lower parts."""
    if patch is None:
        return
    depth, edge_px = stamp.depth_mm * max(relief, 0.35), max(0.5, stamp.edge_mm * pen.scale)
    pen.canvas.paint(patch, None, raise_mm=depth if stamp.raised else -depth, bevel_px=edge_px)
    dirty = _with_soft_dirt(patch, 0.7 * edge_px, pen)
    if stamp.raised:
        pen.canvas.darken(_surround(dirty, pen), 0.6 * stamp.fill)
        pen.canvas.darken(dirty, -0.25 * stamp.fill)
    else:
        pen.canvas.darken(dirty, stamp.fill)


def _with_soft_dirt(patch: Patch, sigma_px: float, pen: Pen) -> Patch:
    """Where dirt lies at letters with rounded edges: it thins out up the flanks."""
    if sigma_px < 1:
        return patch
    wide = patch.grown(int(2.5 * sigma_px) + 1, pen.canvas.width, pen.canvas.height_px)
    return Patch(np.asarray(cv2.GaussianBlur(wide.mask, (0, 0), sigma_px), np.uint8), wide.x, wide.y)


def _surround(patch: Patch, pen: Pen) -> Patch:
    """The ground close round raised letters, where dirt stays."""
    reach = max(1, round(0.14 * pen.scale))
    wide = patch.grown(2 * reach, pen.canvas.width, pen.canvas.height_px)
    near = cv2.dilate(wide.mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)))
    soft = cv2.GaussianBlur(near, (0, 0), 0.5 * reach)
    return Patch(np.asarray(cv2.subtract(soft, wide.mask), np.uint8), wide.x, wide.y)


def _blobs(patch: Patch | None, rng: Rng, px_per_mm: float) -> Patch | None:
    """Letters drowned in blobs: swollen strokes and drops round them."""
    if patch is None:
        return None
    mask = patch.mask
    grow = max(1, round(rng.uniform(0.1, 0.24) * px_per_mm))
    swollen = cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1, 2 * grow + 1)))
    ys, xs = np.nonzero(mask > 100)
    out = np.where(rng.random() < 0.5, swollen, mask).astype(np.uint8)
    if len(xs):
        for i in rng.integers(0, len(xs), int(rng.integers(14, 45))):
            at = np.array([xs[i], ys[i]]) + rng.normal(0, 0.22 * px_per_mm, 2)
            cv2.circle(
                out,
                (round(at[0]), round(at[1])),
                max(1, round(rng.uniform(0.12, 0.4) * px_per_mm)),
                255,
                -1,
                cv2.LINE_AA,
            )
    soft = cv2.GaussianBlur(out, (0, 0), max(0.5, 0.07 * px_per_mm))
    return Patch(np.clip(soft.astype(np.float32) * 1.3, 0, 255).astype(np.uint8), patch.x, patch.y)


def draw_button(pen: Pen, pair: Pair, legend: bool = True) -> None:
    """The face: rim legend, ring and dot; finish and lettering as the states say. The legend can be left out."""
    rng = pair.rng(30)
    relief = float(pair.rng(9).uniform(*pair.look.relief))
    radius = face_radius(pair)
    _buttonhole(pen, pair, rng, radius)
    body = _disc(pen, radius, float(rng.uniform(0.4, 1.2)), float(rng.uniform(0.1, 0.5)), max(relief, 0.4))
    if body is None:
        return
    colour = metal_colour(pair, rng)
    coated = pair.states["button_finish"] == "coated"
    if coated:
        tint = linear(str(rng.choice(_COATS)))
        keep = rng.uniform(0.0, 0.4)
        colour = tuple(keep * c + (1 - keep) * t for c, t in zip(colour, tint, strict=True))
        lay_coat(pen, body, colour, rng)
    else:
        lay_bare_metal(pen, body, colour, rng, wear=pair.wear, size_mm=radius, turned=True)
    _face_lettering(pen, pair, rng, radius, relief, legend)
    if coated and rng.random() < 0.5:
        _chips(pen, rng, radius, metal_colour(pair, rng))
    if not coated:
        _scratches(pen, pair, rng, radius)


def _face_lettering(pen: Pen, pair: Pair, rng: Rng, radius: float, relief: float, legend: bool) -> None:
    """The rim legend with the ring and dot inside it."""
    fonts, stamp = font_files(), face_stamp(pair)
    font = fonts[int(rng.integers(len(fonts)))]
    middle = radius * rng.uniform(0.66, 0.74)
    letters = pen.arc_text(
        pair.sheet.button.rim_legend,
        font,
        stamp.cap_mm,
        (0, 0),
        middle,
        float(rng.uniform(0, 6.28)),
        2 * np.pi * 0.97,
        stroke=int(rng.integers(-1, 5)),
    )
    dot = float(rng.choice([0.0, rng.uniform(0.07, 0.2)]))
    parts = [letters, pen.disc((0, 0), radius * dot) if dot else None]
    for share in rng.choice([0.18, 0.26, 0.34, 0.42, 0.5, 0.85], int(rng.integers(0, 5)), replace=False):
        parts.append(pen.ring((0, 0), radius * float(share), radius * float(rng.uniform(0.02, 0.08))))
    if pair.states["button_lettering"] == "blobs":
        parts[0] = _blobs(letters, rng, pen.scale)
        stamp = replace(stamp, fill=0.8 * stamp.fill)
    for patch in parts[0 if legend else 1 :]:
        _stamp(pen, patch, stamp, relief)


def _buttonhole(pen: Pen, pair: Pair, rng: Rng, radius: float) -> None:
    """Thread round the hole that the button stands in, in some photos."""
    if rng.random() < 0.55:
        length = radius * rng.uniform(1.2, 2.2)
        y = float(rng.uniform(-0.3, 0.3)) * radius
        zig = [np.array([(x, y - 1.6), (x + 0.4, y + 1.6)]) for x in np.arange(-length, length, 0.8)]
        colour = tuple(min(1.0, c * rng.uniform(0.6, 1.3)) for c in pair.thread)
        patch = pen.strokes(zig, 0.55)
        pen.canvas.paint(patch, colour, raise_mm=0.25)
        pen.canvas.paint(pen.strokes([np.array([(-length, y), (length, y)])], 0.8), (0.01, 0.01, 0.015), alpha=0.8)


def _chips(pen: Pen, rng: Rng, radius: float, under: Colour) -> None:
    """Places where the coat has come off."""
    for _ in range(int(rng.integers(1, 5) if rng.random() < 0.6 else rng.integers(5, 16))):
        a, r = rng.uniform(0, 6.28), radius * np.sqrt(rng.random()) * 0.95
        n = circle((r * np.cos(a), r * np.sin(a)), rng.uniform(0.15, 0.8), n=9) + rng.normal(0, 0.12, (9, 2))
        pen.canvas.paint(pen.polygon(n), under, metal=0.9, raise_mm=-0.05)


def _scratches(pen: Pen, pair: Pair, rng: Rng, radius: float) -> None:
    lines: list[Points] = []
    for _ in range(int(rng.integers(0, 4) + 10 * pair.wear)):
        a = rng.uniform(0, 6.28, 2)
        r = radius * np.sqrt(rng.random(2)) * 0.92
        lines.append(np.stack([r * np.cos(a), r * np.sin(a)], 1) * np.array([[1.0], [rng.uniform(0.5, 1)]]))
    pen.canvas.darken(pen.strokes(lines, 0.1), float(rng.uniform(-0.4, 0.3)))


def draw_button_back(pen: Pen, pair: Pair, code: str | None = None) -> None:
    """The back disc with the plant code, or another in its place, or none (""); on old pairs parts are worn away."""
    rng = pair.rng(31)
    relief = float(pair.rng(9).uniform(*pair.look.relief))
    radius = back_radius(pair)
    body = _disc(pen, radius, float(rng.uniform(0.1, 0.5)), float(rng.uniform(0.0, 0.4)), max(relief, 0.4))
    if body is None:
        return
    colour = metal_colour(pair, rng) if rng.random() < 0.7 else (0.55, 0.55, 0.56)
    lay_bare_metal(pen, body, colour, rng, wear=pair.wear, size_mm=radius, turned=True)
    rings = [0.88, 0.94] if rng.random() < 0.75 else [0.5, 0.6, 0.88, 0.94]  # few cross the code
    for share in rng.choice(rings, int(rng.integers(0, 3)), replace=False):
        turned = Stamp(0.0, 0.15, 0.3, bool(rng.random() < 0.5))
        _stamp(pen, pen.ring((0, 0), radius * float(share), radius * 0.04), turned, relief)
    letters = code_print(pair, code).on(pen) if code != "" else None
    faint = code_wear(pair)
    depth, fill = float(rng.uniform(0.15, 0.35)) * (1 - faint), float(rng.uniform(0.35, 0.75)) * (1 - faint)
    _stamp(pen, letters, Stamp(0.0, depth, fill, bool(rng.random() < 0.4), edge_mm(pair.rng(39), 0.25)), relief)
    _scratches(pen, pair, rng, radius)


def code_print(pair: Pair, code: str | None = None) -> Print:
    """The plant code, or another, as stamped on the back: across the disc or along its rim."""
    rng, radius, fonts = pair.rng(35), back_radius(pair), font_files()
    font, cap, stroke = fonts[int(rng.integers(len(fonts)))], radius * rng.uniform(0.4, 0.62), int(rng.integers(1, 6))
    if rng.random() < 0.2:
        arc = (radius * 0.62, float(rng.choice([-np.pi / 2, np.pi / 2])), float(rng.uniform(1.7, 2.5)))
        cap = min(cap * 0.7, arc_cap_limit(pair.code, font, stroke, arc[0], arc[2]))
        return Print(code or pair.code, font, float(cap), (0.0, 0.0), stroke=stroke, arc=arc)
    spot = (0.0, float(rng.normal(0, 0.05)) * radius)
    tracking, fit = float(rng.choice([0, 0.1, 0.2])) + stroke / 40, radius * rng.uniform(1.2, 1.55)
    return Print(code or pair.code, font, cap, spot, tracking=tracking, stroke=stroke, fit_mm=fit)


def like_code(pair: Pair) -> str:
    """A code that is easily taken for the pair's: each digit is the one most like it, but 1, which is narrower."""
    return pair.code.translate(_MOST_ALIKE)


def code_wear(pair: Pair) -> float:
    """How far the stamped code is worn off, 0..1: only on old pairs."""
    rng = pair.rng(32)
    return (
        float(rng.uniform(0.95, 1.0))
        if pair.wear > 0.6 and rng.random() < 0.4
        else float(0.25 * pair.wear * rng.random())
    )


def draw_rivet(pen: Pen, pair: Pair, which: int, inside: bool, stamped: bool | None = None) -> None:
    """A rivet from outside (a domed cap or a nub in a washer) or inside (flat).

    `stamped` draws it with the stamp or with nothing at all; None as the pair's are, blank ones perhaps with a ring.
    """
    canvas, rng = pen.canvas, pair.rng(33, which)
    relief = float(pair.rng(9).uniform(*pair.look.relief))
    radius = rivet_radius(pair)
    body = _disc(
        pen,
        radius,
        float(rng.uniform(0.1, 0.3) if inside else rng.uniform(0.3, 0.8)),
        float(rng.uniform(0, 0.3)),
        max(relief, 0.4),
    )
    if body is None:
        return
    lay_bare_metal(pen, body, metal_colour(pair, rng), rng, wear=pair.wear, size_mm=radius, turned=True)
    stamp, house = rivet_stamp(pair), pair.rng(34)
    kind = house.random()
    if not inside and kind < 0.6:
        nub = pen.disc((0, 0), radius * float(house.uniform(0.16, 0.3)))
        canvas.paint(nub, None, raise_mm=0.5 * max(relief, 0.3), bevel_px=max(0.6, 0.1 * radius * pen.scale))
        _stamp(pen, pen.ring((0, 0), radius * 0.4, radius * 0.06), Stamp(0.0, 0.12, 0.4, raised=False), relief)
    if pair.states["rivet_stamp"] == "stamped" if stamped is None else stamped:
        for patch in _rivet_legend(pen, pair, house, kind, inside, stamp.cap_mm):
            _stamp(pen, patch, stamp, relief)
    elif stamped is None and house.random() < 0.4:
        ring = pen.ring((0, 0), radius * float(house.uniform(0.5, 0.85)), radius * 0.05)
        _stamp(pen, ring, replace(stamp, depth_mm=0.12, fill=0.4), relief)
    _scratches(pen, pair, rng, radius)


def _rivet_legend(pen: Pen, pair: Pair, house: Rng, kind: float, inside: bool, cap: float) -> list[Patch | None]:
    """The stamp's letters: round the nub, straight across, or along the upper rim."""
    radius, legend, fonts = rivet_radius(pair), pair.sheet.rivet.legend, font_files()
    font, stroke = fonts[int(house.integers(len(fonts)))], int(house.integers(-1, 6))
    up = -np.pi / 2
    if kind < 0.6 and not inside:
        repeat = int(house.integers(1, 3))
        turns = [(up + k * 2 * np.pi / repeat, float(house.uniform(1.3, 2.4))) for k in range(repeat)]
        return [pen.arc_text(legend, font, cap, (0, 0), radius * 0.68, at, wide, stroke=stroke) for at, wide in turns]
    if kind < 0.8:
        return [pen.text(legend, font, cap * 1.2, (0, 0), stroke=stroke, fit_mm=radius * 1.4)]
    wide = float(house.uniform(1.5, 3.0))
    return [pen.arc_text(legend, font, cap, (0, 0), radius * 0.62, up, wide, stroke=stroke)]
