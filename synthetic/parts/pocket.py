"""The right back pocket with the tab in its right-hand seam. Origin: the pocket's top left corner; x right, y down."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from synthetic.canvas import Colour, Pen, Points, linear
from synthetic.lettering import font_files
from synthetic.pair import Pair
from synthetic.sewing import needle_holes, sew, sew_line, stitches_along, walk
from synthetic.textures import cloth_weaves, denim_weaves

Rng = np.random.Generator
_MM_PER_INCH = 25.4
_OTHER_THREADS = (
    "#f4f1ea",
    "#e8d9a0",
    "#2b2b30",
    "#8d1f24",
    "#1f3f8a",
    "#e7c52b",
    "#5f6a70",
    "#3d6b3a",
    "#d9d9dc",
    "#7a2f5c",
    "#e6a3a8",
)


def side_height(pair: Pair) -> float:
    """How far down the straight sides go before the V, mm."""
    return float(pair.rng(1).uniform(0.78, 0.92)) * pair.sheet.pocket.height


def outline(pair: Pair, inset: float = 0.0) -> Points:
    """Corners: top left, top right, bottom right, tip, bottom left."""
    p = pair.sheet.pocket
    side, dx = side_height(pair), (p.width_top - p.width_bottom) / 2
    return np.array([
        (inset, inset), (p.width_top - inset, inset), (p.width_top - dx - inset, side - inset * 0.3),
        (p.width_top / 2, p.height - inset * 1.1), (dx + inset, side - inset * 0.3),
    ], np.float64)  # fmt: skip


def _all_round(pair: Pair, inset: float) -> Points:
    """The outline as a line that comes back to its start."""
    corners = outline(pair, inset)
    return np.vstack([corners, corners[:1]])


def _seam_frame(pair: Pair) -> tuple[Points, Points, Points]:
    """Right-hand seam: its top corner, unit direction down, outward normal."""
    corner, bottom = outline(pair)[1], outline(pair)[2]
    down = (bottom - corner) / np.hypot(*(bottom - corner))
    return corner, down, np.array([down[1], -down[0]]) * 1.0


def tab_top_mm(pair: Pair) -> float:
    """True distance of the tab's top below the pocket's top, along the seam."""
    return pair.sheet.tab.top_below_pocket_top + pair.tab_offset_mm


def tab_outline(pair: Pair) -> Points:
    """The visible ribbon: inner top, outer top, outer bottom, inner bottom."""
    corner, down, out = _seam_frame(pair)
    stand, length = pair.sheet.tab.size
    rng = pair.rng(2)
    stand, length = stand * rng.uniform(0.93, 1.07), length * rng.uniform(0.98, 1.02)
    lean = rng.normal(0, 0.04) * stand
    top = corner + down * tab_top_mm(pair)
    return np.array(
        [top, top + out * stand + down * lean, top + out * stand + down * (length + lean), top + down * length]
    )


def seam_points(pair: Pair) -> Points:
    """Where the tab's upper and lower edge meet the seam."""
    quad = tab_outline(pair)
    return np.asarray(quad[[0, 3]], np.float64)


def _rows(pair: Pair) -> list[Points]:
    """The pocket's stitch rows as polylines: down the sides and round the V."""
    rng = pair.rng(3)
    first, gap = rng.uniform(1.4, 2.6), rng.uniform(4.5, 7.5)
    lines = []
    for k in range(pair.sheet.pocket.edge_stitch_rows):
        o = outline(pair, first + k * gap)
        o[0, 1] = o[1, 1] = 0.5
        lines.append(np.array([o[1], o[2], o[3], o[4], o[0]]))
    return lines


def draw_pocket(pen: Pen, pair: Pair, with_tab: bool = True) -> None:
    """The patch with its hem and stitch rows, the tab and the tab's stitching."""
    canvas, look, rng = pen.canvas, pair.look, pair.rng(4)
    relief = float(pair.rng(9).uniform(*look.relief))
    body = pen.polygon(outline(pair))
    if body is None:
        return
    shade = float(rng.uniform(0.9, 1.12))
    dark = tuple(c * shade for c in pair.denim)
    canvas.darken(pen.polygon(outline(pair, -1.2), soften_px=1.2 * pen.scale), 0.3)
    canvas.flatten(body, 0.0)
    canvas.lay_cloth(
        denim_weaves()[pair.weave],
        dark,
        pair.denim_pale,
        pair.yarn_mm,
        0.12 * relief,
        rng,
        body,
        float(rng.uniform(*look.mottle)),
    )
    canvas.paint(body, None, raise_mm=0.9 * relief, bevel_px=max(0.6, 0.7 * pen.scale))
    _edge_wear(pen, pair, relief)
    spacing = _MM_PER_INCH / pair.sheet.pocket.stitches_per_inch
    o = outline(pair)
    hem = float(rng.uniform(10, 18))
    hem_lines = [np.array([o[0] + (1, 2), o[1] + (-1, 2)]), np.array([o[0] + (1.5, hem), o[1] + (-1.5, hem)])]
    for line in hem_lines[: int(rng.integers(1, 3))]:
        sew_line(pen, line, spacing, rng, pair.thread, relief, lustre=pair.lustre)
    corner, down, out = _seam_frame(pair)
    # How far the tab's own stitching goes on above and below it; a later hand keeps to no rule.
    beside = float(pair.rng(10).uniform(4, 9)) if _sewn_later(pair.states) else 7.0
    lo, hi = tab_top_mm(pair) - beside, tab_top_mm(pair) + pair.sheet.tab.size[1] + beside
    for line in _rows(pair):
        rows = stitches_along(line, spacing, rng)
        if with_tab:
            rows = rows[~_near_tab(rows, corner, down, out, lo, hi)]
        sew(pen, rows, pair.thread, relief, lustre=pair.lustre)
    if with_tab:
        _draw_tab(pen, pair, relief)
        _tab_stitching(pen, pair, relief, lo, hi)
    if rng.random() < 0.5:
        _bar_tacks(pen, pair, relief)


def _near_tab(stitches: Points, corner: Points, down: Points, out: Points, lo: float, hi: float) -> NDArray[np.bool_]:
    """Which stitches (n, 2, 2) belong to the tab's own stretch of the seam."""
    middle = stitches.mean(1) - corner
    along, across = middle @ down, middle @ out
    return np.asarray((along > lo) & (along < hi) & (np.abs(across) < 20), np.bool_)


def _edge_wear(pen: Pen, pair: Pair, relief: float) -> None:
    """Pale abrasion along the patch's edge, dark line just outside."""
    pen.canvas.darken(pen.strokes([_all_round(pair, 0.6)], 1.3), -0.7 * pair.wear)
    pen.canvas.darken(pen.strokes([_all_round(pair, -0.4)], 0.9), 0.35 if relief > 0.2 else 0.2)
    rng = pair.rng(8)
    if rng.random() < 0.25 + 0.5 * pair.wear:
        _chafed(pen, pair, rng)


def _chafed(pen: Pen, pair: Pair, rng: Rng) -> None:
    """Where the fold has rubbed through: the undyed weft shows in a ragged pale line along the edge."""
    spread, reach = float(rng.uniform(0.2, 0.5)), float(rng.uniform(0.1, 1.3))
    points, along = walk(_all_round(pair, reach), 0.35)
    patchy = np.convolve(rng.random(len(points)), np.ones(15) / 15, mode="same")
    worn = patchy + 0.25 * pair.wear > rng.uniform(0.4, 0.6)
    points, along = points[worn], along[worn]
    across = np.stack([-along[:, 1], along[:, 0]], 1)
    starts = points + across * rng.normal(0, spread, (len(points), 1))
    lengths = rng.uniform(0.2, 1.6, (len(points), 1))
    if rng.random() < 0.5:  # threads lie across the edge or along it
        along = across
    hairs = np.stack([starts, starts + along * lengths + rng.normal(0, 0.15, starts.shape)], 1)
    white = float(rng.uniform(0.35, 0.8))
    pale = tuple(float(0.7 * white + 0.3 * c) for c in pair.denim_pale)
    patch = pen.strokes(hairs, float(rng.uniform(0.2, 0.45)))
    pen.canvas.paint(patch, pale, alpha=float(rng.uniform(0.4, 0.9)))


def _bar_tacks(pen: Pen, pair: Pair, relief: float) -> None:
    o = outline(pair)
    for at in (o[0] + (2.5, 0), o[1] + (-6.5, 0)):
        zigzag = np.array([[(at[0], at[1] + y), (at[0] + 4, at[1] + y + 0.5)] for y in np.arange(1, 11, 0.9)])
        sew(pen, zigzag, pair.thread, relief, 0.7)


def _draw_tab(pen: Pen, pair: Pair, relief: float) -> None:
    canvas, rng, sheet = pen.canvas, pair.rng(5), pair.sheet
    quad = tab_outline(pair)
    ground = tuple(
        float(np.clip(c * rng.uniform(0.8, 1.25) + 0.03 * pair.wear * rng.random(), 0, 1))
        for c in linear(sheet.tab.ground)
    )
    letters = tuple(float(c * rng.uniform(0.8, 1.0)) for c in linear(sheet.tab.lettering))
    shadow = quad + rng.uniform(-0.8, 0.8, 2) + (0.5, 0.6)
    canvas.darken(pen.polygon(shadow, soften_px=0.7 * pen.scale), 0.5)
    ribbon = pen.polygon(quad)
    if ribbon is None:
        return
    canvas.flatten(ribbon)
    weave = cloth_weaves()[str(rng.choice(["plain", "plain", "smooth"]))]
    canvas.lay_cloth(
        weave,
        tuple(0.8 * c for c in ground),
        tuple(min(1.0, 1.25 * c) for c in ground),
        0.35,
        0.05 * relief,
        rng,
        ribbon,
        0.15,
    )
    canvas.paint(ribbon, None, raise_mm=1.1 * relief, bevel_px=max(0.5, 0.35 * pen.scale))
    canvas.darken(pen.strokes([quad[[1, 2]] + (-0.3, 0)], 0.6), -0.25)  # the fold catches the light
    canvas.darken(pen.strokes([quad[[0, 3]]], 0.9), 0.35)
    _tab_lettering(pen, pair, quad, letters, relief)


def _tab_lettering(pen: Pen, pair: Pair, quad: Points, letters: Colour, relief: float) -> None:
    """The woven word, or the small mark alone: the same on every photo of the pair."""
    canvas = pen.canvas
    centre, along = quad.mean(0), quad[3] - quad[0]
    angle = float(np.arctan2(along[1], along[0]))
    length, stand = float(np.hypot(*along)), float(np.hypot(*(quad[1] - quad[0])))
    house = np.random.default_rng([pair.seed, 77])
    if house.random() < 0.5:
        angle += np.pi  # some read upwards
    font = font_files()[int(house.integers(len(font_files())))]
    if pair.states["tab_word"] == "mark_only":
        r = stand * house.uniform(0.14, 0.22)
        spot = centre + (quad[3] - quad[0]) * house.uniform(-0.2, 0.2)
        canvas.paint(pen.ring((spot[0], spot[1]), r, r * 0.45), letters, raise_mm=0.06 * relief)
        canvas.paint(pen.disc((spot[0], spot[1]), r * 0.32), letters, raise_mm=0.06 * relief)
        return
    cap = stand * house.uniform(0.28, 0.5)
    full = len(pair.sheet.tab.word)
    fit = length * house.uniform(0.78, 0.92)
    if pair.states["tab_word"] == "cut_short":  # the cut word keeps the full word's spacing or is set anew
        shift = along / length * (fit / full / 2) * (1 if house.random() < 0.6 else 0)
        back = -1 if np.cos(angle - np.arctan2(along[1], along[0])) > 0 else 1
        centre, fit = centre + back * shift, fit * (full - 1) / full
    tracking = float(house.choice([0.0, 0.0, 0.1, 0.25]))
    word = pen.text(
        pair.tab_text,
        font,
        cap,
        (centre[0], centre[1]),
        angle,
        tracking=tracking,
        stroke=int(house.integers(-2, 4)),
        fit_mm=fit,
    )
    canvas.paint(word, letters, alpha=float(1 - 0.35 * pair.wear * house.random()), raise_mm=0.08 * relief)


def _tab_stitching(pen: Pen, pair: Pair, relief: float, lo: float, hi: float) -> None:
    """The seam at the tab: where a tab added after sewing gives itself away."""
    rng, states, sheet = pair.rng(6), pair.states, pair.sheet
    corner, down, out = _seam_frame(pair)
    spacing = _MM_PER_INCH / sheet.pocket.stitches_per_inch
    thread = pair.thread
    if states["tab_thread"] == "other":
        pick = linear(str(rng.choice(_OTHER_THREADS)))
        thread = tuple(float(np.clip(c * rng.uniform(0.85, 1.15), 0, 1)) for c in pick)
    uneven = states["tab_stitch_spacing"] == "uneven"
    insets = [abs((line[0] - corner) @ out) for line in _rows(pair)]
    if rng.random() < 0.3:  # some are held by a row close to the edge, or through the ribbon itself
        insets = [float(rng.uniform(-1.6, 1.2)), *insets]
    held = _rows_sewn_with_the_tab(rng, states)
    if states["tab_resewn"] == "yes":
        _traces_of_resewing(pen, pair, relief, lo, hi, insets)
    for number, inset in enumerate(insets[:3]):
        line = np.array([corner + down * lo - out * inset, corner + down * hi - out * inset])
        if number >= held:  # the pocket's own row goes on past the tab
            stitches = stitches_along(line, spacing, rng)
        elif uneven:
            stitches = stitches_along(
                line, spacing * rng.uniform(0.75, 1.35), rng, jitter=float(rng.uniform(0.2, 0.45)),
                wander_mm=float(rng.choice([0.25, 0.6, 0.9])), gaps=float(rng.choice([0.1, 0.25, 0.35])),
            )  # fmt: skip
        else:
            stitches = stitches_along(line, spacing, rng, jitter=float(rng.uniform(0.02, 0.06)))
        sew(pen, stitches, thread if number < held else pair.thread, relief, lustre=pair.lustre)


def _rows_sewn_with_the_tab(rng: Rng, states: Mapping[str, str]) -> int:
    """How many rows at the edge hold the tab: put in after sewing, mostly one."""
    return 1 if _sewn_later(states) and rng.random() < 0.6 else 3


def _sewn_later(states: Mapping[str, str]) -> bool:
    """Whether the tab's stitching shows a later hand."""
    return states["tab_stitch_spacing"] == "uneven" or states["tab_thread"] == "other" or states["tab_resewn"] == "yes"


def _traces_of_resewing(pen: Pen, pair: Pair, relief: float, lo: float, hi: float, insets: list[float]) -> None:
    """Old needle holes beside the seam, a second row laid over the first, loose ends."""
    rng = pair.rng(7)
    corner, down, out = _seam_frame(pair)
    spacing = _MM_PER_INCH / pair.sheet.pocket.stitches_per_inch
    kind = rng.random()
    for inset in insets[: int(rng.integers(1, 3))]:
        drift = rng.uniform(0.7, 1.9) * rng.choice([-1, 1])
        tilt = rng.uniform(-1.0, 1.0)
        line = np.array(
            [corner + down * (lo + 1) - out * (inset + drift), corner + down * (hi - 1) - out * (inset + drift + tilt)]
        )
        if kind < 0.65:
            needle_holes(pen, line, spacing * rng.uniform(0.5, 1.0), rng, missing=float(rng.uniform(0, 0.3)))
        if kind > 0.4:
            over = np.array(
                [corner + down * lo - out * (inset + drift * 0.5), corner + down * hi - out * (inset - drift * 0.4)]
            )
            colour = tuple(c * rng.uniform(0.85, 1.1) for c in pair.thread)
            sew(
                pen,
                stitches_along(over, spacing * rng.uniform(0.7, 1.1), rng, jitter=0.08),
                colour,
                relief,
                lustre=pair.lustre,
            )
    if rng.random() < 0.5:
        start = corner + down * rng.uniform(lo, hi) - out * insets[0]
        steps = np.cumsum(rng.normal(0, 1.1, (7, 2)), 0)
        sew(pen, np.vstack([start, start + steps])[None], pair.thread, relief, 0.45)
