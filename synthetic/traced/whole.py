"""The whole garment laid out on a floor, a bed or a table, from behind and from the front."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synthetic.traced.back import seam
from synthetic.traced.closeups import set_on
from synthetic.traced.cloth import Region, Sheet, Yarn, smooth_noise, waves
from synthetic.traced.hardware import button, rivet
from synthetic.traced.label import sew_label
from synthetic.traced.pairs import Colour, Rng, TracedPair
from synthetic.traced.pocket import Place, sew_pocket, thread_colour
from synthetic.traced.scene import Part, Scene
from synthetic.traced.shapes import Array, Look, Surface, grid_faces
from synthetic.traced.thread import even_row, sew

_FLOORS: tuple[Colour, ...] = (
    (0.30, 0.19, 0.11), (0.52, 0.38, 0.24), (0.62, 0.60, 0.56), (0.16, 0.15, 0.15),
    (0.45, 0.42, 0.38), (0.20, 0.28, 0.30),
)  # fmt: skip


def outline(pair: TracedPair, rise: float) -> Array:
    """The garment's outline, its waist's middle at (0, 0), mm; `rise` from waist to crotch."""
    habit = pair.rng("cut")
    waist = pair.waist_in * 25.4 / 2 * habit.uniform(0.98, 1.04)
    hip, hem = waist / 2 * habit.uniform(1.14, 1.24), habit.uniform(84, 118)
    length = rise + pair.leg_in * 25.4
    apart = habit.uniform(0.10, 0.45) * hip
    right = [
        (waist / 2, 0),
        (hip, -0.75 * rise),
        (hip * 1.02, -rise - 60),
        (apart + 2 * hem * 0.98, -length),
        (apart, -length),
    ]
    half = _rounded(np.array([*right, (6.0, -rise - 8)], np.float32))
    left = half[::-1] * (-1, 1)
    return np.concatenate([half, left]).astype(np.float32)


def _rounded(points: Array) -> Array:
    """More points along a line, evenly bent at its corners."""
    t = np.linspace(0, len(points) - 1, 240)
    k = np.arange(len(points))
    line = np.stack([np.interp(t, k, points[:, 0]), np.interp(t, k, points[:, 1])], -1)
    soft = cv2.GaussianBlur(line.astype(np.float32), (1, 25), 0, borderType=cv2.BORDER_REPLICATE)
    soft[0], soft[-1] = line[0], line[-1]
    return np.asarray(soft, np.float32)


def hip_half_width(pair: TracedPair, below: float, rise: float) -> float:
    """Half of the garment's width so far below the waist, mm."""
    line = outline(pair, rise)[:240]
    return float(np.interp(below, -line[:150, 1], line[:150, 0]))


def _laid_out(rng: Rng, region: Region, surfaces: list[Surface], parts: list[Part]) -> Scene:
    """The garment on a floor; on a bed both wave."""
    kind = str(rng.choice(["boards", "bed", "carpet", "table"]))
    scene = Scene((floor(rng, region, kind), *surfaces), tuple(parts))
    return scene.draped(waves(rng, 520, 12)) if kind == "bed" else scene


def floor(rng: Rng, region: Region, kind: str) -> Surface:
    """What the garment lies on: "boards", a "bed" with its sheet, a "carpet" or a plain "table"."""
    tone = np.array(_FLOORS[int(rng.integers(len(_FLOORS)))], np.float32) * rng.uniform(0.7, 1.2)
    reach = 1.25 * max(region.half_x, region.half_y)
    count = 700
    side = np.linspace(-reach, reach, count, dtype=np.float32)
    x, y = np.meshgrid(region.x + side, region.y + side[::-1])
    z = np.full_like(x, -0.5)
    step = 2 * reach / count
    colour = tone * (1 + 0.08 * smooth_noise(rng, (count, count), 300 / step, 3))[..., None]
    if kind == "boards":
        wide = rng.uniform(70, 150)
        board = np.floor(x / wide).astype(int)
        grain = cv2.resize(smooth_noise(rng, (count // 16 + 2, count), 2.5, 2), (count, count))
        own = rng.normal(1, 0.09, 999)[board % 999]
        colour = colour * (own * (1 + 0.10 * grain))[..., None]
        gap = np.abs(x / wide - np.round(x / wide)) * wide
        colour = colour * np.where(gap < 1.6, 0.3, 1.0)[..., None]
        z = z - 1.5 * (gap < 1.6)
    elif kind == "bed":
        z = z + 1.2 * smooth_noise(rng, (count, count), 60 / step, 2) - 4
    elif kind == "carpet":
        fluff = smooth_noise(rng, (count, count), 1.3)
        z, colour = z + 1.2 * fluff - 4, colour * (1 + 0.16 * fluff)[..., None]
    uv = np.stack([(side[None] + reach) / (2 * reach) + 0 * y, (y - region.y + reach) / (2 * reach)], -1)
    look = Look("cloth" if kind in ("bed", "carpet") else "plain", np.clip(colour, 0.01, 0.85).astype(np.float32), 0.5)
    return Surface(
        np.stack([x, y, z], -1).reshape(-1, 3).astype(np.float32), grid_faces(count, count),
        uv.reshape(-1, 2).astype(np.float32), look, "floor",
    )  # fmt: skip


def _cut_out(pair: TracedPair, rng: Rng, region: Region, texels: int, rise: float) -> tuple[Sheet, Array]:
    """The garment's cloth, thick in the middle and thin at its edges, with folds; and where it lies."""
    sheet = Sheet(_over(region, outline(pair, rise)), texels)
    sheet.weave(rng, Yarn(pair.dye, pair.weft, pair.wear))
    shape = outline(pair, rise)
    away = sheet.inside(shape)
    folds = smooth_noise(rng, sheet.shape, 170 / sheet.step, 2)
    fine = smooth_noise(rng, sheet.shape, 38 / sheet.step, 2)
    crease = _creases(rng, sheet)
    body = 9 * np.clip(1 - (1 - np.clip(away / 16, 0, 1)) ** 2, 0, 1)
    sheet.height += body + (4.5 * folds + 0.8 * fine + 2.6 * crease) * np.clip(away / 20, 0, 1)
    sheet.height = np.maximum(sheet.height, np.clip(away / 3, -1, 1) * 1.5)
    sheet.rub(np.clip(crease * 0.6 + 0.25 * fine, 0, 1) * np.clip(away / 20, 0, 1), 0.35 * pair.wear)
    thigh = np.exp(-(((sheet.y + 420) / 190) ** 2)) * np.exp(-(((np.abs(sheet.x) - 115) / 60) ** 2))
    sheet.rub(thigh * (0.8 + 0.3 * folds), 0.8 * pair.wear)
    return sheet, away


def _over(region: Region, shape: Array) -> Region:
    """The part of a region that the garment can lie in, so that its cloth gets all the detail."""
    low = np.maximum(shape.min(0) - 15, (region.x - region.half_x, region.y - region.half_y))
    high = np.minimum(shape.max(0) + 15, (region.x + region.half_x, region.y + region.half_y))
    x, y = (low + high) / 2
    half_x, half_y = (high - low) / 2
    return Region(float(x), float(y), float(half_x), float(half_y))


def _creases(rng: Rng, sheet: Sheet) -> Array:
    """Creases across the legs, most at crotch and knee, 0 to about 2."""
    rows, columns = sheet.shape
    flat = smooth_noise(rng, (max(8, rows), max(8, columns // 5)), 22 / sheet.step, 2)
    wide = cv2.resize(flat, (columns, rows), interpolation=cv2.INTER_CUBIC)
    where = np.exp(-(((sheet.y + 300) / 110) ** 2)) + 0.7 * np.exp(-(((sheet.y + 640) / 120) ** 2)) + 0.15
    return np.asarray(np.clip(wide, 0, 2) * where, np.float32)


def _waist(sheet: Sheet, pair: TracedPair, rng: Rng, top: float, loops: tuple[float, ...]) -> list[Surface]:
    half = pair.waist_in * 25.4 / 4 * 1.1
    band = np.array([(-half, top - 40), (half, top - 40), (half, top + 1), (-half, top + 1)], np.float32)
    sheet.raise_inside(band, 1.6, 1.5)
    surfaces: list[Surface] = []
    for y in (top - 38.5, top - 2.5):
        path = np.array([(-half, y), (half, y)], np.float32)
        surfaces += sew(
            sheet, even_row(rng, path, pair.sheet.pocket.stitches_per_inch), thread_colour(pair), rng, detail=5
        )
    for x in loops:
        at = x * half
        loop = np.array([(at - 6, top + 2), (at + 6, top + 2), (at + 6, top - 44), (at - 6, top - 44)], np.float32)
        sheet.raise_inside(loop, 2.2, 1.5)
        sheet.shade(np.exp(-((sheet.inside(loop) / 1.6) ** 2)), 0.3)
    return surfaces


def _inseam(sheet: Sheet, pair: TracedPair, rng: Rng, rise: float) -> list[Surface]:
    surfaces: list[Surface] = []
    shape = outline(pair, rise)
    side = shape[60:190] - (13.0, 0)
    for sign in (-1, 1):
        surfaces += seam(sheet, pair, rng, side[::10] * (sign, 1), (0.0,), 5)
    hem = float(shape[:, 1].min()) + 14
    path = np.array([(-400.0, hem), (400.0, hem)], np.float32)
    row = even_row(rng, path, pair.sheet.pocket.stitches_per_inch)
    kept = type(row)(row.ends[_within(sheet, row.ends, shape)])
    if len(kept.ends):
        surfaces += sew(sheet, kept, thread_colour(pair), rng, detail=5)
    return surfaces


def _within(sheet: Sheet, ends: Array, shape: Array) -> Array:
    contour = shape.reshape(-1, 1, 2)
    inside: Callable[[Array], bool] = lambda p: cv2.pointPolygonTest(contour, (float(p[0]), float(p[1])), True) > 3  # noqa: E731
    return np.array([inside(p) for p in ends.mean(1)], bool)


def whole_back(pair: TracedPair, rng: Rng, region: Region, texels: int) -> Scene:
    """From behind: both pockets (the tab in the right one), yoke, waistband with its label."""
    rise = 265.0
    sheet, away = _cut_out(pair, rng, region, texels, rise)
    surfaces = _waist(sheet, pair, rng, 0.0, (-0.75, -0.06, 0.75))  # belt loops clear of the label
    surfaces += seam(sheet, pair, rng, np.array([(0.0, -40.0), (2.0, -rise)]), (1.5, 7.0), 5)
    half = hip_half_width(pair, 90, rise)
    for sign in (-1, 1):
        path = np.array([(0.0, -92.0), (sign * half * 0.97, -64.0)])
        surfaces += seam(sheet, pair, rng, path if sign < 0 else path[::-1], (1.5, 7.5), 5)
    surfaces += _inseam(sheet, pair, rng, rise)
    p = pair.sheet.pocket
    inner = max(12.0, min(40.0, half - p.width_top - 18))
    right = Place(inner, -112.0, 0.03)
    parts: list[Part] = []
    for place, with_tab in ((right, True), (Place(-inner, -112.0, -0.03, mirrored=True), False)):
        more, found = sew_pocket(sheet, pair, rng, place, with_tab, coarse=True)
        surfaces += more
        parts += found
    corner = (float(pair.rng("label place").uniform(6, 18)), -2.5)
    more, label = sew_label(sheet, pair, rng, corner, 0.0, coarse=True)
    surfaces += more
    parts.append(label)
    keep = (away > 0.2).astype(np.float32)
    return _laid_out(rng, region, [sheet.surface(keep=keep), *surfaces], parts)


def whole_front(pair: TracedPair, rng: Rng, region: Region, texels: int) -> Scene:
    """From the front: button, fly, front pockets with rivets at their corners."""
    rise = 250.0
    sheet, away = _cut_out(pair, rng, region, texels, rise)
    surfaces = _waist(sheet, pair, rng, 0.0, (-0.6, 0.6))
    surfaces += seam(sheet, pair, rng, np.array([(-2.0, -40.0), (0.0, -rise)]), (1.5,), 5)
    fly = np.array([(36.0, -40.0), (36.0, -150.0), (26.0, -182.0), (2.0, -196.0)], np.float32)
    for shift in (0.0, 6.0):
        row = even_row(rng, fly - (shift, 0), pair.sheet.pocket.stitches_per_inch)
        surfaces += sew(sheet, row, thread_colour(pair), rng, detail=5)
    surfaces += _inseam(sheet, pair, rng, rise)
    parts: list[Part] = []
    spots: list[tuple[float, float]] = []
    half = hip_half_width(pair, 110, rise)
    for sign in (-1, 1):
        t = np.linspace(0, np.pi / 2, 30)
        mouth = np.stack([sign * (0.47 * half + 0.47 * half * np.sin(t) ** 2), -44 - 70 * np.sin(t / 1.05)], -1)
        surfaces += seam(sheet, pair, rng, mouth[:: 1 if sign > 0 else -1][::4].astype(np.float32), (2.0, 8.0), 5)
        spots += [(sign * 0.46 * half, -50.0), (sign * 0.9 * half, -112.0)]
    more, part = set_on(sheet, button(pair, 0.12), (0.0, -20.0), float(rng.normal(0, 0.4)), 0.3)
    surfaces += more
    parts.append(part)
    for which, spot in enumerate(spots):
        more, part = set_on(sheet, rivet(pair, which, False, 0.12), spot, 0.0, 0.2)
        surfaces += more
        parts.append(part)
    keep = (away > 0.2).astype(np.float32)
    return _laid_out(rng, region, [sheet.surface(keep=keep), *surfaces], parts)
