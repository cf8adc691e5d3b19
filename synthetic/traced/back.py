"""The back of the garment round the right pocket: centre seam, yoke, waistband with the label."""

from __future__ import annotations

import numpy as np

from synthetic.traced.cloth import Region, Sheet, Yarn, along
from synthetic.traced.label import sew_label
from synthetic.traced.pairs import Rng, TracedPair
from synthetic.traced.pocket import Place, corners, seam_axes, sew_pocket, thread_colour
from synthetic.traced.scene import Scene
from synthetic.traced.shapes import Array, Surface
from synthetic.traced.thread import even_row, sew


def band_foot(pair: TracedPair) -> float:
    """Height of the waistband's lower edge above the pocket's top, mm."""
    return float(pair.rng("band").uniform(62, 84))


def label_corner(pair: TracedPair) -> tuple[float, float]:
    """Where the label's top left corner lies: right of the centre seam, from the waistband's top down."""
    habit = pair.rng("label place")
    return float(habit.uniform(-70, -55)), band_foot(pair) + float(habit.uniform(36, 40))


def label_middle(pair: TracedPair) -> Array:
    """The label's middle."""
    x, y = label_corner(pair)
    wide, high = pair.sheet.label.size
    return np.array((x + wide / 2, y - high / 2, 0.0))


def pocket_middle(pair: TracedPair) -> Array:
    """The pocket's middle, with its tab."""
    p = pair.sheet.pocket
    return np.array(((p.width_top + pair.sheet.tab.size[0]) / 2, -p.height / 2, 0.0))


def tab_middle(pair: TracedPair) -> Array:
    """The middle of the seam's stretch that holds the tab."""
    corner, down, out = seam_axes(pair)
    at = corner + down * (pair.tab_top_mm + pair.sheet.tab.size[1] / 2) + out * 1.5
    return np.array((at[0], at[1], 0.0))


def seam(
    sheet: Sheet, pair: TracedPair, rng: Rng, path: Array, rows: tuple[float, ...], detail: int = 11
) -> list[Surface]:
    """A felled seam: a swelling with worn ridges and rows of stitches at distances (mm) to its left."""
    region = sheet.region
    if not region.holds(along(path, closed=False), 20):
        return []
    relief = pair.rng("relief").uniform(0.7, 1.4)
    way = path[-1] - path[0]
    left = np.array((-way[1], way[0])) / np.linalg.norm(way)
    sheet.ridge(path + left * float(np.mean(rows)), 5.0, 1.1 * relief)
    edge = np.exp(-((sheet.beside(path) / 0.9) ** 2))
    sheet.rub(edge, 0.5 * pair.wear)
    surfaces: list[Surface] = []
    for row in rows:
        line = even_row(rng, (path + left * row).astype(np.float32), pair.sheet.pocket.stitches_per_inch)
        surfaces += sew(sheet, line, thread_colour(pair), rng, detail=detail)
    return surfaces


def back(pair: TracedPair, rng: Rng, region: Region, texels: int) -> Scene:
    """The scene within a region of the back."""
    sheet = Sheet(region, texels)
    sheet.weave(rng, Yarn(pair.dye, pair.weft, pair.wear))
    foot = band_foot(pair)
    surfaces = seam(sheet, pair, rng, np.array([(-76.0, foot), (-80.0, -60.0), (-70.0, -400.0)]), (1.5, 7.0))
    yoke = np.array([(-300.0, 42.0), (-77.0, 18.0), (-76.9, 18.0), (300.0, 52.0)])
    surfaces += seam(sheet, pair, rng, yoke[2:], (1.5, 7.5))
    surfaces += seam(sheet, pair, rng, yoke[:2], (1.5, 7.5))
    surfaces += seam(sheet, pair, rng, np.array([(206.0, foot), (218.0, -400.0)]), (2.0,))
    if region.y + region.half_y > foot - 10:
        _band(sheet, pair, rng, foot, surfaces)
    parts = []
    if region.holds(along(corners(pair)), 10) or region.holds(pocket_middle(pair)[None], 0):
        more, found = sew_pocket(sheet, pair, rng, Place(), with_tab=True)
        surfaces += more
        parts += found
    x, y = label_corner(pair)
    wide, high = pair.sheet.label.size
    card = np.array([(x, y), (x + wide, y), (x + wide, y - high), (x, y - high)], np.float32)
    if region.holds(along(card)) or region.holds(label_middle(pair)[None]):
        more, label = sew_label(sheet, pair, rng, (x, y), float(pair.rng("label turn").normal(0, 0.012)))
        surfaces += more
        parts.append(label)
    return Scene((sheet.surface(), *surfaces), tuple(parts))


def _band(sheet: Sheet, pair: TracedPair, rng: Rng, foot: float, surfaces: list[Surface]) -> None:
    """The waistband: a layer of its own, sewn along both edges; beyond it the inside of the garment."""
    top = foot + 40
    band = np.array([(-900, foot), (900, foot), (900, top), (-900, top)], np.float32)
    sheet.raise_inside(band, 1.6)
    sheet.weave(rng, Yarn(pair.dye, pair.weft, pair.wear), (sheet.inside(band) > 0).astype(np.float32), turn=np.pi / 2)
    edge = np.exp(-((sheet.inside(band) / 1.0) ** 2))
    sheet.rub(edge, 0.6 * pair.wear)
    beyond = (sheet.y > top).astype(np.float32)
    sheet.height -= 9 * np.clip((sheet.y - top) / 4, 0, 1)
    sheet.shade(beyond, 0.75)
    for y in (foot + 1.8, top - 2.2):
        path = np.array([(-900.0, y), (900.0, y)], np.float32)
        row = even_row(rng, path, pair.sheet.pocket.stitches_per_inch)
        surfaces += sew(sheet, row, thread_colour(pair), rng)
