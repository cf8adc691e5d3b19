"""A planned photo: scene, camera, lamp, things in the way; its picture and its true labels."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.domain import Box, PartName
from synthetic import scenes
from synthetic.arrays import Arrays, NumpyArrays
from synthetic.camera import (
    Camera,
    Glint,
    Lamp,
    Overlay,
    Sensor,
    Window,
    look_at,
    photograph,
    plan_canvas,
    seen_colour,
    shade,
)
from synthetic.canvas import Canvas, Points, linear
from synthetic.pair import Pair
from synthetic.parts import hardware, label
from synthetic.scenes import PlacedPart, Scene

Rng = np.random.Generator

# Effective pixels per mm (blur taken off) from which a person can judge the cue; from looking at our own photos.
JUDGEABLE_PX_PER_MM: Mapping[str, float] = {
    "tab_position": 1.0, "tab_stitch_spacing": 3.0, "tab_thread": 2.2, "tab_resewn": 4.5, "tab_word": 3.5,
    "label_ground": 0.8, "label_size_print": 2.5, "label_size_order": 5.0, "label_motto_curve": 2.2,
    "label_fading": 1.8, "button_finish": 5.0, "button_lettering": 9.0, "metal": 3.0, "rivet_stamp": 8.0,
    "zip_mark": 6.0,
}  # fmt: skip
CUES_OF_PART: Mapping[PartName, tuple[str, ...]] = {
    PartName.TAB: ("tab_position", "tab_stitch_spacing", "tab_thread", "tab_resewn", "tab_word"),
    PartName.LABEL: ("label_ground", "label_size_print", "label_size_order", "label_motto_curve", "label_fading"),
    PartName.BUTTON: ("button_finish", "button_lettering", "metal"),
    PartName.RIVET: ("metal", "rivet_stamp"),
    PartName.ZIP: ("zip_mark",),
}
_READABLE_PX = {PartName.BUTTON_BACK: 14.0, PartName.CARE_TAG: 9.0, PartName.LABEL: 9.5}  # height of a digit, sharp
_LEAST_CONTRAST = 0.14  # of 1: paler print on its ground, or ink on thread, cannot be told apart
# Of 1: letters in metal that stand out less, above the noise, cannot be read; from looking, too. A long legend helps.
_LEAST_RELIEF = {"rivet_stamp": 0.085, "button_lettering": 0.055}
_LEAST_TOLD = 0.027  # of 1: a digit in metal that differs less from the one most like it cannot be read; from looking
_COMPARED_PX = 128  # enough to tell letters by
_WHITE_OUT = 0.965  # brighter than this in every channel, a surface has lost its colour
_WHOLE_SHARE = {"tab_word": 0.85, "button_lettering": 0.85, "rivet_stamp": 0.88, "zip_mark": 0.85}  # else 0.72 clear
_LEAST_PX = 10  # smaller things are not annotated: nobody could say what they are
_SKIN = ("#c68863", "#8d5a3b", "#e0ac8b", "#5a3825", "#d9a07a")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of photo: its scene, what it aims at, and how many mm fit its long side."""

    scene: Callable[[Pair, Rng], Scene]
    aim: PartName | None
    span_mm: tuple[float, float]
    turn: float  # spread of the camera's turn, radians


KINDS: Mapping[str, Kind] = {
    "back_pocket": Kind(scenes.back, PartName.POCKET, (215, 420), 0.12),
    "tab": Kind(scenes.back, PartName.TAB, (48, 125), 0.2),
    "label": Kind(scenes.back, PartName.LABEL, (98, 230), 0.12),
    "button": Kind(scenes.button_face, PartName.BUTTON, (28, 120), 0.5),
    "button_back": Kind(scenes.button_back, PartName.BUTTON_BACK, (24, 85), 0.3),
    "rivet": Kind(scenes.rivets, PartName.RIVET, (20, 90), 0.6),
    "zip": Kind(scenes.zip_closeup, PartName.ZIP, (46, 130), 0.25),
    "care_tag": Kind(scenes.care_tag_inside, PartName.CARE_TAG, (74, 180), 0.15),
    "whole_back": Kind(scenes.whole_back, None, (1000, 1350), 0.06),
    "whole_front": Kind(scenes.whole_front, None, (1000, 1350), 0.06),
}


@dataclass(frozen=True, slots=True)
class Annotation:
    """A visible part: tight box, what can be judged, what can be read, and points (x, y) of a pocket."""

    part: PartName
    box: Box
    attributes: Mapping[str, str]
    text: str | None
    keypoints: Points | None
    visible: float
    truth: Mapping[str, str]  # what is physically true of the part, judgeable or not
    digits: Points | None = None  # middles of its printed digits in the photo, in reading order


@dataclass(frozen=True, slots=True)
class View:
    """Everything needed to draw a photo, whole or a window of it."""

    kind: str
    pair: Pair
    scene: Scene
    camera: Camera
    lamp: Lamp
    sensor: Sensor
    overlays: tuple[Overlay, ...]

    def draw(
        self, arrays: Arrays, window: Window | None = None, out_wh: tuple[int, int] | None = None
    ) -> NDArray[np.uint8]:
        """The photo, or a window of it at another size. uint8 RGB."""
        w, h = self.camera.size_wh
        return self.photo_of(self.scene.draw, arrays, window or (0.0, 0.0, float(w), float(h)), out_wh or (w, h))

    def photo_of(
        self, draw: Callable[[Canvas], None], arrays: Arrays, window: Window, out_wh: tuple[int, int]
    ) -> NDArray[np.uint8]:
        """What this camera would make of something else in the scene's place. uint8 RGB."""
        to_px, cw, ch = plan_canvas(self.camera, window, out_wh)
        canvas = Canvas(arrays, to_px, cw, ch)
        draw(canvas)
        return photograph(
            shade(canvas, self.lamp), canvas, self.camera, self.lamp, self.sensor, self.overlays, window, out_wh
        )


def plan_view(rng: Rng, pair: Pair, kind_name: str) -> View:
    """Choose camera, lamp and accidents for one photo of a pair."""
    kind = KINDS[kind_name]
    scene_seed = int(rng.integers(2**31))
    scene = kind.scene(pair, np.random.default_rng(scene_seed))
    scene = Scene(_replay(kind, pair, scene_seed), scene.parts, scene.extra)
    camera = _camera(rng, kind, scene)
    return View(
        kind_name,
        pair,
        scene,
        camera,
        _lamp(rng, pair, kind_name),
        _sensor(rng, kind_name),
        _overlays(rng, camera, scene, kind),
    )


def _replay(kind: Kind, pair: Pair, seed: int) -> Callable[[Canvas], None]:
    """A ground that draws the same each time: the scene's own stream starts afresh."""

    def ground(canvas: Canvas) -> None:
        kind.scene(pair, np.random.default_rng(seed)).ground(canvas)

    return ground


def _camera(rng: Rng, kind: Kind, scene: Scene) -> Camera:
    long_side = int(rng.integers(900, 1801))
    ratio = float(rng.choice([0.75, 0.75, 0.5625, 0.6667, 1.0]))
    portrait = rng.random() < (0.9 if kind.aim is None else 0.6)
    short = int(long_side * ratio)
    size = (short, long_side) if portrait else (long_side, short)
    span = float(np.exp(rng.uniform(*np.log(kind.span_mm))))
    scale = long_side / span
    if kind.aim is None:
        outline = np.vstack([p.outline for p in scene.parts])
        target = outline.mean(0) + np.array((0, span * 0.27)) + rng.normal(0, 25, 2)
        if not portrait:
            scale *= 0.8 * ratio
            target = target + np.array((0, span * 0.12))
    else:
        aims = [p for p in (*scene.parts, *scene.extra) if p.part == kind.aim]
        outline = aims[0].outline
        extent = outline.max(0) - outline.min(0)
        scale = min(scale, 0.94 * min(size[0] / extent[0], size[1] / extent[1]))
        free = np.maximum(0, np.array(size) / scale - extent)
        target = outline.min(0) + extent / 2 + free * rng.uniform(-0.3, 0.3, 2)
    turn = float(rng.normal(0, kind.turn))
    if rng.random() < 0.06:
        turn += float(rng.choice([-1.57, 1.57, 3.14]))
    slant = 0.3 if kind.aim is not None and rng.random() < 0.25 else 0.13  # some hold the phone askew
    tilt_x, tilt_y = np.clip(rng.normal(0, slant, 2), -0.65, 0.65)
    tilt = (float(tilt_x), float(tilt_y))
    matrix = look_at(size, (float(target[0]), float(target[1])), scale, turn, tilt, float(rng.uniform(0.8, 1.6)))
    bend = (rng.standard_normal((5, 5, 2)) * float(rng.choice([0.0, 0.002, 0.004])) * long_side).astype(np.float32)
    return Camera(size, matrix, turn, bend)


def _mean_albedo(pair: Pair, kind: str) -> float:
    cloth = float(np.mean([0.7 * d + 0.3 * p for d, p in zip(pair.denim, pair.denim_pale, strict=True)]))
    share = {"label": 0.4, "care_tag": 0.5, "whole_back": 0.5, "whole_front": 0.5}.get(kind, 0.1)
    other = {"label": {"tan": 0.28, "dark": 0.02, "white": 0.85}[pair.states["label_ground"]], "care_tag": 0.8}.get(
        kind, 0.3
    )
    if kind in ("button_back", "care_tag"):
        cloth = 0.5 * cloth + 0.25
    return (1 - share) * cloth + share * other


def _lamp(rng: Rng, pair: Pair, kind: str) -> Lamp:
    look = pair.look
    angle, slant = rng.uniform(0, 2 * np.pi), rng.uniform(*look.slant)
    d = np.array([np.cos(angle) * slant, np.sin(angle) * slant, 1.0])
    d /= np.linalg.norm(d)
    warm, tint = rng.uniform(*look.warmth), rng.normal(0, 0.05)
    if rng.random() < 0.12:  # the camera's own balance is far off
        warm, tint = warm + rng.normal(0, 0.3), tint + rng.normal(0, 0.1)
    mean = _mean_albedo(pair, kind)
    target = float(np.clip(0.19 * (mean / 0.19) ** 0.45, 0.05, 0.5))  # meters hold dark cloth dark, in part
    exposure = target / mean * 2 ** rng.normal(0, 0.35)
    return Lamp(
        (float(d[0]), float(d[1]), float(d[2])), float(rng.uniform(*look.ambient)),
        (2 ** (warm / 2), 2**tint, 2 ** (-warm / 2)), float(exposure),
        (float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.2, 0.8))), float(rng.uniform(*look.falloff)),
        _mirrored_room(rng),
    )  # fmt: skip


def _mirrored_room(rng: Rng) -> tuple[Glint, ...]:
    """What metal mirrors: a few soft lights, or a room with windows, bulbs and dark corners.

    A small strong light makes the flank of a letter flash, whichever way it leans; a dark corner makes another black.
    """
    if rng.random() < 0.4:
        return tuple(
            (float(x), float(y), float(rng.uniform(0.08, 0.5)), float(rng.uniform(0.3, 1.3)))
            for x, y in rng.normal(0, 0.35, (int(rng.integers(2, 5)), 2))
        )
    room: list[Glint] = []
    for x, y in rng.normal(0, 0.45, (int(rng.integers(3, 9)), 2)):
        wide = float(0.04 * 12 ** rng.random())
        if rng.random() < 0.3:
            room.append((float(x), float(y), 3 * wide, float(rng.uniform(-0.5, -0.1))))
        else:
            room.append((float(x), float(y), wide, float(0.2 * 12 ** rng.random() * (1.5 - wide))))
    ahead = sum(strength * math.exp(-(x * x + y * y) / wide**2) for x, y, wide, strength in room)
    dimmed = min(1.0, 1 / max(ahead, 1e-6))  # where metal lies flat its colour must not drown in what it mirrors
    return tuple((x, y, wide, strength * dimmed) for x, y, wide, strength in room)


def _sensor(rng: Rng, kind: str) -> Sensor:
    soft = rng.random()
    blur = float(rng.uniform(0.4, 1.1) if soft < 0.7 else rng.uniform(1.1, 3.2))
    motion = float(rng.uniform(2, 8)) if rng.random() < 0.08 else 0.0
    noise = float(np.exp(rng.uniform(np.log(0.004), np.log(0.05))))
    return Sensor(
        blur, motion, float(rng.uniform(0, np.pi)), noise, float(rng.uniform(0.1, 0.8)), float(rng.uniform(-0.1, 0.5)),
        float(rng.uniform(0.75, 1.3)), float(rng.choice([0.0, 0.5, 1.2])), float(rng.uniform(0.0, 0.7)),
        (int(rng.integers(512)), int(rng.integers(512))),
    )  # fmt: skip


def _overlays(rng: Rng, camera: Camera, scene: Scene, kind: Kind) -> tuple[Overlay, ...]:
    w, h = camera.size_wh
    long_side = max(w, h)
    out: list[Overlay] = []
    aims = [p for p in (*scene.parts, *scene.extra) if p.part == kind.aim]
    focus = camera.project(aims[0].outline).mean(0) if aims else np.array([w / 2, h / 2])
    if rng.random() < 0.22:
        a = rng.uniform(0, 2 * np.pi)
        n, t = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        at = focus + rng.normal(0, 0.15, 2) * long_side
        wide = long_side * rng.uniform(0.1, 0.8)
        quad = np.array(
            [
                at - t * 3 * long_side,
                at + t * 3 * long_side,
                at + t * 3 * long_side + n * wide,
                at - t * 3 * long_side + n * wide,
            ]
        )
        out.append(Overlay("shadow", quad, float(rng.uniform(0.003, 0.06) * long_side), float(rng.uniform(0.2, 0.6))))
    if rng.random() < 0.1:
        spot = focus + rng.normal(0, 0.12, 2) * long_side
        t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        r = long_side * rng.uniform(0.03, 0.12, 2)
        blob = spot + np.stack([r[0] * np.cos(t), r[1] * np.sin(t)], 1)
        out.append(Overlay("glare", blob, float(0.6 * r.min()), float(rng.uniform(0.3, 1.5))))
    if kind.aim is not None and rng.random() < 0.14:
        out.append(_finger(rng, camera, aims[0], long_side))
    return tuple(out)


def _finger(rng: Rng, camera: Camera, aim: PlacedPart, long_side: int) -> Overlay:
    pts = camera.project(aim.outline)
    centre, reach = pts.mean(0), float(np.ptp(pts, axis=0).max()) / 2
    a = rng.uniform(0, 2 * np.pi)
    direction = np.array([np.cos(a), np.sin(a)])
    radius = float(np.clip(rng.uniform(0.25, 0.6) * reach, 0.03 * long_side, 0.09 * long_side))
    tip = centre + direction * (reach * rng.uniform(0.45, 1.3) + radius)
    across = np.array([-direction[1], direction[0]])
    t = np.linspace(np.pi / 2, 3 * np.pi / 2, 12)
    cap = np.stack([np.cos(t), np.sin(t)], 1) * radius
    cap = tip + cap[:, :1] * direction + cap[:, 1:] * across
    far = tip + direction * 3 * long_side
    outline = np.vstack([cap, far - across * radius * 1.3, far + across * radius * 1.3])
    skin = np.array(linear(str(rng.choice(_SKIN)))) * rng.uniform(0.7, 1.3)
    return Overlay("finger", outline, 0.004 * long_side, 1.0, (float(skin[0]), float(skin[1]), float(skin[2])))


def annotate(view: View, only: PartName | None = None) -> list[Annotation]:
    """True boxes and labels of every part (or of one kind) that shows enough of itself."""
    out = []
    for placed in (*view.scene.parts, *view.scene.extra):
        found = _annotate_part(view, placed) if only in (None, placed.part) else None
        if found is not None:
            out.append(found)
    return out


def _annotate_part(view: View, placed: PlacedPart) -> Annotation | None:
    w, h = view.camera.size_wh
    seen = view.camera.project(_dense(placed.outline)).astype(np.float32)
    hull = np.asarray(cv2.convexHull(seen), np.float32)[:, 0]
    frame = np.array([(0, 0), (w, 0), (w, h), (0, h)], np.float32)
    area = cv2.contourArea(hull)
    if area < 1:
        return None
    inside, shape = cv2.intersectConvexConvex(hull, frame)
    visible = inside / area
    if visible < 0.3 or shape is None:
        return None
    shape = shape[:, 0]
    (x0, y0), (x1, y1) = shape.min(0), shape.max(0)
    if min(x1 - x0, y1 - y0) < _LEAST_PX:
        return None
    box = Box(float(x0), float(y0), float(x1 - x0), float(y1 - y0))
    clear = visible * (1 - _covered(view, hull))
    truth = _truth(view, placed)
    sharp = _effective_px_per_mm(view, placed)
    attributes = {cue: state for cue, state in truth.items() if _judgeable(view, placed, cue, sharp, clear)}
    text = _print(view, placed) if clear > 0.6 and _digits_show(view, placed, sharp) else None
    keypoints = view.camera.project(placed.keypoints) if placed.keypoints is not None else None
    digits = view.camera.project(placed.digits) if placed.digits is not None else None
    return Annotation(placed.part, box, attributes, text, keypoints, clear, truth, digits)


def _dense(outline: Points) -> Points:
    """More points along the edges, so that a bent or foreshortened edge keeps its extremes."""
    nxt = np.roll(outline, -1, 0)
    return np.concatenate([outline + (nxt - outline) * t for t in (0.0, 0.25, 0.5, 0.75)])


def _covered(view: View, hull: NDArray[np.float32]) -> float:
    """Share of the part under a finger or a strong glare."""
    x0, y0 = hull.min(0)
    x1, y1 = hull.max(0)
    scale = 48 / max(x1 - x0, y1 - y0)
    size = (int((x1 - x0) * scale) + 1, int((y1 - y0) * scale) + 1)
    part = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(part, [np.round((hull - (x0, y0)) * scale).astype(np.int32)], 1)
    hidden = np.zeros_like(part)
    for o in view.overlays:
        if _hides(o):
            cv2.fillPoly(hidden, [np.round((o.outline - (x0, y0)) * scale).astype(np.int32)], 1)
    return float((hidden & part).sum() / max(1, part.sum()))


def _hides(overlay: Overlay) -> bool:
    return overlay.kind == "finger" or (overlay.kind == "glare" and overlay.strength > 0.5)


def _effective_px_per_mm(view: View, placed: PlacedPart) -> float:
    """Scale at the part, lowered by blur and motion: what detail survives."""
    spread = np.hypot(view.sensor.blur_px, 0.4 * view.sensor.motion_px)
    return float(_px_per_mm(view, placed) / np.sqrt(1 + (spread / 1.1) ** 2))


def _px_per_mm(view: View, placed: PlacedPart) -> float:
    """Scale at the part, in the direction in which it is the smaller."""
    centre = placed.outline.mean(0)
    px = view.camera.project(centre + np.array([(0, 0), (0.5, 0), (0, 0.5)]))
    return float(2 * min(np.hypot(*(px[1] - px[0])), np.hypot(*(px[2] - px[0]))))


def _truth(view: View, placed: PlacedPart) -> dict[str, str]:
    return {cue: view.pair.states[cue] for cue in CUES_OF_PART.get(placed.part, ())}


def _judgeable(view: View, placed: PlacedPart, cue: str, sharp: float, clear: float) -> bool:
    if clear < _WHOLE_SHARE.get(cue, 0.72) or sharp < JUDGEABLE_PX_PER_MM[cue]:
        return False
    if placed.part == PartName.LABEL:
        return _label_cue_shows(view, placed, cue)
    if cue in ("metal", "button_finish"):
        if placed.part == PartName.BUTTON and view.pair.states["button_finish"] == "coated" and cue == "metal":
            return False  # the coat hides the metal
        return bool(_seen(view, placed, hardware.typical_shine(view.pair)).min() < _WHITE_OUT)
    if cue in _LEAST_RELIEF:
        return _letters_stand_out(view, placed) > _LEAST_RELIEF[cue] + view.sensor.noise
    if cue == "tab_position":
        return _pocket_whole(view)
    return True


def _letters_stand_out(view: View, placed: PlacedPart) -> float:
    """How far letters in metal stand out in the photo, 0..1: shape, dirt, lamp and blur decide that together.

    So the part is drawn with its letters and without, and the two are compared where they differ most. A blank rivet is
    asked what a stamp would look like on it: whether a state can be judged must not depend on the state.
    """
    if placed.lettered is None:
        return 0.0
    _, (with_letters, without) = _in_square(view, placed, *(partial(placed.lettered, it) for it in (True, False)))
    return float(np.quantile(_difference(with_letters, without), 0.995))


def _digits_stand_out(view: View, placed: PlacedPart) -> float:
    """How well the least distinct digit of a code in metal can be told from the digit most like it, 0..1.

    A code whose strokes run together leaves a clear mark and yet can't be read. So it is drawn with the digits most
    like its own, too, and with none, and they are compared digit by digit: how far a digit differs from the other in
    this photo, times its share of the difference that the digit makes at all.
    """
    if placed.coded is None or placed.digits is None:
        return 1.0
    own, like = view.pair.code, hardware.like_code(view.pair)
    to_square, (drawn, *others) = _in_square(view, placed, *(partial(placed.coded, code) for code in (own, like, "")))
    from_like, from_none = (_difference(drawn, other) for other in others)
    reach = max(1, round(0.45 * placed.digit_mm * _px_per_mm(view, placed) * to_square.scale))
    middles = np.rint(to_square.points(view.camera.project(placed.digits))).astype(int)
    told = [1.0]
    for (x, y), here, there in zip(middles, own, like, strict=True):
        digit = np.s_[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
        if here != there and from_like[digit].size:
            stands, marks = (float(np.quantile(difference[digit], 0.95)) for difference in (from_like, from_none))
            told.append(stands * min(1.0, stands / max(marks, 1e-6)))
    return min(told)


@dataclass(frozen=True, slots=True)
class _ToSquare:
    """From the photo to a square cut from it."""

    left: float
    top: float
    scale: float

    def points(self, px: Points) -> Points:
        return np.asarray((px - (self.left, self.top)) * self.scale, np.float64)


def _in_square(
    view: View, placed: PlacedPart, *draws: Callable[[Canvas], None]
) -> tuple[_ToSquare, list[NDArray[np.uint8]]]:
    """Some drawings of a part as this photo shows them, in a square round the part."""
    px = view.camera.project(placed.outline)
    (x0, y0), (x1, y1) = px.min(0), px.max(0)
    side = float(max(x1 - x0, y1 - y0))
    window = ((x0 + x1 - side) / 2, (y0 + y1 - side) / 2, side, side)
    drawn_px = min(_COMPARED_PX, max(16, round(side)))
    pictures = [view.photo_of(draw, NumpyArrays(), window, (drawn_px, drawn_px)) for draw in draws]
    return _ToSquare(window[0], window[1], drawn_px / side), pictures


def _difference(one: NDArray[np.uint8], two: NDArray[np.uint8]) -> NDArray[np.float32]:
    """How two squares differ, 0..1, single pixels evened out."""
    difference = cv2.GaussianBlur(cv2.absdiff(one, two).mean(2), (0, 0), len(one) / 140) / 255
    return np.asarray(difference, np.float32)


def _label_cue_shows(view: View, placed: PlacedPart, cue: str) -> bool:
    """Whether a label's print stands out enough, from its ground and from the thread."""
    pair = view.pair
    if cue == "label_motto_curve":
        return _contrast(view, placed, label.art_ink(pair), label.ground_colour(pair)) > 0.5 * _LEAST_CONTRAST
    if cue == "label_fading":  # art that was never distinct cannot be seen to fade
        return _contrast(view, placed, label.fresh_ink(pair), label.ground_colour(pair)) > _LEAST_CONTRAST
    if cue == "label_size_print":
        return _size_print_shows(view, placed)
    if cue == "label_size_order":
        ink, _ = label.size_ink(pair)
        return (
            label.size_print_meets_seam(pair)
            and _size_print_shows(view, placed)
            and _contrast(view, placed, ink, pair.thread) > _LEAST_CONTRAST
        )
    return True


def _size_print_shows(view: View, placed: PlacedPart) -> bool:
    (ink, opacity), ground = label.size_ink(view.pair), label.ground_colour(view.pair)
    mixed = tuple(opacity * i + (1 - opacity) * g for i, g in zip(ink, ground, strict=True))
    return _contrast(view, placed, mixed, ground) > _LEAST_CONTRAST


def _seen(view: View, placed: PlacedPart, reflectance: Sequence[float]) -> NDArray[np.float64]:
    at = view.camera.project(placed.outline).mean(0)
    return seen_colour(view.camera, view.lamp, view.sensor, at, reflectance)


def _contrast(view: View, placed: PlacedPart, a: Sequence[float], b: Sequence[float]) -> float:
    """Greatest difference of two colours over the channels, as the photo shows them, 0..1."""
    return float(np.abs(_seen(view, placed, a) - _seen(view, placed, b)).max())


def _digits_show(view: View, placed: PlacedPart, sharp: float) -> bool:
    """Whether every digit is large enough, in the frame, under no finger or strong glare, and distinct."""
    if placed.digits is None or placed.digit_mm * sharp < _READABLE_PX[placed.part]:
        return False
    if placed.part == PartName.LABEL and not _size_print_shows(view, placed):
        return False
    px, reach = view.camera.project(placed.digits), 0.6 * placed.digit_mm * sharp
    size = np.array(view.camera.size_wh)
    if not ((px > reach).all() and (px < size - reach).all()):
        return False
    hiding = [o.outline.astype(np.float32) for o in view.overlays if _hides(o)]
    if any(cv2.pointPolygonTest(outline, (float(x), float(y)), True) >= -reach for outline in hiding for x, y in px):
        return False
    return _digits_stand_out(view, placed) > _LEAST_TOLD


def _pocket_whole(view: View) -> bool:
    """The tab's height can be told only where the pocket's whole outline shows."""
    for placed in view.scene.parts:
        if placed.part == PartName.POCKET and placed.keypoints is not None:
            w, h = view.camera.size_wh
            px = view.camera.project(placed.keypoints)
            return bool((px[:, 0].min() > 0) and (px[:, 1].min() > 0) and (px[:, 0].max() < w) and (px[:, 1].max() < h))
    return False


def _print(view: View, placed: PlacedPart) -> str | None:
    pair = view.pair
    if placed.part == PartName.BUTTON_BACK:
        return pair.code if hardware.code_wear(pair) < 0.5 else None
    if placed.part == PartName.CARE_TAG:
        return pair.tag_code
    if placed.part == PartName.LABEL:
        lines = [
            s.format(style=pair.printed_style, waist=pair.printed_waist, leg=pair.printed_leg)
            for s in pair.sheet.label.size_lines
        ]
        return "\n".join(lines)
    return None
