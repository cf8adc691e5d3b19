"""Reliability by hand, and what the small figures refuse."""

from __future__ import annotations

import pytest

from pipeline.evaluate.metrics import (
    auroc,
    cllr,
    precision_at,
    reliability_equal_count,
    reliability_equal_width,
)
from pipeline.intervals import wilson_interval


def test_calibration_error_of_equal_counts_by_hand():
    """Bins (0.1, 0.3) and (0.6, 0.8): said 0.2 and 0.7, true 0 and 0.5: error (0.2 + 0.2) / 2."""
    curve = reliability_equal_count([0.8, 0.1, 0.6, 0.3], [1, 0, 0, 0], bins=2)
    assert curve.said.tolist() == pytest.approx([0.2, 0.7])
    assert curve.true.tolist() == [0.0, 0.5]
    assert curve.ece == pytest.approx(0.2)


def test_calibration_error_of_equal_widths_by_hand():
    """One row in the upper half, three in the lower: error (3 * |0.2 - 1/3| + 1 * |1 - 1|) / 4."""
    curve = reliability_equal_width([0.1, 0.2, 0.3, 1.0], [0, 0, 1, 1], bins=2)
    assert curve.rows.tolist() == [3, 1]
    assert curve.ece == pytest.approx((3 * abs(0.2 - 1 / 3) + 0) / 4)


def test_precision_at_more_rows_than_there_are_takes_them_all():
    assert precision_at([0.9, 0.1, 0.5], [1, 0, 0], 2) == 0.5
    assert precision_at([0.9, 0.1, 0.5, 0.2], [1, 0, 0, 0], 99) == 0.25
    with pytest.raises(ValueError, match="count must be 1 or more"):
        precision_at([0.9], [1], 0)


@pytest.mark.parametrize("figure", [auroc, cllr])
def test_one_kind_of_label_alone_is_refused(figure):
    with pytest.raises(ValueError, match="one is missing"):
        figure([0.1, 0.2], [1, 1])
    with pytest.raises(ValueError, match="2 scores for 1 labels"):
        figure([0.1, 0.2], [1])


def test_a_share_without_trials_may_be_anything():
    assert wilson_interval(0, 0) == (0.0, 1.0)
    with pytest.raises(ValueError, match=r"successes must lie in 0\.\.3"):
        wilson_interval(4, 3)
