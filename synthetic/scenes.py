"""What lies where on the flat garment, for each kind of photo: cloth, seams, and the parts with their outlines."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.domain import PartName
from synthetic.canvas import Affine, Canvas, Colour, Pen, Points, Print, circle, linear, rectangle
from synthetic.pair import Pair
from synthetic.parts import care_tag, hardware, label, pocket, zip_slider
from synthetic.sewing import sew_line
from synthetic.textures import backdrops, denim_weaves

Rng = np.random.Generator
_BACKDROP_COLOURS = (
    "#8a6a4a",
    "#c9b79c",
    "#e8e6e1",
    "#5a5f66",
    "#3a2c22",
    "#b9c4c9",
    "#d8cfc0",
    "#7c8a70",
    "#f4f4f4",
    "#999490",
    "#40342e",
    "#a33d35",
    "#2f4858",
)


@dataclass(frozen=True, slots=True)
class PlacedPart:
    """A part in the scene: its outline in scene mm, how to draw it, and points to find again in the photo."""

    part: PartName
    outline: Points
    draw: Callable[[Canvas], None]
    inside: bool = False
    keypoints: Points | None = None  # pocket: five corners, then the tab's two seam points
    digits: Points | None = None  # middles of the printed digits, in reading order
    digit_mm: float = 0.0  # how large the smallest of them are
    lettered: Callable[[bool, Canvas], None] | None = None  # hardware: the same with its letters, whole, or without
    coded: Callable[[str, Canvas], None] | None = None  # code in metal: the same with another code, or "" with none


@dataclass(frozen=True, slots=True)
class Scene:
    """Ground first, then parts from lowest to topmost."""

    ground: Callable[[Canvas], None]
    parts: tuple[PlacedPart, ...]
    extra: tuple[PlacedPart, ...] = field(default=())  # annotated but drawn by another part

    def draw(self, canvas: Canvas) -> None:
        """Draw everything on a canvas."""
        self.ground(canvas)
        for part in self.parts:
            part.draw(canvas)


def place(x: float, y: float, angle: float = 0.0, mirror: bool = False) -> Affine:
    """Part millimetres to scene millimetres."""
    c, s = np.cos(angle), np.sin(angle)
    f = -1.0 if mirror else 1.0
    return np.array([[c * f, -s, x], [s * f, c, y]])


def _at(placed: Affine, points: Points) -> Points:
    return points @ placed[:, :2].T + placed[:, 2]


def digit_points(lines: list[Print]) -> Points:
    """Middles of all digits in some lines of print, part mm."""
    return np.concatenate([line.letters()[[i for i, c in enumerate(line.text) if c.isdigit()]] for line in lines])


def digit_size(lines: list[Print]) -> float:
    """Height of the smallest digits, mm; where they stand narrow, what that leaves of it to the reader."""
    sizes = [line.cap_mm for line in lines]
    for line in lines:
        at = line.letters()
        digits = [i for i, c in enumerate(line.text) if c.isdigit()]
        apart = [np.hypot(*(at[j] - at[i])) for i, j in itertools.pairwise(digits) if j == i + 1]
        sizes += [1.7 * float(gap) for gap in apart]
    return min(sizes)


def _denim(canvas: Canvas, pair: Pair, rng: Rng, dark: Colour | None = None, pale: Colour | None = None) -> None:
    relief = float(pair.rng(9).uniform(*pair.look.relief))
    canvas.lay_cloth(
        denim_weaves()[pair.weave],
        dark or pair.denim,
        pale or pair.denim_pale,
        pair.yarn_mm,
        0.12 * relief,
        rng,
        None,
        float(rng.uniform(*pair.look.mottle)),
    )
    _folds(canvas, rng, relief)


def _folds(canvas: Canvas, rng: Rng, relief: float) -> None:
    """Soft waves in the cloth: seen by their shading."""
    n = int(rng.integers(3, 7))
    coarse = rng.standard_normal((n, n)).astype(np.float32)
    arrays = canvas.arrays
    mid = arrays.blur(arrays.resize(arrays.put(coarse), 48, 48), 4.0)
    span = canvas.width / canvas.px_per_mm
    mid = mid * float(0.02 * span * rng.uniform(0, 1) * min(1.0, relief))
    canvas.height += arrays.resize(mid, canvas.height_px, canvas.width)


def _seam(pen: Pen, pair: Pair, line: Points, relief: float, rows: tuple[float, ...] = (2.0,)) -> None:
    """A felled seam: a step in the cloth, worn pale, with stitch rows beside it."""
    pen.canvas.darken(pen.strokes([line], 1.2), 0.4)
    pen.canvas.darken(pen.strokes([line + np.array((0.9, 0.9))], 1.4), -0.8 * pair.wear)
    rng = pair.rng(61, int(abs(line[0].sum() * 7)) % 1000)
    for shift in rows:
        d = (line[-1] - line[0]) / max(1e-6, float(np.hypot(*(line[-1] - line[0]))))
        offset = np.array([-d[1], d[0]]) * shift
        sew_line(pen, line + offset, 25.4 / pair.sheet.pocket.stitches_per_inch, rng, pair.thread, relief)


def _band(canvas: Canvas, pair: Pair, top: float, height: float, x0: float = -700, x1: float = 700) -> None:
    """The waistband: a strip with stitches along both edges."""
    pen, relief = Pen(canvas), float(pair.rng(9).uniform(*pair.look.relief))
    strip = pen.polygon(rectangle(x0, top, x1 - x0, height))
    if strip is None:
        return
    canvas.darken(pen.polygon(rectangle(x0, top + 1, x1 - x0, height + 1), soften_px=1.2 * pen.scale), 0.35)
    canvas.lay_cloth(
        denim_weaves()[pair.weave],
        tuple(0.95 * c for c in pair.denim),
        pair.denim_pale,
        pair.yarn_mm,
        0.1 * relief,
        pair.rng(62),
        strip,
        0.2,
    )
    canvas.paint(strip, None, raise_mm=0.9 * relief, bevel_px=max(0.5, 0.6 * pen.scale))
    for y in (top + 2.2, top + height - 2.2):
        line = np.array([(x0, y), (x1, y)])
        sew_line(pen, line, 25.4 / pair.sheet.pocket.stitches_per_inch, pair.rng(63, int(y) % 997), pair.thread, relief)


def _backdrop(canvas: Canvas, rng: Rng) -> None:
    """Floor, table, bed or wall behind the garment."""
    tile = backdrops()[int(rng.integers(len(backdrops())))]
    colour = np.array(linear(str(rng.choice(_BACKDROP_COLOURS)))) * rng.uniform(0.6, 1.2)
    grey = canvas.texture(
        tile,
        canvas.px_per_mm * float(rng.uniform(0.4, 1.6)),
        (rng.random(), rng.random()),
        angle=float(rng.choice([0, 0, 1.57])),
    )
    canvas.albedo = grey[..., None] * canvas.arrays.put(np.clip(colour * 1.4, 0.01, 0.95))


def _laid_out(canvas: Canvas, pair: Pair, rng: Rng, shape: Points, relief: float) -> Pen:
    """A whole garment of this shape lying on something; the pen to go on drawing with."""
    _backdrop(canvas, rng)
    pen = Pen(canvas)
    canvas.darken(pen.polygon(shape + np.array((4, 6)), soften_px=6 * pen.scale), 0.4)
    body = pen.polygon(shape)
    if body is not None:
        canvas.lay_cloth(
            denim_weaves()[pair.weave],
            pair.denim,
            pair.denim_pale,
            pair.yarn_mm,
            0.12 * relief,
            rng,
            body,
            float(rng.uniform(*pair.look.mottle)),
        )
        canvas.paint(body, None, raise_mm=3 * relief, bevel_px=max(0.8, 3 * pen.scale))
    _folds(canvas, rng, relief)
    return pen


def _pocket_parts(pair: Pair) -> tuple[PlacedPart, PlacedPart]:
    keypoints = np.vstack([pocket.outline(pair), pocket.seam_points(pair)])
    body = PlacedPart(
        PartName.POCKET, pocket.outline(pair), lambda c: pocket.draw_pocket(Pen(c), pair), keypoints=keypoints
    )
    tab = PlacedPart(PartName.TAB, pocket.tab_outline(pair), lambda c: None)
    return body, tab


def _label_part(pair: Pair, centre_seam: float = -78.0) -> PlacedPart:
    """The label, on the waistband right of the centre seam."""
    rng = pair.rng(64)
    spot = place(centre_seam + rng.uniform(-4, 8), -112 + rng.uniform(-6, 6), rng.normal(0, 0.015))
    return PlacedPart(
        PartName.LABEL,
        _at(spot, label.outline(pair)),
        lambda c: label.draw_label(Pen(c, spot), pair),
        digits=_at(spot, digit_points(label.size_prints(pair))),
        digit_mm=digit_size(label.size_prints(pair)),
    )


def back(pair: Pair, rng: Rng) -> Scene:
    """The right back pocket and what surrounds it: centre seam, yoke, waistband, label."""
    relief = float(pair.rng(9).uniform(*pair.look.relief))

    def ground(canvas: Canvas) -> None:
        _denim(canvas, pair, rng)
        pen = Pen(canvas)
        _seam(pen, pair, np.array([(-86.0, -60.0), (-70.0, 600.0)]), relief, (2.0, 7.0))
        _seam(pen, pair, np.array([(-86.0, -8.0), (230.0, -42.0)]), relief, (-2.5, -8.0))
        _band(canvas, pair, -104, 42)

    body, tab = _pocket_parts(pair)
    return Scene(ground, (body, _label_part(pair)), (tab,))


def whole_back(pair: Pair, rng: Rng) -> Scene:
    """The garment from behind, laid on something: both pockets (the tab in the right one), label, legs."""
    relief = float(pair.rng(9).uniform(*pair.look.relief))
    half = pair.waist_in * 25.4 / 2 / 2 * rng.uniform(0.98, 1.1)
    # the pocket ends inside the side seam, however narrow the waist
    cx, hem = (
        -float(np.clip(half * 1.1 - pair.sheet.pocket.width_top - rng.uniform(5, 25), 8, 70)),
        pair.leg_in * 25.4 + 120,
    )
    flare, crotch = rng.uniform(0.5, 0.8), 230.0
    right = [
        (cx - half, -104),
        (cx + half, -104),
        (cx + half * 1.22, 160),
        (cx + half * (0.75 + flare * 0.3), hem),
        (cx + half * 0.18, hem),
        (cx, crotch),
    ]
    left = [(cx - half * 0.18, hem), (cx - half * (0.75 + flare * 0.3), hem), (cx - half * 1.22, 160)]
    shape = np.array(right + left, np.float64)

    def ground(canvas: Canvas) -> None:
        pen = _laid_out(canvas, pair, rng, shape, relief)
        _seam(pen, pair, np.array([(cx, -60.0), (cx, crotch)]), relief, (2.0, 7.0))
        _seam(pen, pair, np.array([(cx, -8.0), (cx + half * 1.1, -42.0)]), relief, (-2.5,))
        _seam(pen, pair, np.array([(cx - half * 1.1, -42.0), (cx, -8.0)]), relief, (-2.5,))
        _band(canvas, pair, -104, 42, cx - half, cx + half)

    body, tab = _pocket_parts(pair)
    flip = place(2 * cx, 0, 0, mirror=True)
    other = PlacedPart(
        PartName.POCKET,
        _at(flip, pocket.outline(pair)),
        lambda c: pocket.draw_pocket(Pen(c, flip), pair, with_tab=False),
    )
    return Scene(ground, (body, other, _label_part(pair, cx)), (tab,))


def whole_front(pair: Pair, rng: Rng) -> Scene:
    """The garment from the front: button, fly, front pockets with their rivets."""
    relief = float(pair.rng(9).uniform(*pair.look.relief))
    half = pair.waist_in * 25.4 / 2 / 2 * rng.uniform(0.98, 1.1)
    hem, crotch = pair.leg_in * 25.4 + 230, 235.0
    flare = rng.uniform(0.5, 0.8)
    wide = half * (0.75 + flare * 0.3)
    right = [(-half, -20), (half, -20), (half * 1.2, 230), (wide, hem), (half * 0.18, hem), (0, crotch)]
    left = [(-half * 0.18, hem), (-wide, hem), (-half * 1.2, 230)]
    shape = np.array(right + left, np.float64)

    def ground(canvas: Canvas) -> None:
        pen = _laid_out(canvas, pair, rng, shape, relief)
        for side in (-1.0, 1.0):
            mouth = np.array(
                [
                    (side * half * 0.55, 22.0),
                    (side * half * 0.62, 60.0),
                    (side * half * 0.8, 95.0),
                    (side * half * 1.08, 110.0),
                ]
            )
            _seam(pen, pair, mouth, relief, (2.5, 7.0))
        _seam(pen, pair, np.array([(0.0, 20.0), (2.0, crotch)]), relief, (2.0,))
        fly = np.array([(38.0, 20.0), (38.0, 130.0), (25.0, 165.0), (3.0, 180.0)])
        _seam(pen, pair, fly, relief, (0.0, 5.0))
        _band(canvas, pair, -20, 42, -half, half)

    button = _button(pair, 4.0, 0.0)
    spots = [(-half * 0.56, 26.0), (half * 0.56, 26.0), (-half * 1.02, 104.0), (half * 1.02, 104.0)]
    rivets = tuple(_rivet(pair, i, x, y, 0.0, False) for i, (x, y) in enumerate(spots))
    return Scene(ground, (button, *rivets))


def _button(pair: Pair, x: float, y: float, angle: float = 0.0) -> PlacedPart:
    spot = place(x, y, angle)
    crisp = replace(pair, states={**pair.states, "button_lettering": "crisp"})
    return PlacedPart(
        PartName.BUTTON,
        circle((x, y), hardware.face_radius(pair)),
        lambda c: hardware.draw_button(Pen(c, spot), pair),
        lettered=lambda legend, c: hardware.draw_button(Pen(c, spot), crisp, legend),
    )


def _rivet(pair: Pair, which: int, x: float, y: float, angle: float, inside: bool) -> PlacedPart:
    spot = place(x, y, angle)
    return PlacedPart(
        PartName.RIVET,
        circle((x, y), hardware.rivet_radius(pair)),
        lambda c: hardware.draw_rivet(Pen(c, spot), pair, which, inside),
        inside,
        lettered=lambda stamped, c: hardware.draw_rivet(Pen(c, spot), pair, which, inside, stamped),
    )


def button_face(pair: Pair, rng: Rng) -> Scene:
    """The waistband's button, perhaps with a pocket rivet near the edge."""
    relief = float(pair.rng(9).uniform(*pair.look.relief))

    def ground(canvas: Canvas) -> None:
        _denim(canvas, pair, rng)
        pen = Pen(canvas)
        _seam(pen, pair, np.array([(3.0, 18.0), (5.0, 300.0)]), relief, (2.0,))
        _band(canvas, pair, -21, 42, -400, float(rng.uniform(14, 30)))

    button = _button(pair, 0.0, 0.0, float(rng.normal(0, 0.3)))
    rivets = (_rivet(pair, 0, -62.0, 32.0, 0.2, False),) if rng.random() < 0.7 else ()
    return Scene(ground, (button, *rivets))


def button_back(pair: Pair, rng: Rng) -> Scene:
    """Inside the waistband: the pale side of the cloth with the button's back."""
    pale = tuple(0.55 * p + 0.3 for p in pair.denim_pale) if rng.random() < 0.6 else pair.denim_pale

    def ground(canvas: Canvas) -> None:
        _denim(canvas, pair, rng, tuple(0.5 * d + 0.5 * p for d, p in zip(pair.denim, pale, strict=True)), pale)
        pen = Pen(canvas)
        sew_line(pen, np.array([(-300.0, 17.0), (300.0, 18.0)]), 3.2, pair.rng(65), pair.thread, 0.6)

    spot = place(0, 0, float(rng.normal(0, 0.25)))
    disc = PlacedPart(
        PartName.BUTTON_BACK,
        circle((0, 0), hardware.back_radius(pair)),
        lambda c: hardware.draw_button_back(Pen(c, spot), pair),
        digits=_at(spot, digit_points([hardware.code_print(pair)])),
        digit_mm=digit_size([hardware.code_print(pair)]),
        coded=lambda code, c: hardware.draw_button_back(Pen(c, spot), pair, code),
    )
    return Scene(ground, (disc,))


def rivets(pair: Pair, rng: Rng) -> Scene:
    """One to three rivets, all from outside (at a pocket's mouth) or all from inside."""
    inside = bool(rng.random() < 0.35)
    pale = tuple(min(0.85, 0.5 * p + 0.3) for p in pair.denim_pale)
    cotton = tuple(float(c) for c in np.array([0.75, 0.73, 0.68]) * rng.uniform(0.7, 1.0))

    def ground(canvas: Canvas) -> None:
        if inside:
            lining = rng.random() < 0.5
            _denim(
                canvas,
                pair,
                rng,
                tuple(0.85 * c for c in cotton) if lining else tuple(0.6 * p for p in pale),
                cotton if lining else pale,
            )
        else:
            _denim(canvas, pair, rng)
            mouth = np.array([(-200.0, 26.0), (-30.0, 12.0), (60.0, 9.0), (300.0, 20.0)])
            _seam(Pen(canvas), pair, mouth, float(pair.rng(9).uniform(*pair.look.relief)), (-2.5, -8.0))

    count = int(rng.choice([1, 1, 2, 3]))
    spots = [
        (0.0, 0.0),
        (float(rng.uniform(18, 45)), float(rng.uniform(-12, 12))),
        (float(rng.uniform(-45, -18)), float(rng.uniform(-14, 14))),
    ]
    parts = tuple(
        _rivet(pair, 4 + i + 8 * inside, *spots[i], float(rng.uniform(-0.5, 0.5)), inside) for i in range(count)
    )
    return Scene(ground, parts)


def zip_closeup(pair: Pair, rng: Rng) -> Scene:
    """The fly laid open over the zip."""
    photo = int(rng.integers(1000))
    left, right = -float(rng.uniform(11, 18)), float(rng.uniform(11, 60))
    relief = float(pair.rng(9).uniform(*pair.look.relief))

    def ground(canvas: Canvas) -> None:
        _denim(canvas, pair, rng)

    def draw(canvas: Canvas) -> None:
        pen = Pen(canvas)
        zip_slider.draw_zip(pen, pair, photo)
        for x, sign in ((left, -1), (right, 1)):
            flap = pen.polygon(rectangle(min(x, x + sign * 300), -300, 300, 600))
            if flap is None:
                continue
            canvas.darken(pen.strokes([np.array([(x, -200.0), (x, 200.0)])], 2.5), 0.3)
            canvas.lay_cloth(
                denim_weaves()[pair.weave],
                pair.denim,
                pair.denim_pale,
                pair.yarn_mm,
                0.12 * relief,
                pair.rng(66),
                flap,
                0.2,
            )
            line = np.array([(x + sign * 2.5, -200.0), (x + sign * 2.5, 200.0)])
            sew_line(pen, line, 3.2, pair.rng(67), pair.thread, relief)

    # flaps are drawn first in life but never cover slider or pull, as they stay outside +-11 mm
    return Scene(ground, (PlacedPart(PartName.ZIP, zip_slider.outline(pair, photo), draw),))


def care_tag_inside(pair: Pair, rng: Rng) -> Scene:
    """The tag on the inside: lining or the pale side of the denim."""
    lining = rng.random() < 0.5
    cotton = tuple(float(c) for c in np.array([0.72, 0.7, 0.64]) * rng.uniform(0.6, 1.0))
    pale = tuple(min(0.85, 0.5 * p + 0.25) for p in pair.denim_pale)
    w, _ = pair.sheet.care_tag.size

    def ground(canvas: Canvas) -> None:
        if lining:
            _denim(canvas, pair, rng, tuple(0.88 * c for c in cotton), cotton)
        else:
            _denim(canvas, pair, rng, tuple(0.55 * p for p in pale), pale)
        _seam(Pen(canvas), pair, np.array([(-300.0, 0.5), (300.0, 0.5)]), 0.6, (-3.0,))

    spot = place(-w / 2, 0, float(rng.normal(0, 0.08)))
    tag = PlacedPart(
        PartName.CARE_TAG,
        _at(spot, care_tag.outline(pair)),
        lambda c: care_tag.draw_care_tag(Pen(c, spot), pair),
        digits=_at(spot, digit_points([care_tag.code_print(pair)])),
        digit_mm=digit_size([care_tag.code_print(pair)]),
    )
    return Scene(ground, (tag,))
