"""A phone's camera: where it stands, where things fall in its picture, how sharp they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic.traced.pairs import Rng
from synthetic.traced.shapes import Array

_LENS_RADIUS_MM = (0.6, 1.6)  # f/1.8 to f/2.4 at 4 to 6 mm, phones, common practice


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """A thin-lens camera. `focal_px` is the focal length in pixels; `focus_mm` the distance in focus."""

    size_wh: tuple[int, int]
    eye: Array
    target: Array
    up: Array
    focal_px: float
    lens_radius_mm: float
    focus_mm: float
    shake_px: float = 0.5

    @property
    def axes(self) -> tuple[Array, Array, Array]:
        """Unit vectors to the right, up and forward."""
        forward = self.target - self.eye
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, self.up)
        right = right / np.linalg.norm(right)
        return right, np.cross(right, forward), forward

    @property
    def fov_x_deg(self) -> float:
        """Angle of view across the picture's width."""
        return float(np.degrees(2 * np.arctan(self.size_wh[0] / 2 / self.focal_px)))

    def depth(self, points: Array) -> Array:
        """Distance (mm) along the line of sight, (n,)."""
        return np.asarray((points - self.eye) @ self.axes[2])

    def project(self, points: Array) -> Array:
        """Places in the picture (n, 2), px from its top left, of points (n, 3)."""
        right, up, forward = self.axes
        rel = np.asarray(points, np.float64) - self.eye
        depth = np.maximum(rel @ forward, 1e-3)
        x = self.size_wh[0] / 2 + self.focal_px * (rel @ right) / depth
        y = self.size_wh[1] / 2 - self.focal_px * (rel @ up) / depth
        return np.stack([x, y], -1)

    def px_per_mm(self, points: Array) -> float:
        """Least scale, over directions in the part's own plane, at the middle of points (n, 3)."""
        centre = points.mean(0)
        spread = points - centre
        _, _, planes = np.linalg.svd(spread[:: max(1, len(spread) // 400)], full_matrices=False)
        ends = np.stack([centre, centre + planes[0], centre + planes[1]])
        px = self.project(ends)
        return float(min(np.hypot(*(px[1] - px[0])), np.hypot(*(px[2] - px[0]))))

    def blur_px(self, points: Array) -> float:
        """Spread (px, one sigma) of a point there: out of focus and shaken."""
        depth = float(np.median(self.depth(points)))
        circle = self.lens_radius_mm * abs(depth - self.focus_mm) / depth / self.focus_mm * self.focal_px
        return float(np.hypot(0.5 * circle, self.shake_px))


@dataclass(frozen=True, slots=True)
class Shot:
    """How a seller holds the phone: what fills the picture (mm across its long side), tilt and turn in radians."""

    span_mm: float
    tilt: tuple[float, float]
    turn: float
    long_side: int
    ratio: float
    portrait: bool
    miss_focus: float


def draw_shot(rng: Rng, span_mm: tuple[float, float], portrait_share: float, long_side: tuple[int, int]) -> Shot:
    """A seller's shot at random: most are straight on, some slanted, some turned."""
    slanted = rng.random() < 0.25
    turn = float(rng.normal(0, 0.10)) + (float(rng.choice([-1, 1])) * np.pi / 2 if rng.random() < 0.05 else 0.0)
    return Shot(
        float(np.exp(rng.uniform(*np.log(span_mm)))),
        (float(rng.normal(0, 0.32 if slanted else 0.12)), float(rng.normal(0, 0.32 if slanted else 0.12))),
        turn, int(rng.integers(long_side[0], long_side[1] + 1)), float(rng.choice([0.75, 0.75, 0.5625, 1.0])),
        bool(rng.random() < portrait_share), float(rng.choice([0, 0, 0, 1])) * float(rng.normal(0, 0.05)),
    )  # fmt: skip


def aim(rng: Rng, shot: Shot, target: Array) -> Camera:
    """The camera that takes a shot of a place."""
    short = max(32, round(shot.long_side * shot.ratio))
    size = (short, shot.long_side) if shot.portrait else (shot.long_side, short)
    focal = shot.long_side * rng.uniform(0.85, 1.25)
    distance = focal * shot.span_mm / shot.long_side
    tx, ty = np.clip(shot.tilt, -0.6, 0.6)
    toward = np.array([np.sin(tx), np.sin(ty), np.sqrt(max(0.2, 1 - np.sin(tx) ** 2 - np.sin(ty) ** 2))])
    toward = toward / np.linalg.norm(toward)
    up = np.array([np.sin(shot.turn), np.cos(shot.turn), 0.0])
    return Camera(
        size, (target + distance * toward).astype(np.float64), target.astype(np.float64), up, float(focal),
        float(rng.uniform(*_LENS_RADIUS_MM)), float(distance * (1 + shot.miss_focus)),
        float(rng.uniform(0.35, 0.8) + (rng.uniform(0.5, 1.8) if rng.random() < 0.15 else 0)),
    )  # fmt: skip
