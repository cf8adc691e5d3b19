"""Pairs and photos for tests about drawing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from pipeline.cues import LISTED_CUES
from pipeline.domain import PartName
from synthetic.arrays import NumpyArrays
from synthetic.camera import Lamp, Sensor
from synthetic.canvas import Canvas
from synthetic.looks import LOOKS
from synthetic.pair import Pair, make_pair
from synthetic.scenes import PlacedPart, Scene
from synthetic.views import View, plan_view
from tests.evidence.builders import sheet

BLACK, PALE = (0.0, 0.0, 0.0), (0.6, 0.6, 0.6)
EVEN_LIGHT = Lamp((0.0, 0.0, 1.0), 1.0, (1.0, 1.0, 1.0), 1.0, (0.5, 0.5), 0.0, ())
CLEAN_SENSOR = Sensor(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, (0, 0))
VIEW_OF = {
    PartName.POCKET: "back_pocket",
    PartName.TAB: "tab",
    PartName.LABEL: "label",
    PartName.BUTTON: "button",
    PartName.BUTTON_BACK: "button_back",
    PartName.RIVET: "rivet",
    PartName.ZIP: "zip",
    PartName.CARE_TAG: "care_tag",
}


def a_pair(seed: int = 1, look: str = "window", style: str | None = None, **states: str) -> Pair:
    """A pair in the genuine states, but for those named."""
    rng = np.random.default_rng(seed)
    while True:
        true = {name: cue.genuine_state for name, cue in LISTED_CUES.items()} | states
        pair = make_pair(rng, sheet(), true, False, LOOKS[look])
        if style is None or pair.style == style:
            return pair


def a_view(kind: str, pair: Pair, seed: int = 1) -> View:
    """A planned photo with nothing in the way, evenly lit and sharp."""
    view = plan_view(np.random.default_rng(seed), pair, kind)
    return replace(view, overlays=(), lamp=EVEN_LIGHT, sensor=CLEAN_SENSOR)


def placed(view: View, part: PartName) -> PlacedPart:
    return next(p for p in (*view.scene.parts, *view.scene.extra) if p.part == part)


def alone(view: View, shown: PlacedPart, draw: Callable[[Canvas], None] | None = None) -> View:
    """The same photo with only one part in it, on nothing: what is not black is the part."""
    only = PlacedPart(shown.part, shown.outline, draw or shown.draw, keypoints=shown.keypoints)
    return replace(view, scene=Scene(lambda canvas: None, (only,)))


def draw_round(
    view: View, xyxy: tuple[float, float, float, float], margin: float = 24
) -> tuple[np.ndarray, np.ndarray]:
    """A window of the photo at its own scale, and the window's top left corner."""
    x0, y0 = np.floor(xyxy[0] - margin), np.floor(xyxy[1] - margin)
    w, h = int(np.ceil(xyxy[2] + margin - x0)), int(np.ceil(xyxy[3] + margin - y0))
    return view.draw(NumpyArrays(), (x0, y0, w, h), (w, h)), np.array([x0, y0])
