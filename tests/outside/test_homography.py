"""Homographies against OpenCV, against a case worked by hand, and the sheet's inch against common practice."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import yaml

from pipeline.measures.homography import apply_homography, fit_homography

POCKET_MM = np.array([[-80, 0], [80, 0], [67.5, 150], [0, 175], [-67.5, 150]], dtype=float)
SHEET = Path(__file__).parents[2] / "configs" / "quillmere.yaml"


def test_a_square_seen_as_a_trapezium_gives_the_matrix_worked_by_hand():
    # By hand: x' = 4x / (2 + y), y' = 4y / (2 + y) sends the unit square to (0,0), (2,0), (4/3,4/3), (0,4/3).
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    trapezium = np.array([[0, 0], [2, 0], [4 / 3, 4 / 3], [0, 4 / 3]])
    worked = np.array([[2, 0, 0], [0, 2, 0], [0, 0.5, 1]])
    np.testing.assert_allclose(fit_homography(square, trapezium), worked, atol=1e-9)
    np.testing.assert_allclose(apply_homography(worked, [[0.5, 0.5]]), [[0.8, 0.8]], atol=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_exact_points_give_opencvs_homography(seed):
    true = np.array([[2.0, 0.1, 300], [-0.2, 2.2, 500], [1e-4, -4e-4, 1]])
    true[:2, :2] += np.random.default_rng(seed).normal(0, 0.3, (2, 2))
    photo = cv2.perspectiveTransform(POCKET_MM[None], true)[0]
    opencv = cv2.findHomography(POCKET_MM, photo, 0)[0]
    np.testing.assert_allclose(fit_homography(POCKET_MM, photo), opencv, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_noisy_points_are_fitted_no_worse_than_by_opencvs_least_squares(seed):
    rng = np.random.default_rng(seed)
    true = np.array([[2.0, 0.1, 300], [-0.2, 2.2, 500], [1e-4, -4e-4, 1]])
    mm = rng.uniform(-80, 180, (20, 2))
    photo = cv2.perspectiveTransform(mm[None], true)[0] + rng.normal(0, 2, (20, 2))
    ours, opencv = fit_homography(mm, photo), cv2.findHomography(mm, photo, 0)[0]
    cost_ours = ((cv2.perspectiveTransform(mm[None], ours)[0] - photo) ** 2).sum()
    cost_opencv = ((cv2.perspectiveTransform(mm[None], opencv)[0] - photo) ** 2).sum()
    assert cost_ours <= cost_opencv * (1 + 1e-6)
    there = cv2.perspectiveTransform(mm[None], opencv)[0]
    np.testing.assert_allclose(apply_homography(ours, mm), there, atol=0.05)


def test_one_and_a_quarter_inches_is_the_sheets_tab_height_within_half_a_millimetre():
    # Common practice: a tab sits about 1 1/4 in below the pocket's top. An inch is 25.4 mm by definition (1959).
    sheet = yaml.safe_load(SHEET.read_text(encoding="utf-8"))
    assert abs(sheet["tab"]["top_below_pocket_top"] - 1.25 * 25.4) < 0.5
