"""A part as people are shown it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from pipeline.domain import Box, HeatMap, Photo
from pipeline.part_picture import part_picture, window_of, with_heat

SIZE_WH = (232, 174)


@pytest.mark.parametrize(
    "box",
    [Box(40, 30, 20, 10), Box(0, 0, 8, 8), Box(150, 110, 10, 10), Box(0, 0, 160, 120), None],
    ids=["inside", "corner", "other corner", "whole photo", "no box"],
)
def test_a_crop_shows_its_box_and_some_surroundings(box):
    pixels = np.full((120, 160, 3), 60, np.uint8)
    if box is not None:
        x, y, w, h = (int(side) for side in (box.x, box.y, box.w, box.h))
        pixels[y : y + h, x : x + w] = (250, 10, 10)
    tile = np.asarray(part_picture(Photo("a", pixels), box, SIZE_WH)).astype(int)
    assert tile.shape == (SIZE_WH[1], SIZE_WH[0], 3)
    red = ((tile[..., 0] > 200) & (tile[..., 2] < 60)).mean()
    assert red == 0 if box is None else red > 0.005
    if box is not None and box.w < 160:
        assert red < 0.5


@pytest.mark.parametrize("box", [Box(0, 0, 8, 8), Box(150, 110, 10, 10)], ids=["first corner", "last corner"])
def test_a_crop_at_the_edge_is_moved_inside_the_photo(box):
    tile = np.asarray(part_picture(Photo("a", np.full((120, 160, 3), 60, np.uint8)), box, SIZE_WH)).astype(int)
    assert (tile == 60).all(axis=-1).mean() > 0.9  # the photo's grey nearly everywhere, but for the outline


@given(st.integers(40, 900), st.integers(40, 900), st.data())
def test_the_whole_box_lies_in_its_crop(width, height, data):
    x = data.draw(st.integers(0, width - 10))
    y = data.draw(st.integers(0, height - 10))
    box = Box(x, y, data.draw(st.integers(5, width - x)), data.draw(st.integers(5, height - y)))
    window = window_of(box, (width, height), 4 / 3)
    for inner, outer in zip(box.xyxy[:2], window.xyxy[:2], strict=True):
        assert outer <= inner + 1e-6
    for inner, outer in zip(box.xyxy[2:], window.xyxy[2:], strict=True):
        assert outer >= inner - 1e-6
    assert window.w / window.h == pytest.approx(4 / 3)


def test_a_box_that_fills_the_photo_is_not_shown_small_on_grey():
    pale = Photo("a", np.full((600, 800, 3), 200, np.uint8))
    tile = np.asarray(part_picture(pale, Box(80, 60, 640, 480), SIZE_WH))
    assert (tile[:3] == 200).all()  # the photo reaches the crop's edge


def test_a_small_box_is_shown_close_up_with_something_round_it():
    assert 60 < window_of(Box(400, 300, 40, 30), (800, 600), 4 / 3).w < 160


def test_a_heat_map_is_tinted_and_outlined_where_the_part_is_odd():
    grid = np.zeros((12, 16), int)
    grid[3:6, 10:13] = 90  # px 100 to 130 across, 30 to 60 down
    heat = HeatMap(Box(0, 0, 160, 120), tuple(tuple(int(v) for v in row) for row in grid))
    plain = Image.new("RGB", (160, 120), (60, 60, 60))
    drawn = np.asarray(with_heat(plain, heat, Box(0, 0, 160, 120))).astype(int)
    changed = (drawn != 60).any(axis=-1)
    rows, columns = np.nonzero(changed)
    assert rows.min() == pytest.approx(30, abs=6)
    assert rows.max() == pytest.approx(60, abs=6)
    assert columns.min() == pytest.approx(100, abs=6)
    assert columns.max() == pytest.approx(130, abs=6)
    assert drawn[45, 115, 0] > drawn[45, 115, 1] + 30  # tinted
    white, dark = (drawn > 240).all(axis=-1), (drawn < 30).all(axis=-1)
    assert white.sum() > 60  # told without colour: a light line with a dark rim
    assert dark.sum() > 30


def test_the_heat_lies_on_the_same_place_of_a_tile_that_shows_a_window():
    grid = np.zeros((10, 10), int)
    grid[4, 4] = 99  # the middle at px 45, 45 of 100
    heat = HeatMap(Box(100, 200, 100, 100), tuple(tuple(int(v) for v in row) for row in grid))
    drawn = np.asarray(with_heat(Image.new("RGB", (80, 80), (60, 60, 60)), heat, Box(125, 225, 40, 40))).astype(int)
    rows, columns = np.nonzero((drawn != 60).any(axis=-1))
    assert (columns.mean(), rows.mean()) == pytest.approx((40, 40), abs=2)
