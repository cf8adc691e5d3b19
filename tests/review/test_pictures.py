"""Crops and kept pictures."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from pipeline.domain import Photo
from pipeline.review import pictures
from pipeline.review.pictures import CROP_WH, Gallery, cropped


def a_photo(width=800, height=600):
    return Photo("p.jpg", np.full((height, width, 3), 200, np.uint8))


@given(st.integers(40, 900), st.integers(40, 900), st.data())
def test_the_whole_box_lies_in_its_crop(width, height, data):
    x = data.draw(st.integers(0, width - 10))
    y = data.draw(st.integers(0, height - 10))
    box = [x, y, data.draw(st.integers(5, width - x)), data.draw(st.integers(5, height - y))]
    left, top, wide, high = pictures._window(box, (width, height))
    assert left <= box[0] + 1e-6
    assert top <= box[1] + 1e-6
    assert left + wide >= box[0] + box[2] - 1e-6
    assert top + high >= box[1] + box[3] - 1e-6
    assert wide / high == pytest.approx(CROP_WH[0] / CROP_WH[1])


def test_a_box_that_fills_the_photo_is_not_shown_small_on_grey():
    tile = np.asarray(Image.open(io.BytesIO(cropped(a_photo(), [80, 60, 640, 480]))).convert("L"), float)
    assert tile[:5].mean() == pytest.approx(200, abs=4)  # the photo reaches the crop's edge


def test_a_small_box_is_shown_close_up_with_something_round_it():
    _, _, wide, _ = pictures._window([400, 300, 40, 30], (800, 600))
    assert 60 < wide < 160


def test_a_picture_is_made_once_and_forgotten_when_there_is_no_room():
    gallery, made = Gallery(most_bytes=10), []

    def make(name):
        made.append(name)
        return b"12345"

    for name in ("a", "a", "b", "c", "c", "a"):
        gallery.picture(name, lambda name=name: make(name))
    assert made == ["a", "b", "c", "a"]


def test_a_photo_that_can_not_be_read_is_tried_again():
    gallery = Gallery()
    assert gallery.photo("x", lambda: None) is None
    assert gallery.photo("x", a_photo) is not None
