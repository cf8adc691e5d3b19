"""A cue is labelled only where a person could judge it."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from pipeline.cues import LISTED_CUES
from pipeline.domain import PartName
from synthetic.camera import Overlay
from synthetic.parts import hardware
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


@pytest.mark.parametrize("part", [PartName.BUTTON_BACK, PartName.CARE_TAG, PartName.LABEL])
def test_print_with_a_digit_under_a_finger_or_out_of_the_frame_cannot_be_read(part):
    view = a_view(VIEW_OF[part], a_pair(1), 3)
    assert text(view, part)
    last = view.camera.project(placed(view, part).digits)[-1]
    dot = last + np.array([(-6, -6), (6, -6), (6, 6), (-6, 6)])
    assert text(replace(view, overlays=(Overlay("finger", dot, 1.0, 1.0),)), part) is None
    assert text(replace(view, overlays=(Overlay("finger", dot + 4000, 1.0, 1.0),)), part)
    w = view.camera.size_wh[0]
    moved = np.array([[1, 0, w - last[0]], [0, 1, 0], [0, 0, 1]])
    aside = replace(view, camera=replace(view.camera, to_photo=moved @ view.camera.to_photo, bend=0 * view.camera.bend))
    assert text(aside, part) is None


def text(view: View, part: PartName) -> str | None:
    return next(a for a in annotate(view) if a.part == part).text


def test_small_digits_need_a_sharper_photo_than_large_ones():
    view = a_view("care_tag", a_pair(2), 3)
    part = placed(view, PartName.CARE_TAG)
    read = []
    for size in (2.0, 6.0):
        scene = replace(view.scene, parts=(replace(part, digit_mm=size),))
        blurred = [replace(view, scene=scene, sensor=replace(CLEAN_SENSOR, blur_px=b)) for b in range(30)]
        read.append(sum(text(one, PartName.CARE_TAG) is not None for one in blurred))
    assert 0 < read[0] < read[1] < 30


@pytest.mark.parametrize(("edge_mm", "is_read"), [(0.05, True), (0.6, False)])
def test_a_code_whose_edges_are_rounded_until_its_strokes_run_together_cannot_be_read(monkeypatch, edge_mm, is_read):
    monkeypatch.setattr(hardware, "edge_mm", lambda rng, most: edge_mm)
    read = [text(a_view("button_back", a_pair(n), 3), PartName.BUTTON_BACK) for n in (1, 3, 6, 7)]
    assert [one is not None for one in read] == [is_read] * 4


def test_a_metal_burnt_out_to_white_is_not_named():
    view = a_view("button", a_pair(style="QM-34"))
    burnt = replace(view, lamp=replace(view.lamp, exposure=6.0))
    assert {"metal", "button_finish"} <= set(labels(view, PartName.BUTTON))
    assert not {"metal", "button_finish"} & set(labels(burnt, PartName.BUTTON))


def test_print_as_pale_as_its_ground_is_not_judged():
    view = a_view("label", a_pair())
    assert {"label_size_print", "label_motto_curve"} <= set(labels(view, PartName.LABEL))
    dark = replace(view, lamp=replace(view.lamp, exposure=0.01))
    assert not {"label_size_print", "label_motto_curve"} & set(labels(dark, PartName.LABEL))


def test_every_cue_of_a_part_has_a_least_scale():
    for part, cues in CUES_OF_PART.items():
        for cue in cues:
            assert JUDGEABLE_PX_PER_MM[cue] > 0
            assert part in LISTED_CUES[cue].parts
