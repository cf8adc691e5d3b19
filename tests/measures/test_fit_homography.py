from __future__ import annotations

import numpy as np
import pytest

from pipeline.measures.homography import apply_homography, fit_homography

SQUARE = np.array([[0, 0], [100, 0], [100, 100], [0, 100]], dtype=float)


def test_a_point_with_a_large_weight_is_met_more_closely():
    five = np.vstack([SQUARE, [[50, 50]]])
    seen = five + np.array([[0, 0], [0, 0], [0, 0], [0, 0], [6, 0]])
    evenly = apply_homography(fit_homography(five, seen), five)[4]
    heavily = apply_homography(fit_homography(five, seen, [1, 1, 1, 1, 100]), five)[4]
    assert abs(heavily[0] - 56) < 0.3 * abs(evenly[0] - 56)


def test_the_order_of_points_does_not_matter():
    rng = np.random.default_rng(3)
    src, order = rng.uniform(0, 100, (7, 2)), rng.permutation(7)
    dst = src * 3 + rng.normal(0, 2, src.shape)
    np.testing.assert_allclose(fit_homography(src, dst), fit_homography(src[order], dst[order]), rtol=1e-5, atol=1e-8)


@pytest.mark.parametrize(
    ("src", "dst", "weights", "words"),
    [
        (SQUARE[:3], SQUARE[:3], None, "at least 4 points, got 3"),
        (SQUARE, SQUARE[:3], None, r"got \(4, 2\), \(3, 2\)"),
        (SQUARE, SQUARE, [1, 1, 1, 0], "weights positive"),
        (SQUARE * np.nan, SQUARE, None, "must be finite"),
        (SQUARE * [1, 0], SQUARE, None, "source points lie on one line"),
        (SQUARE, SQUARE * [0, 1], None, "destination points lie on one line"),
    ],
    ids=["three points", "unlike lengths", "zero weight", "not a number", "source on a line", "destination on a line"],
)
def test_points_that_cannot_be_fitted_are_refused_in_words(src, dst, weights, words):
    with pytest.raises(ValueError, match=words):
        fit_homography(src, dst, weights)
