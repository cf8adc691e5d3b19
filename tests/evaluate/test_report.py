"""The whole report on an invented night."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from pipeline.domain import Box, Listing, PartName
from pipeline.evaluate import evaluate_run
from pipeline.evaluate.labelled import LabelledPart, read_labelled
from pipeline.evaluate.metrics import reliability_equal_count
from pipeline.evaluate.oracle import visible_cues
from pipeline.evidence import posterior
from pipeline.evidence.calibration import calibrate
from pipeline.evidence.learn import fit_calibration
from tests.evaluate.night import make_night
from tests.evidence.builders import evidence, listing, sheet

SHEETS = {"quillmere": sheet()}
PICTURES = ("detection", "cues", "reliability", "precision_recall", "gains")


@pytest.fixture(scope="module")
def clear(tmp_path_factory):
    """A night of clear readings: its folder, the run, the figures and where they were written."""
    folder, out = tmp_path_factory.mktemp("night"), tmp_path_factory.mktemp("out")
    night = make_night(folder, 200, clearness=30.0)
    return folder, night, evaluate_run(folder, night.queue, night.parts, out, sheets=SHEETS, evidence=evidence()), out


def run(folder, queue, parts, out):
    return evaluate_run(folder, queue, parts, out, sheets=SHEETS, evidence=evidence())


def test_clear_readings_come_close_to_the_oracle(clear):
    *_, metrics, _ = clear
    assert metrics["queue"]["share_of_oracle"] > 0.98
    assert metrics["cues"]["tab_thread"]["auroc"] > 0.999
    assert metrics["cues"]["style_agrees"]["auroc"] > 0.99
    assert metrics["detection"]["ap50"] > 0.99
    assert metrics["print"]["style"]["exact_share"] == 1.0
    assert metrics["tab_position"]["median_mm"] == pytest.approx(0.67 * 0.8, abs=0.15)


def test_the_file_holds_what_is_returned_and_every_picture_is_drawn(clear):
    *_, metrics, out = clear
    assert json.loads((out / "metrics.json").read_text(encoding="utf-8")) == metrics
    for name in PICTURES:
        with Image.open(out / f"{name}.png") as picture:
            assert np.asarray(picture.convert("L")).std() > 10


def test_blurred_readings_fall_behind_the_oracle(clear, tmp_path):
    night = make_night(tmp_path / "night", 200, clearness=1.0)
    blurred = run(tmp_path / "night", night.queue, night.parts, tmp_path)
    assert blurred["queue"]["share_of_oracle"] < 0.9
    assert blurred["cues"]["tab_thread"]["auroc"] < 0.95
    assert blurred["queue"]["oracle_average_precision"] == clear[2]["queue"]["oracle_average_precision"]


def test_print_that_was_not_found_counts_as_not_read(clear, tmp_path):
    folder, night, metrics, _ = clear
    kept = [part for part in night.parts if part.found.part is not PartName.LABEL]
    without = run(folder, night.queue, kept, tmp_path)
    assert without["print"]["style"]["legible"] == metrics["print"]["style"]["legible"]
    assert without["print"]["style"]["exact"] == 0
    assert "label_ground" not in without["cues"]


def test_boxes_far_off_lower_detection(clear, tmp_path):
    folder, night, *_ = clear
    moved = [replace(p, found=replace(p.found, box=Box(p.found.box.x + 400, 0, 20, 20))) for p in night.parts]
    metrics = run(folder, night.queue, moved, tmp_path)
    assert metrics["detection"]["ap50"] < 0.05
    assert metrics["parts_found"] < 0.05


def test_listings_missing_from_the_queue_are_named(clear, tmp_path):
    folder, night, *_ = clear
    metrics = run(folder, night.queue[1:], night.parts, tmp_path)
    assert metrics["not_in_queue"] == [night.queue[0].listing_id]


def test_what_cannot_be_judged_says_why(clear, tmp_path):
    folder, night, *_ = clear
    truth = {item.listing_id for item in night.queue}
    genuine = [q for q in night.queue if not read_labelled(folder).truth[q.listing_id].counterfeit]
    assert 0 < len(genuine) < len(truth)
    metrics = run(folder, genuine, [], tmp_path)
    assert "needed" in metrics["queue"]["skipped"]
    assert metrics["cues"]["style_agrees"]["skipped"].startswith("no departed row")
    assert metrics["tab_position"]["skipped"] == "no tab was measured"


def test_calibration_of_an_overstated_sum_fitted_on_one_night_holds_on_another(tmp_path):
    nights = [make_night(tmp_path / str(seed), 1500, clearness=4.0, seed=seed) for seed in (1, 2)]
    truth = [read_labelled(tmp_path / str(seed)).truth for seed in (1, 2)]

    def sums_and_labels(number: int):
        queue = nights[number].queue
        return [2 * sum(reason.log10_lr for reason in q.reasons) for q in queue], [
            truth[number][q.listing_id].counterfeit for q in queue
        ]

    points = fit_calibration(*sums_and_labels(0), segments=3, ridge=1.0)
    sums, labels = sums_and_labels(1)
    before = reliability_equal_count([posterior(0.2, value) for value in sums], labels).ece
    after = reliability_equal_count([posterior(0.2, calibrate(value, points, 6)) for value in sums], labels).ece
    assert after < 0.03 < before


def test_a_cue_is_visible_where_it_is_judged_or_its_print_is_legible():
    box = Box(0, 0, 9, 9)
    label = LabelledPart("a.jpg", PartName.LABEL, box, {"label_ground": "tan"}, text="STYLE QM-28 W 32 L 34")
    back = LabelledPart("a.jpg", PartName.BUTTON_BACK, box, {}, text="4071")
    tag, worn = (LabelledPart("a.jpg", PartName.CARE_TAG, box, {}, text=text) for text in ("4071", None))
    stated: Listing = listing(style_number="QM-28", photos=("a.jpg",), price_eur=80.0)
    assert visible_cues(stated, [label, back, worn]) == {"label_ground", "style_agrees", "photo_reuse"}
    assert visible_cues(stated, [back, tag]) == {"code_match", "photo_reuse"}
    assert visible_cues(listing(waist_in=32), [label]) == {"label_ground", "size_agrees"}


@pytest.mark.parametrize("name", ["truth.jsonl", "parts.coco.json"])
def test_a_folder_that_is_not_labelled_is_refused_with_a_sentence(tmp_path, name):
    make_night(tmp_path, 3, clearness=3.0)
    (tmp_path / name).unlink()
    with pytest.raises(ValueError, match=r"cannot be read .* is .* a labelled folder\?"):
        read_labelled(tmp_path)
    (tmp_path / name).write_text("{broken", encoding="utf-8")
    with pytest.raises(ValueError, match="is not as expected"):
        read_labelled(tmp_path)
