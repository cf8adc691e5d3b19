"""Buttons and rivets as turned metal with struck lettering. Each lies with its middle at the origin."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.domain import PartName
from synthetic.traced.cloth import smooth_noise
from synthetic.traced.colours import linear_of, varied
from synthetic.traced.letters import PLAIN, STURDY, Mask, bend, line, stamp
from synthetic.traced.pairs import Rng, TracedPair
from synthetic.traced.scene import Part
from synthetic.traced.shapes import Array, Look, Surface, disc

_COATS = ("#3B2A1E", "#1C1C1E", "#7C5428", "#B98E3F", "#8E9297", "#C9C4B6", "#5B3A2C", "#40464E")


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece of hardware: its surfaces and what is to be labelled, both about the origin."""

    surfaces: tuple[Surface, ...]
    part: Part


def _struck(ink: Mask, soft_px: float, height: float) -> Array:
    """Letters as a die strikes them: sloping sides."""
    return np.asarray(height * cv2.GaussianBlur(ink, (0, 0), soft_px), np.float32)


def _metal(pair: TracedPair, relief: Array, topic: str) -> Look:
    """The pair's metal, tarnished where hands do not rub it."""
    habit = pair.rng(topic)
    shape = relief.shape[0], relief.shape[1]
    low = np.clip(0.5 - relief / max(1e-6, float(np.ptp(relief))), 0, 1)
    patina = np.clip(0.3 * smooth_noise(habit, shape, shape[0] / 5, 3) + 1.1 * low - 0.15, 0, 1)
    patina *= habit.uniform(0.25, 0.55) + 0.35 * pair.wear
    dull = np.array((0.34, 0.30, 0.26) if pair.metal == "copper" else (0.42, 0.41, 0.40), np.float32)
    bright = np.array((0.95, 0.93, 0.92), np.float32) * habit.uniform(0.85, 1.0)
    speck = 1 - 0.12 * np.clip(smooth_noise(habit, shape, shape[0] / 90, 2), 0, 2)
    colour = (bright + np.clip(patina, 0, 0.9)[..., None] * (dull - bright)) * speck[..., None]
    return Look(pair.metal, np.clip(colour, 0.05, 0.98).astype(np.float32), float(habit.uniform(0.16, 0.34)))


def _domed(radius: float, dome: float, rim: float, height: float, rings: int) -> Array:
    """A turned outline: a dome, a rolled rim, and a side down to the cloth."""
    r = np.linspace(0.02, radius, rings)
    z = height + dome * (1 - (r / radius) ** 2) + rim * np.exp(-(((r - 0.955 * radius) / (0.035 * radius)) ** 2))
    turn = np.linspace(0, np.pi / 2, 8)[1:]
    edge = 0.05 * radius
    side_r, side_z = radius + edge * np.sin(turn), z[-1] - edge * (1 - np.cos(turn))
    foot = np.array([[radius + edge, 0.0], [radius * 0.7, -0.4]])
    return np.concatenate([np.stack([r, z], -1), np.stack([side_r, side_z], -1), foot]).astype(np.float32)


def button(pair: TracedPair, detail: float = 1.0) -> Piece:
    """The waistband button's face."""
    reach = pair.sheet.button.diameter / 2
    habit = pair.rng("button")
    px = int(np.clip(900 * detail, 96, 900))
    s = px / (2 * reach)
    ink = np.zeros((px, px), np.float32)
    middle = (px - 1) / 2, (px - 1) / 2
    legend = pair.sheet.button.rim_legend.strip()
    radius = 0.735 * reach * s
    text = line(legend, str(habit.choice(STURDY)), 1.9 * s, 0.1)
    size = 0.94 * 2 * np.pi * radius / text.shape[1]
    wide_high = round(text.shape[1] * size), round(min(text.shape[0] * size, 2.6 * s))
    text = np.asarray(cv2.resize(text, wide_high), np.float32)
    bend(ink, text, middle, radius, float(habit.uniform(0, 2 * np.pi)))
    ring = np.zeros_like(ink)
    centre = int(middle[0]), int(middle[1])
    cv2.circle(ring, centre, int(0.36 * reach * s), 1.0, max(1, int(0.07 * reach * s)), cv2.LINE_AA)
    cv2.circle(ring, centre, int(0.12 * reach * s), 1.0, -1, cv2.LINE_AA)
    cv2.circle(ring, centre, int(0.52 * reach * s), 0.7, max(1, int(0.03 * reach * s)), cv2.LINE_AA)
    height = float(habit.uniform(0.20, 0.3))
    relief = _struck(ring, 0.05 * s, height)
    if pair.states["button_lettering"] == "crisp":
        relief = np.maximum(relief, _struck(ink, 0.045 * s, height))
    else:
        relief = np.maximum(relief, _blobbed(ink, habit, s, height))
    relief = relief + 0.004 * smooth_noise(habit, (px, px), 0.9 * s, 2) * (1 + 2 * pair.wear)
    look = _metal(pair, relief, "button metal")
    if pair.states["button_finish"] == "coated":
        look, relief = _coat(pair, relief, s)
    rings = int(np.clip(230 * detail, 30, 230))
    outline = _domed(reach * 0.95, float(habit.uniform(0.1, 0.9)), float(habit.uniform(0.2, 0.45)), 2.6, rings)
    mesh = disc(outline, look, relief, int(np.clip(1000 * detail, 72, 1000)), "button")
    states = {cue: pair.states[cue] for cue in ("button_finish", "button_lettering", "metal")}
    if pair.states["button_finish"] == "coated":
        del states["metal"]  # a coat hides the metal under it
    return Piece((mesh,), Part(PartName.BUTTON, mesh.points, states))


def _blobbed(ink: Mask, habit: Rng, s: float, height: float) -> Array:
    """Lettering from a poor die: letters swollen, run together, blobs round them."""
    brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (max(1, int(0.22 * s)) | 1,) * 2)
    swollen = np.asarray(cv2.dilate(ink, brush), np.float32)
    out = _struck(swollen, 0.17 * s, 1.35 * height)
    ys, xs = np.nonzero(ink > 0.5)
    blobs = np.zeros_like(ink)
    for _ in range(int(habit.integers(26, 60))):
        k = int(habit.integers(len(xs)))
        at = np.array((xs[k], ys[k])) + habit.normal(0, 0.35 * s, 2)
        cv2.circle(blobs, (int(at[0]), int(at[1])), max(1, int(habit.uniform(0.18, 0.42) * s)), 1.0, -1, cv2.LINE_AA)
    return np.asarray(np.maximum(out, _struck(blobs, 0.12 * s, 1.2 * height)), np.float32)


def _coat(pair: TracedPair, relief: Array, s: float) -> tuple[Look, Array]:
    """A thick lacquer: plastic shine, rounded letters, orange peel, chips down to grey metal."""
    habit = pair.rng("coat")
    shape = relief.shape[0], relief.shape[1]
    colour = np.array(varied(linear_of(str(habit.choice(_COATS))), habit, 0.15), np.float32)
    picture = np.broadcast_to(colour, (*shape, 3)).copy()
    chips = smooth_noise(habit, shape, 1.1 * s, 2) + 0.8 * relief / max(1e-6, float(relief.max()))
    bare = (chips > habit.uniform(2.1, 3.2)).astype(np.float32)
    bare = np.asarray(cv2.GaussianBlur(bare, (0, 0), max(0.4, 0.03 * s)), np.float32)
    picture += bare[..., None] * (np.array((0.34, 0.34, 0.33), np.float32) - picture)
    soft = cv2.GaussianBlur(relief, (0, 0), 0.10 * s) + 0.02 * smooth_noise(habit, shape, 0.7 * s) - 0.05 * bare
    return Look("paint", picture.astype(np.float32), float(habit.uniform(0.22, 0.45))), soft.astype(np.float32)


def button_back(pair: TracedPair) -> Piece:
    """The button's back: a disc with a raised rim and the plant's code struck into it."""
    reach = pair.sheet.button.diameter / 2 * 0.84
    habit = pair.rng("button back")
    px = 900
    s = px / (2 * reach)
    cap = float(habit.uniform(2.4, 3.1))
    text = line(pair.code, str(habit.choice(PLAIN[:4])), cap * s, 0.14)
    text = _within(text, 1.42 * reach * s)
    ink = np.zeros((px, px), np.float32)
    turn = float(habit.normal(0, 0.12))
    stamp(ink, text, ((px - 1) / 2, (px - 1) / 2), turn)
    raised = habit.random() < 0.4
    relief = _struck(ink, 0.05 * s, 0.22 if raised else -0.26)
    relief = relief + 0.006 * smooth_noise(habit, (px, px), 1.0 * s, 2)
    for k in range(int(habit.integers(0, 3))):  # rings left by the press
        ring = np.zeros_like(ink)
        cv2.circle(ring, (px // 2, px // 2), int((0.86 - 0.07 * k) * px / 2), 1.0, max(1, int(0.2 * s)), cv2.LINE_AA)
        relief = relief + _struck(ring, 0.06 * s, 0.12)
    mesh = disc(_domed(reach * 0.95, 0.25, 0.3, 1.0, 230), _metal(pair, relief, "back metal"), relief, 1000, "back")
    half = np.array((text.shape[1], text.shape[0])) / 2 / s
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    around = np.array([(-half[0], half[1]), half, (half[0], -half[1]), -half]) @ spin.T
    points = np.column_stack([around, np.full(4, 1.2)]).astype(np.float32)
    part = Part(PartName.BUTTON_BACK, mesh.points, text=pair.code, print_points=points, print_mm=text.shape[0] / s)
    return Piece((mesh,), part)


def _within(ink: Mask, most_px: float) -> Mask:
    size = min(1.0, most_px / ink.shape[1])
    return np.asarray(cv2.resize(ink, None, fx=size, fy=size, interpolation=cv2.INTER_AREA), np.float32)


def rivet(pair: TracedPair, which: int, inside: bool, detail: float = 1.0) -> Piece:
    """A rivet's outside (with its burr) or inside (flat)."""
    reach = pair.sheet.rivet.diameter / 2
    habit = pair.rng(f"rivet {which}")
    px = int(np.clip(640 * detail, 64, 640))
    s = px / (2 * reach)
    relief = np.zeros((px, px), np.float32)
    middle = (px - 1) / 2, (px - 1) / 2
    if pair.states["rivet_stamp"] == "stamped":
        ink = np.zeros((px, px), np.float32)
        text = line(pair.sheet.rivet.legend, str(pair.rng("rivet face").choice(STURDY)), 1.55 * s, 0.16)
        radius = 0.66 * reach * s
        text = _within(text, 1.15 * np.pi * radius)
        bend(ink, text, middle, radius, float(habit.uniform(0, 2 * np.pi)))
        relief = _struck(ink, 0.04 * s, 0.17)
    relief = relief + 0.005 * smooth_noise(habit, (px, px), 0.7 * s, 2)
    rings = int(np.clip(170 * detail, 24, 170))
    outline = _domed(reach * 0.95, 0.1 if inside else 0.3, float(habit.uniform(0.05, 0.25)), 0.75, rings)
    if not inside:  # the burr comes through in the middle
        r = outline[:, 0]
        outline[:, 1] += 0.9 * np.exp(-((r / (0.24 * reach)) ** 4)) - 0.45 * np.exp(-((r / (0.10 * reach)) ** 2))
    look = _metal(pair, relief, f"rivet metal {which}")
    mesh = disc(outline, look, relief, int(np.clip(620 * detail, 60, 620)), "rivet")
    states = {cue: pair.states[cue] for cue in ("metal", "rivet_stamp")}
    return Piece((mesh,), Part(PartName.RIVET, mesh.points, states))
