"""Scenes close to the hardware and inside the garment: button, its back, rivets, care tag."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.domain import PartName
from synthetic.traced.back import seam
from synthetic.traced.cloth import Region, Sheet, Yarn, smooth_noise
from synthetic.traced.colours import linear_of, varied
from synthetic.traced.hardware import Piece, button, button_back, rivet
from synthetic.traced.letters import PLAIN, Mask, line, stamp
from synthetic.traced.pairs import Colour, Rng, TracedPair
from synthetic.traced.pocket import thread_colour
from synthetic.traced.scene import Part, Scene
from synthetic.traced.shapes import Array, Look, Surface, grid_faces, placed, put, tube
from synthetic.traced.thread import even_row, sew, threads

_SKINS: tuple[Colour, ...] = ((0.55, 0.31, 0.21), (0.30, 0.15, 0.09), (0.66, 0.42, 0.31), (0.12, 0.055, 0.035))
_TAG_PX_PER_MM = 22


def set_on(
    sheet: Sheet, piece: Piece, at: tuple[float, float], turn: float, press: float
) -> tuple[list[Surface], Part]:
    """Hardware on cloth: pressed in a little, the cloth darkened and drawn up round it."""
    reach = float(np.abs(piece.part.points[:, :2]).max())
    away = np.hypot(sheet.x - at[0], sheet.y - at[1])
    floor = float(np.median(sheet.height_at(np.array([at]), max(2.0, sheet.step))))
    sheet.height -= press * np.exp(-((away / (1.25 * reach)) ** 6))
    sheet.shade(np.exp(-(((away - reach) / (0.22 * reach)) ** 2)), 0.35)
    place = (at[0], at[1], floor - press + 0.15)
    part = piece.part
    points = None if part.print_points is None else put(part.print_points, place, turn)
    laid = Part(part.name, put(part.points, place, turn), part.states, part.text, points, part.print_mm)
    return [placed(s, place, turn) for s in piece.surfaces], laid


def button_face(pair: TracedPair, rng: Rng, region: Region, texels: int) -> Scene:
    """The waistband's end with the button through its hole, the edge sewn, a rivet perhaps below."""
    sheet = Sheet(region, texels)
    sheet.weave(rng, Yarn(pair.dye, pair.weft, pair.wear))
    habit = pair.rng("waistband")
    top, foot, end = habit.uniform(19, 23), -habit.uniform(19, 23), habit.uniform(16, 26)
    band = np.array([(-600, foot), (end, foot), (end, top), (-600, top)], np.float32)
    share = sheet.raise_inside(band, 1.8)
    sheet.weave(rng, Yarn(pair.dye, pair.weft, pair.wear), (share > 0.4).astype(np.float32), turn=np.pi / 2)
    edge = sheet.inside(band)
    sheet.rub(np.exp(-((edge - 0.7) ** 2)), 0.7 * pair.wear)
    sheet.shade(np.exp(-(((edge + 1.5) / 1.2) ** 2)), 0.5)
    sheet.height -= 10 * np.clip((sheet.y - top) / 4, 0, 1)
    sheet.shade((sheet.y > top + 0.5).astype(np.float32), 0.6)
    hole = np.array([(-6.0, 0.0), (13.5, 0.0)], np.float32)
    surfaces: list[Surface] = []
    loop = np.array([(-600, foot + 2), (end - 2, foot + 2), (end - 2, top - 2), (-600, top - 2)], np.float32)
    row = even_row(rng, loop, pair.sheet.pocket.stitches_per_inch)
    surfaces += sew(sheet, row, thread_colour(pair), rng)
    sheet.shade(np.exp(-((sheet.beside(hole) / 0.5) ** 2)), 0.8)
    surfaces += _hole_stitches(sheet, pair, rng)
    surfaces += seam(sheet, pair, rng, np.array([(2.0, foot), (6.0, -400.0)]), (1.5,))
    more, part = set_on(sheet, button(pair), (0.0, 0.0), float(rng.normal(0, 0.6)), 0.5)
    parts = [part]
    surfaces += more
    spot = (-float(habit.uniform(52, 66)), foot - float(habit.uniform(5, 9)))
    if region.holds(np.array([spot]), 6):
        more, part = set_on(sheet, rivet(pair, 0, inside=False), spot, 0.3, 0.3)
        surfaces += more
        parts.append(part)
    return Scene((sheet.surface(), *surfaces), tuple(parts))


def _hole_stitches(sheet: Sheet, pair: TracedPair, rng: Rng) -> list[Surface]:
    """The buttonhole's close stitches on both sides of its slit, with a round eye at one end."""
    x = np.arange(-6.5, 14.0, 0.62)
    ends = [((a, s * 0.6), (a + 0.1, s * 2.4)) for a in x for s in (-1, 1)]
    kept = np.array(ends, np.float32)
    near = (np.abs(kept.mean(1) - (sheet.region.x, sheet.region.y)) < (sheet.region.half_x, sheet.region.half_y)).all(1)
    if not near.any():
        return []
    base = sheet.height_at(kept[near].mean(1), 0.6)
    return [threads(kept[near], base, thread_colour(pair), rng, 0.26, 7)]


def _inner_cloth(sheet: Sheet, pair: TracedPair, rng: Rng, lining_share: float) -> None:
    """The inside: the twill's pale side, or plain cotton lining."""
    habit = pair.rng("inside")
    if habit.random() < lining_share:
        cotton = varied((0.66, 0.62, 0.54), habit, 0.2)
        sheet.weave(rng, Yarn(cotton, cotton, 0.1), turn=0.78)
        sheet.height *= 0.6
        return
    dye = np.array(pair.dye) * 0.3 + np.array(pair.weft) * 0.55
    sheet.weave(
        rng, Yarn((float(dye[0]), float(dye[1]), float(dye[2])), pair.weft, 0.3), turn=float(rng.normal(0, 0.1))
    )


def inside_button(pair: TracedPair, rng: Rng, region: Region, texels: int) -> Scene:
    """Inside the waistband: the button's back."""
    sheet = Sheet(region, texels)
    _inner_cloth(sheet, pair, rng, 0.35)
    habit = pair.rng("inside band")
    surfaces: list[Surface] = []
    for y in (habit.uniform(14, 19), -habit.uniform(15, 20)):
        path = np.array([(-300, y), (300, y + 1.0)], np.float32)
        surfaces += sew(sheet, even_row(rng, path, pair.sheet.pocket.stitches_per_inch), thread_colour(pair), rng)
    fold = habit.uniform(20, 26)
    sheet.height -= 6 * np.clip((sheet.y - fold) / 3, 0, 1)
    sheet.shade((sheet.y > fold).astype(np.float32), 0.7)
    more, part = set_on(sheet, button_back(pair), (0.0, 0.0), float(rng.normal(0, 0.3)), 0.4)
    return Scene((sheet.surface(), *surfaces, *more), (part,))


def rivets(pair: TracedPair, rng: Rng, region: Region, texels: int) -> Scene:
    """Pocket corners with their rivets, from outside, or their backs from inside."""
    inside = bool(rng.random() < 0.35)
    sheet = Sheet(region, texels)
    surfaces: list[Surface] = []
    spots = [(0.0, 0.0)]
    if inside:
        _inner_cloth(sheet, pair, rng, 0.5)
        if rng.random() < 0.5:
            spots.append((float(rng.choice([-1, 1]) * rng.uniform(16, 34)), float(rng.normal(0, 6))))
    else:
        sheet.weave(rng, Yarn(pair.dye, pair.weft, pair.wear))
        x = np.linspace(-260, 60, 60)
        mouth = np.stack([x, 6.0 - 26 * (1 - np.cos(np.clip((x + 5) / 90, -np.pi, 0)))], -1).astype(np.float32)
        edge = np.concatenate([mouth, [(60, -400), (-400, -400)]]).astype(np.float32)
        share = sheet.raise_inside(edge, 1.6)
        sheet.weave(rng, Yarn(pair.dye, pair.weft, pair.wear), (share > 0.4).astype(np.float32), turn=0.1)
        away = sheet.inside(edge)
        sheet.rub(np.exp(-((away - 0.7) ** 2)), 0.8 * pair.wear)
        sheet.shade(np.exp(-(((away + 1.4) / 1.1) ** 2)), 0.5)
        for down in (2.0, 8.0):
            row = even_row(rng, mouth - np.array((0, down), np.float32), pair.sheet.pocket.stitches_per_inch)
            surfaces += sew(sheet, row, thread_colour(pair), rng)
        surfaces += seam(sheet, pair, rng, np.array([(14.0, 300.0), (17.0, -300.0)]), (2.0,))
        if rng.random() < 0.35:
            spots.append((float(-rng.uniform(60, 80)), -float(rng.uniform(12, 20))))
    parts = []
    for which, spot in enumerate(spots):
        if which and not region.holds(np.array([spot]), 4):
            continue
        more, part = set_on(sheet, rivet(pair, which + 10 * inside, inside), spot, float(rng.uniform(0, 6.3)), 0.35)
        surfaces += more
        parts.append(part)
    return Scene((sheet.surface(), *surfaces), tuple(parts))


# ------------------------------------------------------------ the care tag


def care_tag_inside(pair: TracedPair, rng: Rng, region: Region, texels: int) -> Scene:
    """The satin tag, sewn in along its top, hanging free below."""
    sheet = Sheet(region, texels)
    _inner_cloth(sheet, pair, rng, 0.45)
    wide, high = pair.sheet.care_tag.size
    surfaces = seam(sheet, pair, rng, np.array([(-300.0, high / 2 - 2.5), (300.0, high / 2 - 1.5)]), (1.5,))
    ink, points, cap = _tag_print(pair)
    habit = pair.rng("tag")
    ground = np.array(varied(linear_of(pair.sheet.care_tag.ground), habit, 0.06), np.float32)
    tone = np.array(varied(linear_of(pair.sheet.care_tag.print), habit, 0.2), np.float32)
    px = ink.shape[0], ink.shape[1]
    y, x = np.mgrid[0 : px[0], 0 : px[1]].astype(np.float32) / _TAG_PX_PER_MM
    satin = 1 + 0.05 * np.sin(2 * np.pi * (x + 0.37 * y) / 0.32) + 0.03 * smooth_noise(habit, px, 6)
    colour = (ground * satin[..., None]).astype(np.float32)
    faded = np.clip(1 - 0.5 * pair.wear * np.clip(smooth_noise(habit, px, 90, 2), 0, 1.5), 0.6, 1)
    colour += (ink * faded)[..., None] * (tone - colour)
    rows, columns = 260, 150
    a, b = np.meshgrid(np.linspace(0, 1, rows), np.linspace(0, 1, columns), indexing="ij")
    bend = [(rng.normal(0, 1.0), rng.uniform(0, 2 * np.pi), rng.uniform(-1, 1)) for _ in range(3)]
    turn = float(rng.normal(0, 0.06))

    def laid(u: Array, v: Array) -> Array:
        """Place of the tag's point at u across and v down (0..1)."""
        lift = sum(h * v * np.sin(np.pi * (1.2 * v + s * u) + p) for h, p, s in bend)
        z = 0.25 + np.abs(np.asarray(lift)) + 1.2 * np.exp(-((v / 0.06) ** 2))
        flat = np.stack([(u - 0.5) * wide, (0.5 - v) * high, z], -1).reshape(-1, 3)
        out = put(flat.astype(np.float32), (0, 0, 0), turn)
        out[:, 2] += sheet.height_at(out, 3.0)
        return out

    frayed = 0.004 * habit.standard_normal(rows)[:, None] * (np.abs(b - 0.5) > 0.495)
    uv = np.stack([b, 1 - a], -1).reshape(-1, 2).astype(np.float32)
    body = Surface(laid(b + frayed, a), grid_faces(rows, columns), uv, Look("satin", np.clip(colour, 0.004, 0.9), 0.5))
    path = np.array([((-wide / 2 + 1), high / 2 - 1.6), (wide / 2 - 1, high / 2 - 1.6)], np.float32)
    pale = varied((0.7, 0.68, 0.62), habit, 0.1)
    surfaces += sew(sheet, even_row(rng, path, 9.0), pale, rng, lift=1.7, radius=0.2)
    part = Part(
        PartName.CARE_TAG, body.points, {}, pair.tag_code,
        laid(points[:, 0] / wide, points[:, 1] / high), cap,
    )  # fmt: skip
    return Scene((sheet.surface(), body, *surfaces), (part,))


def _tag_print(pair: TracedPair) -> tuple[Mask, Array, float]:
    """The tag's print 0..1, the corners of its code (mm from the top left, y down), the code's height."""
    habit = pair.rng("tag print")
    wide, high = pair.sheet.care_tag.size
    s = _TAG_PX_PER_MM
    ink = np.zeros((int(high * s), int(wide * s)), np.float32)
    face = str(habit.choice(PLAIN))
    y = 8.0
    for text, cap in (
        (pair.sheet.name.upper(), 1.7),
        ("100% COTTON", 2.0),
        (f"SIZE {pair.waist_in} / {pair.leg_in}", 1.8),
    ):
        _centred(ink, line(text, face, cap * s, 0.08), y * s, 0.84)
        y += habit.uniform(4.6, 5.6)
    _symbols(ink, habit, y + 2.5)
    cap = float(habit.uniform(2.7, 3.7))
    code = line(pair.sheet.care_tag.code_line.format(code=pair.tag_code), str(habit.choice(PLAIN[:4])), cap * s, 0.2)
    at = float(habit.uniform(36, 42))
    top = at - cap / 2
    _centred(ink, code, at * s, 0.9)
    for text in ("WASH WITH LIKE COLOURS", "DO NOT BLEACH", "DRY IN SHADE"):
        at += habit.uniform(4.4, 5.2)
        if at < high - 3:
            _centred(ink, line(text, face, 1.35 * s, 0.1), at * s, 0.86)
    half = code.shape[1] / 2 / s
    corners = [
        (wide / 2 - half, top),
        (wide / 2 + half, top),
        (wide / 2 - half, top + cap),
        (wide / 2 + half, top + cap),
    ]
    return ink, np.array(corners, np.float32), cap


def _centred(ink: Mask, text: Mask, y_px: float, share: float) -> None:
    size = min(1.0, share * ink.shape[1] / text.shape[1])
    small = cv2.resize(text, None, fx=size, fy=size, interpolation=cv2.INTER_AREA)
    stamp(ink, np.asarray(small, np.float32), (ink.shape[1] / 2, y_px))


def _symbols(ink: Mask, habit: Rng, y: float) -> None:
    """A row of small care pictures: a tub, a triangle, a square, an iron, a circle."""
    s = _TAG_PX_PER_MM
    shapes = [
        [(-1.6, -1), (-1.2, 1.2), (1.2, 1.2), (1.6, -1)], [(-1.5, 1.2), (0, -1.4), (1.5, 1.2), (-1.5, 1.2)],
        [(-1.4, -1.3), (1.4, -1.3), (1.4, 1.3), (-1.4, 1.3), (-1.4, -1.3)],
        [(-1.7, 1), (-1.2, -0.4), (1.2, -0.4), (1.6, 1), (-1.7, 1)],
    ]  # fmt: skip
    for k in range(5):
        x = ink.shape[1] / s / 2 + (k - 2) * 5.2
        if k == 4:
            cv2.circle(ink, (int(x * s), int(y * s)), int(1.4 * s), 1.0, int(0.22 * s), cv2.LINE_AA)
            continue
        path = (np.array(shapes[k]) + np.array((x, y))) * s * 16
        cv2.polylines(ink, [path.astype(np.int32)], False, 1.0, int(0.22 * s), cv2.LINE_AA, 4)
        if habit.random() < 0.4:
            cross = (np.array([(-1.5, -1.5), (1.5, 1.5)]) + np.array((x, y))) * s * 16
            cv2.polylines(ink, [cross.astype(np.int32)], False, 1.0, int(0.2 * s), cv2.LINE_AA, 4)


# ------------------------------------------------------------ fingers


def finger(rng: Rng, tip: Array, turn: float, floor: float, width: float = 15.0) -> tuple[list[Surface], Array]:
    """A finger that holds things flat: its surfaces, and its points for telling what it hides.

    Args:
        rng: chance.
        tip: x, y of its end.
        turn: radians; where its root lies.
        floor: height of what it presses on.
        width: mm.
    """
    t = np.linspace(0, 1, 60)
    along = np.array((np.cos(turn), np.sin(turn), 0.0))
    centre = (
        np.array((*tip, floor))
        + along * (90 * t[:, None])
        + np.array((0, 0, 1.0))
        * (width * 0.42 + 16 * t[:, None] ** 1.5 + 1.6 * np.exp(-(((t[:, None] - 0.28) / 0.07) ** 2)))
    )
    skin = varied(_SKINS[int(rng.integers(len(_SKINS)))], rng, 0.12)
    look = Look("skin", skin, 0.5)
    body = tube(centre.astype(np.float32), 1.0, look, 48, name="finger")
    ring = body.points.reshape(60, 48, 3)
    reach = width / 2 * np.sqrt(np.clip(1 - (1 - np.clip(t / 0.09, 0, 1)) ** 2, 0.001, 1)) * (0.92 + 0.16 * t)
    centre3 = centre[:, None]
    shaped = centre3 + (ring - centre3) * reach[:, None, None]
    shaped[:, :, 2] = floor + (shaped[:, :, 2] - floor) * 0.92
    picture = (
        np.broadcast_to(np.array(skin, np.float32), (400, 120, 3))
        * (1 + 0.05 * smooth_noise(rng, (400, 120), 30, 2) + 0.05 * smooth_noise(rng, (400, 120), 5))[..., None]
    )
    skin_look = Look("skin", np.clip(picture, 0.01, 0.9).astype(np.float32), 0.45)
    points = shaped.reshape(-1, 3).astype(np.float32)
    return [Surface(points, body.faces, body.uv, skin_look, "finger")], points
