"""What the drawings show of metal and of the seam at the tab: what a part network must not be taught wrongly."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from pipeline.domain import PartName
from synthetic.arrays import NumpyArrays
from synthetic.camera import Lamp
from synthetic.parts.hardware import face_stamp, rivet_stamp
from synthetic.views import View, plan_view
from tests.synthetic.builders import EVEN_LIGHT, a_pair, a_view, alone, placed

SMALL_STRONG_LIGHT = replace(EVEN_LIGHT, glints=((0.5, 0.0, 0.15, 3.0),))


def picture(view: View) -> np.ndarray:
    return view.draw(NumpyArrays()).astype(int)


def rivet_in(light: Lamp, *, stamped: bool) -> np.ndarray:
    view = a_view("rivet", a_pair(3, "lamp", rivet_stamp="stamped"))
    part = placed(view, PartName.RIVET)
    assert part.lettered is not None
    return picture(replace(alone(view, part, partial(part.lettered, stamped)), lamp=light))


def brighter_for_letters(light: Lamp) -> int:
    """How many pixels letters make much brighter than the bare rivet is there."""
    return int(((rivet_in(light, stamped=True) - rivet_in(light, stamped=False)).max(axis=2) > 40).sum())


def test_a_small_strong_light_makes_the_flanks_of_letters_flash():
    assert brighter_for_letters(SMALL_STRONG_LIGHT) > 10 * max(1, brighter_for_letters(EVEN_LIGHT))


def test_what_flat_metal_mirrors_does_not_drown_its_colour():
    """Straight ahead the mirrored lights of a room add up to little more than the light that falls on cloth."""
    lamps = [plan_view(np.random.default_rng(seed), a_pair(seed), "button").lamp for seed in range(12)]
    rooms = [one.glints for one in lamps if len(one.glints) > 4 or any(strength < 0 for *_, strength in one.glints)]
    assert len(rooms) >= 3  # the others are some soft lights
    for lights in rooms:
        assert sum(strength * np.exp(-(x * x + y * y) / wide**2) for x, y, wide, strength in lights) <= 1.01


def test_letters_without_any_dirt_are_drawn_on_rivets_and_buttons():
    for stamp in (rivet_stamp, face_stamp):
        fills = [stamp(a_pair(seed)).fill for seed in range(40)]
        assert min(fills) == 0
        assert max(fills) > 0.3


def seam(seed: int, **states: str) -> np.ndarray:
    """The pocket beside the tab, close up, its tab's stitching as the states say."""
    view = a_view("tab", a_pair(seed, "window", **states))
    return picture(alone(view, placed(view, PartName.POCKET)))


def test_a_tab_put_in_after_sewing_is_mostly_held_by_one_row_and_the_others_go_on():
    """How much of the seam's picture another thread changes: little where one row holds the tab, more where all do."""
    changed = [
        float((np.abs(seam(seed, tab_thread="other") - seam(seed)).max(axis=2) > 40).mean()) for seed in range(16)
    ]
    one_row, all_rows = np.sort(changed)[:6], np.sort(changed)[-4:]
    assert min(changed) > 0
    assert np.mean(one_row) < 0.6 * np.mean(all_rows)
