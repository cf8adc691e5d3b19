"""The right back pocket with its stitching, and the ribbon tab in its right-hand seam.

The pocket's frame: its top left corner is (0, 0); x runs right, y up.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.domain import PartName
from synthetic.traced.cloth import Sheet, Yarn, smooth_noise
from synthetic.traced.colours import linear_of, varied
from synthetic.traced.letters import STURDY, Mask, line, stamp
from synthetic.traced.pairs import Colour, Rng, TracedPair
from synthetic.traced.scene import Part
from synthetic.traced.shapes import Array, Look, Surface, grid_faces, sample
from synthetic.traced.thread import Row, cut_end, even_row, sew, uneven_row

_TAB_PX_PER_MM = 40
_OTHER_THREADS = ("#E8E4DA", "#1D2536", "#111111", "#D8C24A", "#6E7376", "#55603C", "#8C2F2B", "#3F6FA8")


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where the pocket's frame lies on the garment: its top left corner, turn (radians), mirrored or not."""

    x: float = 0.0
    y: float = 0.0
    turn: float = 0.0
    mirrored: bool = False

    def put(self, points: Array) -> Array:
        """Pocket's x, y[, z] to the garment's."""
        flat = points[:, :2] * ((-1, 1) if self.mirrored else (1, 1))
        c, s = np.cos(self.turn), np.sin(self.turn)
        moved = flat @ np.array([[c, s], [-s, c]]) + (self.x, self.y)
        return np.asarray(np.column_stack([moved, points[:, 2:]]), np.float32)


def corners(pair: TracedPair, inset: float = 0.0) -> Array:
    """Top left, top right, bottom right, tip, bottom left; `inset` mm inside the edge."""
    p = pair.sheet.pocket
    point = float(pair.rng("pocket").uniform(18, 33))  # how deep the V is
    side, aside = p.height - point, (p.width_top - p.width_bottom) / 2
    return np.array([
        (inset, -inset), (p.width_top - inset, -inset), (p.width_top - aside - inset, -side + 0.15 * inset),
        (p.width_top / 2, -p.height + 1.05 * inset), (aside + inset, -side + 0.15 * inset),
    ], np.float32)  # fmt: skip


def seam_axes(pair: TracedPair) -> tuple[Array, Array, Array]:
    """The right-hand seam: its upper end, unit vectors down along it and out of the pocket."""
    outline = corners(pair)
    down = outline[2] - outline[1]
    down = down / np.linalg.norm(down)
    return outline[1], down, np.array([-down[1], down[0]], np.float32)


def thread_colour(pair: TracedPair) -> Colour:
    """This pair's own sewing thread."""
    return varied(linear_of(pair.sheet.pocket.thread.hex), pair.rng("thread"), 0.15)


def odd_thread(pair: TracedPair) -> Colour:
    """A thread that is plainly not the pocket's."""
    rng = pair.rng("odd thread")
    return varied(linear_of(str(rng.choice(_OTHER_THREADS))), rng, 0.1)


def sew_pocket(
    sheet: Sheet, pair: TracedPair, rng: Rng, place: Place, with_tab: bool, coarse: bool = False
) -> tuple[list[Surface], list[Part]]:
    """Sew the pocket on a sheet, the tab in its seam.

    Args:
        sheet: changed in place.
        pair: whose pocket.
        rng: chance.
        place: where.
        with_tab: the left pocket has none.
        coarse: fewer points a stitch, for photos of the whole garment.

    Returns:
        Surfaces on top of the sheet, and the parts.
    """
    base = float(np.median(sheet.height_at(place.put(corners(pair)).mean(0, keepdims=True), 4)))
    _lay_pocket(sheet, pair, rng, place)
    surfaces: list[Surface] = []
    parts: list[Part] = []
    outline = place.put(corners(pair))
    key = None
    if with_tab:
        ribbon, tab = _tab(sheet, pair, rng, place, base)
        surfaces.append(ribbon)
        key = place.put(np.concatenate([corners(pair), _seam_points(pair)]))
        key = np.column_stack([key, sheet.height_at(key, 0.8)]).astype(np.float32)
        parts.append(tab)
    surfaces += _edge_stitching(sheet, pair, rng, place, with_tab, coarse)
    body = Part(PartName.POCKET, _patch(sheet, outline), keypoints=key)
    return surfaces, [body, *parts]


def _patch(sheet: Sheet, outline: Array) -> Array:
    """Points all over the pocket, dense enough that a picture's edge cuts it where it should."""
    edge = np.concatenate([np.linspace(a, b, 120) for a, b in zip(outline, np.roll(outline, -1, 0), strict=True)])
    middle = outline.mean(0)
    flat = np.concatenate([middle + share * (edge - middle) for share in np.linspace(1, 0, 60)])
    return np.column_stack([flat, sheet.height_at(flat, 0.5)]).astype(np.float32)


def _lay_pocket(sheet: Sheet, pair: TracedPair, rng: Rng, place: Place) -> None:
    outline = place.put(corners(pair))
    relief = pair.rng("relief").uniform(0.7, 1.4)
    tone = pair.rng("pocket tone").uniform(0.85, 1.12)
    dye = (pair.dye[0] * tone, pair.dye[1] * tone, pair.dye[2] * tone)
    away = sheet.inside(outline)
    share = np.clip(away / 0.6 + 0.5, 0, 1)
    fresh = Sheet(sheet.region, 8)  # a scrap to weave on, in the same place
    fresh.step, fresh.x, fresh.y = sheet.step, sheet.x, sheet.y
    fresh.height, fresh.colour = np.zeros(sheet.shape, np.float32), np.zeros_like(sheet.colour)
    fresh.weave(rng, Yarn(dye, pair.weft, pair.wear), turn=float(rng.normal(0, 0.02)))
    smooth = cv2.GaussianBlur(sheet.height, (0, 0), max(0.8, 1.5 / sheet.step))
    fold = np.clip((10.5 - away) / 0.8 + 0.5, 0, 1) * share
    mouth = np.exp(-((_below_top(sheet, outline) / 22.0) ** 2)) * share
    hem = np.clip((13.0 - _below_top(sheet, outline)) / 0.8 + 0.5, 0, 1) * share
    layer = relief * (1.0 * np.sqrt(share) + 0.45 * fold + 0.5 * hem) + 1.2 * mouth * pair.rng("mouth").uniform(0, 1.4)
    near_seam = np.exp(-((np.abs(away) / 6.0) ** 2))
    pucker = smooth_noise(rng, sheet.shape, 5.0 / sheet.step, 2)
    sheet.height += share * (smooth - sheet.height) + layer + 0.22 * relief * pucker * near_seam
    sheet.height += share * fresh.height
    sheet.colour += share[..., None] * (fresh.colour - sheet.colour)
    edge = np.exp(-((np.clip(away - 0.6, -3, 30) / 1.1) ** 2))
    sheet.rub(edge * (0.6 + 0.5 * pucker), 0.9 * pair.wear)
    sheet.rub(near_seam * np.clip(pucker, 0, 2) * (0.15 + 0.4 * share), 0.7 * pair.wear)
    sheet.shade(np.exp(-(((away + 1.2) / 0.9) ** 2)), 0.35)


def _below_top(sheet: Sheet, outline: Array) -> Array:
    """Distance below the line through the pocket's top corners, mm."""
    a, b = outline[0], outline[1]
    along = (b - a) / np.linalg.norm(b - a)
    rise = (sheet.y - a[1]) * along[0] - (sheet.x - a[0]) * along[1]
    inward = np.sign((outline[3][1] - a[1]) * along[0] - (outline[3][0] - a[0]) * along[1])
    return np.asarray(np.clip(rise * inward, -1, 400), np.float32)


# ------------------------------------------------------------ stitching


def _edge_stitching(
    sheet: Sheet, pair: TracedPair, rng: Rng, place: Place, with_tab: bool, coarse: bool
) -> list[Surface]:
    thread, per_inch = thread_colour(pair), pair.sheet.pocket.stitches_per_inch
    style = pair.rng("rows")
    first, gap = style.uniform(1.5, 2.4), style.uniform(4.6, 6.8)
    detail = 5 if coarse else 11
    surfaces: list[Surface] = []
    for k in range(pair.sheet.pocket.edge_stitch_rows):
        loop = corners(pair, float(first + k * gap))
        path = loop[[0, 4, 3, 2, 1]]
        row = even_row(rng, path, per_inch)
        other: list[Surface] = []
        if with_tab and k == 0:
            row, other = _tab_stitching(sheet, pair, rng, place, row, float(first))
        surfaces += sew(sheet, _moved(row, place), thread, rng, detail=detail) + other
    hem = style.uniform(9.5, 11.5)
    for depth in (1.4, hem):
        y = np.array([[3.0, -depth], [pair.sheet.pocket.width_top - 3.0, -depth]], np.float32)
        surfaces += sew(sheet, _moved(even_row(rng, y, per_inch), place), thread, rng, detail=detail)
    for corner, sign in ((corners(pair)[0], 1), (corners(pair)[1], -1)):
        surfaces += _bar_tack(sheet, rng, place, corner + np.array([sign * 3.4, -1.5]), thread)
    return surfaces


def _moved(row: Row, place: Place) -> Row:
    return Row(place.put(row.ends.reshape(-1, 2)).reshape(-1, 2, 2))


def _bar_tack(sheet: Sheet, rng: Rng, place: Place, at: Array, thread: Colour) -> list[Surface]:
    """A dense zigzag that keeps the pocket's corner from tearing."""
    y = np.linspace(0, -9, 19)
    zig = np.column_stack([at[0] + 0.95 * (-1.0) ** np.arange(19), at[1] + y]).astype(np.float32)
    ends = np.stack([zig[:-1], zig[1:]], 1)
    return sew(sheet, _moved(Row(ends), place), thread, rng, lift=0.15)


def _tab_stitching(
    sheet: Sheet, pair: TracedPair, rng: Rng, place: Place, row: Row, inset: float
) -> tuple[Row, list[Surface]]:
    """The stitches that hold the tab, taken out of the edge's row where they differ from it."""
    corner, down, out = seam_axes(pair)
    length = pair.sheet.tab.size[1]
    along = (row.ends.mean(1) - corner) @ down
    depth = (row.ends.mean(1) - corner) @ -out
    at_tab = (along > pair.tab_top_mm - 5) & (along < pair.tab_top_mm + length + 5) & (depth < 6)
    thread = odd_thread(pair) if pair.states["tab_thread"] == "other" else thread_colour(pair)
    ends = row.ends[at_tab]
    line_at = corner - out * inset
    section = np.stack([line_at + down * (pair.tab_top_mm - 5), line_at + down * (pair.tab_top_mm + length + 5)])
    section = section.astype(np.float32)
    per_inch = pair.sheet.pocket.stitches_per_inch
    if pair.states["tab_stitch_spacing"] == "uneven":
        ends = uneven_row(rng, section, per_inch * rng.uniform(0.75, 1.2)).ends
    surfaces = sew(sheet, _moved(Row(ends), place), thread, rng) if len(ends) else []
    if pair.states["tab_resewn"] == "yes":
        surfaces += _resewing(sheet, pair, rng, place, section, thread)
    return Row(row.ends[~at_tab]), surfaces


def _resewing(sheet: Sheet, pair: TracedPair, rng: Rng, place: Place, section: Array, thread: Colour) -> list[Surface]:
    """A seam opened and sewn again: empty holes beside it, a second row over the first, ends not trimmed."""
    _, _, out = seam_axes(pair)
    pitch = 25.4 / pair.sheet.pocket.stitches_per_inch
    count = int(np.linalg.norm(section[1] - section[0]) / pitch * 2)
    at = section[0] + np.linspace(0, 1, count)[:, None] * (section[1] - section[0])
    holes = at - out * rng.uniform(1.0, 2.1) + rng.normal(0, 0.12, (count, 2))
    holes = place.put(holes[rng.random(count) < 0.9].astype(np.float32))
    sheet.prick(holes, 0.5, 0.45, 0.85)
    faded = np.exp(-((sheet.beside(holes) / 0.9) ** 2))
    sheet.rub(faded, 0.35)
    lean = rng.uniform(-0.9, 0.9)
    second = np.stack([section[0] + out * lean, section[1] - out * lean]).astype(np.float32)
    row = _moved(uneven_row(rng, second, pair.sheet.pocket.stitches_per_inch * rng.uniform(0.9, 1.4)), place)
    surfaces = sew(sheet, row, thread, rng, lift=0.42)
    for end in section[rng.random(2) < 0.7]:
        spot = place.put((end - out * 0.4)[None].astype(np.float32))
        floor = float(sheet.height_at(spot, 0.5)[0]) + 0.3
        turn = float(rng.uniform(0, 2 * np.pi))
        surfaces.append(cut_end(spot[0], turn, floor, thread, rng, float(rng.uniform(3, 8))))
    return surfaces


# ------------------------------------------------------------ the ribbon


def _seam_points(pair: TracedPair) -> Array:
    """Where the tab's upper and lower edge meet the seam, (2, 2)."""
    corner, down, _ = seam_axes(pair)
    return np.stack([corner + down * (pair.tab_top_mm + d) for d in (0, pair.sheet.tab.size[1])]).astype(np.float32)


def _tab(sheet: Sheet, pair: TracedPair, rng: Rng, place: Place, base: float) -> tuple[Surface, Part]:
    """The folded ribbon standing out of the seam: two layers with a rounded fold."""
    stand, length = pair.sheet.tab.size
    habit = pair.rng("ribbon")
    stand = stand * habit.uniform(0.94, 1.05)
    thick, tuck = 0.34, 4.0
    turn = np.linspace(-np.pi / 2, np.pi / 2, 12)
    radius = thick * habit.uniform(0.9, 1.8)
    reach = np.concatenate([np.linspace(-tuck, stand - radius, 40), stand - radius + radius * np.cos(turn[1:-1]),
                            np.linspace(stand - radius, -tuck, 150)])  # fmt: skip
    level = np.concatenate([np.zeros(40), radius * (1 + np.sin(turn[1:-1])), np.full(150, 2 * radius)])
    squeeze = np.clip(reach / stand, 0, 1) ** 0.5  # flat where sewn, open towards the fold
    level = level * (0.45 + 0.55 * squeeze) + 0.12
    along = np.linspace(0, length, 260)
    o, a = np.broadcast_arrays(reach[None], along[:, None])
    colour, raised = _weave_word(pair)
    u, v = (o + tuck) / (stand + tuck), 1 - a / length
    lean, lift = habit.normal(0, 0.05), habit.uniform(0.0, 0.45) + 0.25 * rng.random()
    curl = habit.normal(0, 0.5) * np.clip(o, 0, None) ** 2 / stand**2 * (a / length - 0.5)
    upper = np.arange(len(reach)) > 50
    z = base + level + lift * np.clip(o, 0, None) ** 1.3 / stand**0.3 * 0.35 + curl
    z = z + np.where(upper, sample(raised, u.astype(np.float32), v.astype(np.float32)), 0)
    fray = 0.10 * habit.standard_normal(len(reach))[None] * (np.abs(a / length - 0.5) > 0.498)
    corner, down, out = seam_axes(pair)
    flat = corner + down * (pair.tab_top_mm + a + lean * np.clip(o, 0, None) + fray)[..., None] + out * o[..., None]
    points = place.put(np.column_stack([flat.reshape(-1, 2), z.ravel()]).astype(np.float32))
    look = Look("satin", colour, 0.6)
    mesh = Surface(points, grid_faces(*o.shape), np.stack([u, v], -1).reshape(-1, 2).astype(np.float32), look, "tab")
    visible = points.reshape(*o.shape, 3)[:, reach >= 0].reshape(-1, 3)
    cues = ("tab_position", "tab_stitch_spacing", "tab_thread", "tab_resewn", "tab_word")
    part = Part(PartName.TAB, visible, {cue: pair.states[cue] for cue in cues}, tab_position_mm=pair.tab_top_mm)
    return mesh, part


def _weave_word(pair: TracedPair) -> tuple[Array, Array]:
    """Colour and height (mm) of the ribbon's upper face, over tuck and stand across, its length down."""
    stand, length = pair.sheet.tab.size
    scale, tuck = _TAB_PX_PER_MM, 4.0
    habit = pair.rng("word")
    wide, tall = int((stand + tuck) * scale), int(length * scale)
    ink = np.zeros((tall, wide), np.float32)
    middle = (tuck + stand * habit.uniform(0.48, 0.55)) * scale
    if pair.tab_word:
        face = str(habit.choice(STURDY))
        text = line(pair.tab_word, face, 3.0 * scale, float(habit.uniform(0.02, 0.12)))
        room = 0.86 * length * scale * min(1.0, len(pair.tab_word) / 8.0)
        size = min(room / text.shape[1], 3.4 * scale / text.shape[0])
        text = np.asarray(cv2.resize(text, None, fx=size, fy=size, interpolation=cv2.INTER_AREA), np.float32)
        turn = -np.pi / 2 if habit.random() < 0.7 else np.pi / 2
        stamp(ink, text, (float(middle), tall / 2), turn)
    else:
        ring = np.zeros_like(ink)
        at = (int(middle), tall // 2)
        cv2.circle(ring, at, int(1.9 * scale), 1.0, int(0.55 * scale), cv2.LINE_AA)
        cv2.circle(ring, at, int(0.7 * scale), 1.0, -1, cv2.LINE_AA)
        ink = ring
    return _as_woven(ink, pair, habit)


def _as_woven(ink: Mask, pair: TracedPair, habit: Rng) -> tuple[Array, Array]:
    """Letters as a loom makes them: stepped by the yarns, a little proud of the ground."""
    scale = _TAB_PX_PER_MM
    pick = float(habit.uniform(0.14, 0.2)) * scale
    tall, wide = ink.shape
    cells = cv2.resize(ink, (max(2, int(wide / pick)), max(2, int(tall / pick))), interpolation=cv2.INTER_AREA)
    cells = np.clip((cells - 0.5) * 4 + 0.5, 0, 1)
    stepped = cv2.resize(cells, (wide, tall), interpolation=cv2.INTER_LINEAR)
    y, x = np.mgrid[0:tall, 0:wide].astype(np.float32) / pick
    rib = 0.5 + 0.5 * np.cos(2 * np.pi * y)
    cross = 0.5 + 0.5 * np.cos(2 * np.pi * (x + 0.5 * (np.floor(y) % 2)))
    ground = np.array(varied(linear_of(pair.sheet.tab.ground), habit, 0.12), np.float32)
    letters = np.array(varied(linear_of(pair.sheet.tab.lettering), habit, 0.06), np.float32)
    dirt = 1 - 0.25 * pair.wear * np.clip(smooth_noise(habit, ink.shape, 60, 2), 0, 1.5)
    colour = ground + stepped[..., None] * (letters - ground)
    colour = colour * ((0.62 + 0.38 * rib * (0.5 + 0.5 * cross)) * dirt)[..., None]
    raised = 0.035 * rib + 0.05 * stepped + 0.015 * cross
    return np.clip(colour, 0.004, 0.9).astype(np.float32), raised.astype(np.float32)
