"""The second renderer: its labels lie where its geometry is seen, and a seed fixes them."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from pipeline.config import load_sheet
from pipeline.cues import LISTED_CUES
from pipeline.domain import PartName
from synthetic.traced import pairs, views
from synthetic.traced.camera import Camera
from synthetic.traced.folder import Order, _cropped, kinds_of, listing_row, pair_of, write_folder
from synthetic.traced.labels import annotate
from synthetic.traced.light import Lamp, Rig
from synthetic.traced.scene import Part, Scene
from synthetic.traced.sensor import draw_sensor, jpeg
from synthetic.traced.shapes import Look, disc

SHEET = load_sheet(Path(__file__).resolve().parents[3] / "configs" / "quillmere.yaml")
GENUINE = {name: cue.genuine_state for name, cue in LISTED_CUES.items()}
needs_mitsuba = pytest.mark.skipif(importlib.util.find_spec("mitsuba") is None, reason="mitsuba is not installed")


def pair_with(**states: str) -> pairs.TracedPair:
    return pairs.dress(np.random.default_rng(3), SHEET, "QM-28", {**GENUINE, **states}, counterfeit=False)


def straight_down(focal_px: float = 400.0, size: int = 64, height: float = 100.0) -> Camera:
    return Camera(
        (size, size), np.array([0, 0, height]), np.zeros(3), np.array([0, 1.0, 0]), focal_px, 0.5, height, shake_px=0.3
    )


def plan(kind: str, pair: pairs.TracedPair, seed: int = 1) -> views.PlannedPhoto:
    return views.plan_photo(np.random.default_rng(seed), pair, kind, (200, 240))


def notes_of(photo: views.PlannedPhoto) -> list[object]:
    return list(annotate(photo.scene, photo.camera))


def test_a_point_at_known_offset_falls_where_similar_triangles_say():
    # x' = f x / z (pinhole camera; Hartley and Zisserman, 2004, chapter 6)
    px = straight_down().project(np.array([[5.0, 2.5, 0.0], [0.0, 0.0, 50.0]]))
    assert px[0] == pytest.approx([32 + 400 * 5 / 100, 32 - 400 * 2.5 / 100])
    assert px[1] == pytest.approx([32, 32])


def test_a_part_out_of_focus_counts_as_less_sharp():
    camera = straight_down()
    near = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]])
    assert camera.blur_px(near + np.array((0, 0, 40))) > camera.blur_px(near)


@pytest.mark.parametrize("kind", [k for k, v in views.VIEWS.items() if v.part is not None])
def test_each_close_view_shows_the_part_it_aims_at(kind):
    photo = plan(kind, pair_with())
    assert views.VIEWS[kind].part in {note.part for note in notes_of(photo)}


def test_boxes_hold_the_projected_mesh_tightly():
    photo = plan("button_back", pair_with())
    photo = views.PlannedPhoto(photo.kind, Scene(photo.scene.surfaces, photo.scene.parts), photo.camera, photo.rig,
                               photo.sensor, photo.quality, photo.seed)  # fmt: skip
    (note,) = notes_of(photo)
    mesh = next(surface for surface in photo.scene.surfaces if surface.name == "back")
    px = np.clip(photo.camera.project(mesh.points), 0, photo.camera.size_wh)
    assert note.box.xyxy == pytest.approx((*px.min(0), *px.max(0)), abs=0.6)


def test_a_covered_half_is_not_in_the_box():
    grid = np.stack(np.meshgrid(np.linspace(-4, 4, 41), np.linspace(-4, 4, 41)), -1).reshape(-1, 2)
    points = np.column_stack([grid, np.zeros(len(grid))])
    cover = np.array([[0.0, -9, 1], [9, -9, 1], [9, 9, 1], [0, 9, 1]])
    part = Part(PartName.LABEL, points, {"label_ground": "tan"})
    (bare,) = annotate(Scene((), (part,)), straight_down())
    (half,) = annotate(Scene((), (part,), (cover,)), straight_down())
    assert half.box.w == pytest.approx(bare.box.w / 2, abs=1)
    assert "label_ground" in bare.cues
    assert "label_ground" not in half.cues


def test_the_tab_lies_at_its_true_distance_below_the_pockets_top():
    pair = pair_with(tab_position="off")
    scene = views.VIEWS["back_pocket"].scene(pair, np.random.default_rng(1), views.Region(80, -85, 130, 130), 160)
    key = next(part.keypoints for part in scene.parts if part.keypoints is not None)
    along = np.linalg.norm(key[5, :2] - key[1, :2])
    assert along == pytest.approx(pair.tab_top_mm, abs=0.05)
    assert abs(along - SHEET.tab.top_below_pocket_top) > SHEET.tab.tolerance


def test_size_order_is_labelled_only_where_print_meets_stitching():
    asked = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        pair = pairs.dress(rng, SHEET, "QM-28", GENUINE, counterfeit=False)
        scene = views.VIEWS["label"].scene(pair, rng, views.Region(-15, 85, 60, 60), 120)
        label = next(part for part in scene.parts if part.name == PartName.LABEL)
        low, high = label.points[:, :2].min(0), label.points[:, :2].max(0)
        gap = min((label.print_points[:, :2] - low).min(), (high - label.print_points[:, :2]).min())
        asked.append("label_size_order" in label.states)
        if gap > 5.0:  # the stitching lies 2.4 to 3.4 mm inside the edge
            assert not asked[-1]
    assert 2 <= sum(asked) < 8


def test_a_coated_button_says_nothing_of_the_metal_under_it():
    (button,) = [p for p in plan("button", pair_with(button_finish="coated")).scene.parts if p.name == PartName.BUTTON]
    assert "metal" not in button.states


def test_the_same_seed_gives_the_same_labels_and_another_seed_others():
    pair = pair_with()
    first, again, other = (notes_of(plan("label", pair, seed)) for seed in (4, 4, 5))
    assert first == again
    assert first != other


def test_states_of_a_counterfeit_depart_in_one_to_six_cues_that_it_has_a_place_for():
    for seed in range(60):
        states = pairs.draw_states(np.random.default_rng(seed), SHEET, "QM-21", counterfeit=True, may_reuse=False)
        assert states["zip_mark"] == "own"  # a button fly
        assert states["photo_reuse"] == "none"
        departures = sum(states[name] != cue.genuine_state for name, cue in LISTED_CUES.items())
        assert 1 <= departures <= 6 + 5  # innocent departures come on top


def test_one_listing_in_five_is_counterfeit():
    order = Order(Path("unused"), SHEET, 40, 7)
    assert sum(pair_of(order, i).counterfeit for i in range(40)) == 8
    assert all(3 <= len(kinds_of(order, i)) <= 8 for i in range(40))


def test_with_a_departure_rate_every_cue_departs_about_as_often():
    order = Order(Path("unused"), SHEET, 150, 7, departure_rate=0.3)
    seen = [pair_of(order, i).states for i in range(150)]
    for name in set(LISTED_CUES) - {"zip_mark", "photo_reuse"}:
        share = np.mean([states[name] != LISTED_CUES[name].genuine_state for states in seen])
        assert 0.15 < share < 0.47, name  # 0.3 within 4 standard errors of 150 draws, innocent departures on top


def test_stated_fields_follow_the_truth():
    order = Order(Path("unused"), SHEET, 80, 7)
    for i in range(80):
        pair, row = pair_of(order, i), listing_row(order, i, [])
        low = SHEET.styles[pair.style].usual_price_eur[0]
        assert (row["price_eur"] < 0.5 * low) == (pair.states["price_band"] == "low")
        assert ((pair.printed_waist_in, pair.printed_leg_in) == (pair.waist_in, pair.leg_in)) == (
            pair.states["size_agrees"] == "yes"
        )


def test_a_taken_photo_keeps_its_boxes_and_loses_its_cues():
    annotation = {"part": "tab", "bbox": [30.0, 10.0, 20.0, 40.0], "attributes": {"tab_word": "full"}}
    note = _cropped(annotation, (10, 5, 90, 45), mirrored=True)
    assert note is not None
    assert note.box.xyxy == (40.0, 5.0, 60.0, 40.0)
    assert not note.cues
    assert _cropped(annotation, (60, 0, 90, 60), mirrored=False) is None


def test_a_photo_is_saved_at_the_quality_asked_for():
    grey = np.random.default_rng(1).integers(0, 255, (64, 64, 3), dtype=np.uint8)
    assert len(jpeg(grey, 60)) < len(jpeg(grey, 92))


def test_the_sensor_answers_more_light_with_more_brightness_and_keeps_grey_grey():
    from synthetic.traced.sensor import develop

    ramp = np.repeat(np.linspace(0.02, 1, 64)[None, :, None], 64, 0) * np.ones(3)
    photo = develop(ramp, draw_sensor(np.random.default_rng(2), 0.4), (1.0, 1.0, 1.0)).astype(float)
    columns = photo.mean((0, 2))
    assert (np.diff(columns[::8]) > 0).all()
    assert np.ptp(photo[:, 16:48].mean((0, 1))) < 40


@needs_mitsuba
def test_what_is_rendered_lies_where_it_was_projected():
    profile = np.array([[0.01, 0.0], [3.0, 0.0]], np.float32)
    spot = disc(profile, Look("plain", (0.8, 0.8, 0.8)), around=48)
    spot = spot.moved(spot.points + np.array([2.0, 1.5, 0.0]))
    rig = Rig(np.zeros((8, 16, 3), np.float32), (Lamp((60, 0, 60), 4.0, (900.0, 900.0, 900.0)),), (1, 1, 1))
    from synthetic.traced.render import render

    camera = straight_down()
    picture = render([spot], camera, rig, spp=8, seed=1, variant="scalar_rgb").mean(-1)
    rows, columns = np.nonzero(picture > 0.3 * picture.max())
    (low_x, low_y), (high_x, high_y) = camera.project(spot.points).min(0), camera.project(spot.points).max(0)
    assert (columns.min(), rows.min()) == pytest.approx((low_x, low_y), abs=1.5)
    assert (columns.max() + 1, rows.max() + 1) == pytest.approx((high_x, high_y), abs=1.5)


@needs_mitsuba
@pytest.mark.slow
def test_a_folder_keeps_the_contract_and_a_stopped_run_goes_on(tmp_path):
    order = Order(tmp_path, SHEET, 2, 3, spp=1, long_side=(64, 80), variant="scalar_rgb")
    write_folder(order, workers=1)
    rows = [json.loads(line) for line in (tmp_path / "listings.jsonl").read_text(encoding="utf-8").splitlines()]
    truth = [json.loads(line) for line in (tmp_path / "truth.jsonl").read_text(encoding="utf-8").splitlines()]
    coco = json.loads((tmp_path / "parts.coco.json").read_text(encoding="utf-8"))
    assert [row["listing_id"] for row in truth] == [row["listing_id"] for row in rows]
    assert all((tmp_path / photo).is_file() for row in rows for photo in row["photos"])
    assert {c["name"] for c in coco["categories"]} == {str(part) for part in PartName}
    sizes = {image["id"]: (image["width"], image["height"]) for image in coco["images"]}
    for a in coco["annotations"]:
        x, y, w, h = a["bbox"]
        assert min(x, y) >= -0.1
        assert x + w <= sizes[a["image_id"]][0] + 0.2
        assert y + h <= sizes[a["image_id"]][1] + 0.2
        assert all(state in LISTED_CUES[cue].states for cue, state in a["attributes"].items() if cue in LISTED_CUES)
    first = tmp_path / rows[0]["photos"][0]
    before = first.stat().st_mtime_ns
    (tmp_path / "done" / f"{rows[1]['listing_id']}.json").unlink()
    write_folder(order, workers=1)
    assert first.stat().st_mtime_ns == before
    with pytest.raises(ValueError, match="other settings"):
        write_folder(Order(tmp_path, SHEET, 2, 4, spp=1, long_side=(64, 80)), workers=1)
