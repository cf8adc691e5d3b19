"""The detector around a stand-in network: it sees green rectangles, if they are not too small in its input."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cutting import Square
from pipeline.detect.boxes import Boxes, decode, without_doubles, without_rivals
from pipeline.detect.detector import (
    PARTS,
    Detector,
    cut_off,
    letterbox,
    one_tab_a_pocket,
    sharpened,
    squares_around,
    with_less_grey,
)
from pipeline.domain import PartName, Photo
from pipeline.model_files import DetectorCard

GREEN, BLUE = (0, 200, 0), (0, 0, 200)
COLOUR_OF = {PartName.LABEL: GREEN, PartName.TAB: BLUE}


def card(**changes: object) -> DetectorCard:
    close = {"context": 1.35, "least_side": 0.3, "most_side": 0.7, "anchor_score": 0.2, "side_px": 256}
    return DetectorCard.model_validate(
        {
            "version": 1,
            "network": "none",
            "sha256": {},
            "colour_order": "RGB",
            "side_px": 256,
            "close_look": close,
            "nms_iou": 0.6,
            "least_score": {part: 0.3 for part in PartName},
            **changes,
        }
    )


class SeesColours:
    """Answers like the network: one cell for each coloured blob; those under `least_px` it overlooks."""

    def __init__(self, least_px: int = 6) -> None:
        self.least_px, self.looks = least_px, 0

    def __call__(self, pixels: np.ndarray) -> dict[str, np.ndarray]:
        self.looks += 1
        rows: list[tuple[np.ndarray, list[float]]] = []
        for part, colour in COLOUR_OF.items():
            mask = (np.abs(pixels.astype(int) - colour).max(-1) < 60).astype(np.uint8)
            _, _, stats, _ = cv2.connectedComponentsWithStats(mask)
            for x, y, w, h, _ in stats[1:]:
                if min(w, h) >= self.least_px:
                    logits = np.full(len(PARTS), -9.0)
                    logits[PARTS.index(part)] = 3.0
                    rows.append((logits, [x, y, x + w, y + h]))
        if not rows:
            rows = [(np.full(len(PARTS), -9.0), [0, 0, 1, 1])]
        return {
            "scores": np.array([row[0] for row in rows], np.float32),
            "boxes": np.array([row[1] for row in rows], np.float32),
        }


def photo_with(size_wh: tuple[int, int], *things: tuple[PartName, tuple[int, int, int, int]]) -> Photo:
    width, height = size_wh
    pixels = np.full((height, width, 3), 90, np.uint8)
    for part, (x, y, w, h) in things:
        pixels[y : y + h, x : x + w] = COLOUR_OF[part]
    return Photo("p.jpg", pixels)


def boxes(*rows: tuple[PartName, float, float, float, float, float]) -> Boxes:
    """Rows of part, left, top, right, bottom, score."""
    return Boxes(
        np.array([PARTS.index(row[0]) for row in rows], np.intp),
        np.array([row[1:5] for row in rows], np.float32).reshape(-1, 4),
        np.array([row[5] for row in rows], np.float32),
    )


@given(
    size=st.tuples(st.integers(300, 1400), st.integers(300, 1400)),
    place=st.tuples(st.floats(0, 0.5), st.floats(0, 0.5)),
    share=st.floats(0.3, 0.5),
)
@settings(max_examples=25, deadline=None)
def test_a_box_comes_back_in_pixels_of_the_photo(size, place, share):
    width, height = size
    x, y, w, h = (round(v) for v in (place[0] * width, place[1] * height, share * width, share * height))
    detector = Detector(card(), {256: SeesColours()})
    [found] = detector.find(photo_with(size, (PartName.LABEL, (x, y, w, h))))
    coarse = max(size) / 256  # a pixel of the letterbox
    assert found.part is PartName.LABEL
    assert np.allclose(found.box.xyxy, (x, y, x + w, y + h), atol=2 * coarse)


def test_a_part_too_small_for_the_first_look_is_found_by_the_closer_one():
    tab = (PartName.TAB, (640, 500, 14, 30))  # 2 px wide in the letterbox
    label = (PartName.LABEL, (500, 400, 120, 200))
    network = SeesColours()
    found = Detector(card(), {256: network}).find(photo_with((1600, 1200), tab, label))
    assert {part.part for part in found} == {PartName.TAB, PartName.LABEL}
    [small] = [part for part in found if part.part is PartName.TAB]
    assert np.allclose(small.box.xyxy, (640, 500, 654, 530), atol=2.5)
    assert network.looks == 2


def test_the_closer_look_sharpens_a_box():
    label = (PartName.LABEL, (503, 401, 121, 199))
    photo = photo_with((1600, 1200), label)
    [sharp] = Detector(card(), {256: SeesColours()}).find(photo)
    once = card(close_look={**card().close_look.model_dump(), "most_side": 0.0})
    [coarse] = Detector(once, {256: SeesColours()}).find(photo)

    def miss(box):
        return float(np.abs(np.array(box.xyxy) - (503, 401, 624, 600)).max())

    assert miss(sharp.box) <= 2.5 < miss(coarse.box)


def test_where_parts_fill_the_photo_there_is_no_second_look():
    network = SeesColours()
    Detector(card(), {256: network}).find(photo_with((800, 600), (PartName.LABEL, (100, 100, 500, 400))))
    assert network.looks == 1


class SeesTwice(SeesColours):
    """Takes every label for a tab too, only less surely."""

    def __init__(self, tab_logit: float) -> None:
        super().__init__()
        self.tab_logit = tab_logit

    def __call__(self, pixels: np.ndarray) -> dict[str, np.ndarray]:
        answer = super().__call__(pixels)
        answer["scores"][:, PARTS.index(PartName.TAB)] = self.tab_logit
        return answer


def test_one_thing_found_under_two_names_keeps_the_surer():
    photo = photo_with((800, 600), (PartName.LABEL, (100, 100, 500, 400)))
    [found] = Detector(card(), {256: SeesTwice(tab_logit=2.0)}).find(photo)
    assert found.part is PartName.LABEL


def test_a_part_that_always_scores_low_is_measured_by_its_own_threshold():
    photo = photo_with((800, 600), (PartName.LABEL, (100, 100, 500, 400)))
    thresholds = {**{part: 0.3 for part in PartName}, PartName.LABEL: 0.9, PartName.TAB: 0.1}
    [found] = Detector(card(least_score=thresholds), {256: SeesTwice(tab_logit=2.0)}).find(photo)
    assert found.part is PartName.TAB


def test_a_tab_in_close_up_stays_on_its_pocket():
    both = boxes((PartName.POCKET, 0, 0, 100, 100, 0.9), (PartName.TAB, 10, 0, 100, 100, 0.6))
    tab_on_pocket = (frozenset((PARTS.index(PartName.POCKET), PARTS.index(PartName.TAB))),)
    assert len(without_rivals(both, both.scores, 0.5, tab_on_pocket).parts) == 2
    assert len(without_rivals(both, both.scores, 0.5, ()).parts) == 1


def test_neighbours_under_the_limit_and_two_of_one_part_stay():
    rivet, button = (PartName.RIVET, 0, 0, 10, 10, 0.5), (PartName.BUTTON, 5, 0, 15, 10, 0.9)
    again = (PartName.RIVET, 1, 0, 11, 10, 0.4)
    found = without_rivals(boxes(rivet, button, again), np.array([0.5, 0.9, 0.4], np.float32), 0.5, ())
    assert found.scores.tolist() == pytest.approx([0.5, 0.9, 0.4])


def test_nothing_found_has_no_rivals():
    assert len(without_rivals(boxes(), np.zeros(0, np.float32), 0.5, ()).parts) == 0


def test_an_empty_photo_shows_nothing_and_is_looked_at_once():
    network = SeesColours()
    assert Detector(card(), {256: network}).find(photo_with((800, 600))) == []
    assert network.looks == 1


def test_scores_below_the_part_s_own_threshold_are_left_out():
    photo = photo_with((800, 600), (PartName.LABEL, (100, 100, 500, 400)))
    strict = card(least_score={part: 0.99 for part in PartName})
    assert Detector(strict, {256: SeesColours()}).find(photo) == []
    assert len(Detector(strict, {256: SeesColours()}).find_all(photo, least_score=0.5)) == 1


@pytest.mark.parametrize("size_wh", [(1600, 900), (900, 1600), (512, 512), (40, 33)])
def test_a_letterbox_keeps_the_shape_and_lies_at_the_top_left(size_wh):
    width, height = size_wh
    picture, scale = letterbox(np.full((height, width, 3), 255, np.uint8), 256)
    rows, columns = np.nonzero((picture == 255).all(-1))
    assert picture.shape == (256, 256, 3)
    assert (rows.min(), columns.min()) == (0, 0)
    assert (columns.max() + 1, rows.max() + 1) == (round(width * scale), round(height * scale))
    assert max(columns.max() + 1, rows.max() + 1) == 256


@pytest.mark.parametrize(
    ("size_wh", "framed_wh"),
    [((1600, 1200), (256, 192)), ((900, 1600), (192, 256)), ((512, 512), (256, 256)), ((40, 33), (256, 256))],
)
def test_grey_is_cut_off_a_letterbox_but_nothing_of_the_photo(size_wh, framed_wh):
    width, height = size_wh
    picture, scale = letterbox(np.full((height, width, 3), 255, np.uint8), 256)
    framed = with_less_grey(picture, (scale * width, scale * height))
    assert framed.shape == (framed_wh[1], framed_wh[0], 3)
    assert (framed == 255).all(-1).sum() == (picture == 255).all(-1).sum()


def test_doubles_go_as_opencv_lets_them_go():
    # Outside check: cv2.dnn.NMSBoxes, an implementation of its own (OpenCV 5).
    rng = np.random.default_rng(4)
    corners = rng.uniform(0, 300, (200, 2))
    sizes = rng.uniform(20, 120, (200, 2))
    scores = rng.permutation(np.linspace(0.05, 0.95, 200))
    mine = without_doubles(
        Boxes(
            np.zeros(200, np.intp), np.hstack([corners, corners + sizes]).astype(np.float32), scores.astype(np.float32)
        ),
        0.5,
    )
    theirs = cv2.dnn.NMSBoxes(np.hstack([corners, sizes]).tolist(), scores.tolist(), 0.0, 0.5)
    assert np.allclose(np.sort(mine.scores), np.sort(scores[np.array(theirs).ravel()]))
    assert 10 < len(mine.scores) < 190


@pytest.mark.parametrize(
    ("rows", "left"),
    [
        ([], 0),
        ([(PartName.TAB, 0, 0, 10, 10, 0.9), (PartName.TAB, 1, 0, 11, 10, 0.8)], 1),
        ([(PartName.TAB, 0, 0, 10, 10, 0.9), (PartName.ZIP, 1, 0, 11, 10, 0.8)], 2),
        ([(PartName.TAB, 0, 0, 10, 10, 0.9), (PartName.TAB, 8, 0, 18, 10, 0.8)], 2),
    ],
    ids=["nothing", "one thing twice", "two parts at one place", "side by side"],
)
def test_boxes_of_one_part_on_each_other_are_one(rows, left):
    assert len(without_doubles(boxes(*rows), 0.6).scores) == left


def test_nothing_above_the_thresholds_decodes_to_nothing():
    found = decode(np.full((5, 8), -9, np.float32), np.zeros((5, 4), np.float32), np.full(8, 0.5, np.float32), 0.6)
    assert len(found.parts) == len(found.xyxy) == len(found.scores) == 0


def test_a_pocket_keeps_its_surest_tab_and_a_tab_elsewhere_stays():
    found = boxes(
        (PartName.POCKET, 100, 100, 300, 320, 0.9),
        (PartName.TAB, 295, 130, 305, 160, 0.6),
        (PartName.TAB, 296, 200, 306, 230, 0.8),
        (PartName.TAB, 700, 130, 710, 160, 0.5),
    )
    kept = one_tab_a_pocket(found)
    tabs = [
        (float(box[0]), round(float(s), 1))
        for box, s, part in zip(kept.xyxy, kept.scores, kept.parts, strict=True)
        if PARTS[part] is PartName.TAB
    ]
    assert tabs == [(296.0, 0.8), (700.0, 0.5)]


def test_a_closer_look_that_is_much_less_sure_changes_nothing():
    known = boxes((PartName.LABEL, 0, 0, 100, 100, 0.9))
    doubtful = sharpened(known, boxes((PartName.LABEL, 5, 0, 105, 100, 0.3)))
    sure = sharpened(known, boxes((PartName.LABEL, 5, 0, 105, 100, 0.8)))
    assert (doubtful.xyxy[0, 0], sure.xyxy[0, 0]) == (0, 5)
    assert len(doubtful.parts) == len(sure.parts) == 1


def test_what_is_cut_off_by_the_closer_look_is_left_to_the_first():
    square = Square(100, 0, 200)
    found = boxes(
        (PartName.LABEL, 100, 50, 150, 80, 0.9),  # at the square's left edge, inside the photo
        (PartName.LABEL, 150, 0, 180, 40, 0.9),  # at the photo's own upper edge
        (PartName.LABEL, 150, 50, 180, 80, 0.9),
    )
    assert cut_off(found, square, (400, 400)).tolist() == [True, False, False]


def test_the_closer_look_lies_round_all_that_was_found_and_is_never_too_narrow():
    two = boxes((PartName.POCKET, 400, 500, 500, 600, 0.9), (PartName.POCKET, 700, 500, 800, 600, 0.9))
    assert squares_around(two, (1600, 1200), card()) == (Square(330, 280, 540),)
    [tiny] = squares_around(boxes((PartName.BUTTON, 700, 500, 712, 512, 0.9)), (1600, 1200), card())
    assert tiny.side == 480
    assert squares_around(boxes(), (1600, 1200), card()) == ()


def test_tiny_parts_far_apart_get_a_closer_look_at_each_side():
    close = {**card().close_look.model_dump(), "split_from": 0.5, "tiny_px": 16.0}
    apart = [(PartName.RIVET, 100, 300, 116, 316, 0.5), (PartName.RIVET, 1000, 300, 1016, 316, 0.5)]
    left, right = squares_around(boxes(*apart), (1600, 1200), card(close_look=close))
    assert left.x <= 100 < left.x + left.side < 1000  # a look at each alone
    assert right.x <= 1000 < right.x + right.side
    large = [(part, x0, y0, x0 + 300, y0 + 300, score) for part, x0, y0, _, _, score in apart]
    assert squares_around(boxes(*large), (1600, 1200), card(close_look=close)) == ()


def test_what_may_be_there_is_told_of_but_is_not_sure():
    photo = photo_with((800, 600), (PartName.LABEL, (100, 100, 500, 400)))
    doubting = Detector(card(least_score={part: 0.99 for part in PartName}), {256: SeesColours()})
    [found] = doubting.find_all(photo)
    assert (found.part, found.is_sure) == (PartName.LABEL, False)
    [sure] = Detector(card(), {256: SeesColours()}).find_all(photo)
    assert sure.is_sure
