"""Digits cut out upright, and two networks' opinions of them put together; the network is a stand-in."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.transform import SimilarityTransform, warp

from pipeline.classify.digit_reader import LOGITS, DigitReader, load_digit_reader
from pipeline.classify.digit_windows import DIGIT_CONTEXT, DIGIT_SIDE_PX, DigitWindow, digit_windows
from pipeline.classify.heads import SLOT_COUNT, digit_slots
from pipeline.domain import PartName
from pipeline.model_files import DigitsCard

CODE = digit_slots()[PartName.CARE_TAG, "code"]
PICTURE = cv2.GaussianBlur(np.random.default_rng(5).integers(0, 256, (256, 256, 3), dtype=np.uint8), (0, 0), 3)


def card(part_network: float = 1.0, digit_reader: float = 1.0) -> DigitsCard:
    weight = {part: {"part_network": part_network, "digit_reader": digit_reader} for part in PartName}
    return DigitsCard.model_validate(
        {"version": 1, "network": "none", "sha256": {}, "colour_order": "RGB", "weight": weight}
    )


@given(angle=st.floats(-3, 3), step=st.floats(8, 40))
def test_print_on_a_line_is_cut_along_it_from_digit_to_digit(angle, step):
    way = np.array([math.cos(angle), math.sin(angle)])
    windows = digit_windows(np.array([120, 130]) + np.arange(4)[:, None] * step * way)
    for number, window in enumerate(windows):
        assert (window.x, window.y) == pytest.approx(tuple(np.array([120, 130]) + number * step * way))
        assert math.cos(window.angle - angle) == pytest.approx(1)
        assert window.side == pytest.approx(DIGIT_CONTEXT * step)


def test_print_on_an_arc_is_cut_along_the_arc_s_tangents():
    turns = np.radians([200, 225, 250, 275])  # round the arc's centre, in order of reading
    windows = digit_windows(100 + 60 * np.stack([np.cos(turns), np.sin(turns)], 1))
    for turn, window in zip(turns, windows, strict=True):
        assert math.cos(window.angle - (turn + math.pi / 2)) == pytest.approx(1)


@pytest.mark.parametrize("places", [np.full((4, 2), 50.0), np.full((4, 2), np.nan)])
def test_places_that_are_no_line_give_no_windows(places):
    assert len(digit_windows(places)) == 0


@pytest.mark.parametrize("angle", [0.0, 0.4, math.pi, -2.0])
def test_a_window_is_the_picture_that_scikit_image_warps_to(angle):
    # source: skimage.transform.warp with a SimilarityTransform from the window's px to the crop's
    window = DigitWindow(x=118.0, y=131.0, angle=angle, side=75.0)
    middle = (DIGIT_SIDE_PX - 1) / 2
    to_crop = SimilarityTransform(translation=(-middle, -middle)) + SimilarityTransform(
        scale=window.side / DIGIT_SIDE_PX, rotation=angle, translation=(window.x, window.y)
    )
    wanted = warp(PICTURE, to_crop, output_shape=(DIGIT_SIDE_PX, DIGIT_SIDE_PX), order=1, preserve_range=True)
    assert np.abs(window.cut(PICTURE) - wanted).max() < 4  # OpenCV interpolates in steps of 1/32 px


def test_a_widened_window_stays_round_its_digit():
    assert DigitWindow(10, 20, 0.5, 40).widened(1.5) == DigitWindow(10, 20, 0.5, 60)


class Brightness:
    """Reads the brightness of each window's middle: 25 a digit."""

    def __call__(self, pixels: np.ndarray) -> dict[str, np.ndarray]:
        assert pixels.shape == (4 * DIGIT_SIDE_PX, DIGIT_SIDE_PX, 3)
        middles = pixels[DIGIT_SIDE_PX // 2 :: DIGIT_SIDE_PX, DIGIT_SIDE_PX // 2, 0]
        return {LOGITS: np.eye(10, dtype=np.float32)[np.round(middles / 25).astype(int)]}


def test_each_digit_is_read_where_it_stands_and_other_slots_stay_silent():
    places = np.zeros((SLOT_COUNT, 2), np.float32)
    places[CODE] = np.array([[0.2, 0.8], [0.4, 0.6], [0.6, 0.4], [0.8, 0.2]])  # upwards across the crop
    crop = np.zeros((320, 320, 3), np.uint8)
    for digit, (x, y) in zip((4, 0, 7, 1), places[CODE] * 320, strict=True):
        cv2.circle(crop, (int(x), int(y)), 12, (25 * digit,) * 3, -1)
    logits = DigitReader(card(), {4: Brightness()}).read(crop, PartName.CARE_TAG, places)
    assert logits[CODE].argmax(1).tolist() == [4, 0, 7, 1]
    logits[CODE] = 0
    assert not logits.any()


def test_print_of_which_no_line_was_found_is_left_to_the_part_network():
    logits = DigitReader(card(), {4: Brightness()}).read(PICTURE, PartName.CARE_TAG, np.zeros((SLOT_COUNT, 2)))
    assert not logits.any()


def test_opinions_are_weighed_as_the_card_says():
    reader = DigitReader(card(part_network=0.5, digit_reader=2.0), {})
    ones = np.ones((SLOT_COUNT, 10), np.float32)
    assert (reader.weighed(PartName.CARE_TAG, 4 * ones, 3 * ones) == 8).all()


def test_a_folder_without_a_digit_reader_has_none(tmp_path):
    assert load_digit_reader(tmp_path) is None
