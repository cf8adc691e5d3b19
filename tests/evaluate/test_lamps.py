"""Colour cues under lamps: what the camera does, and what the figures say of judges whose answers are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.classify.heads import ANSWER_COUNT, head_slices
from pipeline.config import load_sheet
from pipeline.cutting import PAD_GREY
from pipeline.domain import PartName
from pipeline.evaluate.lamp_camera import LAMPS, camera_under_lamps
from pipeline.evaluate.lamp_figures import MIXED, as_table, reproduction_error_deg, summary
from pipeline.evaluate.lamp_picture import draw_lamps
from pipeline.evaluate.lamps import BALANCES, CORRECTIONS, Sample, crop_relit, draw_samples, measure, under_lamp

SHEET = load_sheet(Path(__file__).parents[2] / "configs" / "quillmere.yaml")
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1


@pytest.fixture(scope="module")
def camera():
    return camera_under_lamps()


EVERYWHERE = (slice(None), slice(None))
TAN, DARK = (185, 139, 87), (58, 54, 50)


def plain(part: PartName, rgb: tuple[int, int, int], answers: dict[str, int]) -> Sample:
    """A crop of one colour, in a photo full of blotches of all colours."""
    photo = np.random.default_rng(0).integers(20, 200, (30, 40, 3), dtype=np.uint8)
    return Sample(part, np.full((8, 8, 3), rgb, np.uint8), photo, np.ones(3), answers, EVERYWHERE)


@pytest.fixture(scope="module")
def samples():
    labels = [plain(PartName.LABEL, rgb, {"label_ground": state}) for state, rgb in enumerate((TAN, DARK))]
    tabs = [plain(PartName.TAB, TAN, {"tab_thread": state}) for state in (0, 1)]
    return [*labels, *tabs]


@pytest.fixture(scope="module")
def drawn():
    return draw_samples(SHEET, crops=2, seed=3)


def red_judge(part: PartName, pixels: np.ndarray) -> np.ndarray:
    """Says "tan" of crops that are clearly more red than blue, else "dark", and knows nothing else."""
    answers = np.zeros(ANSWER_COUNT, np.float32)
    mean = pixels.reshape(-1, 3).mean(0)
    answers[head_slices()["label_ground"]] = (4 * mean[0] / mean[2], 6, 0)
    return answers


@pytest.fixture(scope="module")
def outcome(samples, camera):
    return measure(samples, camera, red_judge, seed=1)


def test_daylight_changes_nothing(camera):
    np.testing.assert_allclose(camera.change("D65", 0.4), np.eye(3), atol=1e-9)


@pytest.mark.parametrize("lamp", LAMPS)
def test_a_camera_that_follows_its_lamp_shows_white_as_white(camera, lamp):
    np.testing.assert_allclose(camera.change(lamp, adapted=1.0) @ np.ones(3), np.ones(3), atol=1e-9)


def test_tungsten_is_red_and_the_less_so_the_more_the_camera_follows(camera):
    reds = [white[0] / white[2] for white in (camera.change("A", adapted) @ np.ones(3) for adapted in (0, 0.5, 1))]
    assert reds[0] > 4
    assert reds == sorted(reds, reverse=True)


@pytest.mark.parametrize("lamp", LAMPS)
def test_a_lamp_keeps_the_brightness_of_white(camera, lamp):
    assert LUMINANCE @ camera.change(lamp, 0.3, (0.1, 0, -0.1)) @ np.ones(3) == pytest.approx(1)


def test_the_same_seed_draws_the_same_samples(drawn):
    again = draw_samples(SHEET, crops=2, seed=3)
    assert all(np.array_equal(a.pixels, b.pixels) and a.answers == b.answers for a, b in zip(drawn, again, strict=True))
    other = draw_samples(SHEET, crops=2, seed=4)
    assert any(not np.array_equal(a.photo, b.photo) for a, b in zip(drawn, other, strict=True))


def test_drawn_samples_carry_the_answers_of_their_part_alone(drawn):
    asked = {PartName.LABEL: {"label_ground", "label_size_print", "label_fading"}, PartName.TAB: {"tab_thread"}}
    asked |= {PartName.BUTTON: {"button_finish", "metal_name"}, PartName.RIVET: {"metal_name"}}
    assert all(set(sample.answers) <= asked[sample.part] for sample in drawn)
    assert sum(len(sample.answers) for sample in drawn) >= len(drawn)


def test_crop_photo_and_light_are_changed_alike(drawn, camera):
    shown = next(iter(under_lamp(drawn, camera, "A", BALANCES["fixed at daylight"], seed=0)))
    for before, after in ((shown.sample.pixels, shown.pixels), (shown.sample.photo, shown.photo)):
        assert after[..., 2].mean() < 0.8 * before[..., 2].mean()
    np.testing.assert_allclose(shown.light, camera.change("A") @ shown.sample.light)


def test_what_lies_outside_the_photo_keeps_its_grey_under_every_lamp(camera):
    drawn = draw_samples(SHEET, crops=12, seed=3)
    edge = next(s for s in drawn if s.inside[1].start > 8 or s.inside[0].start > 8)
    rows, columns = edge.inside
    lit = crop_relit(edge, edge.pixels, camera.change("A"))
    outside = np.ones(lit.shape[:2], bool)
    outside[rows, columns] = False
    np.testing.assert_array_equal(lit[outside], edge.pixels[outside])
    assert np.abs(edge.pixels[outside].astype(float) - PAD_GREY).mean() < 3  # it really is the grey
    assert np.abs(lit[edge.inside].astype(float) - edge.pixels[edge.inside]).mean() > 3


def test_every_camera_correction_and_lamp_has_its_figures(outcome):
    seen = {(f.balance, f.correction, f.lamp) for f in outcome.cues if f.cue == "label_ground"}
    assert seen == {(b, c, lamp) for b in BALANCES for c in CORRECTIONS for lamp in (*LAMPS, MIXED)}


def test_a_judge_of_mere_redness_is_misled_by_tungsten_and_helped_by_the_true_light(outcome):
    ground = {
        (f.correction, f.lamp): f for f in outcome.cues if f.cue == "label_ground" and f.balance == "fixed at daylight"
    }
    assert [ground["none", lamp].wrong for lamp in ("D65", "A")] == [0, 0.5]  # the dark label looks tan
    assert ground["true light", "A"].wrong == 0
    assert ground["none", "A"].log_loss > 2 * ground["true light", "A"].log_loss
    assert ground["none", MIXED].crops == len(LAMPS) * ground["none", "A"].crops


def test_a_judge_who_knows_nothing_is_at_chance(outcome):
    thread = next(f for f in outcome.cues if f.cue == "tab_thread")
    assert (thread.auroc, thread.log_loss) == (0.5, pytest.approx(np.log(2)))


def test_the_true_light_is_no_degree_off_and_no_correction_leaves_the_whole_cast(outcome, camera):
    found = {(f.correction, f.lamp): f.median_deg for f in outcome.lights if f.balance == "fixed at daylight"}
    assert found["true light", "A"] == pytest.approx(0, abs=1e-4)
    assert found["none", "A"] > 25
    assert found["none", "D65"] == pytest.approx(0, abs=1e-4)


def test_the_reproduction_error_is_the_angle_between_corrected_white_and_grey():
    # Worked by hand: white comes out as (1, 1, 0), whose angle to (1, 1, 1) is acos(2 / sqrt(6)).
    error = reproduction_error_deg(np.array([2.0, 1.0, 0.0]), np.array([2.0, 1.0, 1.0]))
    assert error == pytest.approx(np.degrees(np.arccos(2 / np.sqrt(6))))


def test_tables_and_picture_show_every_cue(outcome, samples, tmp_path):
    table = as_table(outcome, "imperfect", "beyond denim")
    assert all(f.cue in table for f in outcome.cues)
    assert all(name in summary(outcome) for name in CORRECTIONS)
    draw_lamps(tmp_path / "lamps.png", tuple(LAMPS), {"label": [samples[0].pixels] * len(LAMPS)}, outcome.cues)
    assert (tmp_path / "lamps.png").stat().st_size > 20_000
