"""The zip: tape, teeth, slider and pull. The slider's middle is the origin; the zip runs along y."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.domain import PartName
from synthetic.traced.cloth import Region, Sheet, Yarn, smooth_noise
from synthetic.traced.letters import STURDY, line, stamp
from synthetic.traced.pairs import Rng, TracedPair
from synthetic.traced.pocket import thread_colour
from synthetic.traced.scene import Part, Scene
from synthetic.traced.shapes import Array, Look, Surface, join, placed, plate, tilted, tube
from synthetic.traced.thread import even_row, sew

_BRASS: tuple[float, float, float] = (0.62, 0.60, 0.36)  # on copper's indices, so that teeth look like brass


def zip_closeup(pair: TracedPair, rng: Rng, region: Region, texels: int) -> Scene:
    """The fly laid open: two denim edges, the tape between them, the slider on its teeth."""
    sheet = Sheet(region, texels)
    tape_tone = float(pair.rng("tape").choice([0.02, 0.05, 0.16, 0.3]))
    sheet.weave(rng, Yarn((tape_tone, tape_tone * 0.98, tape_tone * 0.93), (tape_tone, tape_tone, tape_tone), 0.1),
                turn=0.8)  # fmt: skip
    sheet.height *= 0.5
    surfaces: list[Surface] = []
    habit = pair.rng("fly")
    for side, gap in ((-1, habit.uniform(11, 16)), (1, habit.uniform(11, 24))):
        flap = np.array([(side * gap, -500), (side * gap, 500), (side * 500, 500), (side * 500, -500)], np.float32)
        share = sheet.raise_inside(flap, 1.9 * float(habit.uniform(0.8, 1.3)))
        sheet.weave(
            rng, Yarn(pair.dye, pair.weft, pair.wear), (share > 0.3).astype(np.float32), float(rng.normal(0, 0.05))
        )
        away = sheet.inside(flap)
        sheet.rub(np.exp(-((away - 0.6) ** 2)), 0.7 * pair.wear)
        sheet.shade(np.exp(-(((away + 1.5) / 1.3) ** 2)), 0.5)
        for inset in (2.2, 8.0)[: int(habit.integers(1, 3))]:
            x = side * (gap + inset)
            path = np.array([(x, -300.0), (x, 300.0)], np.float32)
            surfaces += sew(sheet, even_row(rng, path, pair.sheet.pocket.stitches_per_inch), thread_colour(pair), rng)
    surfaces += _teeth(region, pair)
    slider, pull = _slider(pair, rng)
    surfaces += [*slider, *pull]
    points = np.concatenate([s.points for s in (*slider, *pull)])
    part = Part(PartName.ZIP, points, {"zip_mark": pair.states["zip_mark"]})
    return Scene((sheet.surface(), *surfaces), (part,))


def _metal_look(pair: TracedPair, topic: str, relief: Array | None = None) -> Look:
    habit = pair.rng(topic)
    kind = str(habit.choice(["brass", "steel", "copper"], p=[0.5, 0.35, 0.15]))
    tone = np.array(_BRASS if kind == "brass" else (0.85, 0.84, 0.82), np.float32) * habit.uniform(0.75, 1.0)
    shape = (64, 64) if relief is None else (relief.shape[0], relief.shape[1])
    stain = np.clip(0.35 * smooth_noise(habit, shape, shape[0] / 5, 3) + 0.15, 0, 0.7)
    if relief is not None:
        stain = np.clip(stain + 0.5 * (relief < 0.4 * relief.max()), 0, 0.8)
    colour = tone * (1 - 0.6 * stain)[..., None]
    return Look("steel" if kind == "steel" else "copper", colour.astype(np.float32), float(habit.uniform(0.18, 0.36)))


def _teeth(region: Region, pair: TracedPair) -> list[Surface]:
    """Two rows that mesh below the slider and part above it."""
    pitch = float(pair.rng("teeth").uniform(1.7, 2.3))
    look = _metal_look(pair, "teeth metal")
    tooth = plate(
        lambda d: np.full_like(d, 1.75) * (1 - 0.15 * (d > 0.5)), 1.0, 1.5, look, None, (10, 8), 0.35, "teeth"
    )
    pieces = []
    low, high = region.y - region.half_y, region.y + region.half_y
    for side in (-1, 1):
        for y in np.arange(low, high, pitch) + (pitch / 2 if side > 0 else 0):
            spread = max(0.0, y - 3.0) * 0.10 if y > 3 else 0.0
            x = side * (1.05 + min(spread, 3.5))
            pieces.append(placed(tooth, (x, y + 0.5, 0.55)))
    return [join(pieces, "teeth")] if pieces else []


def _slider(pair: TracedPair, rng: Rng) -> tuple[list[Surface], list[Surface]]:
    """The body with its bridge, and the pull that hangs from it."""
    habit = pair.rng("slider")
    look = _metal_look(pair, "slider metal")
    wide, long = habit.uniform(4.2, 5.2), habit.uniform(8.5, 10.5)

    def body(down: Array) -> Array:
        share = down / long
        return np.asarray(wide * (1 - 0.32 * np.clip(share - 0.35, 0, 1) ** 1.2) * np.clip(share * 9, 0.55, 1) ** 0.5)

    shell = placed(plate(body, long, 2.6, look, None, (70, 70), 1.1, "slider"), (0, long / 2, 1.0))
    t = np.linspace(0, np.pi, 30)
    bridge = np.stack([np.zeros(30), 2.9 * np.cos(t), 3.2 + 1.9 * np.sin(t)], -1).astype(np.float32)
    parts = [shell, tube(bridge, 0.85, look, 14, name="bridge")]
    return parts, _pull(pair, rng)


def _pull(pair: TracedPair, rng: Rng) -> list[Surface]:
    habit = pair.rng("pull")
    long, wide = habit.uniform(21, 29), habit.uniform(3.6, 4.8)
    neck = habit.uniform(0.45, 0.8)
    scale = 26
    px = int(long * scale), int(2 * wide * scale)
    ink = np.zeros(px, np.float32)
    if pair.zip_word:
        text = line(pair.zip_word, str(habit.choice(STURDY)), 3.2 * scale, 0.10)
        size = min(0.66 * long * scale / text.shape[1], 1.15 * wide * scale / text.shape[0])
        text = np.asarray(cv2.resize(text, None, fx=size, fy=size, interpolation=cv2.INTER_AREA), np.float32)
        turn = -np.pi / 2 if habit.random() < 0.75 else np.pi / 2
        stamp(ink, np.asarray(text, np.float32), (px[1] / 2, px[0] * 0.56), turn)
    relief = 0.30 * _soft(ink, 0.06 * scale) + 0.005 * smooth_noise(habit, px, 0.9 * scale, 2)
    look = _metal_look(pair, "slider metal", relief if pair.zip_word else None)

    def outline(down: Array) -> Array:
        share = down / long
        end = np.sqrt(np.clip(1 - np.clip((share - 0.9) / 0.1, 0, 1) ** 2, 0.02, 1))
        return np.asarray(wide * (neck + (1 - neck) * np.clip(share * 3, 0, 1)) * end * np.clip(share * 14, 0.5, 1))

    sheet = plate(outline, long, 1.1, look, relief.astype(np.float32), (150, 420), 0.4, "pull")
    swing, lift = float(np.clip(rng.normal(0, 0.22), -0.45, 0.45)), float(rng.uniform(-0.10, 0.03))
    points = tilted(sheet.points, lift, 0.0)
    plate_at = placed(sheet.moved(points), (1.0 * np.sin(swing), -3.4, 4.4), swing)
    t = np.linspace(0, 2 * np.pi, 40)
    ring = np.stack([1.7 * np.sin(t), 1.9 * np.cos(t) - 0.4, 0.5 * np.cos(t) + 0.5], -1).astype(np.float32)
    loop = placed(tube(ring, 0.5, look, 12, name="loop"), (0, -2.2, 4.2), swing)
    return [plate_at, loop]


def _soft(ink: Array, sigma: float) -> Array:
    return np.asarray(cv2.GaussianBlur(ink, (0, 0), sigma), np.float32)
