"""Pictures with no garment part in them: what else people photograph, so that the detector learns to stay silent.

Occluding shapes of all sizes over one another give the edges and scales of real photos ("dead leaves", Lee, Mumford
and Huang 2001); gradients, discs, bands of print and plain cloth with seams are added to that.
"""

from __future__ import annotations

import itertools

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.lettering import font_files, line_of_text
from synthetic.textures import backdrops, cloth_weaves, cloud_tiles, denim_weaves

Rng = np.random.Generator
Picture = NDArray[np.float32]  # (side, side, 3), 0..1
_WORDS = (
    "OPEN",
    "SALE",
    "MENU",
    "EXIT",
    "NORTH",
    "PAGE 12",
    "hello",
    "2048",
    "No. 7",
    "abc",
    "Station",
    "5 km",
    "TEA",
    "wool",
)


def draw_clutter(rng: Rng, side_px: int) -> NDArray[np.uint8]:
    """A square picture without any part. uint8 RGB (side_px, side_px, 3)."""
    picture = _ground(rng, side_px)
    is_alone = rng.random() < 0.2  # a thing or two on a smooth ground, as in a picture taken for it
    if not is_alone and rng.random() < 0.85:
        _leaves(rng, picture)
    for add, chance in _MORE:
        if rng.random() < chance:
            add(rng, picture)
    if rng.random() < 0.15:
        _moved(rng, picture)
    picture = _lit(rng, picture)
    if rng.random() < 0.25:
        picture = np.repeat(picture.mean(2, keepdims=True), 3, axis=2)
    noisy = picture + rng.standard_normal(picture.shape).astype(np.float32) * float(rng.uniform(0, 0.04))
    return np.asarray(np.clip(noisy * 255, 0, 255), np.uint8)


def _colour(rng: Rng) -> NDArray[np.float32]:
    grey = rng.random()
    return np.clip(grey + rng.normal(0, float(rng.choice([0.03, 0.15, 0.3])), 3), 0, 1).astype(np.float32)


def _tile(rng: Rng, side_px: int) -> NDArray[np.float32]:
    """A grey texture (side_px, side_px) at a random scale."""
    weaves = [w.light for w in (*denim_weaves(), *cloth_weaves().values())]
    tiles = [*backdrops(), *weaves, *(0.5 + 0.15 * c for c in cloud_tiles())]
    tile = tiles[int(rng.integers(len(tiles)))]
    size = int(np.exp(rng.uniform(np.log(128), np.log(1400))))
    scaled = cv2.resize(tile, (size, size), interpolation=cv2.INTER_AREA if size < 512 else cv2.INTER_LINEAR)
    reps = -(-side_px // size) + 1
    whole = np.tile(scaled, (reps, reps)) if reps > 1 else scaled
    y, x = (int(rng.integers(0, whole.shape[0] - side_px + 1)) for _ in range(2))
    return np.asarray(np.rot90(whole[y : y + side_px, x : x + side_px], int(rng.integers(4))), np.float32)


def _ground(rng: Rng, side_px: int) -> Picture:
    a, b = _colour(rng), _colour(rng)
    t = (
        np.clip(_tile(rng, side_px), 0, 1)[..., None]
        if rng.random() < 0.65
        else np.full((side_px, side_px, 1), 0.5, np.float32)
    )
    ramp = np.linspace(0, 1, side_px, dtype=np.float32)[:, None, None]
    return np.ascontiguousarray((a + (b - a) * (0.6 * t + 0.4 * ramp)).astype(np.float32))


def _leaves(rng: Rng, picture: Picture) -> None:
    """Polygons and ellipses of power-law sizes over one another, each flat, shaded or textured."""
    side = picture.shape[0]
    for _ in range(int(rng.integers(5, 90))):
        radius = side * 0.5 / (1 + rng.pareto(1.2) * 4) ** 1.0 * float(rng.uniform(0.2, 1))
        centre = rng.uniform(0, side, 2)
        n = int(rng.integers(3, 9))
        angle = np.sort(rng.uniform(0, 2 * np.pi, n)) if rng.random() < 0.6 else np.linspace(0, 2 * np.pi, 28)
        reach = radius * (rng.uniform(0.4, 1.3, len(angle)) if len(angle) < 28 else 1.0)
        squash = rng.uniform(0.2, 1.0)
        points = centre + np.stack([np.cos(angle) * reach, np.sin(angle) * reach * squash], 1)
        corner = np.clip(np.floor(points.min(0)) - 2, 0, side).astype(int)
        size = np.clip(np.ceil(points.max(0)) + 3, 0, side).astype(int) - corner
        if size.min() < 1:
            continue
        mask = np.zeros((size[1], size[0]), np.uint8)
        cv2.fillPoly(mask, [np.round(points * 8).astype(np.int32) - 8 * corner.astype(np.int32)], 255, cv2.LINE_AA, 3)
        ys, xs = np.nonzero(mask)
        if len(ys) == 0:
            continue
        within = (slice(ys.min(), ys.max() + 1), slice(xs.min(), xs.max() + 1))
        box = tuple(slice(s.start + c, s.stop + c) for s, c in zip(within, corner[::-1].tolist(), strict=True))
        a = mask[within][..., None].astype(np.float32) / 255
        fill = np.broadcast_to(_colour(rng), (*a.shape[:2], 3)).astype(np.float32)
        if rng.random() < 0.4:
            fill = fill * (0.6 + 0.8 * np.clip(_tile(rng, side)[box], 0, 1)[..., None])
        if rng.random() < 0.4:
            fill = fill * np.linspace(float(rng.uniform(0.4, 1)), 1.2, fill.shape[1], dtype=np.float32)[None, :, None]
        picture[box] = picture[box] * (1 - a) + fill * a


def _lay_over(under: Picture, top: Picture, inside: Picture) -> None:
    """Put a thing on what lies there, as far as `inside` (h, w, 1) in 0..1 says that it covers it."""
    under[:] = under * (1 - inside) + np.clip(top, 0, 1) * inside


def _discs(rng: Rng, picture: Picture) -> None:
    """Coins, lids, plates, wheels, berries: round things that are no hardware on cloth."""
    side = picture.shape[0]
    for _ in range(int(rng.integers(1, 12))):
        r = float(side * rng.uniform(0.015, 0.16))
        c = rng.uniform(0, side, 2)
        colour = _colour(rng)
        x0, y0 = np.clip(np.floor(c - r) - 2, 0, side).astype(int)
        x1, y1 = np.clip(np.ceil(c + r) + 3, 0, side).astype(int)
        y, x = np.mgrid[y0:y1, x0:x1].astype(np.float32)
        d = np.hypot(x - c[0], (y - c[1]) / rng.uniform(0.6, 1.0)) / r
        inside = np.clip((1 - d) * r, 0, 1)[..., None]
        shade = (
            0.5 + 0.7 * np.sqrt(np.clip(1 - d * d, 0, 1))
            if rng.random() < 0.5
            else 0.8 + 0.2 * np.sin(d * rng.uniform(4, 25))
        )
        light = (1 + 0.4 * (x - c[0]) / r)[..., None] if rng.random() < 0.5 else 1.0
        _lay_over(picture[y0:y1, x0:x1], colour * shade[..., None] * light, inside)


def _balls(rng: Rng, picture: Picture) -> None:
    """Lamps, cells, helmets, planets: a large ball or two with a soft edge, a glint or streaks, and nothing on it."""
    side = picture.shape[0]
    y, x = np.mgrid[0:side, 0:side].astype(np.float32)
    for _ in range(int(rng.integers(1, 3))):
        r, c = float(side * rng.uniform(0.06, 0.36)), rng.uniform(0.1, 0.9, 2) * side
        u, v = (x - c[0]) / r, (y - c[1]) / (r * rng.uniform(0.75, 1.0))
        d = np.hypot(u, v)
        inside = np.clip((1 - d) / float(rng.choice([0.01, 0.05, 0.25, 0.6])), 0, 1)[..., None]
        slope = rng.uniform(-0.5, 0.5, 2)
        shade = rng.uniform(0.2, 1.0) + slope[0] * u + slope[1] * v + rng.uniform(-0.6, 0.4) * np.minimum(d, 1) ** 2
        if rng.random() < 0.3:
            shade = shade + 0.2 * np.sin(v * rng.uniform(5, 40) + rng.uniform(0, 6))
        glint = np.exp(-(((u - slope[0]) ** 2 + (v - slope[1]) ** 2) / rng.uniform(0.003, 0.06)))
        ball = _colour(rng) * shade[..., None] + rng.uniform(0, 1) * glint[..., None]
        _lay_over(picture, ball, inside)


def _solids(rng: Rng, picture: Picture) -> None:
    """Helmets, bags, fruit, bodies: shaded round or boxy solids in strong colours, with bands and glints."""
    side = picture.shape[0]
    y, x = np.mgrid[0:side, 0:side].astype(np.float32)
    light = rng.normal(0, 1, 3)
    light = light / np.linalg.norm(light) * np.sign(light[2])
    for _ in range(int(rng.integers(1, 7))):
        centre, turn = rng.uniform(-0.05, 1.05, 2) * side, rng.uniform(0, np.pi)
        a, b = side * 0.4 * rng.power(1.3), float(rng.uniform(0.4, 1.0))
        u = ((x - centre[0]) * np.cos(turn) + (y - centre[1]) * np.sin(turn)) / a
        v = ((y - centre[1]) * np.cos(turn) - (x - centre[0]) * np.sin(turn)) / (a * b)
        power = float(rng.choice([2.0, 2.0, 3.0, 5.0]))
        d = (np.abs(u) ** power + np.abs(v) ** power) ** (1 / power)
        inside = np.clip((1 - d) * a / float(rng.choice([1.0, 2.0, 8.0])), 0, 1)[..., None]
        up = np.sqrt(np.clip(1 - d * d, 0, 1))
        shade = np.clip(light[0] * u + light[1] * v + light[2] * up, 0, 1)
        colour = _colour(rng)
        if rng.random() < 0.5:
            colour = np.clip(colour * rng.choice([0.1, 1.0, 1.6], 3), 0, 1).astype(np.float32)
        skin = np.broadcast_to(colour, (side, side, 3))
        for _ in range(int(rng.integers(0, 3))):  # bands, straight or along a rim
            across = v if rng.random() < 0.6 else d
            band = np.abs(across - rng.uniform(-0.8, 0.9)) < rng.uniform(0.02, 0.2)
            skin = np.where(band[..., None], _colour(rng), skin)
        solid = skin * (rng.uniform(0.15, 0.6) + rng.uniform(0.4, 0.9) * shade)[..., None]
        if rng.random() < 0.5:
            at, size = rng.uniform(-0.5, 0.5, 2), float(rng.uniform(0.04, 0.15))
            glint = np.clip(2 - np.maximum(np.abs(u - at[0]), np.abs(v - at[1])) / size, 0, 1)[..., None]
            solid = solid * (1 - glint) + glint * rng.uniform(0.7, 1.0)
        _lay_over(picture, solid, inside)


def _coins(rng: Rng, picture: Picture) -> None:
    """Rows of worn metal pieces with heads and figures in low relief: hardware of no garment."""
    side = picture.shape[0]
    rows, step = int(rng.integers(2, 6)), side / float(rng.uniform(2.5, 6))
    metal = np.float32(rng.uniform(0.35, 0.9)) * (1 + rng.normal(0, 0.1, 3)).astype(np.float32)
    for row, column in itertools.product(range(rows), range(int(side / step) + 1)):
        c = (np.array([column, row]) + 0.5 + rng.normal(0, 0.07, 2)) * step
        r = float(step * rng.uniform(0.25, 0.46))
        x0, y0 = np.clip(np.floor(c - r) - 1, 0, side).astype(int)
        x1, y1 = np.clip(np.ceil(c + r) + 2, 0, side).astype(int)
        if x1 - x0 < 4 or y1 - y0 < 4:
            continue
        y, x = np.mgrid[y0:y1, x0:x1].astype(np.float32)
        d = np.hypot(x - c[0], y - c[1]) / (r * (1 + 0.03 * np.sin(3 * np.arctan2(y - c[1], x - c[0]) + row)))
        relief = cv2.GaussianBlur(_tile(rng, side)[y0:y1, x0:x1], (0, 0), max(0.6, r / 9)) * np.clip(1.2 - d, 0, 1)
        height = 6 * relief + 0.25 * (np.abs(d - 0.92) < 0.06)
        slope = cv2.Sobel(height.astype(np.float32), cv2.CV_32F, 1, 1, ksize=3)
        piece = metal * (0.75 + np.clip(1.5 * slope, -0.6, 0.6))[..., None]
        inside = np.clip((1 - d) * r, 0, 1)[..., None]
        _lay_over(picture[y0:y1, x0:x1], piece, inside)


def _dials(rng: Rng, picture: Picture) -> None:
    """Clocks, gauges, wheels: a face with a rim, marks round it and hands, sharp or caught in motion."""
    side = picture.shape[0]
    r, c = float(side * rng.uniform(0.08, 0.42)), rng.uniform(0.2, 0.8, 2) * side
    face, ink = (tuple(_colour(rng).tolist()) for _ in range(2))
    drawn, centre = picture.copy(), np.round(c * 8).astype(int).tolist()

    def ring(at: float, colour: tuple[float, ...], thick: int) -> None:
        cv2.circle(drawn, centre, round(r * at * 8), colour, thick, cv2.LINE_AA, 3)

    def spoke(angle: float, inner: float, outer: float, thick: float) -> None:
        way = r * np.array([np.cos(angle), np.sin(angle)])
        start, end = (np.round(c + at * way).astype(int).tolist() for at in (inner, outer))
        cv2.line(drawn, start, end, ink, max(1, round(thick * r)), cv2.LINE_AA)

    ring(1.0, face, -1)
    for at in rng.uniform(0.3, 1.0, int(rng.integers(1, 4))):
        ring(float(at), ink, max(1, round(float(rng.uniform(0.01, 0.08)) * r)))
    marks, inner = int(rng.choice([4, 8, 12, 24, 60])), float(rng.uniform(0.7, 0.85))
    for k in range(marks):
        spoke(2 * np.pi * k / marks, inner, 0.9, 0.03)
    for _ in range(int(rng.integers(0, 4))):
        spoke(float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(-0.2, 0)), float(rng.uniform(0.4, 0.85)), 0.04)
    if rng.random() < 0.4:
        length = max(3, int(r * rng.uniform(0.05, 0.5)))
        cv2.blur(drawn, (length, 1) if rng.random() < 0.7 else (1, length), dst=drawn)
    picture[:] = drawn


def _moved(rng: Rng, picture: Picture) -> None:
    """What moved, or was filmed while moving: everything smeared along one direction."""
    length = max(3, int(picture.shape[0] * rng.uniform(0.01, 0.2)))
    picture[:] = cv2.blur(picture, (length, 1) if rng.random() < 0.6 else (1, length))


def _print(rng: Rng, picture: Picture) -> None:
    """Signs, pages, screens: rows of letters on a patch or on nothing."""
    side = picture.shape[0]
    fonts = font_files()
    font = fonts[int(rng.integers(len(fonts)))]
    height = int(side * rng.uniform(0.02, 0.12))
    x, y = rng.uniform(0, side * 0.6, 2)
    rows = int(rng.integers(1, 9))
    if rng.random() < 0.6:
        cv2.rectangle(
            picture,
            (int(x - height), int(y - height)),
            (int(x + 0.5 * side), int(y + rows * 1.7 * height)),
            _colour(rng).tolist(),
            -1,
        )
    ink = _colour(rng)
    for row in range(rows):
        glyphs = line_of_text(" ".join(rng.choice(_WORDS, int(rng.integers(1, 4)))), font)
        width = max(2, int(height * glyphs.width / max(glyphs.height, 0.1)))
        mask = cv2.resize(glyphs.mask, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        top, left = int(y + row * 1.6 * height), int(x)
        view = picture[top : top + height, left : left + width]
        m = mask[: view.shape[0], : view.shape[1], None]
        view[:] = view * (1 - m) + ink * m


def _lines(rng: Rng, picture: Picture) -> None:
    """Wires, seams, branches, grids."""
    side = picture.shape[0]
    for _ in range(int(rng.integers(1, 14))):
        points = np.cumsum(np.vstack([rng.uniform(0, side, (1, 2)), rng.normal(0, side / 6, (5, 2))]), 0)
        width = int(rng.integers(1, 9))
        if rng.random() < 0.4:  # dashed, as stitches are
            for a, b in itertools.pairwise(points):
                for t in np.arange(0, 1, 0.08):
                    ends = np.round([a + (b - a) * t, a + (b - a) * (t + 0.05)]).astype(int)
                    cv2.line(picture, ends[0].tolist(), ends[1].tolist(), _colour(rng).tolist(), width, cv2.LINE_AA)
        else:
            cv2.polylines(
                picture, [np.round(points).astype(np.int32)], False, _colour(rng).tolist(), width, cv2.LINE_AA
            )


# What may be added to the ground, and how often. Round things weigh most: on photos of other things than jeans it
# was round things alone that were taken for hardware.
_MORE = ((_discs, 0.45), (_balls, 0.25), (_coins, 0.25), (_dials, 0.2), (_solids, 0.3), (_print, 0.35), (_lines, 0.4))


def _lit(rng: Rng, picture: Picture) -> Picture:
    """Uneven light and a lens's softness."""
    side = picture.shape[0]
    coarse = cv2.resize(rng.uniform(0.5, 1.2, (4, 4)).astype(np.float32), (side, side), interpolation=cv2.INTER_CUBIC)
    blurred = cv2.GaussianBlur(picture, (0, 0), float(rng.choice([0.5, 0.8, 1.2, 2.5, 6.0])))
    return np.asarray(blurred * coarse[..., None], np.float32)
