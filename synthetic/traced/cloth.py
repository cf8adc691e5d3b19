"""A stretch of cloth as a height field with its colours: woven, seamed, pricked by needles, worn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from synthetic.traced.pairs import Colour, Rng
from synthetic.traced.shapes import Array, Faces, Look, Surface, grid_faces

WARP_MM, WEFT_MM = 0.44, 0.58  # yarn to yarn, heavy denim, common practice


@dataclass(frozen=True, slots=True)
class Region:
    """The part of the garment that a photo needs: middle and half widths, mm."""

    x: float
    y: float
    half_x: float
    half_y: float

    def holds(self, points: Array, margin: float = 0.0) -> bool:
        """Whether any of the points (n, 2 or 3) lies inside."""
        near_x = np.abs(points[:, 0] - self.x) < self.half_x + margin
        return bool((near_x & (np.abs(points[:, 1] - self.y) < self.half_y + margin)).any())


@dataclass(frozen=True, slots=True)
class Yarn:
    """Colours of a twill and how worn it is, 0..1."""

    warp: Colour
    weft: Colour
    wear: float


def along(corners: Array, closed: bool = True) -> Array:
    """Points all along the edges between corners (n, 2)."""
    ends = np.roll(corners, -1, 0) if closed else corners[1:]
    starts = corners if closed else corners[:-1]
    return np.concatenate([np.linspace(a, b, 100) for a, b in zip(starts, ends, strict=True)]).astype(np.float32)


def smooth_noise(rng: Rng, shape: tuple[int, int], cell_px: float, octaves: int = 1) -> Array:
    """A smooth field of mean 0 and spread about 1, with bumps of about `cell_px`."""
    out, weight, total = np.zeros(shape, np.float32), 1.0, 0.0
    for _ in range(octaves):
        size = max(2, int(shape[0] / cell_px) + 3), max(2, int(shape[1] / cell_px) + 3)
        small = rng.standard_normal(size).astype(np.float32)
        out += weight * cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
        total, weight, cell_px = total + weight**2, weight * 0.55, max(1.0, cell_px / 2.3)
    return out / np.float32(np.sqrt(total) * 0.75)


class Sheet:
    """A stretch of cloth being made: heights (mm) and colours on a grid of texels, top row first."""

    def __init__(self, region: Region, texels: int) -> None:
        """Lay an empty sheet of about `texels` along its longer side."""
        self.region = region
        self.step = 2 * max(region.half_x, region.half_y) / texels
        columns, rows = (int(2 * half / self.step) for half in (region.half_x, region.half_y))
        self.left, self.top = region.x - region.half_x, region.y + region.half_y
        x = self.left + (np.arange(columns, dtype=np.float32) + 0.5) * self.step
        y = self.top - (np.arange(rows, dtype=np.float32) + 0.5) * self.step
        self.x, self.y = np.broadcast_arrays(x[None, :], y[:, None])
        self.height = np.zeros((rows, columns), np.float32)
        self.colour = np.full((rows, columns, 3), 0.2, np.float32)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.height.shape[0], self.height.shape[1]

    # ------------------------------------------------------------ where things lie

    def to_texel(self, points: Array) -> Array:
        """Garment x, y (n, 2) to columns and rows."""
        return np.stack([(points[:, 0] - self.left) / self.step, (self.top - points[:, 1]) / self.step], -1) - 0.5

    def height_at(self, points: Array, blur_mm: float = 0.0) -> Array:
        """Heights at x, y (n, 2), evened out over `blur_mm`."""
        field = cv2.GaussianBlur(self.height, (0, 0), blur_mm / self.step) if blur_mm > self.step / 2 else self.height
        at = np.clip(self.to_texel(points), 0, np.array(field.shape[::-1]) - 1).astype(int)
        return np.asarray(field[at[:, 1], at[:, 0]], np.float32)

    def inside(self, polygon: Array) -> Array:
        """Signed distance (mm) to a polygon's edge, positive inside."""
        mask = np.zeros(self.shape, np.uint8)
        corners = np.round(np.clip(self.to_texel(polygon), -20000, 20000) * 16).astype(np.int32)
        cv2.fillPoly(mask, [corners], 1, shift=4)
        inner = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
        outer = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 5)
        return np.asarray(np.clip(inner - outer, -1e5, 1e5) * self.step, np.float32)

    def beside(self, path: Array) -> Array:
        """Distance (mm) to a line of points (n, 2)."""
        mask = np.ones(self.shape, np.uint8)
        corners = np.round(np.clip(self.to_texel(path), -20000, 20000) * 16).astype(np.int32)
        cv2.polylines(mask, [corners], False, 0, 1, shift=4)
        if mask.all():
            return np.full(self.shape, 1e4, np.float32)
        return np.asarray(np.minimum(cv2.distanceTransform(mask, cv2.DIST_L2, 5), 1e5) * self.step, np.float32)

    # ------------------------------------------------------------ what is done to it

    def weave(self, rng: Rng, yarn: Yarn, where: Array | None = None, turn: float = 0.0) -> None:
        """Weave a three-and-one twill, all over or where `where` (0..1) says."""
        high, colour = _twill(self, rng, yarn, turn)
        share = np.ones(self.shape, np.float32) if where is None else where
        self.height += share * high
        self.colour += share[..., None] * (colour - self.colour)

    def raise_inside(self, polygon: Array, thickness: float, soft_mm: float = 0.7) -> Array:
        """Lay a layer of cloth of a polygon's shape; gives where it lies, 0..1."""
        away = self.inside(polygon)
        share = np.clip(away / soft_mm + 0.5, 0, 1)
        self.height += thickness * np.sqrt(share)
        return np.asarray(share, np.float32)

    def ridge(self, path: Array, width: float, height: float) -> None:
        """A rounded swelling along a line: a seam's folded layers."""
        self.height += height * np.exp(-((self.beside(path) / width) ** 4))

    def rub(self, where: Array, amount: float) -> None:
        """Rub dye off (amount > 0) where `where` (0..1) says, high yarns first."""
        pale = 0.25 + 0.75 * self.colour
        self.colour += np.clip(where * amount, 0, 1)[..., None] * (pale - self.colour)

    def shade(self, where: Array, amount: float) -> None:
        """Darken: grime and creases that light does not reach."""
        self.colour *= (1 - np.clip(where * amount, 0, 0.95))[..., None]

    def prick(self, points: Array, radius: float, depth: float, dark: float) -> None:
        """Needle holes at x, y (n, 2)."""
        at = np.round(self.to_texel(points)).astype(int)
        rows, columns = self.shape
        at = at[(at[:, 0] >= 0) & (at[:, 0] < columns) & (at[:, 1] >= 0) & (at[:, 1] < rows)]
        if not len(at):
            return
        spots = np.zeros(self.shape, np.float32)
        spots[at[:, 1], at[:, 0]] = 1
        sigma = max(0.45, radius / self.step / 1.6)
        spots = np.clip(cv2.GaussianBlur(spots, (0, 0), sigma) * (2 * np.pi * sigma**2), 0, 1)
        spots *= min(1.0, radius / self.step)  # a hole smaller than a texel darkens only part of it
        self.height -= depth * spots
        self.shade(spots, dark)

    def surface(self, name: str = "cloth", keep: Array | None = None, vertices: int = 620_000) -> Surface:
        """The finished mesh; `keep` (0..1) cuts it out where below one half."""
        every = max(1, int(np.ceil(np.sqrt(self.height.size / vertices))))
        even = cv2.blur(self.height, (every, every)) if every > 1 else self.height
        x, y, z = self.x[::every, ::every], self.y[::every, ::every], even[::every, ::every]
        rows, columns = z.shape
        u = (x - self.left) / (self.shape[1] * self.step)
        v = 1 - (self.top - y) / (self.shape[0] * self.step)
        faces: Faces = grid_faces(rows, columns)
        if keep is not None:
            kept = (keep[::every, ::every] > 0.5).ravel()
            faces = faces[kept[faces].any(axis=1)]
        return Surface(
            np.stack([x, y, z], -1).reshape(-1, 3).astype(np.float32), faces,
            np.stack([u, v], -1).reshape(-1, 2).astype(np.float32),
            Look("cloth", np.clip(self.colour, 0.002, 0.9), 0.85), name,
        )  # fmt: skip


def _twill(sheet: Sheet, rng: Rng, yarn: Yarn, turn: float) -> tuple[Array, Array]:
    """Heights and colours of a twill: yarn by yarn where the texels are fine enough, else its diagonal ribs."""
    shape, step = sheet.shape, sheet.step
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    waver = 0.10 * smooth_noise(rng, shape, 3.0 / step)
    u = (c * sheet.x + s * sheet.y) / WARP_MM + waver + rng.uniform(0, 99)
    v = (c * sheet.y - s * sheet.x) / WEFT_MM + 0.10 * smooth_noise(rng, shape, 4.0 / step) + rng.uniform(0, 99)
    fine = float(np.clip(WARP_MM / step / 1.6 - 1.0, 0, 1))
    worn = np.clip(yarn.wear * (0.55 + 0.16 * smooth_noise(rng, shape, 28.0 / step, 3)), 0, 1)
    rib = 0.5 + 0.5 * np.cos(2 * np.pi / 3 * (u + v))
    slub = _along_yarns(rng, shape, u, v)
    high, warp_share, tone = 0.12 * rib, 0.74 + 0.2 * (rib - 0.5), 1 + (0.14 + 0.08 * fine) * slub
    if fine > 0:
        fine_high, fine_warp, fine_tone = _yarns(rng, u, v)
        high = fine * fine_high + (1 - fine) * high
        warp_share = fine * fine_warp + (1 - fine) * warp_share
        tone = tone * (1 + fine * (fine_tone - 1))
    top = np.clip((high - 0.04) / 0.2, 0, 1)
    bare = np.clip(worn * (0.25 + 0.75 * top), 0, 1)[..., None]  # dye goes first where the cloth is rubbed
    warp = np.array(yarn.warp, np.float32) * tone[..., None]
    warp = warp + bare * (0.72 * np.array(yarn.weft, np.float32) - warp) * 0.75
    weft = np.array(yarn.weft, np.float32) * (0.5 + 0.5 * tone[..., None]) * (0.40 + 0.25 * yarn.wear)
    colour = warp_share[..., None] * warp + (1 - warp_share[..., None]) * weft
    hollow = 0.62 + 0.38 * np.clip(high / 0.16, 0, 1)  # light hardly gets between the yarns
    return high.astype(np.float32), np.clip(colour * hollow[..., None], 0.002, 0.9).astype(np.float32)


def _along_yarns(rng: Rng, shape: tuple[int, int], u: Array, v: Array) -> Array:
    """Uneven dye and thickness: each warp yarn has its own tone, changing along it."""
    table = rng.standard_normal((211, 64)).astype(np.float32)
    table = cv2.GaussianBlur(table, (0, 0), sigmaX=1.2, sigmaY=0.01) * 1.6
    at = np.stack([(v / 14) % 63, u % 210], -1).astype(np.float32)
    return np.asarray(cv2.remap(table, at[..., 0], at[..., 1], cv2.INTER_LINEAR), np.float32) * 0.6


def _yarns(rng: Rng, u: Array, v: Array) -> tuple[Array, Array, Array]:
    """Yarn by yarn: height (mm), whether warp lies on top (0..1), tone."""
    i, j = np.floor(u), np.floor(v)
    across, along = u - i - 0.5, v - j - 0.5
    phase_v, phase_u = (v + i) % 3 - 0.5, (u + j) % 3 - 0.5  # 0 where the warp dives under
    warp_up = 0.5 - 0.5 * np.cos(2 * np.pi / 3 * phase_v)
    weft_up = 0.5 + 0.5 * np.cos(2 * np.pi / 3 * phase_u)
    warp_high = 0.13 * np.sqrt(np.clip(1 - (2.05 * across) ** 2, 0, 1)) + 0.15 * warp_up
    weft_high = 0.13 * np.sqrt(np.clip(1 - (2.05 * along) ** 2, 0, 1)) + 0.17 * weft_up - 0.07
    is_warp = np.clip((warp_high - weft_high) / 0.02 + 0.5, 0, 1)
    own = rng.normal(1, 0.14, 997).astype(np.float32)
    twist = 1 + 0.10 * np.sin(2 * np.pi * (1.6 * v + 1.1 * across))  # the spun yarn's own slant
    tone = own[(i % 997).astype(int)] * twist
    return np.maximum(warp_high, weft_high) - 0.06, is_warp.astype(np.float32), tone.astype(np.float32)


def waves(rng: Rng, span_mm: float, height_mm: float) -> Sequence[tuple[float, float, float, float]]:
    """How a stretch of cloth fails to lie flat: a few long waves (kx, ky, phase, height)."""
    out = []
    for _ in range(4):
        angle, length = rng.uniform(0, 2 * np.pi), span_mm * rng.uniform(0.5, 1.8)
        k = 2 * np.pi / length
        out.append((k * np.cos(angle), k * np.sin(angle), rng.uniform(0, 2 * np.pi), height_mm * rng.uniform(0.2, 0.6)))
    return out


def drape(points: Array, folds: Sequence[tuple[float, float, float, float]]) -> Array:
    """Points (n, 3) lifted as the cloth under them waves."""
    lift = sum(h * np.sin(kx * points[:, 0] + ky * points[:, 1] + phase) for kx, ky, phase, h in folds)
    moved = points.copy()
    moved[:, 2] += lift
    return moved
