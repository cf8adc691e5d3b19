from __future__ import annotations

import numpy as np
import pytest

from pipeline.measures.grey_scale import fading_difference, grey_scale_rating, half_step


def test_no_change_is_rated_five_and_a_huge_one_no_lower_than_one():
    assert float(grey_scale_rating(0.0)) == 5.0
    assert float(grey_scale_rating(90.0)) == 1.0
    assert half_step(90.0) == 1.0


def test_more_change_never_rates_higher():
    assert (np.diff(grey_scale_rating(np.linspace(0, 20, 400))) <= 0).all()


def test_hues_on_either_side_of_red_are_near_each_other():
    just_above, just_below = (50.0, 30.0, 0.2), (50.0, 30.0, -0.2)
    assert float(fading_difference(just_above, just_below)) < 0.5


def test_a_negative_difference_is_refused():
    with pytest.raises(ValueError, match="cannot be negative"):
        grey_scale_rating([-0.1])
    with pytest.raises(ValueError, match="cannot be negative"):
        half_step(-0.1)
