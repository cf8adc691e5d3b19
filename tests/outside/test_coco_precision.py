"""COCO average precision against a second program and against a case worked by hand."""

from __future__ import annotations

import contextlib
import io

import numpy as np
import pytest

from pipeline.domain import Box, FoundPart, PartName
from pipeline.evaluate.detection import detection_figures

NAMES = [part.value for part in PartName]
CATEGORIES = [{"id": number, "name": name} for number, name in enumerate(NAMES, 1)]


def labelled(boxes: list[tuple[int, PartName, tuple[float, float, float, float]]], photos: int):
    images = [{"id": n, "file_name": f"photos/{n}.jpg", "width": 1000, "height": 1000} for n in range(1, photos + 1)]
    annotations = [
        {"id": n, "image_id": image, "category_id": NAMES.index(part.value) + 1, "bbox": list(box), "attributes": {}}
        for n, (image, part, box) in enumerate(boxes, 1)
    ]
    return {"images": images, "annotations": annotations, "categories": CATEGORIES}


def invented(seed: int):
    """Labelled boxes, and found ones: shifted, doubled, missed and made up."""
    rng = np.random.default_rng(seed)
    boxes, found = [], []
    for image in range(1, 31):
        for part in rng.choice(list(PartName), 4):
            box = (*rng.uniform(0, 600, 2), *rng.uniform(15, 300, 2))
            boxes.append((image, PartName(part), box))
            for _ in range(int(rng.integers(0, 3))):
                shift = rng.normal(0, 0.06, 4) * box[2]
                moved = [side + by for side, by in zip(box, shift, strict=True)]
                moved[2:] = [max(side, 4.0) for side in moved[2:]]
                found.append(FoundPart(f"photos/{image}.jpg", PartName(part), Box(*moved), float(rng.uniform(0.2, 1))))
        made_up = Box(*rng.uniform(0, 500, 2), *rng.uniform(20, 100, 2))
        found.append(FoundPart(f"photos/{image}.jpg", PartName.ZIP, made_up, float(rng.uniform(0, 0.6))))
    return labelled(boxes, 30), found


@pytest.mark.parametrize("seed", [1, 2])
def test_detection_figures_agree_with_faster_coco_eval(seed):
    faster = pytest.importorskip("faster_coco_eval", reason="a second program for COCO figures; see the dev extra")
    coco, found = invented(seed)
    complete = [{**a, "iscrowd": 0, "area": a["bbox"][2] * a["bbox"][3]} for a in coco["annotations"]]
    truth = faster.COCO({**coco, "annotations": complete})
    rows = [
        {
            "image_id": int(f.photo.split("/")[1].split(".")[0]),
            "category_id": NAMES.index(f.part.value) + 1,
            "bbox": [f.box.x, f.box.y, f.box.w, f.box.h],
            "score": f.score,
        }
        for f in found
    ]
    with contextlib.redirect_stdout(io.StringIO()):
        evaluation = faster.COCOeval_faster(truth, truth.loadRes(rows), "bbox")
        evaluation.evaluate()
        evaluation.accumulate()
        evaluation.summarize()
    figures = detection_figures(coco, found)
    assert [figures.ap, figures.ap50] == pytest.approx([evaluation.stats[0], evaluation.stats[1]], abs=1e-6)


def test_a_false_alarm_above_one_of_two_hits_by_hand():
    """Two zips to find. Ranked: hit, false alarm, hit. Precision 1 up to recall 1/2, then 2/3.

    COCO reads precision at recall 0, 0.01, ... 1: 51 times 1 and 50 times 2/3. From memory of the COCO rules.
    """
    zips = [(1, PartName.ZIP, (10.0, 10.0, 100.0, 100.0)), (2, PartName.ZIP, (10.0, 10.0, 100.0, 100.0))]
    found = [
        FoundPart("1.jpg", PartName.ZIP, Box(10, 10, 100, 100), 0.9),
        FoundPart("photos/1.jpg", PartName.ZIP, Box(500, 500, 100, 100), 0.8),
        FoundPart("photos/2.jpg", PartName.ZIP, Box(10, 10, 100, 100), 0.7),
    ]
    figures = detection_figures(labelled(zips, 2), found)
    assert figures.ap50 == pytest.approx((51 + 50 * 2 / 3) / 101)
    assert figures.parts["zip"] == (pytest.approx(figures.ap), pytest.approx(figures.ap50), 2)
    assert figures.parts["tab"] == (None, None, 0)


def test_nothing_found_scores_nothing_and_prints_nothing(capsys):
    figures = detection_figures(labelled([(1, PartName.ZIP, (10.0, 10.0, 100.0, 100.0))], 1), [])
    assert (figures.ap, figures.ap50) == (0.0, 0.0)
    assert capsys.readouterr().out == ""
