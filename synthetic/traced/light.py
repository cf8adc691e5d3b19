"""Rooms and lamps: an invented surrounding as an environment picture, and lamps or a flash near the garment."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from synthetic.traced.pairs import Colour, Rng
from synthetic.traced.shapes import Array


@dataclass(frozen=True, slots=True)
class Lamp:
    """A glowing rectangle: middle and half side (mm), radiance."""

    at: tuple[float, float, float]
    half_mm: float
    glow: Colour


@dataclass(frozen=True, slots=True, eq=False)
class Rig:
    """All the light. `room` is a lat-long picture (h, w, 3), z up at its top; `white` what white paper sends back."""

    room: Array
    lamps: tuple[Lamp, ...]
    white: Colour


_KELVIN: dict[str, Colour] = {  # relative linear RGB of the light, near the Planckian locus; from memory
    "candlelike": (1.75, 1.0, 0.42), "tungsten": (1.5, 1.0, 0.52), "warm_led": (1.3, 1.0, 0.70),
    "office": (1.04, 1.02, 0.86), "daylight": (1.0, 1.0, 1.0), "shade": (0.86, 1.0, 1.28),
}  # fmt: skip


def draw_rig(rng: Rng, scale_mm: float) -> Rig:
    """A room at random: by a window, under a lamp, under a shaded sky, or with the phone's flash."""
    kind = str(rng.choice(["window", "lamp", "sky", "flash", "mixed"], p=[0.36, 0.24, 0.16, 0.08, 0.16]))
    day = np.array(_KELVIN[str(rng.choice(["daylight", "shade", "office"]))])
    warm = np.array(_KELVIN[str(rng.choice(["tungsten", "warm_led", "office", "candlelike"], p=[0.3, 0.4, 0.2, 0.1]))])
    main = {"window": day, "sky": day, "mixed": day}.get(kind, warm)
    room = _walls(rng, main, 0.9 if kind == "sky" else rng.uniform(0.12, 0.5))
    if kind in ("window", "mixed"):
        for _ in range(int(rng.integers(1, 3))):
            _window(rng, room, day * rng.uniform(5, 18))
    lamps: list[Lamp] = []
    if kind in ("lamp", "mixed"):
        lamps.append(_lamp(rng, scale_mm, warm, 1.6 if kind == "lamp" else 0.6))
    if kind == "flash":
        lamps.append(Lamp((0.16 * scale_mm, 0.1 * scale_mm, 1.1 * scale_mm), 0.02 * scale_mm, _glow(day, 900.0)))
    return Rig(room, tuple(lamps), _white(room, lamps))


def _walls(rng: Rng, light: Array, level: float) -> Array:
    """Ceiling, walls with furniture, floor; soft at the edges."""
    room = np.zeros((96, 192, 3), np.float32)
    wall = np.array([1.0, 0.97, 0.92]) * rng.uniform(0.85, 1.1, 3)
    room[:] = level * light * wall * 0.55
    room[:30] = level * light * rng.uniform(0.8, 1.3)
    for _ in range(int(rng.integers(4, 9))):
        x, y, w, h = rng.integers(0, 192), rng.integers(26, 60), rng.integers(8, 46), rng.integers(10, 40)
        tone = level * light * rng.uniform(0.02, 0.9) * rng.uniform(0.7, 1.2, 3)
        columns = np.arange(x, x + w) % 192
        room[y : y + h, columns] = tone
    room[62:] *= 0.5
    # the photographer and the phone stand dark between the garment and the ceiling
    left = int(rng.integers(0, 192))
    room[0:26, np.arange(left, left + 40) % 192] *= rng.uniform(0.1, 0.5)
    return np.asarray(cv2.GaussianBlur(room, (0, 0), 2.2), np.float32)


def _window(rng: Rng, room: Array, glow: Array) -> None:
    x, w = int(rng.integers(0, 192)), int(rng.integers(12, 30))
    y, h = int(rng.integers(8, 24)), int(rng.integers(14, 28))
    columns = np.arange(x, x + w) % 192
    pane = np.ones((h, w), np.float32)
    pane[:, w // 2] = 0.2
    pane[h // 2] = 0.2
    pane[: int(h * rng.uniform(0, 0.4))] *= rng.uniform(0.5, 1.0)
    room[y : y + h, columns] = pane[..., None] * glow


def _lamp(rng: Rng, scale: float, light: Array, strength: float) -> Lamp:
    turn, slant = rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 1.15)
    reach = scale * rng.uniform(2.0, 4.5)
    half = reach * rng.uniform(0.05, 0.22)
    place = reach * np.array([np.sin(slant) * np.cos(turn), np.sin(slant) * np.sin(turn), np.cos(slant)])
    level = strength * np.pi * reach**2 / (2 * half) ** 2 / max(0.35, np.cos(slant)) / 2
    return Lamp((float(place[0]), float(place[1]), float(place[2])), float(half), _glow(light, level))


def _glow(light: Array, level: float) -> Colour:
    glow = light * level
    return float(glow[0]), float(glow[1]), float(glow[2])


def _white(room: Array, lamps: list[Lamp]) -> Colour:
    """Light falling on a level white sheet at the middle, per channel (what the camera's guess starts from)."""
    rows = room.shape[0]
    polar = (np.arange(rows) + 0.5) / rows * np.pi
    weight = np.clip(np.cos(polar), 0, None) * np.sin(polar)
    total = (room.mean(1) * weight[:, None]).sum(0) * (np.pi / rows) * 2
    for lamp in lamps:
        at = np.array(lamp.at)
        far = np.linalg.norm(at)
        total = total + np.array(lamp.glow) * (2 * lamp.half_mm) ** 2 * (at[2] / far) / far**2 / np.pi
    return float(total[0]), float(total[1]), float(total[2])
