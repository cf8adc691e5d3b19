"""Squares and pictures made smaller."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.cutting import Square, evened, resized


@given(x=st.floats(-200, 2000), y=st.floats(-200, 2000), side=st.floats(2, 2000))
def test_a_snapped_square_is_of_whole_pixels_and_can_be_halved(x, y, side):
    snapped = Square(x, y, side).snapped()
    assert all(value == round(value) for value in (snapped.x, snapped.y, snapped.side))
    assert snapped.side % 2 == 0
    assert max(abs(snapped.x - x), abs(snapped.y - y), abs(snapped.side - side)) <= 1


@pytest.mark.parametrize("size_wh", [(448, 336), (320, 240), (1000, 750), (400, 300)])
def test_shrinking_in_two_steps_gives_what_averaging_at_once_gives(size_wh):
    # Outside check: OpenCV's area averages in one step (OpenCV 5).
    rng = np.random.default_rng(0)
    picture = cv2.GaussianBlur(rng.integers(0, 255, (1200, 1600, 3), dtype=np.uint8), (0, 0), 2.0) * 2
    at_once = cv2.resize(picture, size_wh, interpolation=cv2.INTER_AREA).astype(int)
    in_two = resized(picture, size_wh).astype(int)
    assert in_two.shape == (size_wh[1], size_wh[0], 3)
    assert abs((in_two - at_once).mean()) < 0.5  # no brighter, no darker; a rounding more
    nearest = cv2.resize(picture, size_wh, interpolation=cv2.INTER_NEAREST).astype(int)
    assert np.abs(in_two - at_once).mean() < 0.3 * np.abs(nearest - at_once).mean()


def test_only_an_odd_last_row_or_column_goes():
    picture = np.arange(7 * 6).reshape(7, 6).astype(np.uint8)
    assert np.array_equal(evened(picture), picture[:6])
    assert np.array_equal(evened(picture[:6]), picture[:6])
