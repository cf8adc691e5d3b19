"""Meshes as arrays: grids, plates, discs, tubes. Everything a scene is made of is a `Surface`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.traced.pairs import Colour

Array = NDArray[np.floating[Any]]
Faces = NDArray[np.uint32]
HeightAt = Callable[[Array, Array], Array]


@dataclass(frozen=True, slots=True)
class Look:
    """How a surface takes light. `colour` is linear RGB, or an image (h, w, 3) laid out by uv, v upwards.

    kind: "cloth", "thread", "satin", "card", "plain", "paint", "copper", "steel", "skin".
    """

    kind: str
    colour: Colour | Array
    rough: float = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A mesh: points (n, 3) mm, triangles (m, 3), uv (n, 2) in 0..1."""

    points: Array
    faces: Faces
    uv: Array
    look: Look
    name: str = field(default="")

    def moved(self, points: Array) -> Surface:
        """The same surface with its points elsewhere."""
        return Surface(points.astype(np.float32), self.faces, self.uv, self.look, self.name)


def grid_faces(rows: int, columns: int, closed: bool = False) -> Faces:
    """Triangles of a grid of points, row by row; `closed` joins the last column to the first."""
    at = np.arange(rows * columns, dtype=np.uint32).reshape(rows, columns)
    if closed:
        at = np.hstack([at, at[:, :1]])
    a, b, c, d = at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]
    return np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])


def sample(image: Array, u: Array, v: Array) -> Array:
    """Bilinear values of an image at u, v in 0..1 (v upwards), held at the rim."""
    h, w = image.shape[:2]
    x = np.clip(u * w - 0.5, 0, w - 1).astype(np.float32)
    y = np.clip((1 - v) * h - 0.5, 0, h - 1).astype(np.float32)
    flat = cv2.remap(image, x.reshape(-1, 1)[:32000], y.reshape(-1, 1)[:32000], cv2.INTER_LINEAR)
    parts = [flat]
    for start in range(32000, x.size, 32000):  # remap takes at most 32767 rows
        end = start + 32000
        parts.append(cv2.remap(image, x.reshape(-1, 1)[start:end], y.reshape(-1, 1)[start:end], cv2.INTER_LINEAR))
    return np.asarray(np.concatenate(parts).reshape(*u.shape, *image.shape[2:]), np.float32)


def join(surfaces: list[Surface], name: str = "") -> Surface:
    """Several surfaces of one look as one mesh."""
    starts = np.cumsum([0, *(len(s.points) for s in surfaces[:-1])]).astype(np.uint32)
    return Surface(
        np.concatenate([s.points for s in surfaces]),
        np.concatenate([s.faces + start for s, start in zip(surfaces, starts, strict=True)]),
        np.concatenate([s.uv for s in surfaces]), surfaces[0].look, name or surfaces[0].name,
    )  # fmt: skip


def plate(
    half_width: Callable[[Array], Array], length: float, thickness: float, look: Look,
    relief: Array | None = None, counts: tuple[int, int] = (60, 60), round_mm: float = 0.3, name: str = "",
) -> Surface:  # fmt: skip
    """A flat thing with an edge all round, standing on z = 0, from y = 0 down to -length.

    Args:
        half_width: half of the width at each distance from the top, mm.
        length: mm.
        thickness: mm.
        look: of the whole.
        relief: heights (mm) added to the upper side, an image over its bounding box.
        counts: points across and along.
        round_mm: how far in the edge is rounded.
        name: of the mesh.
    """
    across, along = counts
    down = length * _eased(along)
    wide = half_width(down.astype(np.float32)).astype(np.float32)
    side = (2 * _eased(across) - 1).astype(np.float32)
    x, y = wide[:, None] * side[None], np.repeat(-down[:, None], across, 1).astype(np.float32)
    widest = float(wide.max())
    u, v = (x + widest) / (2 * widest), 1 + y / length
    near = np.minimum((1 - np.abs(side))[None] * wide[:, None], np.minimum(down, length - down)[:, None])
    edge = np.clip(near / max(round_mm, 1e-3), 0, 1)
    z = thickness * np.sqrt(np.clip(1 - (1 - edge) ** 2, 0, 1))
    if relief is not None:
        z = z + sample(relief, u, v) * edge
    points = np.stack([x, y, np.maximum(z, 0.0)], -1)
    return Surface(
        points.reshape(-1, 3).astype(np.float32), grid_faces(along, across),
        np.stack([u, v], -1).reshape(-1, 2).astype(np.float32), look, name,
    )  # fmt: skip


def _eased(count: int) -> Array:
    """0..1, denser at both ends, so that rounded edges get their points."""
    t = np.linspace(0, 1, count)
    return np.asarray(0.7 * t + 0.3 * (1 - np.cos(np.pi * t)) / 2, np.float32)


def disc(profile: Array, look: Look, relief: Array | None = None, around: int = 720, name: str = "") -> Surface:
    """A round thing turned on the z axis.

    Args:
        profile: radius and height of the turned outline, from the middle outwards, (n, 2) mm.
        look: of the whole.
        relief: heights (mm) added along z, an image over the square round the disc.
        around: points round the axis.
        name: of the mesh.
    """
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False, dtype=np.float32)
    x, y = profile[:, :1] * np.cos(turn), profile[:, :1] * np.sin(turn)
    reach = float(profile[:, 0].max())
    u, v = (x + reach) / (2 * reach), (y + reach) / (2 * reach)
    z = np.repeat(profile[:, 1:], around, 1)
    if relief is not None:
        z = z + sample(relief, u, v)
    return Surface(
        np.stack([x, y, z], -1).reshape(-1, 3).astype(np.float32), grid_faces(len(profile), around, closed=True),
        np.stack([u, v], -1).reshape(-1, 2).astype(np.float32), look, name,
    )  # fmt: skip


def tube(
    centre: Array, radius: float, look: Look, sides: int = 9, ply: int = 0, lay_mm: float = 1.6, name: str = ""
) -> Surface:
    """A tube along a line of points (n, 3); `ply` strands twisted once every `lay_mm` give a thread its rope look."""
    step = np.gradient(centre, axis=0)
    along = step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-9)
    aside = np.cross(along, (0.0, 0.0, 1.0))
    flat = np.linalg.norm(aside, axis=1, keepdims=True)
    aside = np.where(flat > 0.05, aside / np.maximum(flat, 1e-9), (1.0, 0.0, 0.0))
    up = np.cross(aside, along)
    run = np.cumsum(np.linalg.norm(step, axis=1))
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    wide = np.full((len(centre), sides), radius)
    if ply:
        wide = radius * (0.9 + 0.16 * np.abs(np.cos(ply / 2 * (turn[None] - 2 * np.pi * run[:, None] / lay_mm))))
    ring = np.cos(turn)[None, :, None] * aside[:, None] + np.sin(turn)[None, :, None] * up[:, None]
    points = centre[:, None] + wide[..., None] * ring
    uv = np.stack(np.broadcast_arrays(turn[None] / (2 * np.pi), (run / max(run[-1], 1e-6))[:, None]), -1)
    return Surface(
        points.reshape(-1, 3).astype(np.float32), grid_faces(len(centre), sides, closed=True),
        uv.reshape(-1, 2).astype(np.float32), look, name,
    )  # fmt: skip


def placed(surface: Surface, at: tuple[float, float, float], turn: float = 0.0, scale: float = 1.0) -> Surface:
    """Turned about z (radians), scaled, then moved."""
    return surface.moved(put(surface.points, at, turn, scale))


def put(points: Array, at: tuple[float, float, float], turn: float = 0.0, scale: float = 1.0) -> Array:
    """Points (n, 3) turned about z (radians), scaled, then moved."""
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    return np.asarray(scale * points @ spin.T + np.array(at), np.float32)


def tilted(points: Array, axis_x: float, axis_y: float) -> Array:
    """Points turned about x, then about y (radians)."""
    cx, sx, cy, sy = np.cos(axis_x), np.sin(axis_x), np.cos(axis_y), np.sin(axis_y)
    about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    return np.asarray(points @ about_x.T @ about_y.T, np.float32)
