"""The photos sellers take: what each aims at, from how far, and the plan of one photo."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.domain import PartName
from synthetic.traced import back, closeups, fly, whole
from synthetic.traced.camera import Camera, Shot, aim, draw_shot
from synthetic.traced.cloth import Region, waves
from synthetic.traced.light import Rig, draw_rig
from synthetic.traced.pairs import Rng, TracedPair
from synthetic.traced.render import render
from synthetic.traced.scene import Scene
from synthetic.traced.sensor import Pixels, Sensor, develop, draw_sensor
from synthetic.traced.shapes import Array


@dataclass(frozen=True, slots=True)
class View:
    """A kind of photo: scene, what it aims at, mm across its long side, how often upright, how much cloth waves."""

    scene: Callable[[TracedPair, Rng, Region, int], Scene]
    middle: Callable[[TracedPair], Array]
    part: PartName | None
    span_mm: tuple[float, float]
    upright: float
    wave_mm: float


def _origin(_: TracedPair) -> Array:
    return np.zeros(3)


def _at(x: float, y: float) -> Callable[[TracedPair], Array]:
    return lambda _: np.array((x, y, 0.0))


def _body_middle(pair: TracedPair) -> Array:
    return np.array((0.0, -(260 + pair.leg_in * 25.4) / 2, 0.0))


VIEWS: Mapping[str, View] = {
    "back_pocket": View(back.back, back.pocket_middle, PartName.POCKET, (220, 360), 0.75, 3.5),
    "tab": View(back.back, back.tab_middle, PartName.TAB, (45, 110), 0.6, 0.8),
    "label": View(back.back, back.label_middle, PartName.LABEL, (100, 190), 0.2, 1.5),
    "button": View(closeups.button_face, _origin, PartName.BUTTON, (30, 95), 0.5, 0.8),
    "button_back": View(closeups.inside_button, _origin, PartName.BUTTON_BACK, (26, 70), 0.5, 0.6),
    "rivet": View(closeups.rivets, _origin, PartName.RIVET, (20, 80), 0.5, 0.6),
    "zip": View(fly.zip_closeup, _at(0.0, -9.0), PartName.ZIP, (52, 115), 0.85, 0.8),
    "care_tag": View(closeups.care_tag_inside, _origin, PartName.CARE_TAG, (76, 140), 0.9, 1.0),
    "whole_back": View(whole.whole_back, _body_middle, None, (1150, 1450), 0.97, 0.0),
    "whole_front": View(whole.whole_front, _body_middle, None, (1150, 1450), 0.97, 0.0),
    "seat": View(whole.whole_back, _at(0.0, -150.0), None, (480, 650), 0.4, 0.0),
    "top_front": View(whole.whole_front, _at(0.0, -120.0), None, (420, 620), 0.4, 0.0),
}


@dataclass(frozen=True, slots=True, eq=False)
class PlannedPhoto:
    """One photo, decided but not yet taken. Labels need no more than this."""

    kind: str
    scene: Scene
    camera: Camera
    rig: Rig
    sensor: Sensor
    quality: int
    seed: int

    def take(self, spp: int, variant: str | None = None) -> Pixels:
        """Trace and develop it."""
        light = render(list(self.scene.surfaces), self.camera, self.rig, spp, self.seed, variant)
        return develop(light, self.sensor, self.rig.white)


def plan_photo(rng: Rng, pair: TracedPair, kind: str, long_side: tuple[int, int] = (850, 1150)) -> PlannedPhoto:
    """Decide everything about one photo of a pair.

    Args:
        rng: chance; the same stream gives the same photo.
        pair: what is photographed.
        kind: a key of `VIEWS`.
        long_side: least and greatest length of the picture's longer side, px.
    """
    view = VIEWS[kind]
    shot = draw_shot(rng, view.span_mm, view.upright, long_side)
    if view.part is None:  # who photographs a whole garment stands over it
        shot = replace(shot, tilt=(0.5 * shot.tilt[0], 0.5 * shot.tilt[1]))
    middle = view.middle(pair)
    slack = 0.05 * shot.span_mm
    camera = aim(rng, shot, middle + np.array((*rng.normal(0, slack, 2), 0.0)))
    region = footprint(camera, 0.05 * shot.span_mm + 4)
    texels = int(np.clip(1.5 * shot.long_side * 2 * max(region.half_x, region.half_y) / shot.span_mm, 96, 2000))
    scene = view.scene(pair, rng, region, texels)
    scene = scene.draped(waves(rng, shot.span_mm, view.wave_mm))
    if view.part is not None and rng.random() < 0.13:
        scene = _held(rng, scene, view.part, shot)
    return PlannedPhoto(
        kind, scene, camera, draw_rig(rng, shot.span_mm), draw_sensor(rng, camera.shake_px),
        60 + int(33 * rng.beta(1.1, 3.0)), int(rng.integers(2**31)),
    )  # fmt: skip


def footprint(camera: Camera, margin: float) -> Region:
    """What of the plane z = 0 the camera sees, with a margin (mm)."""
    right, up, forward = camera.axes
    w, h = camera.size_wh
    rays = [forward + (sx * w / 2 * right + sy * h / 2 * up) / camera.focal_px for sx in (-1, 1) for sy in (-1, 1)]
    spots = np.array([camera.eye - ray * camera.eye[2] / min(ray[2], -0.15) for ray in rays])[:, :2]
    low, high = spots.min(0) - margin, spots.max(0) + margin
    x, y = (low + high) / 2
    half_x, half_y = (high - low) / 2
    return Region(float(x), float(y), float(half_x), float(half_y))


def _held(rng: Rng, scene: Scene, part: PartName, shot: Shot) -> Scene:
    """A finger at the part's edge, as many sellers hold a label or a tag flat."""
    aimed = next((p for p in scene.parts if p.name == part), None)
    if aimed is None:
        return scene
    middle = aimed.points.mean(0)
    reach = np.ptp(aimed.points[:, :2], axis=0) / 2
    turn = float(rng.uniform(0, 2 * np.pi))
    out = np.array((np.cos(turn), np.sin(turn)))
    edge = float(np.abs(out @ np.diag(reach) @ out) + rng.uniform(-2.0, 7.0))
    tip = middle[:2] + out * max(edge, 2.0)
    surfaces, points = closeups.finger(rng, tip, turn + float(rng.normal(0, 0.25)), float(aimed.points[:, 2].max()))
    return Scene((*scene.surfaces, *surfaces), scene.parts, (*scene.in_front, points))
