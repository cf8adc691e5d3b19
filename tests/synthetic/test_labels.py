"""A cue is labelled only where a person could judge it."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from pipeline.cues import CUES
from pipeline.domain import PartName
from synthetic.camera import Overlay
from synthetic.views import CUES_OF_PART, JUDGEABLE_PX_PER_MM, View, annotate
from tests.synthetic.builders import CLEAN_SENSOR, VIEW_OF, a_pair, a_view, placed

JUDGED = [part for part in PartName if part in CUES_OF_PART]


def labels(view: View, part: PartName) -> dict[str, str]:
    return dict(next(a for a in annotate(view) if a.part == part).attributes)


@pytest.mark.parametrize("part", JUDGED)
def test_a_sharp_close_photo_labels_the_pairs_true_states(part):
    pair = a_pair(style="QM-34")
    found = labels(a_view(VIEW_OF[part], pair), part)
    assert found
    assert found == {cue: pair.states[cue] for cue in found}


@pytest.mark.parametrize("part", JUDGED)
def test_a_part_under_a_finger_has_no_cue(part):
    view = a_view(VIEW_OF[part], a_pair(style="QM-34"))
    outline = view.camera.project(placed(view, part).outline)
    low, high = outline.min(0), outline.max(0)
    half = np.array([low, (high[0], low[1]), (high[0], (low[1] + high[1]) / 2), (low[0], (low[1] + high[1]) / 2)])
    assert labels(replace(view, overlays=(Overlay("finger", half, 1.0, 1.0),)), part) == {}
    assert labels(replace(view, overlays=(Overlay("shadow", half, 1.0, 0.3),)), part)


@pytest.mark.parametrize("part", JUDGED)
def test_a_blurred_part_has_no_cue(part):
    view = a_view(VIEW_OF[part], a_pair(style="QM-34"))
    assert labels(replace(view, sensor=replace(CLEAN_SENSOR, blur_px=90.0)), part) == {}


def test_finer_cues_go_first_as_a_photo_blurs():
    view = a_view("tab", a_pair())
    left = [set(labels(replace(view, sensor=replace(CLEAN_SENSOR, blur_px=b)), PartName.TAB)) for b in range(40)]
    assert all(after <= before for before, after in itertools.pairwise(left))
    gone = [next(i for i, names in enumerate(left) if cue not in names) for cue in ("tab_resewn", "tab_thread")]
    assert gone[0] < gone[1]


def test_the_tabs_height_is_labelled_only_where_the_whole_pocket_shows():
    pair, met = a_pair(), set()
    for seed in range(12):
        view = a_view("back_pocket", pair, seed)
        for note in annotate(view):
            if note.part == PartName.TAB:
                points = next(a for a in annotate(view) if a.part == PartName.POCKET).keypoints
                whole = bool((points > 0).all() and (points < np.array(view.camera.size_wh)).all())
                assert ("tab_position" in note.attributes) == whole
                met.add(whole)
    assert met == {True, False}


def test_what_hides_a_cue_takes_its_label():
    assert "metal" not in labels(a_view("button", a_pair(button_finish="coated")), PartName.BUTTON)
    assert "metal" in labels(a_view("button", a_pair()), PartName.BUTTON)
    assert "label_size_print" not in labels(a_view("label", a_pair(label_ground="dark")), PartName.LABEL)
    coloured = a_pair(label_ground="dark", label_size_print="coloured")
    assert labels(a_view("label", coloured), PartName.LABEL)["label_size_print"] == "coloured"


def test_every_cue_of_a_part_has_a_least_scale():
    for part, cues in CUES_OF_PART.items():
        for cue in cues:
            assert JUDGEABLE_PX_PER_MM[cue] > 0
            assert part in CUES[cue].parts
